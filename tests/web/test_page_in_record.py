"""The page in a record: launched there, it shows that record's patient, and writes only what somebody confirmed."""

from __future__ import annotations

import html
import json
import logging
import re
import time
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any, Literal
from urllib.parse import parse_qs, urlencode

import httpx
import pytest
from openapi_spec_validator import OpenAPIV31SpecValidator

from ebbmark.fhir.reading.height_and_sex import CLINICAL_USE
from ebbmark.fhir.writing.entered import ENTERED
from ebbmark.settings import Settings
from ebbmark.web.app import create_app
from ebbmark.web.audit_trail import LOGGER
from ebbmark.web.page.routes import LONGEST_UNREAD_S
from ebbmark.web.token_check import USUAL_SCOPE
from launch_server import USER, Chart, LaunchSite
from record.keeping_record import KeepingRecord
from web.browsing import Browser, Page, running, smart_settings, tab_of
from web.charted_record import charted_record, trial_of
from web.reading_pages import words_of

ENDED, RUNNING = "2026-03-05T09:13:50Z", "2026-03-05T09:11:50Z"


@pytest.fixture
def record(site: LaunchSite) -> Iterator[KeepingRecord]:
    """Two patients: p1's trial has just ended, p2's goes on."""
    resources = [
        *trial_of("p1", until=ENDED, minutes_ago=3),
        *trial_of("p2", until=RUNNING, minutes_ago=0.2),
    ]
    with charted_record(*resources) as (base_url, held):
        site.record = base_url
        yield held


def launched(browser: Browser, site: LaunchSite, patient: str = "p1") -> tuple[str, Page]:
    page = browser.launch(site, Chart(patient), look=True)
    return f"/app/{tab_of(page)}", page


def said(page: Page) -> str:
    return words_of(page.text.encode())


def field(page: Page, name: str) -> str:
    found = re.search(rf'name="{name}" value="([^"]+)"', page.text)
    assert found is not None
    return found[1]


def written(record: KeepingRecord) -> list[str]:
    return [place for place in record.held if place.startswith(("GuidanceResponse", "Provenance"))]


def written_results(record: KeepingRecord) -> list[str]:
    """Where our own Observations, cautions and reports are."""
    kinds = ("Observation/", "DetectedIssue/", "DiagnosticReport/")
    ours = "https://ebbmark.example/fhir/sid/result"
    return [
        place
        for place, one in record.held.items()
        if place.startswith(kinds) and any(name["system"] == ours for name in one.get("identifier", ()))
    ]


def last_step(record: KeepingRecord, status: str) -> None:
    """Give the last step of p1's trial, which is three Observations, this status."""
    for place in ("Observation/p1-22", "Observation/p1-23", "Observation/p1-24"):
        record.put(place, {**record.held[place], "status": status})


def recorded(browser: Browser, tab: str, more: dict[str, str] | None = None) -> tuple[int, str]:
    review = browser.get(f"{tab}/record")
    fields = {"csrf": field(review, "csrf"), "identity": field(review, "identity"), **(more or {})}
    reply = browser.step("POST", f"{tab}/record", data=fields)
    return reply.status_code, words_of(reply.content)


def test_a_launch_ends_at_the_answer_to_the_patients_latest_trial(
    site: LaunchSite, browser: Browser, record: KeepingRecord
) -> None:
    _, page = launched(browser, site)

    text = said(page)
    assert (page.status, page.headers["cache-control"]) == (200, "no-store")
    assert "P1 Example born 2 August 1969" in text
    assert "Suggested PEEP 12 cmH2O" in text
    assert "Demo" not in text
    assert 'href="leave"' in page.text


def test_the_page_reads_a_sex_parameter_for_clinical_use_before_gender(
    site: LaunchSite, browser: Browser, record: KeepingRecord
) -> None:
    typical = {"url": "value", "valueCodeableConcept": {"coding": [{"code": "female-typical"}]}}
    said_so = {"url": CLINICAL_USE, "extension": [typical]}
    record.put("Patient/p1", {**record.held["Patient/p1"], "extension": [said_so]})

    text = said(launched(browser, site)[1])

    assert "sex as charted: male (administrative gender)" in text
    assert "female, from the sex parameter for clinical use" in text


