"""The page of a patient, on the invented ones: what it says, what it refuses, and that nothing is written unseen."""

from __future__ import annotations

import asyncio
import io
import json
import logging
import re
from datetime import UTC, datetime
from urllib.parse import urlencode

import pytest
from pypdf import PdfReader
from starlette.types import ASGIApp

from bedside_builders import body_of, rows_down, stamp
from ebbmark.fhir.codesystem import OVERRIDE_REASONS
from ebbmark.fhir.operations import BY_SLUG
from ebbmark.fhir.problems import Problem, ProblemKind
from ebbmark.fhir.reading.request import NO_SITE, RequestContext
from ebbmark.physiology.stop.criteria import StopCriterion
from ebbmark.settings import Settings
from ebbmark.site_files import NO_FILES, site_of
from ebbmark.use_cases.questions import answer_request
from ebbmark.web.app import create_app, reason_not_to_listen
from ebbmark.web.page.after_pages import curves_view
from ebbmark.web.page.answer_pages import show_answer
from ebbmark.web.page.answer_view import answer_view
from ebbmark.web.page.decision import EVENTS
from ebbmark.web.page.demo import SCENARIOS, DemoSource, Scenario, source_of
from ebbmark.web.page.frame import Pages
from ebbmark.web.page.running_view import LOOKS_AT, live_of
from ebbmark.web.page.words import in_clinical_words, technical_words
from web.asking import Reply, ask
from web.reading_pages import counted, words_of

CLEAR, NOISY, BEFORE, SECOND = "/demo/clear-closing", "/demo/noisy-record", "/demo/before-a-trial", "/demo/second-trial"
ENDED = "1000000000"  # so long ago that a running demo stands at its end
RUNNING, STOPPED = f"/demo/running.{ENDED}", f"/demo/stop-criterion.{ENDED}"
FORM = {"content-type": "application/x-www-form-urlencoded"}
MOST_BYTES = 150_000
FOUR_STEPS = ((14.0, 40.0), (12.0, 41.0), (10.0, 40.5), (8.0, 34.0))
PARTS = ("Why", "Targets", "Charted at each step", "What each margin would mean", "Cautions and evidence", "Inputs")


@pytest.fixture(scope="module")
def app() -> ASGIApp:
    return create_app(Settings(demo=True))


def get(app: ASGIApp, path: str, query: str = "", **headers: str) -> Reply:
    named = {name.replace("_", "-"): value for name, value in headers.items()}
    return ask(app, method="GET", path=path, query=query, headers=named)


def send(app: ASGIApp, path: str, fields: list[tuple[str, str]], **headers: str) -> Reply:
    named = {name.replace("_", "-"): value for name, value in headers.items()}
    return ask(app, urlencode(fields).encode(), path=path, headers={**FORM, **named})


def identity_in(body: bytes) -> str:
    found = re.search(rb'name="identity" value="([0-9a-f]{64})"', body)
    assert found is not None
    return found[1].decode()


def test_without_the_demo_there_are_no_invented_patients() -> None:
    assert get(create_app(Settings()), "/demo/").status == 404


def test_the_demo_is_shown_on_this_machine_only() -> None:
    reason = reason_not_to_listen(Settings(demo=True, host="192.0.2.1"))

    assert reason is not None
    assert reason.startswith("The demo is shown on this machine only")


@pytest.mark.parametrize("scenario", SCENARIOS, ids=lambda one: str(one.slug))
@pytest.mark.parametrize("page", ["", "before", "running", "after", "days", "plan"])
def test_every_page_of_every_scenario_can_be_seen_and_says_that_it_is_invented(
    app: ASGIApp, scenario: Scenario, page: str
) -> None:
    slug = f"{scenario.slug}.{ENDED}" if scenario.running else scenario.slug

    reply = get(app, f"/demo/{slug}/{page}")

    assert (reply.status, reply.headers["content-type"]) == (200, "text/html; charset=utf-8")
    assert "Demo with an invented patient: nothing here can be written to a record" in words_of(reply.body)
    assert " Example born " in words_of(reply.body)
    assert reply.body.count(b"<h1") == 1


def test_a_service_below_a_path_of_its_host_is_linked_to_there() -> None:
    below = create_app(Settings(demo=True, base_url="https://ehr.example/ebbmark"))

    page, opened = get(below, f"{CLEAR}/").body, get(below, "/demo/running")

    assert page.count(b'="/ebbmark/page/') == 2
    assert b'="/page/' not in page
    assert opened.headers["location"].startswith("/ebbmark/demo/running.")
    assert b'="/ebbmark/page/style.css' in get(below, "/demo/nobody/").body


