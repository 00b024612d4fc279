"""SMART App Launch towards a record: its smart-configuration, and the tokens of the person who opened it.

Every address in a record's smart-configuration is judged before it is used, also the one that only the browser will
call: an address on a host that nobody listed is as good as none.

Source: SMART App Launch 2.2, conformance (smart-configuration: issuer, jwks_uri, authorization_endpoint,
token_endpoint, revocation_endpoint, code_challenge_methods_supported; addresses may be relative to the FHIR base URL);
OpenID Connect Discovery 1.0 section 4 for a jwks_uri that is not named there; RFC 9207 section 3
(authorization_response_iss_parameter_supported).

Source: SMART App Launch 2.2, app-launch (obtain and refresh an access token) and scopes-and-launch-context (patient,
encounter, need_patient_banner beside the token); RFC 6749 sections 2.3.1, 4.1.3, 5 and 6; RFC 7009 (revocation).
"""

from __future__ import annotations

import math
import re
from base64 import b64encode
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import TypeVar
from urllib.parse import urlencode, urljoin

import msgspec

from ebbmark.keys import KeyRing
from ebbmark.record.client import Exchange
from ebbmark.record.connection import is_bearer_token, refusal_of
from ebbmark.record.retry import CallFailure, Reply, decoded
from ebbmark.record.sign_in import (
    ASSERTION_TYPE,
    SignInClock,
    SignInFailure,
    SingleFlight,
    client_assertion,
    failure_of,
    may_be_asked,
)

_T = TypeVar("_T")

S256 = "S256"
FRESH_S = 300.0
"""A configuration younger than this is used as it is [s]; common practice, no published source."""


@dataclass(frozen=True, slots=True)
class LaunchServer:
    """The authorization server of one record; every address on a host that is listed.

    Attributes:
        issuer: who signs id_tokens; None where nobody does.
        key_set_url: where the keys of the issuer are; None where nobody signs.
        revoke_url: where tokens are given back; None where they are not.
        algorithms: signature algorithms taken from us; None where that is not said.
        names_itself: whether every reply that it sends by the browser names the issuer.
    """

    authorize_url: str
    token_url: str
    issuer: str | None = None
    key_set_url: str | None = None
    revoke_url: str | None = None
    algorithms: tuple[str, ...] | None = None
    names_itself: bool = False


class _Configuration(msgspec.Struct):
    authorization_endpoint: str | None = None
    token_endpoint: str | None = None
    issuer: str | None = None
    jwks_uri: str | None = None
    revocation_endpoint: str | None = None
    code_challenge_methods_supported: list[str] | None = None
    token_endpoint_auth_signing_alg_values_supported: list[str] | None = None
    authorization_response_iss_parameter_supported: bool = False


class _Issuer(msgspec.Struct):
    issuer: str
    jwks_uri: str


async def discovered_launch(
    record_base_url: str, exchange: Exchange, *, hosts: tuple[str, ...] = ()
) -> LaunchServer | SignInFailure:
    """Ask a record where a launch goes on.

    Args:
        record_base_url: FHIR base URL, already on the list of allowed ones.
        hosts: hosts that its authorization server may be on, beside the record's own.

    Returns:
        The server; or the first reason why it is not used.
    """
    base = record_base_url.rstrip("/")
    if refusal_of(base, (base,)) is not None:
        return SignInFailure(CallFailure.SIGN_IN_REFUSED, "the record's address may not be called")
    found = await _fetched(f"{base}/.well-known/smart-configuration", exchange, _Configuration)
    if isinstance(found, SignInFailure):
        return found
    if not found.authorization_endpoint or not found.token_endpoint:
        return _refused("the smart-configuration names no authorization_endpoint or no token_endpoint")
    methods = found.code_challenge_methods_supported
    if methods is not None and S256 not in methods:
        return _refused(f"{S256} is not among its code_challenge_methods")
    # One that gives no key set in either place signs nothing that could be checked.
    issuer = found.issuer or None
    key_set_url = urljoin(base, found.jwks_uri) if found.jwks_uri else None
    if issuer is not None and key_set_url is None:
        named = await _key_set_of(issuer, exchange, base, hosts)
        if isinstance(named, SignInFailure):
            return named
        key_set_url = named
    algorithms = found.token_endpoint_auth_signing_alg_values_supported
    server = LaunchServer(
        authorize_url=urljoin(base, found.authorization_endpoint),
        token_url=urljoin(base, found.token_endpoint),
        issuer=issuer,
        key_set_url=key_set_url,
        revoke_url=urljoin(base, found.revocation_endpoint) if found.revocation_endpoint else None,
        algorithms=None if algorithms is None else tuple(algorithms),
        names_itself=found.authorization_response_iss_parameter_supported,
    )
    return _unlisted(server, base, hosts) or server


