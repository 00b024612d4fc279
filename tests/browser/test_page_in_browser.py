"""The pages as a person meets them in a real browser: by keyboard, on a phone, on paper, and while a trial runs."""

from __future__ import annotations

import io
import re
import time
from itertools import pairwise

import pytest
from playwright.sync_api import Browser, Page, Route, expect
from pypdf import PdfReader

from browser.looking import DESKTOP, open_everything, watched

pytestmark = pytest.mark.live

ENDED = "1000000000"
CLEAR = "/demo/clear-closing/"
EVERY = [
    "/demo/",
    CLEAR,
    "/demo/noisy-record/",
    "/demo/before-a-trial/",
    "/demo/before-a-trial/before",
    "/demo/before-a-trial/plan",
    "/demo/after-the-trial/after",
    "/demo/second-trial/days",
    "/demo/second-trial/",
    f"/demo/by-hand.{ENDED}/steps",
    f"/demo/stop-criterion.{ENDED}/running",
    "/demo/clear-closing/plan",
    "/demo/clear-closing/record",
    "/demo/learning?lung=air-trapping&steps=8&end=yes",
    "/demo/nobody/",
]
PART = "**/running?fragment"
PHONE_PX = 390
WIDTHS = (320, 360, 390, 640, 820, 1280)
"""The narrowest of WCAG's reflow, two phones, half a screen as at 200 % zoom, a tablet, a screen."""
SHOWN_IN = "(one, name) => getComputedStyle(one)[name]"
HIGHEST_REVIEW_PX = 2_500
NINE_POINTS_PX = 11.99
SMALLEST_TYPE_PX = """() => Math.min(...[...document.querySelectorAll(".patient *, .dense *")]
  .filter((one) => one.localName !== "sub" && [...one.childNodes].some((part) => part.data?.trim()))
  .map((one) => parseFloat(getComputedStyle(one).fontSize)))"""
"""Of every element with text of its own; the figures of units stand low and small."""
OF_A_REFUSAL = "error: Failed to load resource: the server responded with a status of 404 (Not Found)"


@pytest.mark.parametrize("path", EVERY)
def test_a_page_asks_nobody_else_breaks_no_policy_and_complains_of_nothing(
    browser: Browser, address: str, path: str
) -> None:
    with watched(browser) as seen:
        seen.page.goto(f"{address}{path}", wait_until="networkidle")

        assert [request for request in seen.requests if not request.startswith((f"{address}/", "data:"))] == []
        assert seen.violations() == []
        assert [complaint for complaint in seen.complaints if complaint != OF_A_REFUSAL] == []


def test_the_watching_sees_a_broken_policy(browser: Browser, address: str) -> None:
    with watched(browser) as seen:
        seen.page.goto(f"{address}{CLEAR}")

        seen.page.evaluate("document.body.setAttribute('style', 'color: red')")
        seen.page.evaluate("document.body.append(Object.assign(new Image(), {src: 'https://elsewhere.example/a'}))")
        seen.page.wait_for_function("window.violations.length >= 2")

        found = " ".join(seen.violations())
        assert "style-src" in found
        assert "img-src: https://elsewhere.example" in found


@pytest.mark.parametrize("path", EVERY)
def test_no_page_scrolls_sideways(browser: Browser, address: str, path: str) -> None:
    widest = {}
    with watched(browser) as seen:
        seen.page.goto(f"{address}{path}")
        open_everything(seen.page)
        for width in WIDTHS:
            seen.page.set_viewport_size({"width": width, "height": 800})
            widest[width] = seen.widest()
            # What changed after a trial is read on a phone, too: all of its columns at once.
            if width >= PHONE_PX and seen.page.locator("#compared-rows-region").count():
                across = seen.page.locator("#compared-rows-region").evaluate(
                    "(one) => one.scrollWidth - one.clientWidth"
                )
                assert across <= 0

    assert {width: found for width, found in widest.items() if found > width} == {}


def test_a_wide_table_can_be_scrolled_by_keyboard(browser: Browser, address: str) -> None:
    with watched(browser, size=(360, 740)) as seen:
        seen.page.goto(f"{address}{CLEAR}")
        seen.page.get_by_text("Everything behind this answer").click()
        region = seen.page.get_by_role("region", name=re.compile("Last values, highest PEEP first"))
        region.focus()

        for _ in range(6):
            seen.page.keyboard.press("ArrowRight")
        seen.page.wait_for_function("document.activeElement.scrollLeft > 0")

        expect(region).to_be_focused()


def _focused(page: Page) -> str:
    found: str = page.evaluate("(document.activeElement.innerText || document.activeElement.id || '').trim()")
    return found