def test_two_tabs_show_two_patients_and_never_the_other(
    site: LaunchSite, browser: Browser, record: KeepingRecord
) -> None:
    first, _ = launched(browser, site, "p1")
    second, _ = launched(browser, site, "p2")

    assert "P1 Example" in said(browser.get(f"{first}/"))
    assert "P2 Example" in said(browser.get(f"{second}/"))
    assert "P1 Example" not in browser.get(f"{second}/running").text


def test_what_somebody_confirmed_is_written_in_their_name(
    site: LaunchSite, browser: Browser, record: KeepingRecord
) -> None:
    tab, page = launched(browser, site)
    assert "Written together with the results, once they are recorded." in said(page)
    assert written(record) == []

    status, text = recorded(browser, tab)

    assert status == 200
    assert "Recorded" in text
    (provenance,) = [one for place, one in record.held.items() if place.startswith("Provenance/")]
    assert {"reference": USER} in [agent["who"] for agent in provenance["agent"]]
    assert f"Recorded already, as Provenance/{provenance['id']}/_history/1 says" in said(browser.get(f"{tab}/"))


def test_what_is_written_is_what_was_shown_but_for_the_moment_of_recording(
    site: LaunchSite, browser: Browser, record: KeepingRecord
) -> None:
    tab, _ = launched(browser, site)
    before = set(record.held)
    page = browser.get(f"{tab}/record?with-report=true")
    shown = re.findall(r"<pre [^>]*>(.+?)</pre>", page.text, re.DOTALL)
    assert "The patient's List of current answers, which the record keeps for this service, would name" in said(page)

    recorded(browser, tab, {"with-report": "true"})

    there = [one for place, one in record.results().items() if place not in before]
    assert sorted(map(bare, there)) == sorted(bare(json.loads(html.unescape(one))) for one in shown)
    assert len(shown) > 15


def bare(resource: dict[str, Any]) -> str:
    """A resource as JSON, without what the record gives it, the moments of reading and recording, and other names."""
    moment = ("id", "recorded", "issued", "signature", "presentedForm")
    kept = {name: value for name, value in resource.items() if name not in moment}
    kept["meta"] = {
        name: value for name, value in resource.get("meta", {}).items() if name not in ("versionId", "lastUpdated")
    }
    text = re.sub(r" to [0-9TZ:.-]+, with heights", " to now, with heights", json.dumps(kept, sort_keys=True))
    return re.sub(r'"(?:urn:uuid:[0-9a-f-]+|[A-Z][A-Za-z]+/\d+)"', '"another"', text)


def test_looking_at_what_would_be_written_writes_nothing(
    site: LaunchSite, browser: Browser, record: KeepingRecord
) -> None:
    tab, _ = launched(browser, site)

    review = said(browser.get(f"{tab}/record"))

    assert "Nothing is written yet" in review
    assert "Record these results" in review
    assert USER in review
    assert record.posts == 0


def test_what_would_be_marked_superseded_is_named_before_anything_is_written(
    site: LaunchSite, browser: Browser, record: KeepingRecord
) -> None:
    tab, _ = launched(browser, site)
    before = said(browser.get(f"{tab}/record"))
    last_step(record, "entered-in-error")
    recorded(browser, tab)
    last_step(record, "final")
    earlier = {place for place in written_results(record) if record.held[place]["status"] == "preliminary"}
    (guidance,) = [place for place in written(record) if place.startswith("GuidanceResponse/")]

    review = said(browser.get(f"{tab}/record"))
    recorded(browser, tab)

    assert "The record holds no other answer for this trial" in before
    marked = {*earlier, guidance}
    assert f"{len(marked)} results of an earlier answer for the same trial would be marked superseded" in review
    assert {place for place in marked if re.search(rf"\b{place}\b", review)} == marked
    assert {record.held[place]["status"] for place in earlier} == {"cancelled"}


def test_where_earlier_answers_cannot_be_looked_for_the_review_says_that_this_is_not_known(
    site: LaunchSite, browser: Browser, record: KeepingRecord
) -> None:
    tab, _ = launched(browser, site)
    recorded(browser, tab)
    record.failing = frozenset({"Provenance"})

    review = said(browser.get(f"{tab}/record"))

    assert "Earlier results Not known: the record failed" in review
    assert "writes nothing where it cannot look" in review


