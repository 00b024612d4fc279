"""Who may call: known clients with a token for this very address, once; or, with sign-in off, this machine."""

from __future__ import annotations

import json
import logging
from typing import Any

import pytest
from pydantic import ValidationError
from starlette.types import ASGIApp

from ebbmark.keys import read_public_keys
from ebbmark.record.sign_in import FixedKeys
from ebbmark.settings import Settings
from ebbmark.web.app import create_app
from ebbmark.web.shared_store import RateLimit, RequestRates
from ebbmark.web.token_check import TokenRules, TrustedParty
from issued_tokens import NOW_S, Issuer, forged
from web.asking import Reply, ask
from web.hooks.calling import CALL, JSON, called, hooks_app
from web.hooks.test_feedback import OVERRIDDEN

ROOT = "https://peep.example"
JKU = "https://ehr.example/jwks.json"
EHR = Issuer.new("ES384", name="https://ehr.example")
RULES = TokenRules(
    {
        EHR.name: TrustedParty(
            FixedKeys(read_public_keys(json.dumps({"keys": [EHR.jwk]}).encode()) or ()), frozenset({JKU})
        )
    },
    frozenset({"ES384", "RS384"}),
)
DOORS = [("GET", "/cds-services"), ("POST", CALL), ("POST", f"{CALL}/feedback")]


def door(**changes: Any) -> ASGIApp:  # noqa: ANN401
    return hooks_app(**{"at_s": NOW_S, "rules": RULES, "root": ROOT, "allowed": (), **changes})


def token(path: str, jti: str = "one", headers: dict[str, Any] | None = None, **changes: object) -> str:
    wanted = {
        "aud": f"{ROOT}{path}",
        "jti": jti,
        "sub": None,
        "client_id": None,
        "scope": None,
        "nbf": None,
        **changes,
    }
    return f"Bearer {EHR.token(headers, **wanted)}"


def knock(app: ASGIApp, method: str, path: str, authorization: str | None, **more: Any) -> Reply:  # noqa: ANN401
    body: object = {"feedback": [OVERRIDDEN]} if path.endswith("feedback") else called()
    headers = {**JSON, **({"authorization": authorization} if authorization else {}), **more.pop("headers", {})}
    content = b"" if method == "GET" else json.dumps(body).encode()
    return ask(app, content, method=method, path=path, headers=headers, **more)


@pytest.mark.parametrize(("method", "path"), DOORS)
def test_a_known_client_comes_in_everywhere(method: str, path: str) -> None:
    assert knock(door(), method, path, token(path), client="203.0.113.9").status == 200


@pytest.mark.parametrize(("method", "path"), DOORS)
def test_without_a_token_nobody_comes_in_anywhere(method: str, path: str) -> None:
    reply = knock(door(), method, path, None)

    assert reply.status == 401
    assert reply.headers["www-authenticate"] == 'Bearer realm="ebbmark"'
    assert "a JWT of a known CDS client" in reply.errors[0]["details"]["text"]


@pytest.mark.parametrize(("method", "path"), DOORS)
def test_a_token_for_another_door_is_none_for_this(method: str, path: str) -> None:
    for _, other in DOORS:
        if other != path:
            assert knock(door(), method, path, token(other)).status == 401


@pytest.mark.parametrize(("method", "path"), DOORS)
def test_a_token_is_used_once_whichever_door_it_was_for(method: str, path: str) -> None:
    app = door()

    assert knock(app, method, path, token(path)).status == 200
    again = knock(app, method, path, token(path))
    assert again.status == 401
    assert "used before" in again.errors[0]["details"]["text"]


def test_one_memory_of_used_tokens_serves_all_doors() -> None:
    app = door()

    assert knock(app, "GET", "/cds-services", token("/cds-services")).status == 200
    assert knock(app, "POST", CALL, token(CALL)).status == 401