def _unlisted(server: LaunchServer, base: str, hosts: tuple[str, ...]) -> SignInFailure | None:
    named = {
        "authorization_endpoint": server.authorize_url,
        "token_endpoint": server.token_url,
        "jwks_uri": server.key_set_url,
        "revocation_endpoint": server.revoke_url,
    }
    judged = (may_be_asked(url, (base,), hosts, name=name) for name, url in named.items() if url is not None)
    return next((refusal for refusal in judged if refusal is not None), None)


async def _key_set_of(issuer: str, exchange: Exchange, base: str, hosts: tuple[str, ...]) -> str | SignInFailure:
    url = f"{issuer.rstrip('/')}/.well-known/openid-configuration"
    refusal = may_be_asked(url, (base,), hosts, name="issuer")
    if refusal is not None:
        return refusal
    found = await _fetched(url, exchange, _Issuer)
    if isinstance(found, SignInFailure):
        return found
    return found.jwks_uri if found.issuer == issuer else _refused("the openid-configuration is of another issuer")


async def _fetched(url: str, exchange: Exchange, shape: type[_T]) -> _T | SignInFailure:
    answer = await exchange.ask("GET", url, headers={"Accept": "application/json"})
    if isinstance(answer, CallFailure) or answer.status != 200:
        return failure_of(answer)
    found = decoded(answer, shape)
    document = url.rsplit("/", 1)[-1]
    return _refused(f"its {document} cannot be read") if found is None else found


def _refused(reason: str) -> SignInFailure:
    return SignInFailure(CallFailure.SIGN_IN_REFUSED, reason)


class KnownServer:
    """The authorization server of one record, asked for again when what is known is old."""

    def __init__(
        self, record_base_url: str, hosts: tuple[str, ...], *, exchange: Exchange, steady_s: Callable[[], float]
    ) -> None:
        self._record_base_url = record_base_url
        self._hosts = hosts
        self._exchange = exchange
        self._steady_s = steady_s
        self._known: LaunchServer | None = None
        self._known_at_s = -math.inf
        self._asked = SingleFlight(self._ask)

    async def now(self) -> LaunchServer | SignInFailure:
        """The server, from memory while that is fresh."""
        if self._known is not None and self._steady_s() - self._known_at_s < FRESH_S:
            return self._known
        return await self._asked()

    def cancel(self) -> None:
        """End a question that nobody waits for any more."""
        self._asked.cancel()

    async def _ask(self) -> LaunchServer | SignInFailure:
        began_s = self._steady_s()
        found = await discovered_launch(self._record_base_url, self._exchange, hosts=self._hosts)
        if isinstance(found, LaunchServer):
            self._known, self._known_at_s = found, began_s
        return found


UNSTATED_LIFE_S = 3600.0
"""A token whose life is not stated counts as good for the longest that SMART recommends [s]; the record decides."""
_FORM = {"Content-Type": "application/x-www-form-urlencoded", "Accept": "application/json"}
Form = Mapping[str, str]
# FHIR R4 datatypes.html#id.
_ID = re.compile(r"[A-Za-z0-9\-.]{1,64}")


@dataclass(frozen=True, slots=True)
class AppClient:
    """As whom we ask: with a secret, with a signed statement, or with neither (a public client).

    Attributes:
        secret: sent by HTTP Basic; None where there is none.
        keys: to sign a statement with; None where none is sent.
    """

    client_id: str
    secret: str | None = field(default=None, repr=False)
    keys: KeyRing | None = None


@dataclass(frozen=True, slots=True)
class UserGrant:
    """What a clinician let us have.

    Attributes:
        access_token: for the record; never shown.
        refresh_token: for the next access token; None where there is none.
        expires_s: when the access token ends [s since 1970-01-01T00:00:00Z].
        scope: scopes granted, apart by spaces; None where the reply does not say.
        patient: FHIR id of the patient in context; None where there is none.
        encounter: FHIR id of the encounter in context; None where there is none.
        need_patient_banner: whether the page must say whose record it shows.
        id_token: who the clinician is, still to be checked; None where that was not said.
    """

    access_token: str = field(repr=False)
    refresh_token: str | None = field(repr=False)
    expires_s: float
    scope: str | None
    patient: str | None
    encounter: str | None
    need_patient_banner: bool
    id_token: str | None = field(repr=False)