def _tab_to(page: Page, text: str) -> None:
    for _ in range(200):
        page.keyboard.press("Tab")
        if text in _focused(page):
            return
    raise AssertionError(f"no way by keyboard to {text!r}")


def test_results_can_be_reviewed_and_recorded_by_keyboard_alone(browser: Browser, address: str) -> None:
    with watched(browser) as seen:
        page = seen.page
        page.goto(f"{address}{CLEAR}")

        page.keyboard.press("Tab")
        assert _focused(page) == "Skip to the content"
        page.keyboard.press("Enter")
        assert page.evaluate("document.activeElement.id") == "content"
        _tab_to(page, "Record these results")
        page.keyboard.press("Enter")
        page.wait_for_url("**/record")
        _tab_to(page, "Try it")
        page.keyboard.press("Enter")

        expect(page.get_by_role("heading", level=1)).to_have_text("Nothing was written")


def test_the_review_is_short_until_a_resource_is_opened_by_keyboard_and_stands_open_on_paper(
    browser: Browser, address: str
) -> None:
    with watched(browser) as seen:
        page = seen.page
        page.goto(f"{address}/demo/clear-closing/record")
        height = page.evaluate("document.documentElement.scrollHeight")
        button = page.get_by_role("button", name="Try it").bounding_box()
        first = page.locator("details.in-full").first.bounding_box()
        table = page.get_by_role("table", name="2. Observation: Predicted body weight")
        closed = table.is_visible()
        _tab_to(page, "2. Observation")
        page.keyboard.press("Enter")
        opened = table.is_visible()
        page.keyboard.press("Enter")
        paper = " ".join(one.extract_text() for one in PdfReader(io.BytesIO(page.pdf(format="A4"))).pages)

    assert height < HIGHEST_REVIEW_PX
    assert button is not None
    assert first is not None
    assert button["y"] < first["y"]
    assert (closed, opened) == (False, True)
    assert "ARDS Network formula, female form" in paper
    assert paper.count("not written where there is") >= 15
    assert '"resourceType"' not in paper


def test_a_reason_can_be_chosen_by_keyboard_alone(browser: Browser, address: str) -> None:
    with watched(browser) as seen:
        page = seen.page
        page.goto(f"{address}{CLEAR}")

        page.get_by_label("Not now, because").focus()
        page.keyboard.press("ArrowDown")
        _tab_to(page, "Note this")
        page.keyboard.press("Enter")

        expect(page.get_by_role("heading", level=1)).to_have_text("Not recorded")


def test_whatever_has_the_focus_shows_it(browser: Browser, address: str) -> None:
    shown = []
    with watched(browser) as seen:
        seen.page.goto(f"{address}{CLEAR}")
        seen.page.evaluate("document.querySelectorAll('details').forEach((one) => { one.open = true; })")
        seen.page.keyboard.press("Tab")
        while seen.page.evaluate("document.activeElement !== document.body"):
            shown.append(seen.page.evaluate("getComputedStyle(document.activeElement).outlineStyle"))
            seen.page.keyboard.press("Tab")

    assert len(shown) > 15
    assert set(shown) == {"solid"}


def test_headings_follow_one_another_without_a_gap(browser: Browser, address: str) -> None:
    with watched(browser) as seen:
        seen.page.goto(f"{address}{CLEAR}")
        levels = [int(one.evaluate("one => one.tagName[1]")) for one in seen.page.locator("h1,h2,h3,h4").all()]

    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(after <= before + 1 for before, after in pairwise(levels))


def test_a_running_trial_changes_on_the_page_without_loading_it_again(browser: Browser, address: str) -> None:
    with watched(browser) as seen:
        page = seen.page
        page.goto(f"{address}/demo/running")
        page.evaluate("window.marked = true")
        heading, looked = page.locator("#live h1"), page.locator("#looked")
        first, when = heading.inner_text(), looked.inner_text()

        with page.expect_request(PART) as look:
            pass
        assert float(look.value.headers["ebbmark-read"]) > 0
        assert look.value.headers["if-none-match"]
        expect(heading).not_to_have_text(first)

        assert page.evaluate("window.marked")
        assert looked.inner_text() != when
        assert page.locator("#spoken").inner_text() == heading.inner_text()
        assert page.locator("#stale").is_hidden()
        assert sum("?fragment" in request for request in seen.requests) >= 1
        assert seen.violations() == []