def test_a_page_is_kept_nowhere_and_loads_nothing_from_elsewhere(app: ASGIApp) -> None:
    reply = get(app, f"{CLEAR}/")

    assert (reply.headers["cache-control"], reply.headers["referrer-policy"]) == ("no-store", "no-referrer")
    assert "unsafe" not in reply.headers["content-security-policy"]
    assert not re.search(rb'(?:src|href|srcset|action)="(?:https?:)?//', reply.body)
    assert not re.search(rb"<style|\sstyle=|\son[a-z]+=|<script(?! src=)", reply.body)


def test_the_page_of_a_patient_says_who_that_is_and_its_title_does_not(app: ASGIApp) -> None:
    body = get(app, f"{CLEAR}/").body

    assert (
        "Maple Example born 11 May 1967 (58 years) sex as charted: female (administrative gender) MRN DEMO-0001"
        in words_of(body)
    )
    assert b"<title>Answer \xe2\x80\x93 Ebbmark</title>" in body


def test_the_suggestion_with_its_certainty_comes_first_and_the_parts_follow_in_order(app: ASGIApp) -> None:
    text = words_of(get(app, f"{CLEAR}/").body)

    places = [
        text.index(part) for part in ("Suggested PEEP 12 cmH2O", "Your decision", *PARTS, "Where this comes from")
    ]
    assert places == sorted(places)
    assert "2 March 2026, 09:04 to 09:17 UTC, 22 minutes ago" in text[: places[0]]
    assert re.search(
        r"Suggested PEEP 12 cmH2O Set now 8 → suggested 12 \(set [^)]*\) "
        r"Compliance fell clearly at PEEP 10 \(over 99 %\)\. ",
        text,
    )
    assert "Everything behind this answer" in text


def test_the_figure_stands_in_the_page_with_words_and_a_table(app: ASGIApp) -> None:
    body = get(app, f"{CLEAR}/").body

    assert body.count(b'role="img" aria-label="Static compliance against set PEEP') == 2
    assert len(body) < MOST_BYTES
    assert "Probability that closing started here" in words_of(body)


def test_what_speaks_against_it_is_named_before_the_figure_and_in_full_after_the_decision(app: ASGIApp) -> None:
    before, _, after = get(app, f"{NOISY}/").body.partition(b"<figure>")

    assert "Against: " in words_of(before)
    # Plateau was above its limit above the suggestion only: nobody stays there, and the line has graver things.
    assert "plateau was above its limit" not in words_of(before)
    assert "Moderate severity." in words_of(after.partition(b"<details class")[0])
    assert "Plateau pressure was above 30 cmH2O" in words_of(after)


@pytest.mark.parametrize("scenario", [CLEAR, NOISY, SECOND, "/demo/never-reached"])
def test_before_the_figure_there_are_two_short_layers_and_whether_they_hold(app: ASGIApp, scenario: str) -> None:
    said = get(app, f"{scenario}/").body.partition(b'<div class="said">')[2].partition(b"<figure>")[0]

    # The line 25, the reasons 80; beside them dates, the PEEP set last, a grave caution, and whether it still holds.
    assert len(words_of(said).split()) <= 25 + 80 + 100


def test_the_first_button_records_only_where_a_peep_is_suggested(app: ASGIApp) -> None:
    with_one, without = (get(app, f"{one}/").body for one in (CLEAR, "/demo/never-reached"))

    assert with_one.index(b'class="act" href="record"') < with_one.index(b'action="not-now"')
    assert without.index(b'action="not-now"') < without.index(b'href="record"')
    assert b'class="act" href="record"' not in without


@pytest.mark.parametrize(
    ("asked", "said"),
    [
        ("peep=13", "PEEP 13 cmH2O was chosen by the clinician (suggested: 12). Reason: Oxygenation asks for another"),
        ("peep=12&other=14.5", "PEEP 14.5 cmH2O was chosen by the clinician (suggested: 12)."),
        ("other=35", "It is outside the steps of this trial: nothing is known there."),
        ("other=10", "It is at or below closing (10 cmH2O)."),
        ("other=4", "It is at or below closing (10 cmH2O). It is outside the steps of this trial"),
    ],
)
def test_any_other_peep_is_looked_at_with_its_reason_and_is_what_would_be_recorded(
    app: ASGIApp, asked: str, said: str
) -> None:
    chosen, review = (get(app, f"{CLEAR}/{page}", f"{asked}&because=oxygenation") for page in ("", "record"))

    assert said in words_of(chosen.body)
    assert said in words_of(review.body)
    assert b"because=oxygenation" in chosen.body.partition(b'href="record?peep=')[2][:60]
    assert "PEEP chosen by the clinician" in words_of(review.body).partition("In all:")[0]
    assert identity_in(review.body) != identity_in(get(app, f"{CLEAR}/record").body)
    fields = [("csrf", "demo"), ("identity", identity_in(review.body))]
    peep = asked.rpartition("=")[2]
    choice = [("peep", peep), ("because", "oxygenation")]
    assert "Nothing was written" in words_of(send(app, f"{CLEAR}/record", [*fields, *choice]).body)
    assert send(app, f"{CLEAR}/record", fields).status == 409


