"""A small real authorization server in front of a record: where a clinician agrees, and where tokens come from.

Authlib runs the grants (code with PKCE, refresh, revocation), PyJWT signs and checks. Neither shares code with ours.
The record behind it is any FHIR server; without one, a Patient that says which token it was read with.
"""

from __future__ import annotations

import json
import secrets
import ssl
import threading
import time
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from html import escape
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any
from urllib.parse import parse_qsl, urlsplit

import httpx
import jwt
from authlib.oauth2 import OAuth2Error
from authlib.oauth2.rfc6749 import AuthorizationServer, InvalidClientError, InvalidRequestError, OAuth2Request
from authlib.oauth2.rfc6749.grants import AuthorizationCodeGrant, RefreshTokenGrant
from authlib.oauth2.rfc6749.requests import BasicOAuth2Payload
from authlib.oauth2.rfc7009 import RevocationEndpoint
from authlib.oauth2.rfc7636 import CodeChallenge

from issued_tokens import Issuer

CLIENT_ID = "ebbmark-page"
USER = "Practitioner/rowan"
ASSERTION_TYPE = "urn:ietf:params:oauth:client-assertion-type:jwt-bearer"
_TLS = ssl.create_default_context()
"""Made once: it costs more than a whole exchange."""

HOP = {"connection", "transfer-encoding", "content-length", "keep-alive", "date", "server"}


@dataclass(frozen=True, slots=True)
class Chart:
    """What is open in the record: whose chart, which stay."""

    patient: str | None = "p1"
    encounter: str | None = "e1"


@dataclass(slots=True)
class Agreed:
    """What somebody agreed to, under a code or a refresh token."""

    form: dict[str, str]
    scope: str
    chart: Chart
    used: bool = False

    # The names that Authlib asks for.
    @property
    def code_challenge(self) -> str | None:
        return self.form.get("code_challenge")

    @property
    def code_challenge_method(self) -> str | None:
        return self.form.get("code_challenge_method")

    def get_redirect_uri(self) -> str:
        return self.form["redirect_uri"]

    def get_scope(self) -> str:
        return self.scope

    def check_client(self, client: object) -> bool:
        return True


@dataclass(slots=True)
class LaunchSite:
    """What the server knows, how it misbehaves, and what it saw."""

    issuer: Issuer
    redirect_uri: str
    secret: str | None = None
    client_keys: str | None = None
    record: str | None = None
    address: str = ""
    configuration: dict[str, Any] = field(default_factory=dict)
    charts: dict[str, Chart] = field(default_factory=dict)
    at_standalone: Chart = Chart("p1", None)
    granted: str | None = None
    token_life_s: float = 300
    reply_changes: dict[str, Any] = field(default_factory=dict)
    claim_changes: dict[str, Any] = field(default_factory=dict)
    signer: Issuer | None = None
    id_token: str | None = None
    refuse_tokens: bool = False
    down: bool = False
    slow_refresh_s: float = 0.0
    codes: dict[str, Agreed] = field(default_factory=dict)
    refresh_tokens: dict[str, Agreed] = field(default_factory=dict)
    live_tokens: dict[str, Chart] = field(default_factory=dict)
    issued: list[str] = field(default_factory=list)
    revoked: list[tuple[str, str]] = field(default_factory=list)
    token_requests: list[dict[str, str]] = field(default_factory=list)
    authorize_requests: list[dict[str, str]] = field(default_factory=list)
    refusals: list[str] = field(default_factory=list)
    paths: list[str] = field(default_factory=list)
    record_reads: list[tuple[str, str]] = field(default_factory=list)
    lock: threading.Lock = field(default_factory=threading.Lock)

    @property
    def base_url(self) -> str:
        return f"{self.address}/fhir"

    def opened(self, chart: Chart) -> str:
        """A handle for a chart that somebody opens, as it comes with an EHR launch."""
        handle = secrets.token_urlsafe(8)
        self.charts[handle] = chart
        return handle

    def refreshes(self) -> int:
        return sum(request["grant_type"] == "refresh_token" for request in self.token_requests)


