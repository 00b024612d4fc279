"""A small real authorization server beside a small record, on one real socket: strict about who signs in.

Authlib runs the token endpoint (grants, scopes, error replies); PyJWT checks the assertion. Neither is ours, and
neither shares code with what makes the assertion.
"""

from __future__ import annotations

import json
import threading
import time
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from enum import Enum, auto
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any
from urllib.parse import parse_qsl

import jwt
from authlib.oauth2.rfc6749 import AuthorizationServer, ClientCredentialsGrant, InvalidClientError, OAuth2Request
from authlib.oauth2.rfc6749.requests import BasicOAuth2Payload

from issued_tokens import Issuer

ASSERTION_TYPE = "urn:ietf:params:oauth:client-assertion-type:jwt-bearer"
CLIENT_ID = "ebbmark-at-site"
SCOPES = {"system/Patient.rs", "system/Observation.crs"}
LONGEST_ASSERTION_S = 300
EMPTY = {"resourceType": "Bundle", "type": "searchset", "total": 0}


class Turn(Enum):
    """How the token endpoint behaves for one request."""

    STRICT = auto()
    UNAVAILABLE = auto()
    NOT_JSON = auto()
    NOT_BEARER = auto()
    NO_LIFE_STATED = auto()
    TOKEN_NO_HEADER_HOLDS = auto()
    REDIRECT = auto()
    CUT = auto()
    WAITS = auto()


@dataclass(slots=True)
class Site:
    """What the server knows and saw."""

    issuer: Issuer
    client_keys: dict[str, Any] | str
    token_life_s: int = 300
    address: str = ""
    configuration: dict[str, Any] = field(default_factory=dict)
    turns: list[Turn] = field(default_factory=list)
    assertions: list[str] = field(default_factory=list)
    token_requests: list[dict[str, str]] = field(default_factory=list)
    refusals: list[str] = field(default_factory=list)
    issued: list[str] = field(default_factory=list)
    revoked: set[str] = field(default_factory=set)
    record_requests: list[dict[str, str]] = field(default_factory=list)
    keys_served: int = 0
    go_on: threading.Event = field(default_factory=threading.Event)
    lock: threading.Lock = field(default_factory=threading.Lock)

    @property
    def base_url(self) -> str:
        return f"{self.address}/fhir"

    @property
    def token_url(self) -> str:
        return f"{self.address}/token"

    @property
    def jwks_url(self) -> str:
        return f"{self.address}/jwks.json"


class _Client:
    """The one client that is registered."""

    def get_client_id(self) -> str:
        return CLIENT_ID

    def check_endpoint_auth_method(self, method: str, endpoint: str) -> bool:
        return method == "private_key_jwt"

    def check_grant_type(self, grant_type: str) -> bool:
        return grant_type == "client_credentials"

    def get_allowed_scope(self, scope: str) -> str:
        return scope


class _Grant(ClientCredentialsGrant):  # type: ignore[misc]
    TOKEN_ENDPOINT_AUTH_METHODS = ("private_key_jwt",)


class _Server(AuthorizationServer):  # type: ignore[misc]
    def __init__(self, site: Site) -> None:
        super().__init__(scopes_supported=sorted(SCOPES))
        self.site = site
        self.register_grant(_Grant)
        self.register_client_auth_method("private_key_jwt", self._authenticated)
        self.register_token_generator("default", self._token)

    def query_client(self, client_id: str) -> _Client | None:
        return _Client() if client_id == CLIENT_ID else None

    def save_token(self, token: dict[str, Any], request: OAuth2Request) -> None:
        self.site.issued.append(token["access_token"])

    def send_signal(self, name: str, *args: object, **kwargs: object) -> None:
        return

    def create_oauth2_request(self, request: dict[str, str]) -> OAuth2Request:
        # The library insists on https in the address; on one machine there is none.
        made = OAuth2Request("POST", "https://local.example/token")
        made.payload = BasicOAuth2Payload(request)
        return made

    def handle_response(self, status: int, body: object, headers: object) -> tuple[int, object]:
        return status, body

    def _authenticated(self, query_client: object, request: OAuth2Request) -> _Client:
        form = request.payload.data
        if form.get("client_assertion_type") != ASSERTION_TYPE:
            raise InvalidClientError(description="assertion type")
        try:
            self._check(form.get("client_assertion", ""))
        except (jwt.PyJWTError, KeyError, ValueError, AssertionError) as error:
            self.site.refusals.append(f"{type(error).__name__}: {error}")
            raise InvalidClientError(description="assertion") from None
        return _Client()

    def _check(self, assertion: str) -> None:
        header = jwt.get_unverified_header(assertion)
        known = self.site.client_keys
        if isinstance(known, str):
            with urllib.request.urlopen(known, timeout=10) as reply:  # noqa: S310 - our own service's key set
                known = json.loads(reply.read())
        assert isinstance(known, dict)
        (jwk,) = [one for one in known["keys"] if one["kid"] == header["kid"]]
        assert not {"d", "p", "q", "dp", "dq", "qi", "k"} & set(jwk), "a private part is published"
        claims = jwt.decode(
            assertion,
            jwt.PyJWK(jwk).key,
            algorithms=["ES384", "RS384"],
            audience=self.site.token_url,
            issuer=CLIENT_ID,
            options={"require": ["iss", "sub", "aud", "exp", "jti"]},
        )
        assert header["typ"] == "JWT", "typ"
        assert claims["sub"] == CLIENT_ID, "sub"
        assert claims["exp"] <= time.time() + LONGEST_ASSERTION_S, "exp is too far ahead"
        with self.site.lock:
            assert claims["jti"] not in self.site.assertions, "jti was used before"
            self.site.assertions.append(claims["jti"])

    def _token(self, *, scope: str, **_: object) -> dict[str, Any]:
        life_s = self.site.token_life_s
        now_s = int(time.time())
        claims = self.site.issuer.claims(
            aud=self.site.base_url,
            scope=scope,
            sub=CLIENT_ID,
            client_id=CLIENT_ID,
            iat=now_s,
            nbf=now_s,
            exp=now_s + life_s,
            jti=f"t{len(self.site.issued)}",
        )
        return {
            "access_token": self.site.issuer.sign(claims),
            "token_type": "bearer",
            "expires_in": life_s,
            "scope": scope,
        }