@pytest.mark.parametrize(
    "query", ["peep=41&because=oxygenation", "peep=two&because=oxygenation", "peep=14&because=mood", "peep=14"]
)
def test_a_choice_that_is_no_pressure_or_has_no_reason_gives_no_number(app: ASGIApp, query: str) -> None:
    reply = get(app, f"{CLEAR}/", query)

    assert 400 <= reply.status < 500 or b"No answer can be given" in reply.body
    assert b'class="number"' not in reply.body


def test_markers_that_disagree_and_what_happened_since_stand_beside_the_answer(app: ASGIApp) -> None:
    said = words_of(get(app, f"{SECOND}/").body.partition(b"<figure>")[0])

    assert "The markers disagree. Closing: compliance 8, SpO2 (1 %) 12" in said
    assert "6 March 2026, 09:03 UTC Trial ended 6 March 2026, 09:06 UTC PEEP 6 → 10" in said


def test_without_a_suggestion_the_page_says_why_and_offers_no_number(app: ASGIApp) -> None:
    text = words_of(get(app, "/demo/never-reached/").body)

    assert (
        "No PEEP is suggested Set now 8 (set 13:42:30, 28 minutes ago) Compliance did not fall for good down to 8"
        in text
    )
    assert "Local protocol decides whether to test lower steps or to choose PEEP in another way." in text
    assert "What each margin would mean" not in text


MOST_WORDS = {
    "": (620, 2300),
    "before": (540, 300),
    "running": (220, 680),
    "after": (500, 125),
    "days": (300, 425),
    "record": (945, 18600),
}
"""At first sight, and folded away: a page may become shorter."""


@pytest.mark.parametrize("page", MOST_WORDS)
@pytest.mark.parametrize("moment", [CLEAR, NOISY, SECOND, RUNNING, STOPPED])
def test_no_page_has_more_words_than_there_is_time_for(app: ASGIApp, moment: str, page: str) -> None:
    at_sight, folded = counted(get(app, f"{moment}/{page}").body)

    assert at_sight <= MOST_WORDS[page][0]
    assert folded <= MOST_WORDS[page][1]


def test_every_input_is_listed_or_left_out_with_its_reason(app: ASGIApp) -> None:
    text = words_of(get(app, f"{NOISY}/").body)

    assert "It was entered in error. Observation/rowan-mistaken/_history/1" in text
    assert "A newer version of this Observation was sent. Observation/rowan-10/_history/1" in text
    assert "height [cm] Observation/rowan-height/_history/1 167.6" in text
    # The remarks that hold for a reading stand beside it as numbers.
    assert "Observation/rowan-18/_history/1 22:23:10 12, 318 3, 4" in text


def test_the_page_names_the_answer_its_inputs_and_the_versions(app: ASGIApp) -> None:
    text = words_of(get(app, f"{CLEAR}/").body)

    assert re.search(
        r"Answer [0-9a-f]{64} Digest of the inputs used \(SHA-256\) [0-9a-f]{64} Software Ebbmark \d", text
    )


def test_the_answer_can_be_had_on_paper_with_whose_it_is_on_every_sheet(app: ASGIApp) -> None:
    reply = get(app, f"{CLEAR}/report")

    sheets = PdfReader(io.BytesIO(reply.body)).pages
    assert reply.headers["content-type"] == "application/pdf"
    assert reply.headers["cache-control"] == "no-store"
    assert re.fullmatch(r'attachment; filename="ebbmark-[0-9a-f]{16}\.pdf"', reply.headers["content-disposition"])
    behind = PdfReader(io.BytesIO(get(app, f"{CLEAR}/report", "part=everything").body)).pages
    assert len(sheets) == 1
    assert "12 cmH" in sheets[0].extract_text()
    assert "for the auditor" in behind[0].extract_text()
    for sheet in (*sheets, *behind):
        assert "Maple Example" in sheet.extract_text()
        assert "DEMO-0001" in sheet.extract_text()
    assert get(app, f"{BEFORE}/report").headers["content-type"] == "text/html; charset=utf-8"


def test_while_the_way_down_goes_on_the_answer_names_no_peep_beside_its_next_step() -> None:
    (running,) = [one for one in SCENARIOS if one.slug == "running"]
    page = asyncio.run(show_answer(source_of(running, 0.0, 54.0, NO_SITE), Pages(UTC)))
    text = words_of(bytes(page.body)).partition("Everything behind")[0]

    assert "The trial goes on: its next step leads" in text
    assert "PEEP 8" in text.partition("The trial goes on")[0]
    assert "fairly clearly" not in text
    assert "uggested" not in text
    assert b"<figure" not in bytes(page.body)


