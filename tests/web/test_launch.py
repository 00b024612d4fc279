"""From a record into a page: the launches that work, and what a clinician reads where one does not."""

from __future__ import annotations

import base64
import hashlib
import json
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs, urlsplit

import pytest

from ebbmark.keys import Algorithm, new_key_set
from ebbmark.web.launch.launching import code_challenge
from ebbmark.web.launch.session import LAUNCH, PendingLaunch
from issued_tokens import Issuer, forged
from launch_server import CLIENT_ID, USER, Chart, LaunchSite, launch_server
from web.browsing import (
    Browser,
    Running,
    launch_of,
    running,
    seal_of,
    smart_settings,
    tab_of,
)

SECRET = "not a secret outside these tests"  # noqa: S105


def test_a_launch_from_a_chart_opens_a_page_for_its_patient(site: LaunchSite, browser: Browser) -> None:
    page = browser.launch(site, Chart("p7", "e3"))

    probed = browser.probe(tab_of(page)).json

    assert {name: probed[name] for name in ("patient", "encounter", "user", "banner", "record")} == {
        "patient": "p7",
        "encounter": "e3",
        "user": USER,
        "banner": True,
        "record": 200,
    }
    assert site.refusals == []
    assert probed["token"] in site.issued


def test_the_challenge_is_the_one_of_the_standards_example() -> None:
    # RFC 7636, appendix B.
    verifier = "dBjftJeZ4CVP-mB92K27uhbUJU1p1r_wW1gFWFOEjXk"

    assert code_challenge(verifier) == "E9Melhoa2OwvFrEMTJguCHaoeK1t8URWbuGJSstw-cM"


def test_the_record_is_asked_for_what_the_standard_names_and_for_no_more(site: LaunchSite, browser: Browser) -> None:
    handle = site.opened(Chart())

    browser.get(f"/launch?iss={site.base_url}&launch={handle}")

    (asked,) = site.authorize_requests
    fixed = ("response_type", "client_id", "redirect_uri", "launch", "aud", "code_challenge_method")
    assert {name: asked[name] for name in fixed} == {
        "response_type": "code",
        "client_id": CLIENT_ID,
        "redirect_uri": f"{browser.service}/launch/callback",
        "launch": handle,
        "aud": site.base_url,
        "code_challenge_method": "S256",
    }
    assert {"launch", "openid", "fhirUser", "patient/Observation.crus"} <= set(asked["scope"].split())
    assert len(asked["state"]) > 60
    assert len(asked["code_challenge"]) == 43
    assert set(asked) == {*fixed, "scope", "state", "nonce", "code_challenge"}


def test_a_launch_from_outside_a_record_asks_it_for_a_patient(site: LaunchSite, browser: Browser) -> None:
    site.at_standalone = Chart("chosen", None)

    page = browser.get(browser.consent_to(f"/launch/standalone?iss={site.base_url}"))

    assert browser.probe(tab_of(page)).json["patient"] == "chosen"
    (asked,) = site.authorize_requests
    assert "launch" not in asked
    assert "launch/patient" in asked["scope"].split()
    assert "launch" not in asked["scope"].split()


def test_with_one_record_a_launch_from_outside_needs_no_choice(site: LaunchSite, browser: Browser) -> None:
    page = browser.get("/launch/standalone")

    assert urlsplit(page.url).path == "/authorize"


def test_with_several_records_the_clinician_chooses(site: LaunchSite, port: int, key_file: Path) -> None:
    clients = [
        {"iss": site.base_url, "client_id": CLIENT_ID, "title": "Ward <north>"},
        {"iss": "https://other.example/fhir", "client_id": "x", "callback": "other"},
    ]
    settings = {"smart_clients": clients, "cookie_keys": [str(key_file)]}
    with running(port, settings) as service, Browser(service.address) as browser:
        page = browser.get("/launch/standalone")

    assert page.status == 200
    assert "Ward &lt;north&gt;" in page.text
    assert "other.example" in page.text
    assert f"/launch/standalone?iss={site.base_url.replace(':', '%3A').replace('/', '%2F')}" in page.text


