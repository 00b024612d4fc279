"""The FHIR door with sign-in on: who comes in, who does not, and what they are told."""

from __future__ import annotations

import json
import logging
import time
from pathlib import Path
from typing import Any

import httpx
import pytest
import respx
from fhir.resources.R4B.capabilitystatement import CapabilityStatement
from starlette.types import ASGIApp

from bedside_builders import row, stamp
from ebbmark.settings import Issuer as TrustedIssuer
from ebbmark.settings import Settings
from ebbmark.web.app import create_app
from ebbmark.web.token_check import EVALUATE, allows
from fhir_builders import height, parameters, patient, to_bytes, trial_bundle
from issued_tokens import ISSUER, Issuer, forged, hmac_signed
from record.searchable_record import SearchableRecord
from web.asking import FHIR, Reply, ask, plain_app

TRIAL = to_bytes(trial_bundle())
WRITE = to_bytes(parameters(bundle=trial_bundle(), write_back=True))
RECORD = "https://record.example/fhir"
BASE_URL = "https://peep.example"
KEYS_URL = "https://issuer.example/keys"
TRUSTED, STRANGER = Issuer.new(), Issuer.new()
OPEN = [
    "/fhir/metadata",
    "/fhir/OperationDefinition/titrate-peep",
    "/fhir/CodeSystem/ebbmark",
    "/health/live",
    "/health/ready",
    "/.well-known/jwks.json",
    "/openapi.json",
]


@pytest.fixture(scope="module")
def keys(tmp_path_factory: pytest.TempPathFactory) -> Path:
    file = tmp_path_factory.mktemp("issuer") / "keys.json"
    file.write_text(json.dumps({"keys": [TRUSTED.jwk]}))
    return file


def signing_in(keys: Path, **settings: object) -> ASGIApp:
    issuer = TrustedIssuer(issuer=ISSUER, jwks_file=keys)
    return create_app(Settings.model_validate({"issuers": (issuer,), "base_url": BASE_URL, **settings}))


@pytest.fixture(scope="module")
def app(keys: Path) -> ASGIApp:
    return signing_in(keys)


def token(issuer: Issuer = TRUSTED, headers: dict[str, Any] | None = None, **changes: object) -> str:
    """A token that is good just now, but for the changes."""
    return issuer.token(headers, **{**fresh(), **changes})


def fresh() -> dict[str, object]:
    now_s = int(time.time())
    return {"iat": now_s - 10, "nbf": now_s - 10, "exp": now_s + 3600}


def sent(app: ASGIApp, bearer: str | None, body: bytes = TRIAL, **headers: str) -> Reply:
    signed = {} if bearer is None else {"authorization": f"Bearer {bearer}"}
    return ask(app, body, headers={**FHIR, **signed, **headers})


def text_of(reply: Reply) -> str:
    (error,) = reply.errors
    text: str = error["details"]["text"]
    return text


def test_a_good_token_opens_the_door(app: ASGIApp) -> None:
    assert sent(app, token()).status == 200


def test_without_a_token_the_caller_is_asked_to_sign_in(app: ASGIApp) -> None:
    reply = sent(app, None)

    assert (reply.status, reply.errors[0]["code"]) == (401, "login")
    assert reply.headers["www-authenticate"] == 'Bearer realm="ebbmark"'


@pytest.mark.parametrize("authorization", ["Basic dXNlcjp3b3Jk", "Bearer", "Bearer ", "token x", ""])
def test_another_scheme_is_no_sign_in(app: ASGIApp, authorization: str) -> None:
    reply = ask(app, TRIAL, headers={**FHIR, "authorization": authorization})

    assert (reply.status, reply.headers["www-authenticate"]) == (401, 'Bearer realm="ebbmark"')


def test_a_token_in_the_address_is_no_sign_in(app: ASGIApp) -> None:
    assert ask(app, TRIAL, query=f"access_token={token()}").status == 401


