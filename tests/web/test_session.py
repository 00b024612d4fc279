"""A session in one tab: whose it is, how long it lasts, how it is renewed, and how it ends."""

from __future__ import annotations

import dataclasses
import json
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest

from ebbmark.settings import Misconfigured, Settings
from ebbmark.web.app import create_app
from ebbmark.web.launch.session import LAUNCH, SESSION, Session
from launch_server import CLIENT_ID, USER, Chart, LaunchSite
from web.browsing import Browser, Page, Running, cookie_key, free_port, running, seal_of, smart_settings, tab_of


def session_cookie(browser: Browser, tab: str) -> str:
    pieces = {name: value for name, value in browser.http.cookies.items() if name.startswith(f"ebbmark-{tab}")}
    return "".join(pieces[name] for name in sorted(pieces)).partition(".")[2]


def opened(key_file: Path, browser: Browser, tab: str) -> Session:
    session = seal_of(key_file).open(session_cookie(browser, tab), Session, purpose=SESSION)
    assert session is not None
    return session


def with_cookie(browser: Browser, tab: str, value: str) -> Page:
    browser.http.cookies.clear()
    return browser.get(f"/app/{tab}/probe", headers={"Cookie": f"ebbmark-{tab}=1.{value}"})


def with_session(browser: Browser, key_file: Path, session: Session) -> Page:
    return with_cookie(browser, session.tab, seal_of(key_file).close(session, purpose=SESSION))


def test_two_tabs_with_two_patients_are_never_mixed(site: LaunchSite, browser: Browser) -> None:
    tabs = {patient: tab_of(browser.launch(site, Chart(patient))) for patient in ("p1", "p2")}

    for patient, tab in (*tabs.items(), *reversed(tabs.items())):
        assert browser.probe(tab).json["patient"] == patient
    sent = browser.http.build_request("GET", f"{browser.service}/app/{tabs['p1']}/probe").headers["cookie"]
    assert tabs["p2"] not in sent


def test_the_cookie_of_one_tab_does_not_open_another(site: LaunchSite, browser: Browser) -> None:
    first, second = (tab_of(browser.launch(site, Chart(patient))) for patient in ("p1", "p2"))
    value = session_cookie(browser, first)

    page = with_cookie(browser, second, value)

    assert (page.status, page.heading) == (401, "This session cannot be used")


def test_the_cookie_of_a_launch_does_not_open_as_a_session(site: LaunchSite, browser: Browser, key_file: Path) -> None:
    session = opened(key_file, browser, tab_of(browser.launch(site)))

    page = with_cookie(browser, session.tab, seal_of(key_file).close(session, purpose=LAUNCH))

    assert (page.status, page.heading) == (401, "This session cannot be used")


@pytest.mark.parametrize("part", range(5))
def test_a_cookie_that_somebody_changed_anywhere_opens_nothing(site: LaunchSite, browser: Browser, part: int) -> None:
    tab = tab_of(browser.launch(site))
    parts = session_cookie(browser, tab).split(".")
    parts[part] = ("A" if parts[part][:1] != "A" else "B") + parts[part][1:]

    page = with_cookie(browser, tab, ".".join(parts))

    assert (page.status, page.heading) == (401, "This session cannot be used")
    assert site.record_reads == []


def test_a_session_sealed_with_a_foreign_key_opens_nothing(
    site: LaunchSite, browser: Browser, key_file: Path, tmp_path: Path
) -> None:
    session = opened(key_file, browser, tab_of(browser.launch(site)))

    page = with_session(browser, cookie_key(tmp_path, "foreign.json"), session)

    assert (page.status, page.heading) == (401, "This session cannot be used")


@pytest.mark.parametrize("tab", ["A" * 22, "short", "..%2F..", "A" * 300])
def test_a_page_that_nobody_opened_says_so(browser: Browser, tab: str) -> None:
    page = browser.probe(tab)

    assert page.status in (401, 404)
    assert page.status == 404 or page.heading == "This page is not open, or no longer"


def test_a_session_of_a_record_that_is_no_longer_listed_ends(
    site: LaunchSite, browser: Browser, key_file: Path
) -> None:
    session = opened(key_file, browser, tab_of(browser.launch(site)))

    page = with_session(browser, key_file, dataclasses.replace(session, iss="https://was.example/fhir"))

    assert (page.status, page.heading) == (401, "This session cannot be used")