def test_the_figure_of_a_running_trial_is_drawn_anew_with_a_reading_and_stays_with_new_words(
    browser: Browser, address: str
) -> None:
    with watched(browser) as seen:
        page = seen.page
        page.goto(f"{address}/demo/running.{time.time() - 17:.0f}/running")
        image = page.locator("#figure .drawn-wide")
        first = page.evaluate("window.kept = document.querySelector('#figure .drawn-wide'), window.kept.innerHTML")

        drawn = page.locator("#figure").get_attribute("data-drawn") or ""
        # The same drawing under other words: the words change with the clock, too.
        page.route(
            PART,
            lambda route: route.fulfill(
                body=f'<h1>Other words</h1><figure id="figure" data-drawn="{drawn}"></figure>', headers={"ETag": '"x"'}
            ),
        )
        expect(page.locator("#live h1")).to_have_text("Other words", timeout=30_000)
        assert page.evaluate("window.kept === document.querySelector('#figure .drawn-wide')")

        page.unroute(PART)
        expect(page.locator("#figure")).not_to_have_attribute("data-drawn", drawn, timeout=30_000)
        assert image.inner_html() != first
        assert image.is_visible()
        assert image.get_attribute("aria-label")
        assert seen.violations() == []


def test_a_stop_fills_the_top_of_a_phone_is_announced_once_and_the_dwell_time_counts(
    browser: Browser, address: str
) -> None:
    with watched(browser, size=(390, 740)) as seen:
        page = seen.page
        # The demo's clock starts at 09:07:40 and runs 8 times as fast; saturation falls below its limit at 09:11:35.
        page.goto(f"{address}/demo/stop-criterion.{time.time() - 22:.0f}/running")
        alert, dwell = page.locator("#stop"), page.locator(".since")
        expect(alert).to_be_hidden()
        page.evaluate(
            "window.told = []; const stop = document.getElementById('stop');"
            "new MutationObserver(() => window.told.push(stop.textContent)).observe(stop, {childList: true})"
        )
        counted = dwell.inner_text()
        assert re.fullmatch(r"(\d+ min )?\d+ s", counted)

        expect(page.get_by_role("alert").first).to_have_text(re.compile(r"STOP\. SpO2 8\d\s%"), timeout=60_000)
        expect(alert).to_be_in_viewport(ratio=1)
        assert dwell.inner_text() != counted
        page.wait_for_timeout(3_500)
        told = page.evaluate("window.told")
        assert len(told) == len(set(told))
        assert page.locator(".beyond").inner_text().count("beyond its limit") == 1
        assert seen.violations() == []


def test_a_change_does_not_take_the_focus_away(browser: Browser, address: str) -> None:
    with watched(browser) as seen:
        page = seen.page
        page.goto(f"{address}/demo/running.{time.time() - 7:.0f}/running")
        page.get_by_text("Everything behind this step").click()
        region = page.get_by_role("region", name="Every criterion")
        region.focus()
        first = page.locator("#live h1").inner_text()

        expect(page.locator("#live h1")).not_to_have_text(first)

        expect(region).to_be_focused()


def test_a_page_that_is_no_longer_renewed_says_so_and_recovers(browser: Browser, address: str) -> None:
    with watched(browser) as seen:
        page = seen.page
        page.clock.install()
        page.goto(f"{address}/demo/running.{ENDED}/running")
        page.route(PART, lambda route: route.abort())

        for _ in range(2):
            with page.expect_event("requestfailed"):
                page.clock.fast_forward("00:07")
        expect(page.get_by_role("alert")).to_contain_text("cannot be reached, so updates have stopped")
        expect(page.get_by_role("alert")).to_contain_text(re.compile(r"at least \d+ seconds old"))

        page.unroute(PART)
        with page.expect_response(PART):
            page.clock.fast_forward("01:01")
        expect(page.locator("#stale")).to_be_hidden()

        answer, dwell = page.locator("#live h1").inner_text(), page.locator(".since").first.inner_text()
        seen.context.set_offline(True)
        expect(page.get_by_role("alert")).to_contain_text("This device is offline.")
        page.clock.run_for(20_000)
        expect(page.locator("#looked")).to_contain_text(re.compile(r"\d+ s ago"))
        expect(page.get_by_role("alert")).not_to_contain_text("Too old")
        page.clock.run_for(45_000)
        expect(page.get_by_role("alert")).to_contain_text("Too old to act on: look at the patient and the ventilator.")
        assert page.locator("#live h1").inner_text() == answer
        assert page.locator(".since").first.inner_text() != dwell

        seen.context.set_offline(False)
        expect(page.locator("#stale")).to_be_hidden()