def test_one_record_never_gets_the_code_of_another(site: LaunchSite, port: int, key_file: Path) -> None:
    """RFC 9700 section 4.4.1: a launch at one record, whose sign-in sends the browser on to that of the other."""
    with launch_server(f"http://127.0.0.1:{port}/launch/callback/broken") as broken:
        clients = [
            *smart_settings(site)["smart_clients"],
            *smart_settings(broken, callback="broken")["smart_clients"],
        ]
        settings = {"smart_clients": clients, "cookie_keys": [str(key_file)]}
        with running(port, settings) as service, Browser(service.address) as browser:
            begun = browser.get(launch_of(broken))
            honest = browser.consent_to(launch_of(site))
            code = parse_qs(urlsplit(honest).query)["code"][0]

            page = browser.get(f"/launch/callback?code={code}&state={begun.state}")

    assert page.heading == "This reply comes from another sign-in"
    assert broken.token_requests == []


def test_a_record_with_a_callback_of_its_own_opens_the_page(port: int, key_file: Path) -> None:
    with launch_server(f"http://127.0.0.1:{port}/launch/callback/north") as site:
        settings = {**smart_settings(site, callback="north"), "cookie_keys": [str(key_file)]}
        with running(port, settings) as service, Browser(service.address) as browser:
            page = browser.launch(site)

            assert browser.probe(tab_of(page)).status == 200


def test_each_launch_has_its_own_secrets(site: LaunchSite, browser: Browser) -> None:
    for _ in range(2):
        browser.get(launch_of(site))

    first, second = site.authorize_requests
    assert not {first[name] for name in ("state", "nonce", "code_challenge")} & set(second.values())


@pytest.mark.parametrize(
    ("query", "status", "title"),
    [
        ("", 400, "Which record?"),
        ("?launch=x", 400, "Which record?"),
        ("?iss=&launch=x", 400, "Which record?"),
        ("?iss={iss}&iss=https://evil.example/fhir&launch=x", 400, "Which record?"),
        ("?iss={iss}", 400, "The record did not say which launch this is"),
        ("?iss={iss}&launch=", 400, "The record did not say which launch this is"),
        ("?iss={iss}&launch=a&launch=b", 400, "The record did not say which launch this is"),
        ("?iss={iss}/../other&launch=x", 403, "This record is not one that Ebbmark works with"),
        ("?iss=https://evil.example/fhir&launch=x", 403, "This record is not one that Ebbmark works with"),
        ("?iss=http://169.254.169.254/latest&launch=x", 403, "This record is not one that Ebbmark works with"),
        ("?iss=javascript:alert(1)&launch=x", 403, "This record is not one that Ebbmark works with"),
    ],
)
def test_a_launch_that_lacks_something_says_what(
    site: LaunchSite, browser: Browser, query: str, status: int, title: str
) -> None:
    page = browser.get(f"/launch{query.format(iss=site.base_url)}")

    assert (page.status, page.heading) == (status, title)
    assert site.paths == []


def test_a_record_that_is_not_listed_is_never_called(site: LaunchSite, browser: Browser, key_file: Path) -> None:
    with launch_server("https://unused.example") as stranger:
        page = browser.get(f"/launch?iss={stranger.base_url}&launch=x")

        assert page.status == 403
        assert stranger.base_url in page.text
        assert stranger.paths == []


def test_text_in_place_of_an_address_is_not_shown_to_the_reader(browser: Browser) -> None:
    page = browser.get("/launch", params={"iss": "Call 555-0100 to unlock <b>now</b>", "launch": "x"})

    assert "555" not in page.text
    assert page.status == 403


@pytest.mark.parametrize("slash", ["", "/"])
def test_a_slash_at_the_end_of_iss_makes_no_difference(site: LaunchSite, browser: Browser, slash: str) -> None:
    page = browser.get(f"/launch?iss={site.base_url}{slash}&launch={site.opened(Chart())}")

    assert urlsplit(page.url).path == "/authorize"