def test_the_report_is_written_where_somebody_chose_it(
    site: LaunchSite, browser: Browser, record: KeepingRecord
) -> None:
    tab, _ = launched(browser, site)
    review = browser.get(f"{tab}/record?with-report=true")
    fields = {name: field(review, name) for name in ("csrf", "identity", "with-report")}

    reply = browser.step("POST", f"{tab}/record", data=fields)

    assert reply.status_code == 200
    (report,) = [one for place, one in record.held.items() if place.startswith("DiagnosticReport/")]
    assert report["presentedForm"][0]["contentType"] == "application/pdf"


def test_results_that_were_superseded_stand_again_only_where_somebody_says_so(
    site: LaunchSite, browser: Browser, record: KeepingRecord
) -> None:
    tab, _ = launched(browser, site)
    last_step(record, "entered-in-error")
    recorded(browser, tab)
    last_step(record, "final")
    recorded(browser, tab)
    last_step(record, "entered-in-error")

    status, text = recorded(browser, tab)
    _, again = recorded(browser, tab, {"make-current": "true"})

    assert status == 409
    assert "marked superseded" in text
    assert "that has to be asked for on purpose. Make these results current again" in text
    assert "was made current again" in again


def test_results_that_somebody_took_back_are_left_to_them(
    site: LaunchSite, browser: Browser, record: KeepingRecord
) -> None:
    tab, _ = launched(browser, site)
    recorded(browser, tab)
    for place, one in list(record.held.items()):
        if one["resourceType"] == "Observation" and one["status"] == "preliminary":
            record.put(place, {**one, "status": "cancelled"})

    status, text = recorded(browser, tab)

    assert status == 409
    assert "what somebody took back stays so" in text
    assert "Make these results current again" not in text


def test_a_trial_typed_by_hand_is_recorded_as_entered_by_this_person_and_answered_from_the_record(
    site: LaunchSite, browser: Browser, record: KeepingRecord
) -> None:
    for place, one in list(record.held.items()):
        if place.startswith("Observation/") and "8302-2" not in str(one["code"]):
            del record.held[place]
    (height,) = [place for place in record.held if place.startswith("Observation/p1")]
    tab, _ = launched(browser, site)
    began = datetime.now(UTC) - timedelta(minutes=40)
    rows = [
        (f"{began + timedelta(minutes=3 * step, seconds=second):%H:%M:%S}", peep, peep + drive)
        for step, (peep, drive) in enumerate([(16, 12.4), (14, 12.0), (12, 12.1), (10, 13.4), (8, 15.4), (6, 17.0)])
        for second in (0, 60, 120)
    ]
    names = ("time", *(one.name for one in ENTERED), "rhythm")
    fields = [("csrf", field(browser.get(f"{tab}/steps"), "csrf"))]
    for clock, peep, plateau in rows:
        of_row = {"tidal-volume-expired": "420", "time": clock, "peep-set": f"{peep}", "plateau-pressure": f"{plateau}"}
        fields += [(name, of_row.get(name, "")) for name in names]
    form = {"content-type": "application/x-www-form-urlencoded"}

    looked = browser.step("POST", f"{tab}/steps?fragment", content=urlencode(fields), headers=form)
    before = set(record.held)
    recorded = urlencode([*fields, ("do", "record")])
    sent = [browser.step("POST", f"{tab}/steps", content=recorded, headers=form) for _ in range(2)]

    assert "Suggested PEEP 12" in words_of(looked.content)
    assert height in before
    assert [one.status_code for one in sent] == [200, 200]
    typed = [one for place, one in record.held.items() if place.startswith("Observation/") and place not in before]
    assert len(typed) == 3 * len(rows)
    assert {one["performer"][0]["reference"] for one in typed} == {USER}
    assert {one["method"]["text"] for one in typed} == {
        "Read from ventilator or monitor by a person and entered by hand"
    }
    assert "Suggested PEEP 12 cmH2O" in said(browser.get(f"{tab}/"))


def test_recording_twice_writes_once(site: LaunchSite, browser: Browser, record: KeepingRecord) -> None:
    tab, _ = launched(browser, site)
    recorded(browser, tab)
    once = written(record)

    status, text = recorded(browser, tab)

    assert (status, written(record)) == (200, once)
    assert "Already recorded" in text