@dataclass(frozen=True, slots=True)
class _Client:
    """The one client that is registered."""

    site: LaunchSite

    def get_client_id(self) -> str:
        return CLIENT_ID

    def check_redirect_uri(self, uri: str) -> bool:
        return uri == self.site.redirect_uri

    def check_response_type(self, kind: str) -> bool:
        return kind == "code"

    def check_grant_type(self, kind: str) -> bool:
        return kind in ("authorization_code", "refresh_token")

    def check_client_secret(self, secret: str) -> bool:
        return secret == self.site.secret

    def check_endpoint_auth_method(self, method: str, endpoint: str) -> bool:
        return method == self.method

    def get_allowed_scope(self, scope: str) -> str:
        return scope

    @property
    def method(self) -> str:
        if self.site.client_keys is not None:
            return "private_key_jwt"
        return "none" if self.site.secret is None else "client_secret_basic"


class _Request(OAuth2Request):  # type: ignore[misc]
    def __init__(self, form: dict[str, str], headers: dict[str, str]) -> None:
        # The library insists on https in the address; on one machine there is none.
        super().__init__("POST", "https://local.example/", headers=headers)
        self.payload = BasicOAuth2Payload(form)

    @property
    def form(self) -> dict[str, str]:
        form: dict[str, str] = self.payload.data
        return form


METHODS = ("client_secret_basic", "private_key_jwt", "none")


class _CodeGrant(AuthorizationCodeGrant):  # type: ignore[misc]
    TOKEN_ENDPOINT_AUTH_METHODS = METHODS

    def save_authorization_code(self, code: str, request: OAuth2Request) -> None:
        site, form = self.server.site, request.payload.data
        scope = site.granted if site.granted is not None else form["scope"]
        chart = site.charts[form["launch"]] if "launch" in form else site.at_standalone
        site.codes[code] = Agreed(form, scope, chart)

    def query_authorization_code(self, code: str, client: _Client) -> Agreed | None:
        agreed: Agreed | None = self.server.site.codes.get(code)
        return None if agreed is None or agreed.used else agreed

    def delete_authorization_code(self, agreed: Agreed) -> None:
        agreed.used = True

    def authenticate_user(self, agreed: Agreed) -> Agreed:
        return agreed


class _RefreshGrant(RefreshTokenGrant):  # type: ignore[misc]
    TOKEN_ENDPOINT_AUTH_METHODS = METHODS
    INCLUDE_NEW_REFRESH_TOKEN = True

    def authenticate_refresh_token(self, token: str) -> Agreed | None:
        site: LaunchSite = self.server.site
        time.sleep(site.slow_refresh_s)
        with site.lock:
            agreed = site.refresh_tokens.pop(token, None)
        if agreed is not None:
            # Authlib forgets the token, which carries what was agreed, before it makes the next one.
            self.request.agreed = agreed
        return agreed

    def authenticate_user(self, agreed: Agreed) -> Agreed:
        return agreed

    def revoke_old_credential(self, agreed: Agreed) -> None:
        return


class _S256(CodeChallenge):  # type: ignore[misc]
    SUPPORTED_CODE_CHALLENGE_METHOD = ("S256",)

    def validate_code_challenge(self, grant: _CodeGrant, redirect_uri: str) -> None:
        form = grant.request.payload.data
        if form.get("code_challenge_method") != "S256":
            raise InvalidRequestError("S256 is needed")
        super().validate_code_challenge(grant, redirect_uri)


class _Revocation(RevocationEndpoint):  # type: ignore[misc]
    CLIENT_AUTH_METHODS = METHODS

    def query_token(self, token: str, hint: str | None) -> Agreed | None:
        site: LaunchSite = self.server.site
        site.revoked.append((hint or "", token))
        site.refresh_tokens.pop(token, None)
        site.live_tokens.pop(token, None)
        return None

    def revoke_token(self, token: Agreed, request: OAuth2Request) -> None:
        return