def test_a_record_that_does_not_answer_is_said_so(site: LaunchSite, browser: Browser) -> None:
    site.down = True

    page = browser.get(launch_of(site))

    assert (page.status, page.heading) == (502, "The record does not say where to sign in")
    assert "HTTP 503" in page.text


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"authorization_endpoint": None}, "names no authorization_endpoint"),
        ({"token_endpoint": ""}, "names no authorization_endpoint or no token_endpoint"),
        ({"token_endpoint": 7}, "smart-configuration cannot be read"),
        ({"authorization_endpoint": "https://evil.example/authorize"}, "authorization_endpoint is on a host"),
        ({"token_endpoint": "https://evil.example/token"}, "token_endpoint is on a host"),
        ({"token_endpoint": "http://peep.example/token"}, "token_endpoint is not a plain https address"),
        ({"jwks_uri": "https://evil.example/jwks"}, "jwks_uri is on a host"),
        ({"revocation_endpoint": "https://evil.example/revoke"}, "revocation_endpoint is on a host"),
        ({"code_challenge_methods_supported": ["plain"]}, "S256 is not among"),
        ({"jwks_uri": None, "issuer": "https://evil.example"}, "issuer is on a host"),
        ({"jwks_uri": None, "issuer": "{address}/other"}, "HTTP 401"),
    ],
)
def test_a_smart_configuration_that_cannot_be_used_is_named(
    site: LaunchSite, browser: Browser, changes: dict[str, Any], words: str
) -> None:
    changed = {
        name: value.format(address=site.address) if isinstance(value, str) else value
        for name, value in {**site.configuration, **changes}.items()
    }
    site.configuration = {name: value for name, value in changed.items() if value is not None}

    page = browser.get(launch_of(site))

    assert (page.status, page.heading) == (502, "The record does not say where to sign in")
    assert words in page.text
    assert "set-cookie" not in page.headers


def test_relative_addresses_in_a_smart_configuration_are_below_its_host(site: LaunchSite, browser: Browser) -> None:
    site.configuration["token_endpoint"] = "/token"  # noqa: S105 - an address

    page = browser.launch(site)

    assert browser.probe(tab_of(page)).status == 200


def test_keys_are_found_by_the_issuer_where_the_smart_configuration_does_not_name_them(
    site: LaunchSite, browser: Browser
) -> None:
    del site.configuration["jwks_uri"]

    page = browser.launch(site)

    assert browser.probe(tab_of(page)).json["user"] == USER


def test_denied_consent_is_said_so_and_nothing_is_read(site: LaunchSite, browser: Browser) -> None:
    page = browser.launch(site, allow=False)

    assert (page.status, page.heading) == (403, "Access was not given")
    assert site.token_requests == []
    assert site.record_reads == []


@pytest.mark.parametrize(
    ("error", "words"),
    [
        ("invalid_scope", "invalid_scope"),
        ("<b>x</b>", "an error that no standard names"),
        ("server_error", "server_error"),
    ],
)
def test_another_error_of_the_sign_in_is_named_only_where_a_standard_names_it(
    site: LaunchSite, browser: Browser, error: str, words: str
) -> None:
    state = browser.get(launch_of(site)).state

    page = browser.get("/launch/callback", params={"error": error, "state": state, "error_description": "Jane Doe"})

    assert (page.status, page.heading) == (502, "The record's sign-in refused the launch")
    assert words in page.text
    assert "Jane" not in page.text
    assert "<b>" not in page.text