def test_a_session_without_renewal_ends_with_its_access(site: LaunchSite, browser: Browser) -> None:
    site.granted, site.token_life_s = "patient/*.rs", 0
    tab = tab_of(browser.launch(site))

    page = browser.probe(tab)

    assert (page.status, page.heading) == (401, "This session has ended")
    assert "Nothing is lost" in page.text
    assert site.record_reads == []


def test_a_session_ends_in_the_end_however_good_its_access_is(
    site: LaunchSite, browser: Browser, key_file: Path
) -> None:
    session = opened(key_file, browser, tab_of(browser.launch(site)))

    page = with_session(browser, key_file, dataclasses.replace(session, ends_s=time.time() - 1))

    assert (page.status, page.heading) == (401, "This session has ended")
    assert session.ends_s is not None
    assert 11.9 * 3600 < session.ends_s - time.time() <= 12 * 3600


def test_access_that_nobody_stated_an_end_of_is_tried(site: LaunchSite, browser: Browser) -> None:
    site.reply_changes = {"expires_in": None}
    tab = tab_of(browser.launch(site))

    assert browser.probe(tab).json["record"] == 200


def test_access_is_renewed_before_it_ends_and_the_new_tokens_are_kept(site: LaunchSite, browser: Browser) -> None:
    site.token_life_s = 20
    tab = tab_of(browser.launch(site))

    tokens = [browser.probe(tab).json["token"] for _ in range(3)]

    assert tokens == site.issued[1:]
    assert len(set(tokens)) == 3
    assert site.refreshes() == 3
    assert len({request["refresh_token"] for request in site.token_requests[1:]}) == 3


def test_many_requests_of_a_page_renew_its_access_once(site: LaunchSite, browser: Browser) -> None:
    site.token_life_s, site.slow_refresh_s = 0, 0.3
    tab = tab_of(browser.launch(site))
    site.token_life_s = 300
    cookies = dict(browser.http.cookies)
    header = "; ".join(f"{name}={value}" for name, value in cookies.items() if tab in name)

    def probe(_: int) -> Page:
        with Browser(browser.service) as another:
            return another.get(f"/app/{tab}/probe", headers={"Cookie": header})

    with ThreadPoolExecutor(8) as pool:
        pages = list(pool.map(probe, range(8)))
    late = probe(8)

    assert {page.json["token"] for page in (*pages, late)} == {site.issued[-1]}
    assert site.refreshes() == 1
    assert all(page.headers["set-cookie"] for page in pages)


def test_another_replica_goes_on_with_the_renewed_cookie(
    site: LaunchSite, browser: Browser, service: Running, key_file: Path
) -> None:
    site.token_life_s = 20
    tab = tab_of(browser.launch(site))
    browser.probe(tab)

    other = free_port()
    settings = {**smart_settings(site), "cookie_keys": [str(key_file)], "base_url": service.address}
    with running(other, settings) as replica:
        page = browser.get(f"{replica.address}/app/{tab}/probe")

    assert page.json["token"] == site.issued[-1]


def test_a_renewal_that_is_refused_ends_the_session(site: LaunchSite, browser: Browser) -> None:
    site.token_life_s = 0
    tab = tab_of(browser.launch(site))
    site.refresh_tokens.clear()

    page = browser.probe(tab)

    assert (page.status, page.heading) == (401, "This session has ended")
    assert "does not renew" in page.text
    assert "set-cookie" not in page.headers


def test_a_renewal_that_fails_is_no_matter_while_the_access_is_good(site: LaunchSite, browser: Browser) -> None:
    site.token_life_s = 20
    tab = tab_of(browser.launch(site))
    site.down = True

    page = browser.probe(tab)

    assert page.json["token"] == site.issued[0]


def test_a_renewal_that_nobody_answers_can_be_tried_again(site: LaunchSite, browser: Browser) -> None:
    site.token_life_s = 0
    tab = tab_of(browser.launch(site))
    site.down = True

    page = browser.probe(tab)

    assert (page.status, page.heading) == (503, "The record's sign-in cannot be reached")
    assert "set-cookie" not in page.headers


def test_a_renewal_for_another_patient_ends_the_session(site: LaunchSite, browser: Browser) -> None:
    site.token_life_s = 0
    tab = tab_of(browser.launch(site, Chart("p1")))
    site.reply_changes = {"patient": "p2"}

    page = browser.probe(tab)
    after = browser.probe(tab)

    assert (page.status, page.heading) == (409, "This is not the patient with whom this page began")
    assert (after.status, after.heading) == (401, "This page is not open, or no longer")
    assert site.record_reads == []