def test_choosing_the_suggested_peep_is_no_other_choice(app: ASGIApp) -> None:
    asked = "peep=12&because=oxygenation"
    answer, review = get(app, f"{CLEAR}/", asked).body, get(app, f"{CLEAR}/record", asked).body

    assert "That is the suggested PEEP: no other was chosen." in words_of(answer)
    assert b'href="record"' in answer
    assert b'href="report"' in answer
    assert identity_in(review) == identity_in(get(app, f"{CLEAR}/record").body)


def test_on_paper_stands_the_peep_that_was_chosen_with_its_reason(app: ASGIApp) -> None:
    asked = "peep=13&because=oxygenation"
    page = get(app, f"{CLEAR}/", asked).body.decode().replace("&amp;", "&")

    (sheet,) = PdfReader(io.BytesIO(get(app, f"{CLEAR}/report", asked).body)).pages
    assert f"report?{asked}" in page
    assert f"report?part=everything&{asked}" in page
    assert "PEEP 13 cmH2O was chosen by the clinician (suggested: 12)." in " ".join(sheet.extract_text().split())
    assert "invented patient, demo" in sheet.extract_text()


@pytest.mark.parametrize(
    ("scenario", "page"),
    [("before-a-trial", "before"), ("clear-closing", ""), ("after-the-trial", "after"), ("second-trial", "days")],
)
def test_the_demo_opens_each_moment_at_its_page(app: ASGIApp, scenario: str, page: str) -> None:
    opened = get(app, f"/demo/{scenario}")
    body = get(app, opened.headers["location"]).body

    assert opened.headers["location"] == f"/demo/{scenario}/{page}"
    assert f'<a href="{page or "./"}" aria-current="page">'.encode() in body


def test_before_a_trial_it_says_what_speaks_for_and_against_and_what_to_ask(app: ASGIApp) -> None:
    text = words_of(get(app, f"{BEFORE}/before").body)

    assert "High risk Obstructive lung disease. P/F 130: moderate ARDS." in text
    assert re.search(r"Speaks for a trial P/F 130 .* Speaks against it High severity\. 'COPD, unspecified'", text)
    assert "Counts as a contraindication; not charted: bullae or blebs" in text
    assert "Charted as not there: untreated or tension pneumothorax." in text
    assert "MAP 74 mmHg" in text


def test_after_a_trial_the_settings_the_markers_and_what_happened_since_stand_together(app: ASGIApp) -> None:
    text = words_of(get(app, "/demo/after-the-trial/after").body)

    assert "Better: compliance 33.9 → 38.5 mL/cmH2O, driving pressure 12.4 → 10.9 cmH2O" in text
    assert "Driving pressure 12.4 → 10.9 cmH2O Improved 1.1 cmH2O" in text
    assert "Does it still hold? The record shows nothing since the last titration, 54 min ago, that ends it." in text
    assert "The markers disagree about closing" in text


def test_after_a_trial_each_change_is_drawn_against_what_noise_explains(app: ASGIApp) -> None:
    body = get(app, "/demo/after-the-trial/after").body.decode()
    drawn = body.partition('<ul class="shifts">')[2].partition("</ul>")[0].split("</li>")
    # In 60 units of height the value before is the middle: a fall ends below it, and beyond the grey band if told so.
    fell = next(one for one in drawn if "Driving pressure" in one)
    top, tall = map(float, re.findall(r'y="([\d.]+)" height="([\d.]+)"', fell)[0])
    after_y = float(re.findall(r'cy="([\d.]+)"', fell)[1])

    assert "12.4 → 10.9" in words_of(fell.encode())
    assert "beyond noise" in fell
    assert after_y > top + tall > 30.0 > top
    # 1.1 of noise against 1.5 of change.
    assert tall / 2 / (after_y - 30.0) == pytest.approx(1.1 / 1.5, abs=0.06)


def test_the_days_are_drawn_as_panels_over_one_time_with_their_tables(app: ASGIApp) -> None:
    body = get(app, f"{SECOND}/days").body
    text = words_of(body)

    assert body.count(b'role="img" aria-labelledby="trend-') == 4
    assert "6 March 2026, 09:03 UTC 8" in text.partition("Closing pressure (cmH2O) Time Value")[2]
    # The gas of 78 mmHg at an FiO2 of 0.60: 78 / 0.60 = 130 (Berlin definition of P/F).
    assert " 130" in text.partition("P/F (mmHg) Time Value")[2]


def test_the_plan_says_once_in_full_where_no_source_was_published_and_marks_each_row(app: ASGIApp) -> None:
    text = words_of(get(app, f"{CLEAR}/plan").body)

    assert text.lower().count("common practice, no published source") == 1
    assert text.lower().count("this project's own choice, no published source") == 1
    assert "Peak pressure above 50 cmH2O †. Sudden loss of expired volume by more than 50 % ‡." in text
    assert "† Common practice, no published source. ‡ This project's own choice, no published source. Read" in text