@pytest.mark.parametrize(
    ("query", "title"),
    [
        ("", "This is not a reply to a launch"),
        ("?code=x", "This is not a reply to a launch"),
        ("?code=x&state=", "This is not a reply to a launch"),
        ("?code=x&state={state}&state=other", "This is not a reply to a launch"),
        ("?code=x&state=abc", "This launch did not begin in this browser"),
        ("?code=x&state=AAAAAAAAAAAAAAAAAAAAAA.secret", "This launch did not begin in this browser"),
        ("?code=x&state={tab}.another-secret", "This reply belongs to another launch"),
        ("?state={state}", "The record's sign-in sent no code"),
        ("?state={state}&code=a&code=b", "The record's sign-in sent no code"),
        ("?state={state}&code=x&iss=https://evil.example", "This reply comes from another sign-in"),
    ],
)
def test_a_reply_that_does_not_fit_is_refused_before_its_code_is_used(
    site: LaunchSite, browser: Browser, query: str, title: str
) -> None:
    state = browser.get(launch_of(site)).state

    page = browser.get(f"/launch/callback{query.format(state=state, tab=state.split('.')[0])}")

    assert (page.status, page.heading) == (400, title)
    assert site.token_requests == []


def test_the_issuer_in_a_reply_is_welcome_where_it_is_the_right_one(site: LaunchSite, browser: Browser) -> None:
    reply = browser.consent_to(launch_of(site))

    page = browser.get(f"{reply}&iss={site.address}")

    assert browser.probe(tab_of(page)).status == 200


def test_a_server_that_always_names_itself_in_replies_must_do_so(site: LaunchSite, browser: Browser) -> None:
    site.configuration["authorization_response_iss_parameter_supported"] = True
    reply = browser.consent_to(launch_of(site))

    page = browser.get(reply)

    assert page.heading == "This reply comes from another sign-in"
    assert site.token_requests == []


def test_a_reply_in_another_browser_opens_nothing(site: LaunchSite, browser: Browser, service: Running) -> None:
    reply = browser.consent_to(launch_of(site))

    with Browser(service.address) as thief:
        page = thief.get(reply)

    assert (page.status, page.heading) == (400, "This launch did not begin in this browser")
    assert site.token_requests == []


def test_a_reply_counts_once(site: LaunchSite, browser: Browser) -> None:
    reply = browser.consent_to(launch_of(site))
    first = browser.get(reply)

    again = browser.get(reply)

    assert (again.status, again.heading) == (400, "This launch was used already")
    assert len(site.token_requests) == 1
    assert browser.probe(tab_of(first)).status == 200


def test_a_reply_that_is_sent_again_redeems_its_code_once(site: LaunchSite, browser: Browser, service: Running) -> None:
    reply = browser.consent_to(launch_of(site))
    with Browser(service.address) as copy:
        copy.http.cookies.update(browser.http.cookies)
        browser.get(reply)

        page = copy.get(reply)

    assert (page.status, page.heading) == (400, "This launch was used already")
    assert len(site.token_requests) == 1


def test_a_reply_that_is_sent_ten_times_at_once_redeems_its_code_once(
    site: LaunchSite, browser: Browser, service: Running
) -> None:
    reply = browser.consent_to(launch_of(site))
    cookies = dict(browser.http.cookies)

    def again(_: int) -> int:
        with Browser(service.address) as copy:
            copy.http.cookies.update(cookies)
            return copy.step("GET", reply).status_code

    with ThreadPoolExecutor(10) as threads:
        statuses = sorted(threads.map(again, range(10)))

    assert statuses == [303, *[400] * 9]
    assert len(site.token_requests) == 1


def test_looking_at_a_reply_without_its_body_does_not_use_up_the_launch(site: LaunchSite, browser: Browser) -> None:
    reply = browser.consent_to(launch_of(site))

    looked = browser.step("HEAD", reply)

    assert looked.status_code == 405
    assert len(site.token_requests) == 0
    assert browser.probe(tab_of(browser.get(reply))).status == 200


def test_a_launch_that_took_more_than_ten_minutes_is_over(site: LaunchSite, browser: Browser, key_file: Path) -> None:
    tab = "A" * 22
    pending = PendingLaunch(tab, site.base_url, time.time() - 1, f"{tab}.s", "v" * 43, "n")
    sealed = seal_of(key_file).close(pending, purpose=LAUNCH)

    page = browser.get(f"/launch/callback?code=x&state={tab}.s", headers={"Cookie": f"ebbmark-launch-{tab}={sealed}"})

    assert (page.status, page.heading) == (400, "This launch took too long")
    assert site.token_requests == []