class _Reply(msgspec.Struct):
    access_token: str
    token_type: str
    expires_in: float | None = None
    refresh_token: str | None = None
    scope: str | None = None
    patient: str | None = None
    encounter: str | None = None
    need_patient_banner: bool | None = None
    id_token: str | None = None


@dataclass(frozen=True, slots=True)
class TokenRequests:
    """What is asked of the authorization servers for clinicians."""

    exchange: Exchange
    clock: SignInClock

    async def redeem(
        self, server: LaunchServer, client: AppClient, *, code: str, redirect_uri: str, verifier: str
    ) -> UserGrant | SignInFailure:
        """Exchange an authorization code.

        Args:
            redirect_uri: where it came back to, spelled as it was asked for.
            verifier: the secret behind the code challenge.
        """
        form = {"code": code, "redirect_uri": redirect_uri, "code_verifier": verifier}
        return await self._granted(server, client, {"grant_type": "authorization_code", **form})

    async def refresh(
        self, server: LaunchServer, client: AppClient, *, refresh_token: str
    ) -> UserGrant | SignInFailure:
        """Ask for the next access token; the reply may carry the next refresh token, which then replaces this one."""
        form = {"grant_type": "refresh_token", "refresh_token": refresh_token}
        return await self._granted(server, client, form)

    async def revoke(self, server: LaunchServer, client: AppClient, *, token: str, hint: str) -> SignInFailure | None:
        """Give a token back.

        Args:
            server: that gave it; nothing is asked of one that takes none back.
            hint: refresh_token or access_token.

        Returns:
            None where the token is void now; else why that is not known.
        """
        if server.revoke_url is None:
            return SignInFailure(CallFailure.SIGN_IN_REFUSED, "the server names no revocation_endpoint")
        form = {"token": token, "token_type_hint": hint}
        answer = await self._posted(server.revoke_url, server, client, form)
        if isinstance(answer, SignInFailure):
            return answer
        return None if isinstance(answer, Reply) and answer.status == 200 else failure_of(answer)

    async def _granted(self, server: LaunchServer, client: AppClient, form: Form) -> UserGrant | SignInFailure:
        asked_at_s = self.clock.wall_s()
        answer = await self._posted(server.token_url, server, client, form)
        if isinstance(answer, SignInFailure):
            return answer
        if isinstance(answer, CallFailure) or answer.status != 200:
            return failure_of(answer)
        reply = decoded(answer, _Reply)
        if reply is None:
            return SignInFailure(CallFailure.SIGN_IN_FAILED, "its reply is not a token reply that could be read")
        if reply.token_type.lower() != "bearer" or not is_bearer_token(reply.access_token):
            return SignInFailure(CallFailure.SIGN_IN_FAILED, "its reply holds no bearer token")
        if not all(one is None or _ID.fullmatch(one) for one in (reply.patient, reply.encounter)):
            return SignInFailure(CallFailure.SIGN_IN_REFUSED, "its reply names a patient or encounter by no FHIR id")
        life_s = UNSTATED_LIFE_S if reply.expires_in is None else max(reply.expires_in, 0.0)
        return UserGrant(
            access_token=reply.access_token,
            refresh_token=reply.refresh_token or None,
            expires_s=asked_at_s + life_s,
            scope=reply.scope,
            patient=reply.patient,
            encounter=reply.encounter,
            # A banner too many is a smaller fault than one too few.
            need_patient_banner=reply.need_patient_banner is not False,
            id_token=reply.id_token or None,
        )

    async def _posted(
        self, url: str, server: LaunchServer, client: AppClient, form: Form
    ) -> Reply | CallFailure | SignInFailure:
        headers = dict(_FORM)
        if client.keys is not None:
            key = client.keys.for_algorithms(server.algorithms)
            if key is None:
                return SignInFailure(CallFailure.SIGN_IN_REFUSED, "it takes none of the algorithms of our keys")
            # The audience is the token endpoint also where a token is given back (RFC 7523 section 3).
            assertion = client_assertion(
                key,
                client_id=client.client_id,
                token_url=server.token_url,
                jti=self.clock.new_id(),
                at_s=self.clock.wall_s(),
            )
            form = {**form, "client_assertion_type": ASSERTION_TYPE, "client_assertion": assertion}
        elif client.secret is None:
            form = {**form, "client_id": client.client_id}
        else:
            shown = b64encode(f"{client.client_id}:{client.secret}".encode()).decode()
            headers["Authorization"] = f"Basic {shown}"
        return await self.exchange.ask("POST", url, content=urlencode(form).encode(), headers=headers)