def test_the_trials_stand_side_by_side_on_the_same_axes_newest_last(app: ASGIApp) -> None:
    drawn = get(app, f"{SECOND}/days").body.partition(b'<figure class="multiples">')[2].partition(b"</figure>")[0]
    alternatives = re.findall(r'role="img" aria-label="([^"]+)"', drawn.decode())
    dashed, upright = (re.findall(rf'{one} d="M([0-9.]+) 8V82', drawn.decode()) for one in ('3 3"', 'ink"'))

    assert [alternative.partition(", ")[0] for alternative in alternatives] == [
        "Trial of 5 March 2026",
        "Trial of 6 March 2026",
    ]
    assert "closing 10; suggested 12; static compliance. 32.8 mL/cmH2O at PEEP 16, " in alternatives[0]
    # 124 wide from PEEP 6 to 16, the lowest and the highest of both trials: 12.4 per cmH2O, from 30 on.
    assert (dashed, upright) == (["79.6", "54.8"], ["104.4", "79.6"])
    assert re.findall(r">([0-9]+)</text>", drawn.decode()) == 2 * ["39", "27", "6", "16"]


def test_of_nine_trials_the_latest_eight_are_drawn_and_the_first_is_named() -> None:
    nine = [one for day in range(1, 10) for one in rows_down(FOUR_STEPS, name=f"day-{day}", day=day)]
    at_s = datetime.fromisoformat(stamp(30, day=9)).timestamp()
    answer = answer_request(BY_SLUG["follow-trials"], body_of(nine, []), RequestContext(at_s, site=NO_SITE))

    found = curves_view(answer, zone=UTC)

    assert found is not None
    assert [curve.when[:12] for curve in found.curves] == [f"{day} March 2026" for day in range(2, 10)]
    assert (found.not_drawn, found.mixed, found.peep) == (1, False, ("8", "14"))


def test_earlier_trials_stand_on_the_page_of_days(app: ASGIApp) -> None:
    text = words_of(get(app, f"{SECOND}/days").body)

    assert "24 h later closing was lower" in text
    assert "5 March 2026, 09:02 to 09:13 UTC" in text


def test_whether_the_answer_still_holds_is_said_above_the_figure(app: ASGIApp) -> None:
    above = words_of(get(app, f"{SECOND}/").body.partition(b"<figure>")[0])

    assert "Does it still hold? The record shows nothing since the last titration, 54 min ago, that ends it." in above


def test_where_nothing_shows_whether_the_answer_still_holds_the_page_says_so_with_its_age(app: ASGIApp) -> None:
    above = words_of(get(app, f"{CLEAR}/").body.partition(b"<figure>")[0])

    assert "Does it still hold? Not known. The trial ended 22 minutes ago. No PEEP set after it" in above


def test_the_page_of_an_answer_says_when_it_was_made(app: ASGIApp) -> None:
    above = words_of(get(app, f"{CLEAR}/").body.partition(b"<h1>")[0])

    assert "22 minutes ago (page made 2 March 2026, 09:40 UTC)" in above


def test_that_a_running_trial_is_no_longer_renewed_is_said_above_it(app: ASGIApp) -> None:
    body = get(app, f"{RUNNING}/running").body

    assert 0 < body.index(b'id="looked"') < body.index(b'id="stale"') < body.index(b'id="live"')


def test_before_a_trial_the_page_says_what_is_missing_and_is_no_error(app: ASGIApp) -> None:
    reply = get(app, f"{BEFORE}/")

    assert reply.status == 200
    assert "No trial to read No decremental PEEP trial could be read" in words_of(reply.body)
    assert b'action="not-now"' not in reply.body


def test_a_trial_in_progress_is_told_on_the_page_of_the_answer(app: ASGIApp) -> None:
    text = words_of(get(app, f"{STOPPED}/").body)

    assert text.index("A trial may be in progress. STOP. SpO2 82 %") < text.index("Suggested PEEP 12 cmH2O")
    assert "A trial may be in progress" not in words_of(get(app, f"{CLEAR}/").body)


def test_the_running_trial_shows_the_next_step_the_steps_and_the_stop_criteria_with_their_readings(
    app: ASGIApp,
) -> None:
    text = words_of(get(app, f"{RUNNING}/running").body)

    assert re.search(r"Step 5 of 6, PEEP 8, \d settled readings, since 09:12:00", text)
    assert "Closing was at PEEP 10; PEEP is 8 now" in text
    assert "Watch yourself, not checked here: fall of MAP, systolic pressure, air leak, new rhythm." in text
    assert re.search(r"SpO2 92 % ?stop below 85 %", text)
    assert "10 09:10:00 to 09:11:35 2 31.6 61 %" in text
    assert "Low oxygen saturation Not met 92 % at 09:13:35, less than a minute ago" in text
    assert "Last looked at 09:13:50." in text