def test_a_launch_cookie_that_somebody_changed_opens_nothing(site: LaunchSite, browser: Browser) -> None:
    state = browser.get(launch_of(site)).state
    (name, value), *_ = browser.http.cookies.items()
    head, key, iv, sealed, tag = value.split(".")
    broken = ".".join((head, key, iv, ("A" if sealed[0] != "A" else "B") + sealed[1:], tag))
    browser.http.cookies.clear()

    page = browser.get(f"/launch/callback?code=x&state={state}", headers={"Cookie": f"{name}={broken}"})

    assert (page.status, page.heading) == (400, "This launch did not begin in this browser")
    assert site.token_requests == []


def test_two_launches_at_once_in_one_browser_both_arrive(site: LaunchSite, browser: Browser) -> None:
    first = browser.consent_to(launch_of(site, Chart("p1")))
    second = browser.consent_to(launch_of(site, Chart("p2")))

    pages = [browser.get(reply) for reply in (first, second)]

    assert [browser.probe(tab_of(page)).json["patient"] for page in pages] == ["p1", "p2"]


@pytest.mark.parametrize(
    ("changes", "status", "title", "words"),
    [
        ({"patient": None}, 400, "No patient was chosen", "never guesses"),
        ({"patient": "../Patient/2"}, 502, "The record's sign-in did not complete", "no FHIR id"),
        ({"encounter": "a b"}, 502, "The record's sign-in did not complete", "no FHIR id"),
        ({"patient": 7}, 502, "The record's sign-in did not complete", "could be read"),
        ({"access_token": "two words"}, 502, "The record's sign-in did not complete", "no bearer token"),
        ({"access_token": None}, 502, "The record's sign-in did not complete", "could be read"),
        ({"token_type": "mac"}, 502, "The record's sign-in did not complete", "no bearer token"),
        ({"scope": "openid patient/Patient.r"}, 403, "The record did not grant", "patient/Observation.rs"),
        ({"scope": "patient/Observation.rs"}, 403, "The record did not grant", "patient/Patient.r"),
        (
            {"scope": "patient/Patient.r patient/Observation.rs?category=vital-signs"},
            403,
            "The record did not grant",
            "patient/Observation.rs",
        ),
        ({"access_token": "x" * 9000}, 502, "The record's access token is too long", "cookies"),
    ],
)
def test_a_token_reply_that_does_not_suffice_is_said_so(
    site: LaunchSite, browser: Browser, changes: dict[str, Any], status: int, title: str, words: str
) -> None:
    site.reply_changes = changes

    page = browser.launch(site)

    assert page.status == status
    assert page.heading.startswith(title)
    assert words in page.text
    assert site.record_reads == []
    assert "access_token" not in str(browser.http.cookies)


@pytest.mark.parametrize(
    "scope",
    [
        "patient/*.rs",
        "patient/*.read",
        "user/*.*",
        "user/Patient.cruds patient/Observation.cruds",
        "patient/Patient.r patient/Observation.r patient/Observation.s",
    ],
)
def test_wider_and_older_scopes_suffice(site: LaunchSite, browser: Browser, scope: str) -> None:
    site.granted = scope

    page = browser.launch(site)

    assert browser.probe(tab_of(page)).json["scope"] == scope


def test_without_openid_the_page_opens_for_somebody_unknown(site: LaunchSite, browser: Browser) -> None:
    site.granted = "patient/*.rs"

    page = browser.launch(site)

    assert browser.probe(tab_of(page)).json["user"] is None


def test_a_patient_banner_is_shown_unless_the_record_says_that_it_shows_one(site: LaunchSite, browser: Browser) -> None:
    shown = []
    for said in (True, None, False):
        site.reply_changes = {"need_patient_banner": said}
        shown.append(browser.probe(tab_of(browser.launch(site))).json["banner"])

    assert shown == [True, True, False]