REFUSED = {
    "nobody signed": (forged({"alg": "none", "kid": "k1"}, TRUSTED.claims(**fresh())), "not signed at all"),
    "a shared secret": (
        hmac_signed({"alg": "HS256", "kid": "k1"}, TRUSTED.claims(**fresh()), TRUSTED.public_pem),
        "an algorithm that is not accepted",
    ),
    "a stranger's key": (token(STRANGER), "The signature of the token does not fit."),
    "a certificate to be shown (RFC 8705)": (
        token(cnf={"x5t#S256": "bwcK0esc3ACC3DB2Y5_lESsXE8o9ltc05O89jdN-dg2"}),
        "bound",
    ),
    "a key to be proved (RFC 9449)": (token(cnf={"jkt": "0ZcOCORZNYy-DWpqq30jZyJGHTN0d2HglBV3uiguA4I"}), "bound"),
    "an unknown key": (token(headers={"kid": "k9"}), "names a key that its issuer does not publish"),
    "an unknown issuer": (token(iss="https://stranger.example"), "an issuer that is not trusted"),
    "another audience": (token(aud=f"{BASE_URL}/fhir/"), "meant for another audience"),
    "expired": (token(exp=int(time.time()) - 3600), "has expired"),
    "not yet valid": (token(nbf=int(time.time()) + 3600), "is not valid yet"),
    "valid for years": (token(exp=int(time.time()) + 400_000_000), "longer than is accepted"),
    "without an end": (token(exp=None), "lacks a claim"),
    "without a client": (token(client_id=None, sub=None), "lacks a claim"),
    "huge": (token(note="x" * 20_000), "longer than any that is read"),
    "no token": ("abc", "is not a JWT"),
}


@pytest.mark.parametrize(("bearer", "says"), REFUSED.values(), ids=REFUSED)
def test_each_token_that_is_not_accepted_is_refused_with_its_reason_and_nothing_of_itself(
    app: ASGIApp, caplog: pytest.LogCaptureFixture, bearer: str, says: str
) -> None:
    with caplog.at_level(logging.DEBUG):
        reply = sent(app, bearer)

    assert (reply.status, reply.errors[0]["code"]) == (401, "login")
    assert says in text_of(reply)
    assert reply.headers["www-authenticate"].startswith('Bearer realm="ebbmark", error="invalid_token"')
    told = reply.body.decode() + str(reply.headers) + caplog.text
    assert not [part for part in bearer.split(".") if len(part) > 3 and part in told]
    assert "icu-dashboard" not in told


def test_browsers_are_told_to_come_over_https_where_the_service_is_seen_there(app: ASGIApp) -> None:
    assert ask(app, method="GET", path="/health/live").headers["strict-transport-security"] == "max-age=31536000"
    assert "strict-transport-security" not in ask(plain_app(), method="GET", path="/health/live").headers


def test_two_tokens_at_once_are_none(app: ASGIApp) -> None:
    twice = [("content-type", "application/fhir+json"), *[("authorization", f"Bearer {token()}")] * 2]

    assert ask(app, TRIAL, headers=twice).status == 401


@pytest.mark.parametrize(
    "scope",
    [
        "",
        "openid",
        "patient/Observation.rs",
        "system/Observation.r",
        "system/Patient.rs",
        [],
        # One scope is one element: with a blank it is no scope.
        ["openid system/Observation.rs"],
    ],
)
def test_a_token_without_the_scope_is_told_which_one_is_needed(app: ASGIApp, scope: str | list[str]) -> None:
    reply = sent(app, token(scope=scope))

    assert (reply.status, reply.errors[0]["code"]) == (403, "forbidden")
    assert "system/Observation.rs" in text_of(reply)
    assert reply.headers["www-authenticate"] == (
        'Bearer realm="ebbmark", error="insufficient_scope", scope="system/Observation.rs"'
    )


@pytest.mark.parametrize(
    "bearer",
    [
        token(scope="system/*.read"),
        token(scope=["openid", "system/*.rs"]),
        token(scope=None, scp=["system/*.rs"]),
        token(scope=None, scp="openid user/*.*"),
    ],
)
def test_scopes_are_read_under_each_of_their_names(app: ASGIApp, bearer: str) -> None:
    assert sent(app, bearer).status == 200


@pytest.mark.parametrize(
    ("claims", "status"),
    [
        ({"roles": ["icu-decision-support"]}, 200),
        ({"groups": [{"value": "icu-decision-support", "display": "ICU"}]}, 200),
        ({"entitlements": "icu-decision-support"}, 200),
        ({"roles": ["cafeteria"]}, 403),
        ({"roles": {"icu-decision-support": True}}, 403),
        ({}, 403),
    ],
)
def test_a_role_of_the_directory_stands_for_the_scopes_that_the_site_names(
    keys: Path, claims: dict[str, Any], status: int
) -> None:
    """The shapes of RFC 9068 section 2.2.3.1 (RFC 7643 section 4.1.2)."""
    scopes: dict[str, tuple[str, ...]] = {"icu-decision-support": ("system/Observation.rs",)}
    by_role = signing_in(keys, issuers=(TrustedIssuer(issuer=ISSUER, jwks_file=keys, roles=scopes),))

    assert sent(by_role, token(scope=None, **claims)).status == status