def test_every_stop_criterion_has_a_reading_to_be_shown_beside_it() -> None:
    assert set(LOOKS_AT) == {one.value for one in StopCriterion} - {StopCriterion.RHYTHM.value}


def test_a_stop_criterion_that_is_met_leads_the_running_trial(app: ASGIApp) -> None:
    body = get(app, f"{STOPPED}/running").body
    text = words_of(body)

    above = words_of(body.partition(b'<div id="live"')[0])
    assert above.endswith(
        "STOP. SpO2 82 % (limit 85 %). Before the trial: PEEP 10 cmH2O, VT 420 mL. At PEEP 12 SpO2 was 90 %."
    )
    assert b'class="stop" role="alert">' in body
    assert b'class="stop" role="alert" hidden>' in get(app, f"{RUNNING}/running").body
    assert "Look at the patient now" in text
    assert "those that were met first. Criterion State Latest reading Stop limit Low oxygen saturation Met 82 %" in text


def test_where_no_trial_is_in_progress_the_running_page_says_so(app: ASGIApp) -> None:
    text = words_of(get(app, f"{SECOND}/running").body)

    assert "The trial has ended; PEEP is 10 now" in text
    assert "A trial that has ended stands on the page Answer." in text


def test_readings_of_yesterday_are_no_trial_in_progress() -> None:
    site = site_of(NO_FILES)
    a_day_later_s = datetime(2026, 3, 3, 9, 0, tzinfo=UTC).timestamp()

    live = asyncio.run(live_of(DemoSource(SCENARIOS[0], a_day_later_s, site), UTC))

    assert live.view is None
    assert "is 23.7 h old, so this is no trial in progress" in live.sentences[0]
    assert live.sentences[0].endswith("A trial that has ended stands on the page Answer.")


def test_the_part_that_changes_is_not_sent_again_until_it_does(app: ASGIApp) -> None:
    first = get(app, f"{RUNNING}/running", "fragment")
    again = get(app, f"{RUNNING}/running", "fragment", if_none_match=first.headers["etag"])
    other = get(app, f"{STOPPED}/running", "fragment", if_none_match=first.headers["etag"])

    assert first.status == 200
    assert b"<html" not in first.body
    assert (again.status, again.body) == (304, b"")
    assert again.headers["ebbmark-as-of"] == first.headers["ebbmark-as-of"] == "09:13:50"
    assert other.status == 200


def test_a_figure_that_the_page_has_is_not_sent_again_with_new_words(app: ASGIApp) -> None:
    first = get(app, f"{RUNNING}/running", "fragment")
    drawn = re.search(rb'data-drawn="([0-9a-f]{32})"', first.body)
    assert drawn is not None

    words = get(app, f"{RUNNING}/running", "fragment", ebbmark_drawn=drawn[1].decode())
    other = get(app, f"{STOPPED}/running", "fragment", ebbmark_drawn=drawn[1].decode())

    assert b'class="drawn' in first.body
    assert drawn[0] in words.body
    assert b'class="drawn' not in words.body
    assert words.headers["etag"] == first.headers["etag"]
    assert b'class="drawn' in other.body


def test_the_running_trial_is_drawn_with_words_beside_its_table(app: ASGIApp) -> None:
    body = get(app, f"{RUNNING}/running").body

    assert body.count(b'role="img" aria-label="Static compliance against set PEEP in 5 steps so far') == 2
    assert "its numbers are in the table below" in words_of(body)


def test_before_the_way_down_nothing_is_drawn(app: ASGIApp) -> None:
    assert b"<figure" not in get(app, f"{SECOND}/running").body


def test_the_page_starts_from_the_part_that_it_shows(app: ASGIApp) -> None:
    page, part = get(app, f"{RUNNING}/running"), get(app, f"{RUNNING}/running", "fragment")

    tag = part.headers["etag"].replace('"', "&#34;")
    assert f'data-tag="{tag}"'.encode() in page.body
    assert part.body.strip() in page.body


def test_a_running_demo_begins_when_it_is_first_opened(app: ASGIApp) -> None:
    reply = get(app, "/demo/running")

    assert reply.status == 303
    assert re.fullmatch(r"/demo/running\.\d{10}/running", reply.headers["location"])
    assert "PEEP is not being lowered" in words_of(get(app, reply.headers["location"]).body)


@pytest.mark.parametrize("path", ["/demo/nobody/", "/demo/nobody", "/demo/running.x/", f"/demo/running.{'1' * 13}/"])
def test_what_is_no_demo_is_refused_as_a_page(app: ASGIApp, path: str) -> None:
    reply = get(app, path)

    assert (reply.status, reply.headers["content-type"]) == (404, "text/html; charset=utf-8")
    assert "Not a demo" in words_of(reply.body)


