"""Tokens that cannot be checked here are shown to their issuer (RFC 7662), over real sockets."""

from __future__ import annotations

import base64
import json
import logging
import threading
from collections.abc import Iterator
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs, unquote_plus

import anyio
import pytest

from ebbmark.record.client import Exchange
from ebbmark.record.connection import Patience
from ebbmark.settings import Misconfigured, Settings
from ebbmark.web.app import create_app
from ebbmark.web.authentication import Caller, checked_caller
from ebbmark.web.token_check import Introspection, TokenRefusal, TokenRules
from fhir_builders import to_bytes, trial_bundle
from issued_tokens import ISSUER, NOW_S, Issuer
from web.asking import FHIR, Reply, ask

AUDIENCE = "https://peep.example/fhir"
CREDENTIALS = ("peep:service", "se+cret %")
GOOD = {"active": True, "scope": "system/Observation.rs", "client_id": "icu-dashboard", "exp": NOW_S + 30}


@dataclass(slots=True)
class Endpoint:
    """What it answers to each token, and what it was asked."""

    url: str = ""
    facts: dict[str, Any] = field(default_factory=dict)
    status: int = 200
    asked: list[str] = field(default_factory=list)


class _Door(BaseHTTPRequestHandler):
    state: Endpoint

    def do_POST(self) -> None:
        form = parse_qs(self.rfile.read(int(self.headers["Content-Length"])).decode())
        (token,) = form["token"]
        self.state.asked.append(token)
        scheme, _, pair = self.headers["Authorization"].partition(" ")
        who = tuple(unquote_plus(part) for part in base64.b64decode(pair).decode().split(":"))
        body = json.dumps(self.state.facts.get(token, {"active": False})).encode()
        self.send_response(self.state.status if (scheme, who) == ("Basic", CREDENTIALS) else 401)
        self.send_header("Content-Type", "application/json")
        self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        self.wfile.write(body)

    def log_message(self, *_: object) -> None:
        return


@pytest.fixture(scope="module")
def server() -> Iterator[Endpoint]:
    endpoint = Endpoint()

    class Door(_Door):
        state = endpoint

    http = ThreadingHTTPServer(("127.0.0.1", 0), Door)
    endpoint.url = f"http://127.0.0.1:{http.server_port}/introspect"
    thread = threading.Thread(target=http.serve_forever, kwargs={"poll_interval": 0.01})
    thread.start()
    yield endpoint
    http.shutdown()
    thread.join()
    http.server_close()


@pytest.fixture
def endpoint(server: Endpoint) -> Endpoint:
    server.facts, server.status, server.asked = {"opaque": GOOD}, 200, []
    return server


def asked(
    endpoint: Endpoint, *moments_s: float, bearer: str = "opaque", report: list[str] | None = None
) -> list[Caller | TokenRefusal | None]:
    """What becomes of a token at each of these moments."""

    async def in_turn() -> list[Caller | TokenRefusal | None]:
        exchange = Exchange(Patience())
        told = report if report is not None else []
        one = Introspection(
            ISSUER,
            endpoint.url,
            credentials=CREDENTIALS,
            roles={"icu": ("system/Condition.rs",)},
            exchange=exchange,
            report=told.append,
        )
        found = [
            await checked_caller(
                f"Bearer {bearer}",
                rules=TokenRules({}, frozenset({"ES384"}), leeway_s=0),
                audience=AUDIENCE,
                at_s=at_s,
                introspection=one,
            )
            for at_s in moments_s
        ]
        await exchange.aclose()
        return found

    return anyio.run(in_turn)


def test_an_active_token_lets_in_with_its_scopes_and_what_the_site_says_of_its_roles(endpoint: Endpoint) -> None:
    endpoint.facts["opaque"] = {**GOOD, "roles": ["icu"], "iss": ISSUER, "aud": ["other", AUDIENCE]}

    assert asked(endpoint, NOW_S) == [
        Caller(ISSUER, "icu-dashboard", frozenset({"system/Observation.rs", "system/Condition.rs"}))
    ]


@pytest.mark.parametrize("claim", ["scope", "scp"])
def test_an_answer_may_list_its_scopes_as_an_array(endpoint: Endpoint, claim: str) -> None:
    scopes = ["system/Observation.rs", "system/Condition.rs"]
    endpoint.facts["opaque"] = {**GOOD, "scope": None, claim: scopes}

    assert asked(endpoint, NOW_S) == [Caller(ISSUER, "icu-dashboard", frozenset(scopes))]


@pytest.mark.parametrize("scope", [["system/Observation.rs", 1], [None], {"system/Observation.rs": True}, 7])
def test_an_answer_whose_scope_is_neither_text_nor_an_array_of_texts_lets_nobody_in(
    endpoint: Endpoint, scope: object
) -> None:
    endpoint.facts["opaque"] = {**GOOD, "scope": scope}

    assert asked(endpoint, NOW_S) == [TokenRefusal.CLAIMS]


def test_a_token_that_looks_like_a_jwt_is_shown_to_an_issuer_without_keys_too(endpoint: Endpoint) -> None:
    token = Issuer.new().token()
    endpoint.facts[token] = GOOD

    (found,) = asked(endpoint, NOW_S, bearer=token)

    assert isinstance(found, Caller)


