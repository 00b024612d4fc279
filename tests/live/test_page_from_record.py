"""A person opens the page from a real record in a real browser, looks, watches a trial, and records what they saw."""

from __future__ import annotations

import uuid
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest
from playwright.sync_api import Browser, Page, expect, sync_playwright

from browser.looking import ARGUMENTS, chromium, picture, watched
from launch_server import USER, Chart, LaunchSite, launch_server
from live.record_server import FHIR_JSON
from web.browsing import cookie_key, free_port, launch_of, running, smart_settings
from web.charted_record import trial_of

pytestmark = pytest.mark.live

ENDED, GOING_ON = "2026-03-05T09:13:50Z", "2026-03-05T09:11:50Z"
Json = dict[str, Any]


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    path = chromium()
    with sync_playwright() as playwright:
        opened = playwright.chromium.launch(executable_path=path, args=ARGUMENTS)
        yield opened
        opened.close()


@pytest.fixture(scope="module")
def site(record_base_url: str) -> Iterator[LaunchSite]:
    with launch_server("http://127.0.0.1:0/launch/callback", record=record_base_url) as site:
        yield site


@pytest.fixture(scope="module")
def address(site: LaunchSite, tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    port = free_port()
    site.redirect_uri = f"http://127.0.0.1:{port}/launch/callback"
    keys = cookie_key(Path(tmp_path_factory.mktemp("keys")))
    with running(port, {**smart_settings(site), "cookie_keys": [str(keys)]}) as service:
        yield service.address


@pytest.fixture
def patient(client: httpx.Client) -> str:
    """Id of a patient of this test's own; whoever signs in is known to the record."""
    kind, _, identity = USER.partition("/")
    chart(client, [{"resourceType": kind, "id": identity}])
    return f"q{uuid.uuid4().hex[:10]}"


def chart(client: httpx.Client, resources: list[Json]) -> None:
    """Put these into the record, as versions of their own."""
    entries = [
        {"resource": one, "request": {"method": "PUT", "url": f"{one['resourceType']}/{one['id']}"}}
        for one in resources
    ]
    bundle = {"resourceType": "Bundle", "type": "transaction", "entry": entries}
    reply = client.post("/", json=bundle, headers=FHIR_JSON)
    assert reply.is_success, reply.text


def launch(page: Page, site: LaunchSite, address: str, patient: str, *, allow: bool = True) -> None:
    page.goto(f"{address}{launch_of(site, Chart(patient, None))}")
    page.get_by_role("button", name="Allow" if allow else "Deny").click()
    page.wait_for_load_state()


def test_a_person_looks_and_records_and_finds_it_in_the_record(
    browser: Browser, site: LaunchSite, address: str, client: httpx.Client, patient: str
) -> None:
    chart(client, trial_of(patient, until=ENDED, minutes_ago=4))
    with watched(browser) as seen:
        page = seen.page
        launch(page, site, address, patient)
        expect(page.get_by_role("heading", level=1)).to_contain_text("Suggested PEEP 12")
        expect(page.locator(".who")).to_contain_text(f"{patient.capitalize()} Example")
        picture(page, "in a record")

        page.get_by_role("link", name="Record these results").click()
        expect(page.get_by_role("heading", level=1)).to_have_text("What would be recorded")
        assert client.get("/GuidanceResponse", params={"patient": patient}).json().get("entry") is None
        page.get_by_role("button", name="Record these results").click()
        expect(page.get_by_role("heading", level=1)).to_have_text("Recorded", timeout=60_000)
        page.get_by_role("link", name="Back to the answer").click()

        expect(page.locator(".decide")).to_contain_text("Recorded already, as Provenance/")
        assert seen.violations() == []
        assert [one for one in seen.requests if "/app/" in one and patient in one] == []

    (guidance,) = client.get("/GuidanceResponse", params={"patient": patient}).json()["entry"]
    about = {"target": f"GuidanceResponse/{guidance['resource']['id']}"}
    (provenance,) = client.get("/Provenance", params=about).json()["entry"]
    assert {"reference": USER} in [agent["who"] for agent in provenance["resource"]["agent"]]


def test_a_running_trial_is_watched_as_it_is_charted(
    browser: Browser, site: LaunchSite, address: str, client: httpx.Client, patient: str
) -> None:
    chart(client, trial_of(patient, until=GOING_ON, minutes_ago=0.2))
    with watched(browser) as seen:
        page = seen.page
        launch(page, site, address, patient)
        page.get_by_role("link", name="Running trial", exact=True).first.click()
        heading = page.locator("#live h1")
        expect(heading).not_to_contain_text("Closing has been passed by 8")
        page.evaluate("window.marked = true")

        chart(client, trial_of(patient, until=ENDED, minutes_ago=0.1))

        expect(heading).to_contain_text("Closing has been passed by 8", timeout=60_000)
        assert page.evaluate("window.marked")


def test_consent_that_is_denied_ends_at_a_page_that_says_so(
    browser: Browser, site: LaunchSite, address: str, client: httpx.Client, patient: str
) -> None:
    with watched(browser) as seen:
        launch(seen.page, site, address, patient, allow=False)

        assert seen.page.url.startswith(address)
        expect(seen.page.locator("main")).to_be_visible()
        assert "/app/" not in seen.page.url


def test_a_page_whose_access_has_ended_says_so(
    browser: Browser, site: LaunchSite, address: str, client: httpx.Client, patient: str
) -> None:
    chart(client, trial_of(patient, until=ENDED, minutes_ago=4))
    with watched(browser) as seen:
        page = seen.page
        launch(page, site, address, patient)
        opened = page.url
        seen.context.clear_cookies()

        reply = page.goto(opened)

        assert reply is not None
        assert reply.status == 401
        assert "Example" not in page.locator("body").inner_text()