@contextmanager
def authorization_server(client_keys: dict[str, Any] | str, *turns: Turn, token_life_s: int = 300) -> Iterator[Site]:
    """Serve on a free port of this machine until the block ends; one turn per token request, then strict."""
    site = Site(Issuer.new(), client_keys, token_life_s=token_life_s, turns=list(turns))

    class Door(_Door):
        state = site
        authority = _Server(site)

    server = _Socket(("127.0.0.1", 0), Door)
    site.address = f"http://127.0.0.1:{server.server_address[1]}"
    site.configuration = {
        "token_endpoint": site.token_url,
        "token_endpoint_auth_methods_supported": ["private_key_jwt"],
        "token_endpoint_auth_signing_alg_values_supported": ["RS384", "ES384"],
        "grant_types_supported": ["client_credentials"],
        "capabilities": ["client-confidential-asymmetric"],
    }
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.01})
    thread.start()
    try:
        yield site
    finally:
        site.go_on.set()
        server.shutdown()
        thread.join()
        server.server_close()


def _all_new(transaction: dict[str, Any]) -> dict[str, Any]:
    entries = [
        {"response": {"status": "201 Created", "location": f"{entry['resource']['resourceType']}/{number}/_history/1"}}
        for number, entry in enumerate(transaction["entry"])
    ]
    return {"resourceType": "Bundle", "type": "transaction-response", "entry": entries}


class _Socket(ThreadingHTTPServer):
    request_queue_size = 64


class _Door(BaseHTTPRequestHandler):
    state: Site
    authority: _Server
    protocol_version = "HTTP/1.1"

    def log_message(self, format: str, *args: object) -> None:
        return

    def do_GET(self) -> None:
        if self.path == "/fhir/.well-known/smart-configuration":
            self._answer(200, self.state.configuration)
        elif self.path == "/jwks.json":
            self.state.keys_served += 1
            self._answer(200, {"keys": [self.state.issuer.jwk]})
        else:
            self._record()

    def do_POST(self) -> None:
        body = self.rfile.read(int(self.headers.get("Content-Length", 0)))
        if self.path != "/token":
            self._record(body)
            return
        form = dict(parse_qsl(body.decode()))
        with self.state.lock:
            self.state.token_requests.append(form)
            turn = self.state.turns.pop(0) if self.state.turns else Turn.STRICT
        self._token_turn(turn, form)

    def _token_turn(self, turn: Turn, form: dict[str, str]) -> None:
        match turn:
            case Turn.UNAVAILABLE:
                self._answer(503, {"error": "temporarily_unavailable"})
                return
            case Turn.NOT_JSON:
                self._answer(200, None)
                return
            case Turn.REDIRECT:
                self._answer(307, {}, location="https://elsewhere.example/token")
                return
            case Turn.CUT:
                self.close_connection = True
                return
            case Turn.WAITS:
                self.state.go_on.wait(20)
        status, body = self.authority.create_token_response(form)
        changes: dict[Turn, dict[str, Any]] = {
            Turn.NOT_BEARER: {"token_type": "mac"},
            Turn.TOKEN_NO_HEADER_HOLDS: {"access_token": "two words"},
        }
        reply = {**body, **changes.get(turn, {})}
        if turn is Turn.NO_LIFE_STATED:
            del reply["expires_in"]
        self._answer(status, reply)

    def _record(self, body: bytes = b"") -> None:
        token = self.headers.get("Authorization", "").removeprefix("Bearer ")
        self.state.record_requests.append({"path": self.path, "token": token})
        if token in self.state.issued and token not in self.state.revoked:
            # This record keeps no Lists: what signs in is tested here, and not what stays current.
            if self.path.startswith("/fhir/List"):
                self._answer(404, {"resourceType": "OperationOutcome", "issue": []})
            elif body and {one["resource"]["resourceType"] for one in json.loads(body)["entry"]} == {"List"}:
                self._answer(422, {"resourceType": "OperationOutcome", "issue": []})
            else:
                self._answer(200, _all_new(json.loads(body)) if body else EMPTY)
        else:
            self._answer(401, {"resourceType": "OperationOutcome", "issue": []})

    def _answer(self, status: int, body: object, *, location: str | None = None) -> None:
        content = b"<html>" if body is None else json.dumps(body).encode()
        self.send_response(status)
        self.send_header("Content-Type", "application/json")
        self.send_header("Content-Length", str(len(content)))
        if location is not None:
            self.send_header("Location", location)
        self.end_headers()
        self.wfile.write(content)
