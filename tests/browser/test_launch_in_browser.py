"""A clinician, a browser, a real record and its sign-in: launch, look, watch, record, read back, leave."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path

import httpx
import pytest
from playwright.sync_api import Browser, Page, expect

from browser.looking import DESKTOP, PHONE, broken_rules, picture, watched
from browser.ward import USER_ID, Json, Ward
from fhir_builders import trial_observations
from launch_server import USER, LaunchSite, launch_server
from web.browsing import cookie_key, free_port, launch_of, smart_settings

pytestmark = pytest.mark.live

SERVICE = Path(__file__).parents[2] / "service"


@contextmanager
def serving(port: int, **environment: str) -> Iterator[str]:
    """`ebbmark serve`, as an operator starts it."""
    command = [sys.executable, "-m", "ebbmark", "serve", "--port", str(port)]
    env = {"PATH": os.environ.get("PATH", ""), "PYTHONPATH": str(SERVICE), **environment}
    with subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True, env=env) as process:
        said = []
        try:
            for line in process.stderr or ():
                said.append(line)
                if "listens on" in line:
                    yield f"http://127.0.0.1:{port}"
                    break
            else:
                raise AssertionError(f"the service did not start: {''.join(said)}")
        finally:
            process.terminate()
            process.wait(timeout=20)


@pytest.fixture(scope="module")
def record(record_base_url: str) -> Iterator[httpx.Client]:
    """Speaks to the record behind everybody's back."""
    headers = {"Content-Type": "application/fhir+json", "Accept": "application/fhir+json"}
    with httpx.Client(base_url=record_base_url, headers=headers, timeout=120.0, trust_env=False) as client:
        person = {"resourceType": "Practitioner", "id": USER_ID, "name": [{"family": "Rowan"}]}
        assert client.put(f"/{USER}", json=person).is_success
        yield client


@pytest.fixture(scope="module")
def launched(record: httpx.Client, tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[LaunchSite, str]]:
    """The record's sign-in, and the service that the record opens."""
    port = free_port()
    key = cookie_key(tmp_path_factory.mktemp("keys"))
    with launch_server(f"http://127.0.0.1:{port}/launch/callback", record=str(record.base_url).rstrip("/")) as site:
        clients = json.dumps(smart_settings(site)["smart_clients"])
        with serving(port, EBBMARK_SMART_CLIENTS=clients, EBBMARK_COOKIE_KEYS=json.dumps([str(key)])) as address:
            yield site, address


@pytest.fixture
def site(launched: tuple[LaunchSite, str]) -> Iterator[LaunchSite]:
    site = launched[0]
    yield site
    site.token_life_s, site.granted = 300, None


@pytest.fixture
def service(launched: tuple[LaunchSite, str]) -> str:
    return launched[1]


def opened(page: Page, service: str, site: LaunchSite, ward: Ward, *, answer: str = "Allow") -> None:
    """From a chart in the record to wherever the clinician's answer leads."""
    page.goto(f"{service}{launch_of(site, ward.chart)}")
    page.get_by_role("button", name=answer).click()
    page.wait_for_url(f"{service}/**")


def names_of(resources: Iterable[Json]) -> set[tuple[str, str]]:
    return {(resource["identifier"][0]["value"], json.dumps(resource.get("valueQuantity"))) for resource in resources}