def test_a_role_says_nothing_where_the_site_has_no_rule_for_it(app: ASGIApp) -> None:
    assert sent(app, token(scope=None, roles=["system/Observation.rs"])).status == 403


def test_write_back_needs_its_own_scope(keys: Path) -> None:
    app = signing_in(keys, record_base_url=RECORD)
    with respx.mock(assert_all_called=False) as router:
        record = router.route(host="record.example").respond(500)

        reply = sent(app, token(), WRITE)

        assert reply.status == 403
        assert "system/Observation.c" in text_of(reply)
        assert record.call_count == 0


def test_with_its_scope_write_back_goes_to_the_record(keys: Path) -> None:
    app = signing_in(keys, record_base_url=RECORD, record_longest_wait_s=0)
    with respx.mock(assert_all_called=False) as router:
        record = router.route(host="record.example").respond(422)

        reply = sent(app, token(scope="system/Observation.crs"), WRITE)

        assert (reply.status, reply.headers["ebbmark-write-back"]) == (200, "failed")
        assert record.call_count >= 1


ASKS_FOR_P1 = to_bytes(
    {
        "resourceType": "Parameters",
        "parameter": [{"name": "patient-reference", "valueReference": {"reference": "Patient/p1"}}],
    }
)


@pytest.mark.parametrize("operation", ["assess-candidate", "plan-trial"])
def test_conditions_of_the_record_need_their_own_scope(keys: Path, operation: str) -> None:
    app = signing_in(keys, record_base_url=RECORD, record_longest_wait_s=0)
    headers = {**FHIR, "authorization": f"Bearer {token()}"}
    with respx.mock(assert_all_called=False) as router:
        record = router.route(host="record.example").respond(404)

        reply = ask(app, ASKS_FOR_P1, path=f"/fhir/${operation}", headers=headers)

        assert reply.status == 403
        assert "system/Condition.rs" in text_of(reply)
        assert record.call_count == 0


def test_with_their_scope_conditions_of_the_record_are_asked_for(keys: Path) -> None:
    app = signing_in(keys, record_base_url=RECORD, record_longest_wait_s=0)
    bearer = token(scope="system/Observation.rs system/Condition.rs")
    with respx.mock() as router:
        router.route(host="record.example").respond(404)

        reply = ask(app, ASKS_FOR_P1, path="/fhir/$plan-trial", headers={**FHIR, "authorization": f"Bearer {bearer}"})

        assert (reply.status, reply.errors[0]["code"]) == (422, "not-found")


@pytest.mark.parametrize("granted", [True, False])
@pytest.mark.parametrize("kind", ["MedicationAdministration", "Procedure"])
def test_vasopressors_and_procedures_of_the_record_are_left_out_for_a_caller_who_may_not_have_them(
    keys: Path, kind: str, granted: bool
) -> None:
    app = signing_in(keys, record_base_url=RECORD, record_longest_wait_s=0)
    held = SearchableRecord([patient(), height(), row(stamp(40), "settings", peep_set=10.0)])
    kinds = {"Observation", "Condition", "MedicationAdministration", "Procedure"} - (set() if granted else {kind})
    bearer = token(scope=" ".join(f"system/{kind}.rs" for kind in sorted(kinds)))
    as_of = {"name": "as-of", "valueInstant": stamp(60)}
    named = json.loads(ASKS_FOR_P1)["parameter"]
    body = to_bytes({"resourceType": "Parameters", "parameter": [*named, as_of]})
    with respx.mock(assert_all_called=False) as router:
        held.attach(router)

        reply = ask(app, body, path="/fhir/$assess-candidate", headers={**FHIR, "authorization": f"Bearer {bearer}"})

    assert reply.status == 200
    assert any(f"/{kind}" in one for one in held.asked) is granted
    assert (b"the caller may not have them read" in reply.body) is not granted