@pytest.mark.parametrize(("method", "path", "status"), [("GET", f"{CLEAR}/x", 404), ("PUT", f"{CLEAR}/record", 405)])
def test_an_address_below_the_pages_that_is_none_is_refused_as_a_page(
    app: ASGIApp, method: str, path: str, status: int
) -> None:
    reply = ask(app, method=method, path=path)

    assert (reply.status, reply.headers["content-type"]) == (status, "text/html; charset=utf-8")
    assert "No such page" in words_of(reply.body)


def test_the_plan_is_shown_only_where_it_is_asked_for(app: ASGIApp) -> None:
    assert "Staircase" not in words_of(get(app, f"{CLEAR}/").body)
    assert "without high-pressure recruitment" in words_of(get(app, f"{CLEAR}/plan").body)


def test_a_plan_waits_until_somebody_has_looked_at_what_speaks_against_it(app: ASGIApp) -> None:
    waiting = words_of(get(app, f"{BEFORE}/plan").body)
    acknowledged = [("csrf", "demo"), ("acknowledged", "obstructive-disease")]

    laid_out = words_of(send(app, f"{BEFORE}/plan", acknowledged).body)

    assert "A plan waits for a clinician" in waiting
    assert "Counts as: emphysema or severe obstruction with hyperinflation" in waiting
    assert "parameter" not in waiting
    assert "which whoever looks at this demo has acknowledged" in laid_out


def test_what_would_be_recorded_is_shown_resource_by_resource_with_its_json(app: ASGIApp) -> None:
    body = get(app, f"{CLEAR}/record").body
    text = words_of(body)

    shown = [json.loads(one) for one in re.findall(r"<pre[^>]*>(.*?)</pre>", _unescaped(body), re.DOTALL)]
    kinds = [one["resourceType"] for one in shown]
    assert f"In all: 1 GuidanceResponse, {kinds.count('Observation')} Observations" in text
    assert {"GuidanceResponse", "Observation", "Device", "Provenance"} <= set(kinds)
    assert all(f"{number}. {kind}" in text for number, kind in enumerate(kinds, start=1))
    assert "Observation: Suggested PEEP, 12.0 cmH2O" in text


def test_what_would_be_recorded_is_first_said_in_brief_with_every_value_its_unit_and_its_status(app: ASGIApp) -> None:
    body = get(app, f"{CLEAR}/record").body
    brief = words_of(body).partition("In all:")[0]

    sent = [json.loads(one) for one in re.findall(r"<pre[^>]*>(.*?)</pre>", _unescaped(body), re.DOTALL)]
    values = [one for one in sent if "valueQuantity" in one]
    assert len(values) >= 4
    for value in values:
        quantity = value["valueQuantity"]
        assert f"{value['code']['text']} {quantity['value']} {quantity['unit']} {value['status']}" in brief
    assert "Step of a PEEP trial PEEP 20.0 cmH2O, static compliance 37.7 mL/cmH2O preliminary" in brief
    assert "Compliance along the PEEP trial static, computed, against set PEEP preliminary" in brief
    assert brief.count("preliminary") == 1 + sum(one.get("status") == "preliminary" for one in sent)


def test_a_result_without_a_value_says_so_in_brief(app: ASGIApp) -> None:
    brief = words_of(get(app, "/demo/never-reached/record").body).partition("In all:")[0]

    assert re.search(r"Closing pressure no value: .+? preliminary", brief)


def test_the_report_goes_with_the_results_only_where_it_was_chosen(app: ASGIApp) -> None:
    without, chosen = get(app, f"{CLEAR}/record").body, get(app, f"{CLEAR}/record", "with-report=true").body

    assert "The report does not go with it." in words_of(without)
    assert "DiagnosticReport: " not in words_of(without)
    assert re.search(r"DiagnosticReport: .* presented form application/pdf, \d+ kB", words_of(chosen))
    assert b'name="with-report" value="true"' in chosen


def test_a_demo_writes_nothing_and_says_so_on_the_button_and_after(app: ASGIApp) -> None:
    review = get(app, f"{CLEAR}/record").body

    done = send(app, f"{CLEAR}/record", [("csrf", "demo"), ("identity", identity_in(review))])

    assert "Try it: nothing is written in this demo" in words_of(review)
    assert done.status == 200
    assert "Nothing was written This is a demo" in words_of(done.body)


def test_recording_is_refused_where_the_answer_is_not_the_one_that_was_shown(app: ASGIApp) -> None:
    review = get(app, f"{NOISY}/record").body

    reply = send(app, f"{CLEAR}/record", [("csrf", "demo"), ("identity", identity_in(review))])

    assert reply.status == 409
    assert "The answer has changed" in words_of(reply.body)