def test_a_trial_of_the_record_is_looked_at_recorded_and_read_back(
    browser: Browser, service: str, site: LaunchSite, record: httpx.Client
) -> None:
    ward = Ward(record, "Marsh")
    ward.charts_a_trial()
    with watched(browser) as seen:
        page = seen.page
        opened(page, service, site, ward)

        expect(page.get_by_role("group", name="Patient")).to_contain_text("Marsh")
        expect(page.get_by_role("heading", level=1)).to_contain_text("PEEP")
        page.get_by_text("Everything behind this answer").click()
        expect(page.get_by_role("region", name="Last values, highest").first.get_by_role("row")).to_have_count(9)
        picture(page, "launch 1 answer")
        assert ward.identity not in page.url
        assert ward.results() == []

        page.get_by_role("link", name="Record these results").click()
        expect(page.get_by_role("heading", level=1)).to_have_text("What would be recorded")
        picture(page, "launch 2 review")
        shown = [json.loads(one) for one in page.locator("pre").all_text_contents()]
        assert ward.results() == []

        page.get_by_role("button", name="Record these results").click()
        expect(page.get_by_role("heading", level=1)).to_have_text("Recorded")
        picture(page, "launch 3 recorded")
        (provenance,) = [one for one in page.locator("details li").all_text_contents() if one.startswith("Provenance/")]
        asked = [
            request for request in seen.requests if not request.startswith((f"{service}/", f"{site.address}/", "data:"))
        ]

    assert asked == []
    results = ward.results()
    assert {result["status"] for result in results} == {"preliminary"}
    assert {result["subject"]["reference"] for result in results} == {ward.patient}
    assert names_of(results) == names_of(one for one in shown if one["resourceType"] == "Observation")
    agents = record.get(f"/{provenance}").json()["agent"]
    assert {"reference": USER} in [agent["who"] for agent in agents]


def test_consent_that_is_denied_shows_why_there_is_no_page(
    browser: Browser, service: str, site: LaunchSite, record: httpx.Client
) -> None:
    ward = Ward(record, "Fen")
    with watched(browser) as seen:
        opened(seen.page, service, site, ward, answer="Deny")

        expect(seen.page.get_by_role("heading", level=1)).to_have_text("Access was not given")
        picture(seen.page, "launch 4 denied")
        assert seen.violations() == []


def test_a_session_that_is_over_says_so_and_loses_nothing(
    browser: Browser, service: str, site: LaunchSite, record: httpx.Client
) -> None:
    ward = Ward(record, "Reed")
    ward.charts_a_trial()
    site.granted = "openid fhirUser patient/*.cruds"
    site.token_life_s = 6
    with watched(browser) as seen:
        opened(seen.page, service, site, ward)
        expect(seen.page.get_by_role("group", name="Patient")).to_contain_text("Reed")
        seen.page.wait_for_timeout(6_500)

        seen.page.get_by_role("link", name="Record these results").click()

        expect(seen.page.get_by_role("heading", level=1)).to_have_text("This session has ended")
        picture(seen.page, "launch 5 expired")
    assert ward.results() == []


def test_a_session_is_renewed_while_its_page_is_open(
    browser: Browser, service: str, site: LaunchSite, record: httpx.Client
) -> None:
    ward = Ward(record, "Brook")
    ward.charts_a_trial()
    site.token_life_s = 20
    with watched(browser) as seen:
        opened(seen.page, service, site, ward)
        refreshed = site.refreshes()

        seen.page.get_by_role("link", name="Before", exact=True).click()
        seen.page.get_by_role("link", name="The plan").click()

        expect(seen.page.get_by_role("group", name="Patient")).to_contain_text("Brook")
    assert site.refreshes() > refreshed


def test_two_patients_in_two_tabs_stay_apart(
    browser: Browser, service: str, site: LaunchSite, record: httpx.Client
) -> None:
    wards = {"Alder": Ward(record, "Alder"), "Birch": Ward(record, "Birch")}
    wards["Alder"].charts_a_trial()
    wards["Birch"].charts_a_trial(compliances=(30.0, 33.0, 36.0, 38.0, 38.5, 38.0, 33.0, 28.0))
    with watched(browser) as seen:
        tabs = {"Alder": seen.page, "Birch": seen.context.new_page()}
        for name, page in tabs.items():
            opened(page, service, site, wards[name])
        for name in ("Alder", "Birch", "Alder"):
            tabs[name].reload()
            expect(tabs[name].get_by_role("group", name="Patient")).to_contain_text(name)
            picture(tabs[name], f"launch 6 {name}")

        tabs["Birch"].get_by_role("link", name="Record these results").click()
        tabs["Alder"].reload()
        tabs["Birch"].get_by_role("button", name="Record these results").click()
        expect(tabs["Birch"].get_by_role("heading", level=1)).to_have_text("Recorded")

    assert wards["Alder"].results() == []
    assert wards["Birch"].results() != []