def test_the_callers_token_is_never_passed_on_to_the_record(keys: Path) -> None:
    app = signing_in(keys, record_base_url=RECORD, record_longest_wait_s=0)
    bearer = token(scope="system/Observation.crs")
    with respx.mock() as router:
        record = router.route(host="record.example").respond(422)

        sent(app, bearer, WRITE)

        assert all("authorization" not in call.request.headers for call in record.calls)


@pytest.mark.parametrize("path", OPEN)
def test_what_a_caller_must_know_before_signing_in_is_open(app: ASGIApp, path: str) -> None:
    assert ask(app, method="GET", path=path, headers={}).status == 200


CONFIGURATION = "/fhir/.well-known/smart-configuration"


def test_clients_read_where_tokens_are_given_and_the_capability_statement_agrees(keys: Path) -> None:
    """SMART App Launch 2.2, conformance: what a server that only checks tokens can truly say."""
    given = TrustedIssuer(issuer=ISSUER, jwks_file=keys, token_url=f"{ISSUER}/token")
    app = signing_in(keys, issuers=(given,))

    told = ask(app, method="GET", path=CONFIGURATION, headers={})
    statement = ask(app, method="GET", path="/fhir/metadata", headers={}).json

    assert (told.status, told.headers["content-type"]) == (200, "application/json")
    assert (told.json["token_endpoint"], told.json["authorization_servers"]) == (f"{ISSUER}/token", [ISSUER])
    assert told.json["grant_types_supported"] == ["client_credentials"]
    assert set(told.json["capabilities"]) == {"permission-user", "permission-v1", "permission-v2"}
    # Whatever is told must be true: each scope opens something here.
    assert {scope for scope in told.json["scopes_supported"] if allows([scope], EVALUATE)} == {
        "system/Observation.rs",
        "user/Observation.rs",
    }
    assert CapabilityStatement.model_validate(statement)
    security = statement["rest"][0]["security"]
    assert security["service"][0]["coding"][0]["code"] == "SMART-on-FHIR"
    assert all(told in security["description"] for told in (ISSUER, f"{ISSUER}/token", *told.json["scopes_supported"]))


def test_a_service_that_was_not_told_where_tokens_are_given_says_which_setting_does_so(app: ASGIApp) -> None:
    reply = ask(app, method="GET", path=CONFIGURATION, headers={})
    security = ask(app, method="GET", path="/fhir/metadata", headers={}).json["rest"][0]["security"]

    assert reply.status == 404
    assert "token_url" in text_of(reply)
    assert ISSUER in text_of(reply)
    assert security["service"][0]["coding"][0]["code"] == "OAuth"


def test_without_sign_in_there_is_no_smart_configuration() -> None:
    reply = ask(plain_app(), method="GET", path=CONFIGURATION)

    assert reply.status == 404
    assert "EBBMARK_ISSUERS" in text_of(reply)


def test_nothing_is_read_of_a_body_before_the_caller_is_known(app: ASGIApp) -> None:
    reply = ask(app, iter([b" " * 1000] * 10), headers=FHIR)

    assert (reply.status, reply.taken) == (401, 0)


@pytest.mark.parametrize("bearer", [None, "abc"])
def test_failed_tries_are_counted_for_the_address(keys: Path, bearer: str | None) -> None:
    app = signing_in(keys, requests_per_minute=1, request_burst=2)

    failed = [sent(app, bearer).status for _ in range(3)]

    assert failed == [401, 401, 429]
    assert sent(app, token()).status == 200


def test_each_client_has_its_own_share(keys: Path) -> None:
    app = signing_in(keys, requests_per_minute=1, request_burst=1)

    statuses = [sent(app, token(client_id=client)).status for client in ("a", "a", "b")]

    assert statuses == [200, 429, 200]


@pytest.mark.parametrize("audience", ["https://agreed.example", "urn:peep"])
def test_an_audience_that_was_agreed_on_is_the_only_one(keys: Path, audience: str) -> None:
    app = signing_in(keys, audience=audience)

    assert sent(app, token(aud=audience)).status == 200
    assert sent(app, token()).status == 401


def from_address() -> ASGIApp:
    issuer = TrustedIssuer(issuer=ISSUER, jwks_url=KEYS_URL)
    return create_app(Settings(issuers=(issuer,), base_url=BASE_URL))


def test_keys_are_fetched_from_the_issuers_address_once() -> None:
    app = from_address()
    with respx.mock() as router:
        route = router.get(KEYS_URL).respond(200, json={"keys": [TRUSTED.jwk]})

        statuses = [sent(app, token()).status for _ in range(3)]

    assert statuses == [200, 200, 200]
    assert route.call_count == 1


