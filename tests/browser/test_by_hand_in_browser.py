"""Entering a trial by hand in a real browser: by keyboard, kept over a reload, apart in two tabs, without script."""

from __future__ import annotations

import time

import pytest
from playwright.sync_api import Browser, Page, expect

from browser.looking import PHONE, broken_rules, picture, watched

pytestmark = pytest.mark.live

ENDED = "/demo/by-hand.1000000000/steps"
STEPS = [(16, 28.4), (14, 26.0), (12, 24.1), (10, 23.4), (8, 23.4), (6, 23.0)]


def _add(page: Page, peep: float, plateau: float, spo2: float = 93) -> None:
    for name, value in (("PEEP", peep), ("Plateau", plateau), ("VT expired", 420), ("SpO2", spo2), ("MAP", 75)):
        page.locator("#one").get_by_label(name).fill(f"{value}")
    page.locator("#one").get_by_label("Heart rate").fill("90")
    page.keyboard.press("Enter")


def _kept(page: Page) -> dict[str, str]:
    found: dict[str, str] = page.evaluate("({...localStorage})")
    return found


def test_a_trial_is_typed_by_keyboard_computed_as_it_goes_kept_over_a_reload_and_cleared_when_sent(
    browser: Browser, address: str, axe: str
) -> None:
    with watched(browser, size=PHONE, bypass_csp=True) as seen:
        page = seen.page
        page.goto(f"{address}{ENDED}")
        _add(page, 16, 28.4)
        expect(page.locator("#computed h1")).to_be_visible()
        assert page.evaluate("document.activeElement.id") == "one-plateau-pressure"
        assert page.get_by_label("PEEP", exact=False).first.input_value() == "16"
        rows = page.locator("#rows tbody tr:visible")
        expect(rows).to_have_count(1)

        # Half a minute of the demo's clock cannot pass here: the rows of the rest are typed with their times.
        typed = [
            (f"09:{2 + 3 * step:02d}:{second:02d}", peep, plateau)
            for step, (peep, plateau) in enumerate(STEPS)
            for second in (0, 40, 55)
        ]
        page.evaluate(
            "([key, typed]) => localStorage.setItem(key, JSON.stringify({at: Number(rows.dataset.nowMs), typed}))",
            [
                next(iter(_kept(page))),
                [
                    [
                        when,
                        f"{peep}",
                        f"{plateau}",
                        "",
                        "420",
                        "93",
                        "75",
                        "90",
                        "",
                        "other" if when == "09:17:55" else "",
                    ]
                    for when, peep, plateau in typed
                ],
            ],
        )
        page.reload()
        expect(rows).to_have_count(len(typed))
        expect(page.locator("#computed")).to_contain_text("Suggested PEEP")
        expect(rows.last.get_by_label("New rhythm")).to_have_value("other")
        picture(page, "by hand 390")
        assert seen.widest() <= PHONE[0]
        assert broken_rules(page, axe) == []

        page.get_by_role("button", name="Send to the record").click()
        expect(page.get_by_role("heading", level=1)).to_contain_text("109 readings")
        assert broken_rules(page, axe) == []
        page.get_by_role("button", name="Try it").click()
        expect(page.get_by_role("heading", level=1)).to_have_text("Nothing was written")
        assert _kept(page) == {}
        assert [complaint for complaint in seen.complaints if "error" in complaint] == []


def test_an_impossible_value_is_refused_at_once_and_announced(browser: Browser, address: str) -> None:
    with watched(browser) as seen:
        page = seen.page
        page.goto(f"{address}{ENDED}")

        page.get_by_role("button", name="7", exact=True).click()
        page.get_by_role("button", name="7", exact=True).click()
        expect(page.get_by_role("alert")).to_have_text("PEEP 77 cmH2O cannot be right; enter 0 to 60 cmH2O.")
        page.get_by_role("button", name="Add this reading").click()
        assert _kept(page) == {}
        assert page.evaluate("document.activeElement.id") == "one-peep-set"

        page.get_by_role("button", name="Delete the last digit").click()
        expect(page.locator("#fault")).to_be_hidden()
        page.get_by_role("button", name="Add this reading").click()
        assert len(_kept(page)) == 1
        assert seen.violations() == []


def test_two_tabs_with_two_patients_never_mix_and_two_of_one_patient_agree(browser: Browser, address: str) -> None:
    with watched(browser) as seen:
        first, other, same = seen.page, seen.context.new_page(), seen.context.new_page()
        first.goto(f"{address}{ENDED}")
        other.goto(f"{address}/demo/clear-closing/steps")
        same.goto(f"{address}{ENDED}")

        _add(first, 16, 28)
        _add(other, 12, 22)

        for page, count, peep in ((first, 1, "16"), (other, 1, "12"), (same, 1, "16")):
            expect(page.locator("#rows tbody tr:visible")).to_have_count(count)
            assert page.locator('#rows input[name="peep-set"]').first.input_value() == peep
        assert len(_kept(first)) == 2
        assert not any(word in f"{_kept(first)}" for word in ("Hazel", "Maple", "DEMO-"))

        first.get_by_role("button", name="Discard all").click()
        expect(same.locator("#rows tbody tr:visible")).to_have_count(0)
        assert len(_kept(other)) == 1


def test_the_service_out_of_reach_loses_nothing_and_is_said(browser: Browser, address: str) -> None:
    with watched(browser) as seen:
        page = seen.page
        page.goto(f"{address}{ENDED}")
        page.route("**/steps?fragment", lambda route: route.abort())

        _add(page, 16, 28)

        expect(page.locator("#computed")).to_contain_text("did not answer")
        assert len(_kept(page)) == 1


def test_without_script_a_whole_table_is_a_plain_form(browser: Browser, address: str) -> None:
    with watched(browser, script=False) as seen:
        page = seen.page
        page.goto(f"{address}/demo/by-hand.{time.time() - 300:.0f}/steps")
        assert page.locator("#one").is_hidden()
        for name, value in (("Time", "09:20"), ("PEEP", "16"), ("Plateau", "28"), ("VT expired", "420")):
            page.get_by_label(f"{name}, row 1", exact=True).fill(value)
        page.get_by_role("button", name="What does this say?").click()

        assert page.get_by_label("Plateau, row 1", exact=True).input_value() == "28"
        assert page.locator("#computed h1").is_visible()