def test_a_page_that_slept_says_how_old_it_is_while_it_still_looks(browser: Browser, address: str) -> None:
    with watched(browser) as seen:
        page = seen.page
        page.clock.install()
        page.goto(f"{address}/demo/running.{ENDED}/running")
        held: list[Route] = []
        page.route(PART, lambda route: held.append(route))

        with page.expect_request(PART):
            page.clock.fast_forward("10:00")
        expect(page.locator("#stale")).to_be_hidden()
        page.clock.fast_forward("00:02")
        expect(page.get_by_role("alert")).to_contain_text(re.compile(r"Looking again\. .* at least 60\d seconds old"))

        with page.expect_response(PART):
            held[0].continue_()
        expect(page.locator("#stale")).to_be_hidden()


def test_a_session_that_has_ended_stops_the_updates_with_a_way_on(browser: Browser, address: str) -> None:
    with watched(browser) as seen:
        page = seen.page
        page.clock.install()
        page.goto(f"{address}/demo/running.{ENDED}/running")
        page.route(PART, lambda route: route.fulfill(status=403, body="<h1>ended</h1>"))

        with page.expect_response(PART):
            page.clock.fast_forward("00:07")

        expect(page.get_by_role("alert")).to_contain_text("open it again from the record")
        expect(page.get_by_role("alert")).to_be_in_viewport()
        assert "ended" not in page.locator("#live").inner_text()


def test_everything_works_without_script(browser: Browser, address: str) -> None:
    with watched(browser, script=False) as seen:
        page = seen.page
        page.goto(f"{address}/demo/running")
        before = page.locator("#looked").inner_text()
        page.wait_for_timeout(1_100)
        page.get_by_role("link", name="Look again").click()
        assert page.locator("#looked").inner_text() != before

        page.goto(f"{address}/demo/clear-closing/record")
        page.get_by_role("button", name="Try it").click()
        assert page.get_by_role("heading", level=1).inner_text() == "Nothing was written"


@pytest.mark.parametrize("path", [CLEAR, f"/demo/running.{ENDED}/running"])
def test_the_figure_goes_with_the_light(browser: Browser, address: str, path: str) -> None:
    shown = set()
    for size, dark in ((DESKTOP, False), (DESKTOP, True), ((360, 740), False), ((360, 740), True)):
        with watched(browser, size=size, dark=dark) as seen:
            seen.page.goto(f"{address}{path}")
            visible = seen.page.locator("figure .drawn:visible")
            expect(visible).to_have_count(1)
            paper = visible.locator(".fill-paper").first
            ink = [one.evaluate(SHOWN_IN, "fill") for one in (paper, visible.locator(".fill-ink").first)]
            assert ink[0] == seen.page.evaluate("getComputedStyle(document.body).backgroundColor")
            shown.add((visible.get_attribute("class"), *ink))

    assert len(shown) == 4


def test_on_paper_the_answer_stands_without_what_can_be_pressed(browser: Browser, address: str) -> None:
    with watched(browser, dark=True) as seen:
        page = seen.page
        page.goto(f"{address}{CLEAR}")
        page.emulate_media(media="print")
        assert page.locator(".decide").is_hidden()
        assert page.locator("nav").is_hidden()
        assert page.evaluate("getComputedStyle(document.body).backgroundColor") == "rgb(255, 255, 255)"
        assert page.locator("figure .drawn-wide").is_visible()
        assert page.locator("figure .drawn-narrow").is_hidden()
        assert page.locator("figure .fill-paper").first.evaluate(SHOWN_IN, "fill") == "rgb(255, 255, 255)"

        pages = PdfReader(io.BytesIO(page.pdf(format="A4"))).pages

    text = " ".join(page.extract_text() for page in pages)
    assert "Suggested PEEP 12" in text
    assert "Maple Example" in text
    assert "Record these results" not in text
    assert "Where this comes from" not in text
    assert len(pages) == 1


def test_a_plan_takes_two_sheets_and_each_names_the_patient_in_type_of_nine_points(
    browser: Browser, address: str
) -> None:
    found = {}
    with watched(browser) as seen:
        seen.page.emulate_media(media="print")
        for scenario in ("clear-closing", "noisy-record", "never-reached"):
            seen.page.goto(f"{address}/demo/{scenario}/plan")
            smallest = seen.page.evaluate(SMALLEST_TYPE_PX)
            sheets = [page.extract_text() for page in PdfReader(io.BytesIO(seen.page.pdf(format="A4"))).pages]
            named = [re.search(r"\w+ Example\s+born .*MRN DEMO-\d+", sheet, re.DOTALL) is not None for sheet in sheets]
            found[scenario] = (smallest >= NINE_POINTS_PX, named)

    assert found == dict.fromkeys(found, (True, [True, True]))