def test_an_answer_that_changed_since_it_was_shown_is_not_written(
    site: LaunchSite, browser: Browser, record: KeepingRecord
) -> None:
    tab, _ = launched(browser, site)
    review = browser.get(f"{tab}/record")
    fields = {"csrf": field(review, "csrf"), "identity": field(review, "identity")}
    place, reading = next((place, one) for place, one in record.held.items() if len(one.get("component", ())) == 7)
    record.put(place, {**reading, "status": "entered-in-error"})

    reply = browser.step("POST", f"{tab}/record", data=fields)

    assert reply.status_code == 409
    assert "The answer has changed" in words_of(reply.content)
    assert written(record) == []


def test_a_form_of_another_tab_writes_nothing(site: LaunchSite, browser: Browser, record: KeepingRecord) -> None:
    tab, _ = launched(browser, site)
    _, other = launched(browser, site)
    fields = {"csrf": field(other, "csrf"), "identity": field(browser.get(f"{tab}/record"), "identity")}

    reply = browser.step("POST", f"{tab}/record", data=fields)

    assert reply.status_code == 403
    assert written(record) == []


def test_access_that_does_not_suffice_to_write_is_said_before_anybody_tries(
    site: LaunchSite, browser: Browser, record: KeepingRecord
) -> None:
    site.granted = USUAL_SCOPE.replace("Observation.crus", "Observation.rs") + " launch"
    tab, page = launched(browser, site)
    review = browser.get(f"{tab}/record")

    fields = {"csrf": field(page, "csrf"), "identity": "x"}
    reply = browser.step("POST", f"{tab}/record", data=fields)

    assert "Nothing can be recorded. The access that this page was given" in said(review)
    assert "patient/Observation.cu" in said(review)
    assert "Record these results" not in said(review)
    assert reply.status_code == 403
    assert written(record) == []


def test_where_the_record_shows_who_the_patient_is_the_page_need_not_do_so_at_length(
    site: LaunchSite, browser: Browser, record: KeepingRecord
) -> None:
    site.reply_changes = {"need_patient_banner": False}

    _, page = launched(browser, site)

    assert '<header class="who slim">' in page.text
    assert "P1 Example" in said(page)


def test_a_running_trial_is_followed_in_the_record(site: LaunchSite, browser: Browser, record: KeepingRecord) -> None:
    tab, _ = launched(browser, site, "p2")
    first = browser.step("GET", f"{tab}/running?fragment")

    for resource in trial_of("p2", until=ENDED, minutes_ago=0.1):
        record.put(f"{resource['resourceType']}/{resource['id']}", resource)
    later = browser.step("GET", f"{tab}/running?fragment", headers={"If-None-Match": first.headers["etag"]})

    assert later.status_code == 200
    assert "Closing has been passed at or above 8 cmH2O" not in words_of(first.content)
    assert "Closing has been passed at or above 8 cmH2O" in words_of(later.content)


def test_the_page_of_an_answer_asks_the_record_nothing_twice(
    site: LaunchSite, browser: Browser, record: KeepingRecord
) -> None:
    tab, _ = launched(browser, site)
    record.asked.clear()
    reads = record.reads = []

    browser.get(f"{tab}/")

    searches = [(one.partition("?")[0], parse_qs(one.partition("?")[2])) for one in record.asked]
    codes = [(kind, one.get("combo-code", one.get("code", one.get("_tag", [""])))[0]) for kind, one in searches]
    assert reads == ["Patient/p1"]
    assert len(codes) == len(set(codes))


@dataclass
class Watcher:
    """A page that looks at p2's running trial again and again, as the script does."""

    browser: Browser
    tab: str
    record: KeepingRecord
    headers: dict[str, str]

    def looks(self, read_ago_s: float | None = None) -> tuple[int, list[str], httpx.Response]:
        """Look once more; returns the status, what the record was asked, and the reply."""
        if read_ago_s is not None:
            self.headers["Ebbmark-Read"] = f"{time.time() - read_ago_s:.3f}"
        self.record.asked.clear()
        reply = self.browser.step("GET", f"{self.tab}/running?fragment", headers=self.headers)
        self.headers = {"If-None-Match": reply.headers["etag"], "Ebbmark-Read": reply.headers["ebbmark-read"]}
        return reply.status_code, [one for one in self.record.asked if one.startswith("Observation?")], reply