def test_a_renewal_that_names_no_patient_keeps_the_one_of_the_page(site: LaunchSite, browser: Browser) -> None:
    site.token_life_s = 0
    tab = tab_of(browser.launch(site, Chart("p1")))
    site.token_life_s, site.reply_changes = 300, {"patient": None, "scope": None, "refresh_token": None}

    assert browser.probe(tab).json["patient"] == "p1"


def left(browser: Browser, tab: str, csrf: str | None) -> Page:
    form = {} if csrf is None else {"csrf": csrf}
    reply = browser.step("POST", f"/app/{tab}/leave", data=form)
    return Page(reply.status_code, reply.text, reply.headers, str(reply.url))


def test_leaving_forgets_the_session_and_gives_the_access_back(site: LaunchSite, browser: Browser) -> None:
    tab = tab_of(browser.launch(site))
    probed = browser.probe(tab).json
    refresh_token = next(iter(site.refresh_tokens))

    page = left(browser, tab, probed["csrf"])
    after = browser.probe(tab)

    assert (page.status, page.heading) == (200, "You have left")
    assert "has taken back" in page.text
    assert site.revoked == [("refresh_token", refresh_token), ("access_token", probed["token"])]
    assert not [name for name in browser.http.cookies if name.startswith(f"ebbmark-{tab}")]
    assert (after.status, after.heading) == (401, "This page is not open, or no longer")


def test_leaving_is_asked_for_on_a_page_and_done_by_its_button(site: LaunchSite, browser: Browser) -> None:
    tab = tab_of(browser.launch(site))

    asked = browser.get(f"/app/{tab}/leave")
    still = browser.probe(tab)
    gone = left(browser, tab, asked.text.split('name="csrf" value="')[1].split('"')[0])

    assert (asked.status, asked.heading) == (200, "Leave this patient's page?")
    assert still.status == 200
    assert gone.heading == "You have left"


def test_leaving_one_tab_leaves_the_other_open(site: LaunchSite, browser: Browser) -> None:
    first, second = (tab_of(browser.launch(site, Chart(patient))) for patient in ("p1", "p2"))

    left(browser, first, browser.probe(first).json["csrf"])

    assert browser.probe(second).json["patient"] == "p2"


@pytest.mark.parametrize("how", ["none", "wrong", "of another tab"])
def test_leaving_needs_the_mark_of_the_page(site: LaunchSite, browser: Browser, how: str) -> None:
    tab, other = (tab_of(browser.launch(site)) for _ in range(2))
    given = {"none": None, "wrong": "x", "of another tab": browser.probe(other).json["csrf"]}[how]

    page = left(browser, tab, given)

    assert (page.status, page.heading) == (403, "This was not sent from the page")
    assert browser.probe(tab).status == 200
    assert site.revoked == []


def test_who_leaves_twice_has_left(site: LaunchSite, browser: Browser) -> None:
    tab = tab_of(browser.launch(site))
    csrf = browser.probe(tab).json["csrf"]
    left(browser, tab, csrf)

    page = left(browser, tab, csrf)

    assert (page.status, page.heading) == (200, "You have left")
    assert "There was no session any more" in page.text


def test_leaving_says_where_a_record_does_not_take_access_back(site: LaunchSite, browser: Browser) -> None:
    del site.configuration["revocation_endpoint"]
    tab = tab_of(browser.launch(site))

    page = left(browser, tab, browser.probe(tab).json["csrf"])

    assert page.status == 200
    assert "does not take back access" in page.text
    assert browser.probe(tab).status == 401


def test_a_session_can_be_left_whose_access_is_over(site: LaunchSite, browser: Browser, key_file: Path) -> None:
    site.granted, site.token_life_s = "patient/*.rs", 0
    tab = tab_of(browser.launch(site))

    page = left(browser, tab, opened(key_file, browser, tab).csrf)

    assert (page.status, page.heading) == (200, "You have left")


def test_a_long_access_token_is_spread_over_several_cookies(site: LaunchSite, browser: Browser) -> None:
    site.reply_changes = {"access_token": "t" * 6000}
    tab = tab_of(browser.launch(site))

    pieces = [name for name in browser.http.cookies if name.startswith(f"ebbmark-{tab}")]
    longest = max(len(value) for value in browser.http.cookies.values())

    assert len(pieces) == 3
    assert longest < 3_900
    assert browser.probe(tab).json["token"] == "t" * 6000


