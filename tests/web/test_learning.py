"""The page of the simulated lung: what it takes, what it says, and that it says everywhere that it is a simulation."""

from __future__ import annotations

import re

import pytest
from starlette.types import ASGIApp

from ebbmark.settings import Settings
from ebbmark.web.app import create_app
from ebbmark.web.page.learning import CASES, STEPS_CMH2O, Case
from web.asking import Reply, ask
from web.reading_pages import words_of

LAST = len(STEPS_CMH2O)


@pytest.fixture(scope="module")
def app() -> ASGIApp:
    return create_app(Settings(demo=True))


def get(app: ASGIApp, query: str = "", method: str = "GET") -> Reply:
    return ask(app, method=method, path="/demo/learning", query=query, headers={})


@pytest.mark.parametrize("case", CASES, ids=lambda one: str(one.slug))
@pytest.mark.parametrize("state", ["steps=1", "steps=5", f"steps={LAST}", f"steps={LAST}&end=yes", "steps=1&end=yes"])
def test_every_line_that_could_be_read_as_advice_and_the_figure_say_simulation(
    app: ASGIApp, case: Case, state: str
) -> None:
    reply = get(app, f"lung={case.slug}&seed=1&{state}")

    page = reply.body.decode()
    lines = re.findall(
        r'<h1>.*?</h1>|<p class="(?:line|where|notice)">.*?</p>|<figcaption.*?</figcaption>', page, re.DOTALL
    )
    reasons = re.findall(r"<li>(.*?)</li>", page.partition('class="reasons"')[2].partition("</ul>")[0])
    assert reply.status == 200
    assert len(lines) >= 2
    assert [one for one in (*lines, *reasons) if "Simulation:" not in one] == []
    drawings = re.findall(r"<svg.*?</svg>", page, re.DOTALL)
    assert [
        drawing
        for drawing in drawings
        if 'aria-label="Simulation: ' not in drawing or ">Simulation</text>" not in drawing
    ] == []
    assert drawings or "steps=1" in state


def test_a_trial_can_be_walked_from_the_list_of_demos_to_its_end_by_links(app: ASGIApp) -> None:
    assert b'href="/demo/learning"' in ask(app, method="GET", path="/demo/", headers={}).body
    page, seen = get(app).body.decode(), 1
    while found := re.search(r'href="/demo/learning\?([^"]*)">Lower', page):
        page, seen = get(app, found[1].replace("&amp;", "&")).body.decode(), seen + 1
    assert seen == LAST

    end = re.search(r'href="/demo/learning\?([^"]*end=yes)"', page)
    assert end is not None
    text = words_of(get(app, end[1].replace("&amp;", "&")).body)

    assert "the answer of $titrate-peep" in text
    assert "Simulation: Suggested PEEP" in text


@pytest.mark.parametrize(
    ("lung", "said"),
    [
        ("typical", "Simulation: Suggested PEEP"),
        ("gradual", "Simulation: Suggested PEEP"),
        ("never-reached", "Compliance did not fall for good"),
        ("leak", "a leak began"),
        ("effort", "Look first: the patient triggers breaths"),
        ("air-trapping", "intrinsic PEEP"),
    ],
)
def test_each_lung_shows_what_it_is_for(app: ASGIApp, lung: str, said: str) -> None:
    text = words_of(get(app, f"lung={lung}&seed=1&steps={LAST}&end=yes").body)

    assert said in text


def test_noise_makes_closing_less_sure_than_good_readings_of_the_same_lung(app: ASGIApp) -> None:
    good, poor = (words_of(get(app, f"lung={lung}&steps={LAST}&end=yes").body) for lung in ("typical", "noise"))

    assert "fell clearly" in good
    assert "fell clearly" not in poor


def test_a_leak_that_begins_is_met_as_a_stop_while_the_trial_runs(app: ASGIApp) -> None:
    assert "Simulation: STOP" not in words_of(get(app, "lung=leak&steps=4").body)

    text = words_of(get(app, "lung=leak&steps=5").body)

    assert "Simulation: STOP" in text
    assert text.index("End the simulated trial here") < text.index(
        "Lower the simulated PEEP to 10 cmH2O against this stop"
    )


def test_the_same_address_gives_the_same_page_and_another_seed_other_readings(app: ASGIApp) -> None:
    first, again, other = (get(app, f"lung=noise&steps=3&seed={seed}").body for seed in (7, 7, 8))

    assert first == again
    assert first != other


def test_a_further_step_changes_no_earlier_reading(app: ASGIApp) -> None:
    fewer, more = (re.findall(r"<tr>.*?</tr>", get(app, f"steps={steps}").body.decode(), re.DOTALL) for steps in (3, 4))

    assert more[: len(fewer)] == fewer


@pytest.mark.parametrize(
    ("query", "said"),
    [
        ("lung=maple", "“lung” is “maple”; typical, gradual"),
        ("lung=", "“lung” is “”"),
        ("steps=0", "“steps” is “0”; 1 to 8 is taken"),
        ("steps=9", "1 to 8 is taken"),
        ("steps=%C2%B2", "“steps” is “²”"),
        ("seed=-1", "1 to 9999 is taken"),
        ("end=no", "“end” is “no”; yes is taken"),
        ("steps=1&steps=2", "“steps” stands more than once"),
        ("patient=Patient/1", "This page takes no “patient”"),
        ("lung=<b>", "“<b>”"),
    ],
)
def test_what_the_page_does_not_take_is_refused_by_name(app: ASGIApp, query: str, said: str) -> None:
    reply = get(app, query)

    assert reply.status == 400
    assert said in words_of(reply.body)
    assert b"<b>" not in reply.body


@pytest.mark.parametrize("below", ["record", "steps", "not-now", ""])
def test_nothing_of_it_can_be_recorded(app: ASGIApp, below: str) -> None:
    page = get(app, f"steps={LAST}&end=yes").body

    assert (b"<form" in page, b'method="post"' in page, b"/record" in page) == (True, False, False)
    assert get(app, method="POST").status == 405
    for method in ("GET", "POST"):
        assert ask(app, method=method, path=f"/demo/learning/{below}", headers={}).status in (404, 405)


def test_without_the_demo_there_is_no_simulated_lung() -> None:
    assert get(create_app(Settings())).status == 404