@pytest.mark.parametrize(("granted", "status"), [(f"{USUAL_SCOPE} launch ebbmark/inspect", 200), (None, 403)])
def test_the_inspection_of_the_patient_opens_where_the_launch_granted_the_administrators_scope(
    site: LaunchSite, record: KeepingRecord, port: int, granted: str | None, status: int
) -> None:
    site.granted = granted
    settings = {**smart_settings(site), "administrator_scope": "ebbmark/inspect"}
    with running(port, settings) as service, Browser(service.address) as browser:
        tab, _ = launched(browser, site)
        page = browser.get(f"{tab}/inspect?_format=html")

    assert page.status == status
    assert ("What is read of charted data" in page.text) is (status == 200)


@pytest.fixture
def watcher(site: LaunchSite, browser: Browser, record: KeepingRecord) -> Watcher:
    """One that has just read all of a record in which nothing was stored for a minute."""
    record.stored_s = {place: at_s - 60.0 for place, at_s in record.stored_s.items()}
    tab, _ = launched(browser, site, "p2")
    watching = Watcher(browser, tab, record, {})
    watching.looks()
    return watching


def is_the_cheap_question(asked: list[str]) -> bool:
    return len(asked) == 1 and "_summary=count" in asked[0] and "_lastUpdated=gt" in asked[0]


def test_where_the_record_says_that_nothing_came_it_is_asked_no_more_than_that(
    watcher: Watcher, record: KeepingRecord
) -> None:
    record.says_changes = "counts since"

    status, asked, reply = watcher.looks()

    assert status == 304
    assert is_the_cheap_question(asked)
    assert re.fullmatch(r"\d\d:\d\d:\d\d", reply.headers["ebbmark-as-of"])


def test_what_was_stored_since_the_last_look_is_read_and_shown(watcher: Watcher, record: KeepingRecord) -> None:
    record.says_changes = "counts since"
    watcher.looks()
    place = max(one for one in record.held if one.startswith("Observation/p2-"))
    record.put(place, {**record.held[place], "status": "entered-in-error"})

    status, asked, _ = watcher.looks()

    assert status == 200
    assert len(asked) > 1


def test_what_was_stored_shortly_before_the_last_look_is_read_once_more(
    watcher: Watcher, record: KeepingRecord
) -> None:
    record.says_changes = "counts since"
    record.stored_s["Observation/late"] = time.time() - 10.0

    assert len(watcher.looks()[1]) > 1


@pytest.mark.parametrize("says", ["passes over", "counts all", "refuses"])
def test_a_record_that_does_not_say_what_came_is_read_in_full(
    watcher: Watcher, record: KeepingRecord, says: Literal["passes over", "counts all", "refuses"]
) -> None:
    record.says_changes = says

    _, asked, _ = watcher.looks()

    assert "_summary=count" in asked[0]
    assert sum("_summary=count" not in one for one in asked) > 1


@pytest.mark.parametrize("ago_s", [LONGEST_UNREAD_S + 1.0, -5.0], ids=["long ago", "in the future"])
def test_a_look_is_taken_for_unchanged_only_for_a_short_time(
    watcher: Watcher, record: KeepingRecord, ago_s: float
) -> None:
    record.says_changes = "counts since"

    _, asked, _ = watcher.looks(read_ago_s=ago_s)

    assert all("_summary=count" not in one for one in asked)
    assert asked


def test_whatever_a_record_holds_is_shown_as_text(site: LaunchSite, browser: Browser, record: KeepingRecord) -> None:
    patient = record.held["Patient/p1"]
    record.put("Patient/p1", {**patient, "name": [{"text": "<script>alert(1)</script>"}]})

    _, page = launched(browser, site)

    assert '<p class="name">&lt;script&gt;alert(1)&lt;/script&gt;</p>' in page.text


def test_the_published_document_of_a_service_with_pages_is_sound(site: LaunchSite) -> None:
    document = create_app(Settings.model_validate(smart_settings(site))).openapi()

    assert list(OpenAPIV31SpecValidator(document).iter_errors()) == []
    assert {"/app/{tab}/", "/app/{tab}/record", "/app/{tab}/running"} <= set(document["paths"])
    names = [one["operationId"] for path in document["paths"].values() for one in path.values()]
    assert len(set(names)) == len(names)