class _Server(AuthorizationServer):  # type: ignore[misc]
    def __init__(self, site: LaunchSite) -> None:
        super().__init__()
        self.site = site
        self.register_grant(_CodeGrant, [_S256(required=True)])
        self.register_grant(_RefreshGrant)
        self.register_endpoint(_Revocation)
        self.register_client_auth_method("private_key_jwt", self._by_assertion)
        self.register_token_generator("default", self._token)

    def query_client(self, client_id: str) -> _Client | None:
        return _Client(self.site) if client_id == CLIENT_ID else None

    def save_token(self, token: dict[str, Any], request: OAuth2Request) -> None:
        return

    def send_signal(self, name: str, *args: object, **kwargs: object) -> None:
        return

    def create_oauth2_request(self, request: OAuth2Request) -> OAuth2Request:
        return request

    def handle_response(
        self, status: int, body: object, headers: list[tuple[str, str]]
    ) -> tuple[int, object, dict[str, str]]:
        return status, body, dict(headers)

    def _by_assertion(self, query_client: object, request: _Request) -> _Client | None:
        if request.form.get("client_assertion_type") != ASSERTION_TYPE or self.site.client_keys is None:
            return None
        with urllib.request.urlopen(self.site.client_keys, timeout=10) as reply:  # noqa: S310
            known = json.loads(reply.read())
        assertion = request.form["client_assertion"]
        (jwk,) = [one for one in known["keys"] if one["kid"] == jwt.get_unverified_header(assertion)["kid"]]
        try:
            jwt.decode(
                assertion,
                jwt.PyJWK(jwk).key,
                algorithms=["ES384", "RS384"],
                audience=f"{self.site.address}/token",
                issuer=CLIENT_ID,
                options={"require": ["iss", "sub", "aud", "exp", "jti"]},
            )
        except jwt.PyJWTError as error:
            self.site.refusals.append(str(error))
            raise InvalidClientError from None
        return _Client(self.site)

    def _token(self, *, grant_type: str, user: Agreed, scope: str, **_: object) -> dict[str, Any]:
        site = self.site
        access = secrets.token_urlsafe(24)
        site.issued.append(access)
        site.live_tokens[access] = user.chart
        token: dict[str, Any] = {
            "access_token": access,
            "token_type": "Bearer",
            "expires_in": site.token_life_s,
            "scope": scope,
            "patient": user.chart.patient,
            "encounter": user.chart.encounter,
            "need_patient_banner": True,
        }
        if "online_access" in scope.split():
            token["refresh_token"] = secrets.token_urlsafe(24)
            site.refresh_tokens[token["refresh_token"]] = Agreed(user.form, scope, user.chart)
        if grant_type == "authorization_code" and "openid" in scope.split():
            token["id_token"] = self._id_token(user)
        token = {**token, **site.reply_changes}
        return {name: value for name, value in token.items() if value is not None}

    def _id_token(self, user: Agreed) -> str:
        site, now_s = self.site, int(time.time())
        if site.id_token is not None:
            return site.id_token
        claims = {
            "iss": site.address,
            "aud": CLIENT_ID,
            "sub": "rowan",
            "fhirUser": USER,
            "nonce": user.form.get("nonce"),
            "iat": now_s,
            "exp": now_s + 300,
            **site.claim_changes,
        }
        signer = site.signer or site.issuer
        return signer.sign({name: value for name, value in claims.items() if value is not None})


@contextmanager
def launch_server(
    redirect_uri: str, *, secret: str | None = None, client_keys: str | None = None, record: str | None = None
) -> Iterator[LaunchSite]:
    """Serve on a free port of this machine until the block ends.

    Args:
        redirect_uri: the one that is registered.
        secret: of the client; None for a public client, or one that signs.
        client_keys: address of the client's key set, where it signs.
        record: FHIR base URL of the record behind; None for an invented Patient.
    """
    site = LaunchSite(Issuer.new("RS256"), redirect_uri, secret, client_keys, record)

    class Door(_Door):
        state = site
        authority = _Server(site)

    server = _Socket(("127.0.0.1", 0), Door)
    site.address = f"http://127.0.0.1:{server.server_address[1]}"
    site.configuration = {
        "issuer": site.address,
        "jwks_uri": f"{site.address}/jwks.json",
        "authorization_endpoint": f"{site.address}/authorize",
        "token_endpoint": f"{site.address}/token",
        "revocation_endpoint": f"{site.address}/revoke",
        "grant_types_supported": ["authorization_code"],
        "code_challenge_methods_supported": ["S256"],
        "capabilities": ["launch-ehr", "launch-standalone", "sso-openid-connect", "permission-v2"],
    }
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.01})
    thread.start()
    try:
        yield site
    finally:
        server.shutdown()
        thread.join()
        server.server_close()


class _Socket(ThreadingHTTPServer):
    request_queue_size = 64