def test_a_missing_piece_of_a_session_is_noticed(site: LaunchSite, browser: Browser) -> None:
    site.reply_changes = {"access_token": "t" * 6000}
    tab = tab_of(browser.launch(site))
    browser.http.cookies.delete(f"ebbmark-{tab}.1")

    page = browser.probe(tab)

    assert (page.status, page.heading) == (401, "This session cannot be used")


def test_pieces_that_an_earlier_session_left_behind_are_not_read(site: LaunchSite, browser: Browser) -> None:
    site.reply_changes, site.token_life_s = {"access_token": "t" * 6000}, 0
    tab = tab_of(browser.launch(site))
    site.reply_changes, site.token_life_s = {}, 300

    assert browser.probe(tab).status == 200
    assert browser.probe(tab).json["token"] == site.issued[-1]


def test_a_new_cookie_key_in_front_keeps_old_sessions_open(
    site: LaunchSite, port: int, key_file: Path, tmp_path: Path
) -> None:
    newer = cookie_key(tmp_path, "newer.json")
    address = f"http://127.0.0.1:{port}"
    with Browser(address) as browser:
        with running(port, {**smart_settings(site), "cookie_keys": [str(key_file)]}):
            old = tab_of(browser.launch(site, Chart("old")))
        with running(port, {**smart_settings(site), "cookie_keys": [str(newer), str(key_file)]}):
            kept = browser.probe(old)
            new = tab_of(browser.launch(site, Chart("new")))
        with running(port, {**smart_settings(site), "cookie_keys": [str(newer)]}):
            dropped, current = browser.probe(old), browser.probe(new)

    assert kept.json["patient"] == "old"
    assert dropped.status == 401
    assert current.json["patient"] == "new"


def test_without_cookie_keys_a_page_ends_with_the_process(
    site: LaunchSite, port: int, caplog: pytest.LogCaptureFixture
) -> None:
    with Browser(f"http://127.0.0.1:{port}") as browser:
        with running(port, smart_settings(site)):
            tab = tab_of(browser.launch(site))
            before = browser.probe(tab)
        with running(port, smart_settings(site)):
            after = browser.probe(tab)

    assert (before.status, after.status) == (200, 401)
    assert "every page in a record ends with this process" in caplog.text