def test_a_record_that_does_not_answer_is_said_plainly(
    site: LaunchSite, browser: Browser, record: KeepingRecord
) -> None:
    tab, _ = launched(browser, site)
    record.search_status = 404

    page = browser.get(f"{tab}/")

    assert page.status == 502
    assert page.heading == "The record could not be read"
    assert "P1 Example" in said(page)


def test_a_patient_whom_the_record_does_not_have_is_refused_as_a_page(
    site: LaunchSite, browser: Browser, record: KeepingRecord
) -> None:
    _, page = launched(browser, site, "p9")

    assert page.status == 422
    assert page.headers["content-type"] == "text/html; charset=utf-8"
    assert page.heading == "This cannot be shown"
    assert "later" not in said(page)


def test_a_page_advises_to_try_later_where_the_record_may_answer_then(
    site: LaunchSite, browser: Browser, record: KeepingRecord
) -> None:
    tab, _ = launched(browser, site)
    record.search_status = 503

    page = browser.get(f"{tab}/report")

    assert page.status == 502
    assert "Try it again later." in said(page)


def test_every_look_and_every_write_is_noted_without_the_patient(
    site: LaunchSite, browser: Browser, record: KeepingRecord, caplog: pytest.LogCaptureFixture
) -> None:
    with caplog.at_level(logging.INFO, logger=LOGGER):
        tab, _ = launched(browser, site)
        recorded(browser, tab)

    events = [json.loads(one.getMessage()) for one in caplog.records if one.name == LOGGER]
    deeds = [event["subtype"][0]["code"] for event in events]
    assert deeds.count("transaction") == 1
    assert deeds.count("search-type") >= 3
    assert "Example" not in caplog.text
    assert "Patient/p1" not in caplog.text


def test_a_patient_record_that_was_replaced_says_so_and_takes_no_results(
    site: LaunchSite, browser: Browser, record: KeepingRecord
) -> None:
    tab, page = launched(browser, site)
    review = browser.get(f"{tab}/record")
    fields = {"csrf": field(review, "csrf"), "identity": field(review, "identity")}
    link = {"other": {"reference": "Patient/p7"}, "type": "replaced-by"}
    record.put("Patient/p1", {**record.held["Patient/p1"], "active": False, "link": [link]})

    later, refused = browser.get(f"{tab}/"), browser.get(f"{tab}/record")
    reply = browser.step("POST", f"{tab}/record", data=fields)

    assert "This patient record was replaced by" not in said(page)
    assert "This patient record was replaced by Patient/p7. Open that one instead." in said(later)
    assert "Record these results" not in said(later)
    assert (refused.status, reply.status_code) == (409, 409)
    assert "replaced by Patient/p7" in said(refused)
    assert written(record) == []


def test_a_patient_record_that_is_replaced_while_its_trial_is_followed_says_so_without_loading_the_page(
    site: LaunchSite, browser: Browser, record: KeepingRecord
) -> None:
    tab, _ = launched(browser, site, "p2")
    before = browser.step("GET", f"{tab}/running?fragment")
    link = {"other": {"reference": "Patient/p7"}, "type": "replaced-by"}
    record.put("Patient/p2", {**record.held["Patient/p2"], "link": [link]})

    after = browser.step("GET", f"{tab}/running?fragment", headers={"If-None-Match": before.headers["etag"]})
    page = said(browser.get(f"{tab}/running"))

    told = "This patient record was replaced by Patient/p7."
    assert told not in words_of(before.content)
    assert told in words_of(after.content)
    assert page.count(told) == 1


@pytest.mark.parametrize("where", ["", "running", "running?fragment", "record"])
def test_access_that_the_record_has_taken_back_ends_the_page_in_plain_words(
    site: LaunchSite, browser: Browser, record: KeepingRecord, where: str
) -> None:
    tab, _ = launched(browser, site)
    record.search_status = 401

    page = browser.get(f"{tab}/{where}")

    assert page.status == 401
    assert page.heading == "Access to the record has ended"
    assert "Open Ebbmark again from the patient's record." in said(page)