class _Door(BaseHTTPRequestHandler):
    state: LaunchSite
    authority: _Server
    protocol_version = "HTTP/1.1"

    def log_message(self, format: str, *args: object) -> None:
        return

    def do_GET(self) -> None:
        site, path = self.state, urlsplit(self.path).path
        site.paths.append(path)
        if site.down:
            self._json(503, {})
        elif path == "/fhir/.well-known/smart-configuration":
            self._json(200, site.configuration)
        elif path == "/.well-known/openid-configuration":
            self._json(200, {"issuer": site.address, "jwks_uri": f"{site.address}/jwks.json"})
        elif path == "/jwks.json":
            self._json(200, {"keys": [site.issuer.jwk]})
        elif path == "/authorize":
            self._consent(dict(parse_qsl(urlsplit(self.path).query)))
        else:
            self._record(b"")

    def do_POST(self) -> None:
        site, path = self.state, urlsplit(self.path).path
        site.paths.append(path)
        body = self.rfile.read(int(self.headers.get("Content-Length", 0)))
        if path.startswith("/fhir"):
            self._record(body)
            return
        form = dict(parse_qsl(body.decode()))
        request = _Request(form, dict(self.headers))
        if path == "/authorize":
            self._decided(request, form)
            return
        if site.down:
            self._json(503, {})
            return
        if path == "/token":
            site.token_requests.append(form)
            if site.refuse_tokens:
                self._json(400, {"error": "invalid_grant"})
                return
            self._json(*self.authority.create_token_response(request))
        elif path == "/revoke" and "revocation_endpoint" in site.configuration:
            self._json(*self.authority.create_endpoint_response("revocation", request))
        else:
            self._json(404, {})

    def do_PUT(self) -> None:
        self._record(self.rfile.read(int(self.headers.get("Content-Length", 0))))

    def _consent(self, form: dict[str, str]) -> None:
        self.state.authorize_requests.append(form)
        try:
            self.authority.get_consent_grant(_Request(form, {}), end_user="rowan")
            if form.get("aud") != self.state.base_url:
                raise InvalidRequestError("aud")
            if ("launch" in form.get("scope", "").split()) != ("launch" in form):
                raise InvalidRequestError("launch and its scope go together")
        except OAuth2Error as error:
            self.state.refusals.append(str(error))
            self._json(400, {"error": error.error})
            return
        hidden = "".join(f'<input type="hidden" name="{escape(k)}" value="{escape(v)}">' for k, v in form.items())
        page = (
            '<!DOCTYPE html><html lang="en"><title>Sign-in of the test record</title><h1>Test record</h1>'
            f"<p>Ebbmark asks to read and write.</p><form method=post action=/authorize>{hidden}"
            "<button name=decision value=allow>Allow</button> <button name=decision value=deny>Deny</button></form>"
        )
        self._answer(200, page.encode(), {"Content-Type": "text/html; charset=utf-8"})

    def _decided(self, request: _Request, form: dict[str, str]) -> None:
        allowed = form.pop("decision") == "allow"
        grant = self.authority.get_consent_grant(request, end_user="rowan")
        status, body, headers = self.authority.create_authorization_response(
            request, grant_user="rowan" if allowed else None, grant=grant
        )
        self._answer(status, str(body or "").encode(), headers)

    def _record(self, body: bytes) -> None:
        site = self.state
        token = self.headers.get("Authorization", "").removeprefix("Bearer ")
        site.record_reads.append((self.path, token))
        chart = site.live_tokens.get(token)
        if chart is None:
            self._json(401, {"resourceType": "OperationOutcome", "issue": []})
        elif site.record is None:
            self._json(200, {"resourceType": "Patient", "id": chart.patient})
        else:
            # The same name that was called goes along, so that the record's links lead through here again.
            kept = {k: v for k, v in self.headers.items() if k.lower() not in HOP | {"authorization"}}
            url = site.record.removesuffix("/fhir") + self.path
            reply = httpx.request(
                self.command, url, content=body, headers=kept, timeout=60, trust_env=False, verify=_TLS
            )
            headers = {k: v for k, v in reply.headers.items() if k.lower() not in HOP | {"content-encoding"}}
            self._answer(reply.status_code, reply.content, headers)

    def _json(self, status: int, body: object, headers: dict[str, str] | None = None) -> None:
        self._answer(status, json.dumps(body).encode(), {**(headers or {}), "Content-Type": "application/json"})

    def _answer(self, status: int, content: bytes, headers: dict[str, str]) -> None:
        self.send_response(status)
        for name, value in headers.items():
            self.send_header(name, value)
        self.send_header("Content-Length", str(len(content)))
        self.end_headers()
        self.wfile.write(content)