@pytest.mark.parametrize(
    ("authorization", "words"),
    [
        (token(CALL, exp=NOW_S - 31), "expired"),
        (token(CALL, iat=NOW_S + 60), "not valid yet"),
        (token(CALL, exp=NOW_S + 4000), "longer than is accepted"),
        (token(CALL, iss="https://stranger.example"), "not trusted"),
        (token(CALL, aud=f"{ROOT}{CALL}/"), "another audience"),
        (token(CALL, aud=None), "another audience"),
        (token(CALL, jti=""), "lacks a claim"),
        (token(CALL, iat=None), "lacks a claim"),
        (token(CALL, headers={"jku": "https://evil.example/jwks.json"}), "points to a key set"),
        ("Bearer " + forged({"alg": "none", "kid": "k1"}, EHR.claims(aud=f"{ROOT}{CALL}")), "not signed at all"),
        ("Bearer nonsense", "not a JWT"),
        ("Basic dXNlcjp3b3Jk", "Sign in first"),
    ],
    ids=lambda value: str(value)[-24:],
)
def test_a_token_that_anything_is_wrong_with_is_refused(authorization: str, words: str) -> None:
    reply = knock(door(), "POST", CALL, authorization)

    assert reply.status == 401
    assert words in reply.errors[0]["details"]["text"]


def test_the_key_set_that_is_listed_may_be_named() -> None:
    assert knock(door(), "POST", CALL, token(CALL, headers={"jku": JKU})).status == 200


def test_a_list_of_audiences_may_hold_the_address() -> None:
    assert knock(door(), "POST", CALL, token(CALL, aud=[f"{ROOT}{CALL}", "https://other.example"])).status == 200


def test_two_tokens_at_once_are_none() -> None:
    headers = [*JSON.items(), ("authorization", token(CALL)), ("authorization", token(CALL, "two"))]

    reply = ask(door(), json.dumps(called()).encode(), path=CALL, headers=headers)

    assert reply.status == 401


@pytest.mark.parametrize(("method", "path"), DOORS)
def test_with_sign_in_off_only_this_machine_comes_in(method: str, path: str) -> None:
    app = door(rules=None, root="http://127.0.0.1:8087")

    assert knock(app, method, path, None).status == 200
    assert knock(app, method, path, None, client="203.0.113.9").status == 403
    assert knock(app, method, path, None, headers={"origin": "https://evil.example"}).status == 403
    assert knock(app, method, path, None, headers={"host": "evil.example"}).status == 403


@pytest.mark.parametrize(("method", "path"), DOORS)
def test_where_other_doors_ask_for_sign_in_this_one_is_shut_without_clients(method: str, path: str) -> None:
    reply = knock(door(rules=None, elsewhere_signed_in=True), method, path, None)

    assert reply.status == 403
    assert "EBBMARK_CDS_CLIENTS" in reply.errors[0]["details"]["text"]


def test_a_listed_origin_may_call_with_sign_in_off() -> None:
    app = door(rules=None, root="http://127.0.0.1:8087", origins=("https://ehr.example",))

    assert knock(app, "GET", "/cds-services", None, headers={"origin": "https://ehr.example"}).status == 200


def test_a_client_that_asks_too_often_waits() -> None:
    app = door(rates=RequestRates(RateLimit(60, 2)))

    replies = [knock(app, "POST", CALL, token(CALL, f"t{number}")) for number in range(3)]

    assert [reply.status for reply in replies] == [200, 200, 429]
    assert replies[2].headers["retry-after"] == "1"


def test_failed_tries_are_counted_too() -> None:
    app = door(rates=RequestRates(RateLimit(60, 2)))

    assert [knock(app, "POST", CALL, "Bearer x").status for _ in range(3)] == [401, 401, 429]