def test_an_unknown_key_makes_one_more_fetch_and_no_flood() -> None:
    app, rotated = from_address(), Issuer.new(kid="k2")
    with respx.mock() as router:
        route = router.get(KEYS_URL)
        route.side_effect = [
            httpx.Response(200, json={"keys": [TRUSTED.jwk]}),
            httpx.Response(200, json={"keys": [TRUSTED.jwk, rotated.jwk]}),
        ]

        statuses = [sent(app, token(issuer)).status for issuer in (TRUSTED, rotated)]
        flood = [sent(app, token(headers={"kid": f"made-up-{number}"})).status for number in range(10)]

    assert statuses == [200, 200]
    assert flood == [401] * 10
    assert route.call_count == 2


def test_an_issuer_that_cannot_be_reached_is_not_the_callers_fault() -> None:
    app = from_address()
    with respx.mock() as router:
        router.get(KEYS_URL).mock(side_effect=httpx.ConnectError)

        reply = sent(app, token())

    assert (reply.status, reply.errors[0]["code"]) == (503, "transient")
    assert int(reply.headers["retry-after"]) > 0
    assert "www-authenticate" not in reply.headers


def test_keys_are_not_fetched_for_a_token_of_nobody_known() -> None:
    app = from_address()
    with respx.mock(assert_all_called=False) as router:
        route = router.get(KEYS_URL).respond(200, json={"keys": []})

        assert sent(app, token(iss="https://stranger.example")).status == 401

    assert route.call_count == 0


@pytest.mark.parametrize("content", ["{}", '{"keys": []}', "x", '{"keys": [{"kty": "oct", "k": "AAAA", "kid": "k"}]}'])
def test_an_issuer_without_a_usable_key_stops_the_start(tmp_path: Path, content: str) -> None:
    file = tmp_path / "keys.json"
    file.write_text(content)

    with pytest.raises(ValueError, match="jwks_file of an issuer"):
        signing_in(file)


def test_an_issuers_address_that_is_not_encrypted_stops_the_start() -> None:
    with pytest.raises(ValueError, match="neither https"):
        create_app(Settings(issuers=(TrustedIssuer(issuer=ISSUER, jwks_url="http://issuer.example/keys"),)))


@pytest.mark.parametrize("algorithm", ["HS256", "none", "", "RSA1_5"])
def test_an_algorithm_that_is_not_asymmetric_cannot_be_configured(algorithm: str) -> None:
    with pytest.raises(ValueError, match="accepted_algorithms"):
        Settings.model_validate({"accepted_algorithms": [algorithm]})


@pytest.mark.parametrize("host", ["0.0.0.0", "::", "10.1.2.3", "peep.example"])  # noqa: S104 - that it does not listen
@pytest.mark.parametrize("authentication", [None, "none-on-loopback"])
def test_without_sign_in_it_listens_on_this_machine_only(host: str, authentication: str | None) -> None:
    with pytest.raises(ValueError, match="this machine only"):
        create_app(Settings.model_validate({"host": host, "authentication": authentication}))


def test_with_sign_in_it_may_listen_anywhere(keys: Path) -> None:
    app = signing_in(keys, host="0.0.0.0")  # noqa: S104 - what the test is about

    assert ask(app, TRIAL, headers={**FHIR, "authorization": f"Bearer {token()}"}, client="192.0.2.1").status == 200


def test_an_audience_that_no_token_could_name_stops_the_start(keys: Path) -> None:
    with pytest.raises(ValueError, match="EBBMARK_BASE_URL"):
        signing_in(keys, host="0.0.0.0", base_url=None)  # noqa: S104 - what the test is about
    assert sent(signing_in(keys, base_url=None), token(aud="http://127.0.0.1:8087/fhir")).status == 200


def test_switching_sign_in_off_counts_more_than_an_issuer(keys: Path) -> None:
    app = signing_in(keys, authentication="none-on-loopback")

    assert sent(app, None).status == 200
    with pytest.raises(ValueError, match="this machine only"):
        signing_in(keys, authentication="none-on-loopback", host="0.0.0.0")  # noqa: S104


def test_asking_for_sign_in_without_anybody_to_trust_stops_the_start() -> None:
    with pytest.raises(ValueError, match="EBBMARK_ISSUERS"):
        create_app(Settings(authentication="bearer"))