@pytest.mark.parametrize("path", ["record", "not-now", "plan"])
@pytest.mark.parametrize("fields", [[], [("csrf", "")], [("csrf", "other")]])
def test_a_form_without_the_mark_of_its_page_does_nothing(
    app: ASGIApp, path: str, fields: list[tuple[str, str]]
) -> None:
    reply = send(app, f"{CLEAR}/{path}", [*fields, ("reason", "done-already"), ("identity", "x")])

    assert reply.status == 403
    assert "nothing was done" in words_of(reply.body)


def test_a_form_sent_from_another_site_does_nothing_even_with_the_mark(app: ASGIApp) -> None:
    reply = send(app, f"{CLEAR}/not-now", [("csrf", "demo"), ("reason", "done-already")], sec_fetch_site="cross-site")

    assert reply.status == 403


def test_what_is_no_form_is_refused(app: ASGIApp) -> None:
    reply = ask(app, b"{}", path=f"{CLEAR}/record", headers={"content-type": "application/json"})

    assert reply.status == 415


def test_a_form_of_any_length_is_not_read(app: ASGIApp) -> None:
    reply = send(app, f"{CLEAR}/not-now", [("csrf", "demo"), ("reason", "x" * 20_000)])

    assert reply.status == 413
    assert reply.headers["content-type"] == "text/html; charset=utf-8"


def test_not_now_is_noted_with_its_reason_and_without_the_patient(
    app: ASGIApp, caplog: pytest.LogCaptureFixture
) -> None:
    code, words, _ = OVERRIDE_REASONS[0]

    with caplog.at_level(logging.INFO, logger=EVENTS):
        reply = send(app, f"{CLEAR}/not-now", [("csrf", "demo"), ("reason", code), ("note", "Maple said no")])

    assert words in words_of(reply.body)
    (line,) = [record.getMessage() for record in caplog.records if record.name == EVENTS]
    event = json.loads(line)
    assert (event["event"], event["reason"], event["verdict"]) == ("not-recorded", code, "found")
    assert "aple" not in line
    assert "DEMO" not in line


@pytest.mark.parametrize("reason", ["", "my own words"])
def test_a_reason_that_is_not_on_the_list_is_not_noted(
    app: ASGIApp, reason: str, caplog: pytest.LogCaptureFixture
) -> None:
    with caplog.at_level(logging.INFO, logger=EVENTS):
        reply = send(app, f"{CLEAR}/not-now", [("csrf", "demo"), ("reason", reason)])

    assert reply.status == 422
    assert [record for record in caplog.records if record.name == EVENTS] == []


def _unescaped(body: bytes) -> str:
    return body.decode().replace("&#34;", '"').replace("&#39;", "'").replace("&lt;", "<").replace("&amp;", "&")


def test_what_is_missing_is_said_in_words_of_the_ward_and_codes_stand_for_those_who_connect_the_record() -> None:
    sentence = "No usable body height was sent; send an Observation with LOINC 8302-2 and a value in cm or [in_i]."
    height = Problem(ProblemKind.MISSING, "", "no height", "a body height", sentence)
    failed = Problem(ProblemKind.RECORD_FAILED, "", "x", "x", "It failed. Ask again later, or send the data.")

    assert in_clinical_words(height) == "No body height is charted, or none that can be used."
    assert in_clinical_words(failed) == "It failed. Ask again later."
    assert technical_words((height,)) == (sentence,)


def test_a_heading_names_the_limit_and_the_text_below_its_source(app: ASGIApp) -> None:
    body = get(app, f"{STOPPED}/running").body
    heading, below = body.partition(b"<h1")[2].split(b"</h1>", 1)

    assert b"(limit 85" in heading
    assert b"chapter 13" not in heading
    assert b"chapter 13 (read at second hand)" in below


def test_probabilities_in_the_table_are_said_as_in_the_figure(app: ASGIApp) -> None:
    text = words_of(get(app, f"{CLEAR}/").body).partition("The figure as a table")[2].partition("Your decision")[0]

    assert "under 1 %" in text
    assert " 0.00" not in text


@pytest.mark.parametrize(("hours", "mark"), [(11, ""), (30, "This trial is 30 h old.")])
def test_a_trial_of_long_ago_is_marked_as_old(hours: int, mark: str) -> None:
    site = site_of(NO_FILES)
    at_s = datetime(2026, 3, 2, 9, 40, tzinfo=UTC).timestamp()
    read = asyncio.run(DemoSource(SCENARIOS[0], at_s, site).asked("titrate-peep"))
    ended_s = read.titration.trial.steps[-1].end_s

    assert answer_view(read, now_s=ended_s + hours * 3600 + 60, zone=UTC).old == mark


def test_references_stand_small_behind_the_words_of_a_plan(app: ASGIApp) -> None:
    waiting = get(app, f"{BEFORE}/plan").body

    assert b'<span class="source">Condition/hazel-obstruction/_history/1</span>' in waiting