def test_every_evaluation_is_noted_without_the_patient(caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level(logging.INFO, logger="ebbmark.audit")

    knock(door(), "POST", CALL, token(CALL, tenant="ward-7"), client="203.0.113.9")

    (event,) = [json.loads(record.getMessage()) for record in caplog.records if record.name == "ebbmark.audit"]
    assert event["resourceType"] == "AuditEvent"
    assert event["agent"][0]["who"]["identifier"] == {"system": EHR.name, "value": "ward-7"}
    assert "p1" not in caplog.text


def test_a_call_that_fails_is_noted_as_such(caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level(logging.INFO, logger="ebbmark.audit")
    asked = json.dumps(called(prefetch=...)).encode()

    ask(hooks_app(), asked, path=CALL, headers=JSON)

    (event,) = [json.loads(record.getMessage()) for record in caplog.records if record.name == "ebbmark.audit"]
    assert event["outcome"] == "8"


def configured(tmp_path: Any, **more: Any) -> ASGIApp:  # noqa: ANN401
    keys = tmp_path / "keys.json"
    keys.write_text(json.dumps({"keys": [EHR.jwk]}))
    client: Any = {"issuer": EHR.name, "jwks_file": str(keys)}
    return create_app(Settings(cds_clients=(client,), base_url=ROOT, **more))


def test_the_settings_name_the_clients(tmp_path: Any) -> None:  # noqa: ANN401
    import time

    app = configured(tmp_path)
    now = int(time.time())

    good = token("/cds-services", iat=now, exp=now + 60)

    assert knock(app, "GET", "/cds-services", good).status == 200
    assert knock(app, "GET", "/cds-services", good).status == 401
    assert knock(app, "GET", "/cds-services", None).status == 401


def preflight(app: ASGIApp, origin: str, path: str = CALL) -> Reply:
    headers = {
        "origin": origin,
        "access-control-request-method": "POST",
        "access-control-request-headers": "authorization,content-type",
    }
    return ask(app, method="OPTIONS", path=path, headers=headers)


def test_a_page_of_a_listed_origin_may_ask_first(tmp_path: Any) -> None:  # noqa: ANN401
    app = configured(tmp_path, cds_origins=("https://ehr.example",))

    reply = preflight(app, "https://ehr.example")

    assert reply.status == 200
    assert reply.headers["access-control-allow-origin"] == "https://ehr.example"
    assert "POST" in reply.headers["access-control-allow-methods"]
    assert "access-control-allow-credentials" not in reply.headers


def test_a_page_of_another_origin_may_not(tmp_path: Any) -> None:  # noqa: ANN401
    app = configured(tmp_path, cds_origins=("https://ehr.example",))

    assert "access-control-allow-origin" not in preflight(app, "https://evil.example").headers


def test_no_other_door_is_opened_to_pages(tmp_path: Any) -> None:  # noqa: ANN401
    app = configured(tmp_path, cds_origins=("https://ehr.example",))

    reply = preflight(app, "https://ehr.example", "/fhir/$titrate-peep")
    assert "access-control-allow-origin" not in reply.headers
    metadata = ask(app, method="GET", path="/fhir/metadata", headers={"origin": "https://ehr.example"})
    assert "access-control-allow-origin" not in metadata.headers


def test_without_listed_origins_no_page_may(tmp_path: Any) -> None:  # noqa: ANN401
    reply = preflight(configured(tmp_path), "https://ehr.example")

    assert reply.status == 405
    assert "access-control-allow-origin" not in reply.headers


def test_a_refusal_tells_a_listed_page_what_is_wrong(tmp_path: Any) -> None:  # noqa: ANN401
    app = configured(tmp_path, cds_origins=("https://ehr.example",))

    reply = knock(app, "POST", CALL, None, headers={"origin": "https://ehr.example"})

    assert (reply.status, reply.headers["access-control-allow-origin"]) == (401, "https://ehr.example")


@pytest.mark.parametrize("origin", ["*", "https://*.example", "https://ehr.example/path", "ehr.example", "null"])
def test_an_origin_that_is_none_stops_the_start(origin: str) -> None:
    with pytest.raises(ValidationError):
        Settings(cds_origins=(origin,))


@pytest.mark.parametrize("address", ["about", "javascript:alert(1)", "https://", "https://peep.example/a b"])
def test_a_documentation_address_that_is_none_stops_the_start(address: str) -> None:
    with pytest.raises(ValidationError):
        Settings(documentation_url=address)