def test_coming_and_leaving_are_noted_without_the_patient(
    site: LaunchSite, browser: Browser, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level("INFO", "ebbmark.audit")
    tab = tab_of(browser.launch(site, Chart("patient-7")))
    left(browser, tab, browser.probe(tab).json["csrf"])
    browser.launch(site, Chart("patient-8"), allow=False)

    events = [json.loads(record.message) for record in caplog.records if record.name == "ebbmark.audit"]

    assert [(event["subtype"][0]["display"], event["outcome"]) for event in events] == [
        ("Login", "0"),
        ("Logout", "0"),
        ("Login", "8"),
    ]
    assert events[0]["agent"][0]["who"] == {"reference": USER}
    assert events[0]["agent"][1]["who"]["identifier"] == {"system": site.base_url, "value": CLIENT_ID}
    assert "patient-" not in caplog.text


def test_a_person_who_is_a_patient_stays_out_of_the_log(
    site: LaunchSite, browser: Browser, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level("INFO", "ebbmark.audit")
    site.claim_changes = {"fhirUser": "Patient/themselves"}

    browser.launch(site)

    assert "themselves" not in caplog.text
    assert CLIENT_ID in caplog.text


def test_no_token_and_no_code_reaches_the_log(
    site: LaunchSite, browser: Browser, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level("DEBUG")
    caplog.set_level("CRITICAL", "httpx")
    caplog.set_level("CRITICAL", "httpcore")
    caplog.set_level("CRITICAL", "authlib")
    site.token_life_s = 0
    tab = tab_of(browser.launch(site))
    browser.probe(tab)
    site.refresh_tokens.clear()
    browser.probe(tab)

    for secret in (*site.issued, *site.codes, *site.refresh_tokens, tab):
        assert secret not in caplog.text


def test_in_frames_of_listed_sites_cookies_go_along(site: LaunchSite, port: int, key_file: Path) -> None:
    settings = {
        **smart_settings(site),
        "cookie_keys": [str(key_file)],
        "base_url": "https://peep.example/bedside",
        "page_frame_ancestors": ["https://ehr.example"],
    }
    with running(port, settings) as service, Browser(service.address) as browser:
        began = browser.step("GET", f"/launch?iss={site.base_url}&launch={site.opened(Chart())}")
        refused = browser.get("/launch")

    cookie = began.headers["set-cookie"]
    assert cookie.startswith("__Secure-ebbmark-launch-")
    assert {"Path=/bedside/launch", "Secure", "SameSite=None", "Partitioned", "HttpOnly"} <= set(cookie.split("; "))
    assert "redirect_uri=https%3A%2F%2Fpeep.example%2Fbedside%2Flaunch%2Fcallback" in began.headers["location"]
    assert "frame-ancestors https://ehr.example" in refused.headers["content-security-policy"]


ISS = "https://record.example/fhir"


@pytest.mark.parametrize(
    ("settings", "words"),
    [
        ({"smart_clients": [{"iss": "http://record.example/fhir", "client_id": "x"}]}, "neither https nor"),
        ({"smart_clients": [{"iss": f"{ISS}?x=1", "client_id": "x"}]}, "no query"),
        ({"smart_clients": [{"iss": "record", "client_id": "x"}]}, "not an absolute"),
        ({"smart_clients": [{"iss": ISS, "client_id": "x"}, {"iss": f"{ISS}/", "client_id": "y"}]}, "twice"),
        (
            {"smart_clients": [{"iss": ISS, "client_id": "x"}, {"iss": f"{ISS}/other", "client_id": "y"}]},
            "a callback of its own",
        ),
        ({"smart_clients": [{"iss": ISS, "client_id": "x", "private_key_jwt": True}]}, "EBBMARK_SIGNING_KEYS"),
        (
            {"smart_clients": [{"iss": ISS, "client_id": "x", "client_secret": "s", "private_key_jwt": True}]},
            "do not go together",
        ),
        ({"smart_clients": [{"iss": ISS, "client_id": "x", "client_secret": "é"}]}, "plain ASCII"),
        ({"base_url": "http://peep.example"}, "https address in EBBMARK_BASE_URL"),
        ({"base_url": "https://peep.example"}, "needs EBBMARK_COOKIE_KEYS"),
        ({"page_frame_ancestors": ["https://ehr.example"]}, "browsers keep no cookies in frames"),
        ({"cookie_keys": ["/no/such/file"]}, "cannot be read"),
    ],
)
def test_settings_that_do_not_go_together_stop_the_start_by_name(settings: dict[str, Any], words: str) -> None:
    whole = {"smart_clients": [{"iss": ISS, "client_id": "x"}], **settings}

    with pytest.raises(ValueError, match=words):
        create_app(Settings.model_validate(whole))


@pytest.mark.parametrize(
    ("content", "words"),
    [
        ("", "is not a JSON Web Key Set"),
        ('{"keys": []}', "holds no key"),
        ('{"keys": [{"kty": "EC", "k": "x"}]}', "not for encryption"),
        ('{"keys": [{"kty": "oct", "use": "sig", "k": "AAAA"}]}', "not for encryption"),
        ('{"keys": [{"kty": "oct", "k": "AAAA"}]}', "24 bits; 256 are needed"),
        ('{"keys": [{"kty": "oct", "k": "ä"}]}', "not base64url"),
        ('{"keys": [{"kty": "oct", "kid": "a", "k": "%s"}, {"kty": "oct", "kid": "a", "k": "%s"}]}', "there before"),
    ],
)
def test_a_cookie_key_file_that_cannot_be_used_stops_the_start(tmp_path: Path, content: str, words: str) -> None:
    file = tmp_path / "keys.json"
    file.write_text(content.replace("%s", "A" * 43), encoding="utf-8")
    whole = {"smart_clients": [{"iss": ISS, "client_id": "x"}], "cookie_keys": [str(file)]}

    with pytest.raises(Misconfigured, match=f"EBBMARK_COOKIE_KEYS .*{words}"):
        create_app(Settings.model_validate(whole))


def test_a_service_for_the_page_alone_lets_nobody_in_at_the_fhir_door(
    site: LaunchSite, port: int, key_file: Path
) -> None:
    settings = {**smart_settings(site), "cookie_keys": [str(key_file)], "authentication": "bearer"}
    with running(port, settings) as service, Browser(service.address) as browser:
        asked = browser.step("POST", "/fhir/$titrate-peep", headers={"Content-Type": "application/fhir+json"})
        page = browser.launch(site)

        assert asked.status_code == 401
        assert browser.probe(tab_of(page)).status == 200