def test_a_running_trial_moves_on_while_somebody_watches(
    browser: Browser, service: str, site: LaunchSite, record: httpx.Client
) -> None:
    ward = Ward(record, "Sedge", hours=0.2)
    rows = trial_observations()
    for resource in rows[:9]:
        ward.put(resource)
    with watched(browser) as seen:
        page = seen.page
        opened(page, service, site, ward)
        page.get_by_role("link", name="Running", exact=True).click()
        live = page.locator("#live")
        expect(live).to_contain_text("20")
        before = live.inner_text()
        page.evaluate("window.stillTheSame = true")
        picture(page, "launch 7 running")

        for resource in rows[9:12]:
            ward.put(resource)

        page.wait_for_function("before => document.getElementById('live').innerText !== before", arg=before)
        picture(page, "launch 8 moved-on")
        assert page.evaluate("window.stillTheSame") is True
        expect(live).to_contain_text("18")


def test_who_leaves_is_out(browser: Browser, service: str, site: LaunchSite, record: httpx.Client) -> None:
    ward = Ward(record, "Willow")
    ward.charts_a_trial()
    with watched(browser) as seen:
        page = seen.page
        opened(page, service, site, ward)
        address = page.url

        page.get_by_role("link", name="Leave").click()
        expect(page.get_by_role("heading", level=1)).to_have_text("Leave this patient's page?")
        page.get_by_role("button", name="Leave").click()
        expect(page.get_by_role("heading", level=1)).to_have_text("You have left")
        picture(page, "launch 9 left")
        page.goto(address)

        expect(page.get_by_role("heading", level=1)).to_have_text("This page is not open, or no longer")
    assert [hint for hint, _ in site.revoked[-2:]] == ["refresh_token", "access_token"]


@pytest.mark.parametrize(("size", "dark"), [(DESKTOP, False), (DESKTOP, True), (PHONE, False)])
def test_the_pages_around_a_session_break_no_rule_of_wcag(
    browser: Browser, service: str, site: LaunchSite, record: httpx.Client, axe: str, size: tuple[int, int], dark: bool
) -> None:
    ward = Ward(record, "Yew")
    ward.charts_a_trial()
    broken = {}
    with watched(browser, size=size, dark=dark) as seen:
        page = seen.page
        page.goto(f"{service}/launch?iss=https://elsewhere.example/{'long-path' * 20}&launch=x")
        broken["not listed"] = broken_rules(page, axe)
        opened(page, service, site, ward, answer="Deny")
        broken["denied"] = broken_rules(page, axe)
        opened(page, service, site, ward)
        answer = page.url
        ward.is_replaced_by(Ward(record, "Yew-Kept"))
        page.goto(answer)
        expect(page.locator(".who .notice")).to_contain_text("Nothing can be recorded here.")
        picture(page, f"launch replaced {size[0]} {'dark' if dark else 'light'}")
        broken["replaced"] = broken_rules(page, axe)
        page.goto(f"{answer}record")
        broken["replaced, to record"] = broken_rules(page, axe)
        page.goto(f"{answer}leave")
        broken["to leave"] = broken_rules(page, axe)
        page.get_by_role("button", name="Leave").click()
        expect(page.get_by_role("heading", level=1)).to_have_text("You have left")
        broken["left"] = broken_rules(page, axe)
        page.goto(f"{service}/launch?iss={'x' * 300}")
        widest = seen.widest()

    assert {name: rules for name, rules in broken.items() if rules} == {}
    assert widest <= size[0]