@pytest.mark.parametrize(
    ("claims", "words"),
    [
        ({"nonce": "another"}, "not made for this launch"),
        ({"nonce": None}, "not made for this launch"),
        ({"aud": "another-client"}, "meant for another audience"),
        ({"aud": [CLIENT_ID, "another"]}, "made for another client"),
        ({"azp": "another"}, "made for another client"),
        ({"iss": "https://evil.example"}, "from an issuer that is not trusted"),
        ({"exp": int(time.time()) - 100}, "has expired"),
        ({"exp": None}, "lacks a claim"),
        ({"iat": None}, "lacks a claim"),
        ({"sub": None}, "lacks a claim"),
        # Far enough ahead to be so at the end of a long run, too.
        ({"iat": int(time.time()) + 100_000}, "not valid yet"),
        ({"fhirUser": "Practitioner/a b"}, "not a reference"),
        ({"fhirUser": "Device/1"}, "not a reference"),
        ({"fhirUser": "javascript:x/Practitioner/1"}, "not a reference"),
    ],
)
def test_an_id_token_that_does_not_hold_ends_the_launch(
    site: LaunchSite, browser: Browser, claims: dict[str, Any], words: str
) -> None:
    site.claim_changes = claims

    page = browser.launch(site)

    assert (page.status, page.heading) == (502, "Who you are could not be confirmed")
    assert words in page.text


def test_an_id_token_of_another_signer_ends_the_launch(site: LaunchSite, browser: Browser) -> None:
    site.signer = Issuer.new("RS256", kid=site.issuer.kid)

    page = browser.launch(site)

    assert page.heading == "Who you are could not be confirmed"
    assert "signature" in page.text


def test_an_unsigned_id_token_ends_the_launch(site: LaunchSite, browser: Browser) -> None:
    site.id_token = forged({"alg": "none", "kid": site.issuer.kid}, {"iss": site.address, "aud": CLIENT_ID})

    page = browser.launch(site)

    assert page.heading == "Who you are could not be confirmed"
    assert "not signed at all" in page.text


def test_an_id_token_of_a_record_that_names_no_keys_ends_the_launch(site: LaunchSite, browser: Browser) -> None:
    del site.configuration["issuer"], site.configuration["jwks_uri"]

    page = browser.launch(site)

    assert page.heading == "Who you are could not be confirmed"
    assert "names no issuer" in page.text


@pytest.mark.parametrize(
    ("fhir_user", "known"),
    [
        ("Practitioner/1", "Practitioner/1"),
        ("{base}/Practitioner/1", "Practitioner/1"),
        ("{base}/PractitionerRole/r.1", "PractitionerRole/r.1"),
        ("https://directory.example/fhir/Practitioner/1", "https://directory.example/fhir/Practitioner/1"),
        (None, None),
    ],
)
def test_who_is_signed_in_is_known_by_reference(
    site: LaunchSite, browser: Browser, fhir_user: str | None, known: str | None
) -> None:
    site.claim_changes = {"fhirUser": fhir_user.format(base=site.base_url) if fhir_user else None}

    page = browser.launch(site)

    assert browser.probe(tab_of(page)).json["user"] == known


