"""No page of the service breaks a rule of WCAG 2.2 AA that can be checked by a machine.

Outside check: axe-core, with the rules of wcag2a, wcag2aa, wcag21aa, wcag22aa and its best practices.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page

from browser.looking import DESKTOP, PHONE, broken_rules, picture, watched

pytestmark = pytest.mark.live

ROOT = Path(__file__).parents[2]
ENDED = "1000000000"
PAGES = {
    "list": "/demo/",
    "answer": "/demo/clear-closing/",
    "answer with cautions": "/demo/noisy-record/",
    "no suggestion": "/demo/never-reached/",
    "before": "/demo/before-a-trial/before",
    "no trial": "/demo/before-a-trial/",
    "after": "/demo/after-the-trial/after",
    "days": "/demo/second-trial/days",
    "earlier trials": "/demo/second-trial/",
    "trial that begins": "/demo/running",
    "running trial": f"/demo/running.{ENDED}/running",
    "stop criterion": f"/demo/stop-criterion.{ENDED}/running",
    "by hand": f"/demo/by-hand.{ENDED}/steps",
    "plan that waits": "/demo/before-a-trial/plan",
    "plan": "/demo/clear-closing/plan",
    "what would be recorded": "/demo/clear-closing/record",
    "simulated lung": "/demo/learning?lung=leak&steps=5",
    "simulated trial that ended": "/demo/learning?steps=8&end=yes",
    "refusal": "/demo/nobody/",
}
AS_IT_COMES = ("what would be recorded",)
"""Pages of which much is closed at first: checked so, too."""


def _recorded(page: Page, address: str) -> None:
    page.goto(f"{address}/demo/clear-closing/record")
    page.get_by_role("button", name="Try it").click()
    page.wait_for_url("**/record")


def _noted(page: Page, address: str) -> None:
    page.goto(f"{address}/demo/clear-closing/")
    page.get_by_label("Not now, because").select_option(index=1)
    page.get_by_role("button", name="Note this").click()
    page.wait_for_url("**/not-now")


def _printed_plan(page: Page, address: str) -> None:
    """The plan as the operation gives it, set into a page."""
    body = (ROOT / "service" / "ebbmark" / "web" / "examples" / "plan-trial.json").read_text(encoding="utf-8")
    headers = {"content-type": "application/fhir+json", "accept": "text/html"}
    reply = page.request.post(f"{address}/fhir/$plan-trial", data=body, headers=headers)
    assert reply.status == 200
    page.set_content(reply.text())


ACTS: dict[str, Callable[[Page, str], None]] = {
    "recorded": _recorded,
    "noted": _noted,
    "plan to print": _printed_plan,
}


@pytest.mark.parametrize(("size", "dark"), [(DESKTOP, False), (DESKTOP, True), (PHONE, False)])
@pytest.mark.parametrize("name", [*PAGES, *ACTS])
def test_a_page_breaks_no_rule(
    browser: Browser, address: str, axe: str, name: str, size: tuple[int, int], dark: bool
) -> None:
    # The policy of the page would not let axe in; that it holds is tested without axe.
    with watched(browser, size=size, dark=dark, bypass_csp=True) as seen:
        if name in PAGES:
            seen.page.goto(f"{address}{PAGES[name]}")
        else:
            ACTS[name](seen.page, address)

        picture(seen.page, f"{name} {size[0]} {'dark' if dark else 'light'}")

        if name in AS_IT_COMES:
            assert broken_rules(seen.page, axe, opened=False) == []
        assert broken_rules(seen.page, axe) == []


def test_the_check_finds_what_isbroken_rules(browser: Browser, axe: str) -> None:
    with watched(browser, bypass_csp=True) as seen:
        seen.page.set_content("<html><body><img src='data:,'><p style='color:#aaa'>pale</p></body></html>")

        broken = " ".join(broken_rules(seen.page, axe))

    assert "image-alt" in broken
    assert "color-contrast" in broken
    assert "html-has-lang" in broken