def test_an_answer_is_kept_until_the_token_expires_and_no_longer(endpoint: Endpoint) -> None:
    found = asked(endpoint, NOW_S, NOW_S + 10, NOW_S + 29, NOW_S + 30)

    assert [isinstance(one, Caller) for one in found] == [True, True, True, False]
    assert found[-1] is TokenRefusal.EXPIRED
    assert endpoint.asked == ["opaque", "opaque"]


def test_a_revoked_token_is_noticed_within_a_minute(endpoint: Endpoint) -> None:
    endpoint.facts["opaque"] = {**GOOD, "exp": NOW_S + 3600}

    asked(endpoint, NOW_S, NOW_S + 59, NOW_S + 60)

    assert len(endpoint.asked) == 2


@pytest.mark.parametrize(
    ("facts", "refusal"),
    [
        ({"active": False}, TokenRefusal.INACTIVE),
        ({**GOOD, "active": False}, TokenRefusal.INACTIVE),
        ({**GOOD, "aud": "https://other.example"}, TokenRefusal.AUDIENCE),
        ({**GOOD, "iss": "https://stranger.example"}, TokenRefusal.ISSUER),
        ({**GOOD, "exp": NOW_S - 1}, TokenRefusal.EXPIRED),
        ({**GOOD, "nbf": NOW_S + 60}, TokenRefusal.NOT_YET),
        ({**GOOD, "exp": NOW_S + 400_000}, TokenRefusal.TOO_LONG_LIVED),
        ({**GOOD, "cnf": {"jkt": "x"}}, TokenRefusal.BOUND),
        ({**GOOD, "exp": "soon"}, TokenRefusal.CLAIMS),
        ({**GOOD, "client_id": None}, TokenRefusal.CLAIMS),
        ({**GOOD, "active": "true"}, TokenRefusal.INTROSPECTION_UNAVAILABLE),
        ([], TokenRefusal.INTROSPECTION_UNAVAILABLE),
    ],
)
def test_whatever_else_the_issuer_says_lets_nobody_in(endpoint: Endpoint, facts: object, refusal: TokenRefusal) -> None:
    endpoint.facts["opaque"] = facts

    assert asked(endpoint, NOW_S) == [refusal]


@pytest.mark.parametrize("status", [401, 404, 500, 302])
def test_an_endpoint_that_does_not_answer_is_reported_once_and_nothing_is_kept(endpoint: Endpoint, status: int) -> None:
    endpoint.status, told = status, list[str]()

    found = asked(endpoint, NOW_S, NOW_S + 1, report=told)

    assert found == [TokenRefusal.INTROSPECTION_UNAVAILABLE] * 2
    assert told == [
        f"The introspection endpoint of {ISSUER} answered HTTP {status}; callers with its tokens are told to wait."
    ]


def settings(endpoint: Endpoint, folder: Path, **changes: object) -> Settings:
    (folder / "secret").write_text(f"{CREDENTIALS[1]}\n")
    issuer = {
        "issuer": ISSUER,
        "introspection_url": endpoint.url,
        "introspection_client_id": CREDENTIALS[0],
        "introspection_secret_file": folder / "secret",
        **changes,
    }
    return Settings.model_validate({"issuers": (issuer,), "base_url": "https://peep.example"})


def test_the_door_asks_and_says_401_403_and_503_without_a_word_of_the_token(
    endpoint: Endpoint, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    app, trial = create_app(settings(endpoint, tmp_path)), to_bytes(trial_bundle())
    endpoint.facts = {"opaque": {"active": True, "scope": "system/Observation.rs", "client_id": "c"}}
    endpoint.facts["nothing-granted"] = {**endpoint.facts["opaque"], "scope": ""}

    def sent(token: str) -> Reply:
        return ask(app, trial, headers={**FHIR, "authorization": f"Bearer {token}"})

    with caplog.at_level(logging.DEBUG):
        replies = {token: sent(token) for token in ("opaque", "nothing-granted", "another-token")}
        endpoint.status = 503
        replies["unasked-token"] = sent("unasked-token")

    assert [reply.status for reply in replies.values()] == [200, 403, 401, 503]
    assert 'error="invalid_token"' in replies["another-token"].headers["www-authenticate"]
    assert replies["unasked-token"].headers["retry-after"]
    told = caplog.text + "".join(reply.body.decode() + str(reply.headers) for reply in replies.values())
    assert not [one for one in ("another-token", "unasked-token", "nothing-granted", CREDENTIALS[1]) if one in told]


def test_settings_that_would_ask_nobody_or_two_are_refused(endpoint: Endpoint, tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="go together"):
        settings(endpoint, tmp_path, introspection_client_id=None)
    with pytest.raises(ValueError, match="introspection_url of an issuer"):
        create_app(settings(endpoint, tmp_path, introspection_url="http://issuer.example/introspect"))
    one = settings(endpoint, tmp_path)
    twice = one.model_copy(update={"issuers": one.issuers * 2})
    with pytest.raises(Misconfigured, match="more than one issuer"):
        create_app(twice)