def test_no_page_of_a_launch_says_anything_in_its_address_or_is_kept(site: LaunchSite, browser: Browser) -> None:
    ended = browser.launch(site, Chart("secret-patient", "secret-encounter"))
    refused = browser.get("/launch")

    assert "secret" not in ended.url
    assert urlsplit(ended.url).query == ""
    for page in (ended, refused):
        assert page.headers["cache-control"] == "no-store"
        assert page.headers["referrer-policy"] == "no-referrer"
    policy = refused.headers["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "frame-ancestors 'none'" in policy
    assert "unsafe" not in policy


def test_the_cookies_of_a_launch_are_seen_by_nobody_else(site: LaunchSite, browser: Browser) -> None:
    began = browser.step("GET", launch_of(site))
    ended = browser.step("GET", browser.consent_to(launch_of(site)))

    cookies = [*began.headers.get_list("set-cookie"), *ended.headers.get_list("set-cookie")]

    assert len(cookies) == 3
    for cookie in cookies:
        name = cookie.split("=")[0]
        path = "/launch" if name.startswith("ebbmark-launch-") else f"/app/{name.removeprefix('ebbmark-')}"
        parts = cookie.split("; ")
        assert f"Path={path}" in parts
        assert {"HttpOnly", "SameSite=Lax"} <= set(parts)
        assert not any(part.startswith("Domain") for part in parts)


def test_nothing_that_is_kept_in_the_browser_can_be_read_there(site: LaunchSite, browser: Browser) -> None:
    browser.launch(site, Chart("patient-in-plain"))

    kept = str(dict(browser.http.cookies))

    for secret in (*site.issued, "patient-in-plain", *site.refresh_tokens, site.base_url):
        assert secret not in kept


def test_a_client_with_a_secret_shows_it_to_the_token_endpoint_only(port: int, key_file: Path) -> None:
    with launch_server(f"http://127.0.0.1:{port}/launch/callback", secret=SECRET) as site:
        settings = {**smart_settings(site, client_secret=SECRET), "cookie_keys": [str(key_file)]}
        with running(port, settings) as service, Browser(service.address) as browser:
            page = browser.launch(site)

            assert browser.probe(tab_of(page)).status == 200
            assert SECRET not in json.dumps([site.authorize_requests, site.token_requests])


def test_a_client_with_the_wrong_secret_gets_nothing(port: int, key_file: Path) -> None:
    with launch_server(f"http://127.0.0.1:{port}/launch/callback", secret=SECRET) as site:
        settings = {**smart_settings(site, client_secret=f"not {SECRET}"), "cookie_keys": [str(key_file)]}
        with running(port, settings) as service, Browser(service.address) as browser:
            page = browser.launch(site)

            assert page.heading == "The record's sign-in did not complete"
            assert "invalid_client" in page.text


@pytest.mark.parametrize("algorithm", ["ES384", "RS384"])
def test_a_client_with_a_key_signs_that_it_is_itself(
    port: int, key_file: Path, tmp_path: Path, algorithm: Algorithm
) -> None:
    signing = tmp_path / "signing.json"
    signing.write_text(json.dumps(new_key_set(algorithm)))
    address = f"http://127.0.0.1:{port}"
    with launch_server(f"{address}/launch/callback", client_keys=f"{address}/.well-known/jwks.json") as site:
        settings = {
            **smart_settings(site, private_key_jwt=True),
            "cookie_keys": [str(key_file)],
            "signing_keys": [str(signing)],
        }
        with running(port, settings) as service, Browser(service.address) as browser:
            page = browser.launch(site)

            assert browser.probe(tab_of(page)).status == 200
            assert site.refusals == []


def test_the_state_is_bound_to_the_cookie_of_its_own_launch(site: LaunchSite, browser: Browser) -> None:
    first = browser.get(launch_of(site))
    second = browser.get(launch_of(site))
    mixed = f"{first.state.split('.')[0]}.{second.state.split('.')[1]}"

    page = browser.get(f"/launch/callback?code=x&state={mixed}")

    assert page.heading == "This reply belongs to another launch"


def test_the_challenge_is_the_digest_of_a_verifier_that_never_left(site: LaunchSite, browser: Browser) -> None:
    browser.launch(site)

    (asked,), (redeemed,) = site.authorize_requests, site.token_requests
    digest = hashlib.sha256(redeemed["code_verifier"].encode()).digest()
    assert base64.urlsafe_b64encode(digest).rstrip(b"=").decode() == asked["code_challenge"]
    assert redeemed["code_verifier"] not in json.dumps(asked)
    assert len(redeemed["code_verifier"]) >= 43
