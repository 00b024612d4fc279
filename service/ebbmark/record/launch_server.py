"""Where does a clinician agree that this service may read a record, and where are the tokens then given?

Every address in a record's smart-configuration is judged before it is used, also the one that only the browser will
call: an address on a host that nobody listed is as good as none.

Source: SMART App Launch 2.2, conformance (smart-configuration: issuer, jwks_uri, authorization_endpoint,
token_endpoint, revocation_endpoint, code_challenge_methods_supported; addresses may be relative to the FHIR base
URL); OpenID Connect Discovery 1.0 section 4 for a jwks_uri that is not named there; RFC 9207 section 3
(authorization_response_iss_parameter_supported).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import TypeVar
from urllib.parse import urljoin

import msgspec

from ebbmark.record.address_guard import refusal_of
from ebbmark.record.authorization_server import SignInFailure, failure_of, may_be_asked
from ebbmark.record.exchange import Exchange, Failure, decoded
from ebbmark.record.retrying import Trouble
from ebbmark.record.single_flight import SingleFlight

__all__ = ["KnownServer", "LaunchServer", "discovered_launch"]

_T = TypeVar("_T")

S256 = "S256"
FRESH_S = 300.0
"""A configuration younger than this is used as it is [s]; common practice, no published source."""


@dataclass(frozen=True, slots=True)
class LaunchServer:
    """The authorization server of one record; every address on a host that is listed.

    Attributes:
        authorize_url: where the browser is sent.
        token_url: where tokens are given.
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
        exchange: the connections.
        hosts: hosts that its authorization server may be on, beside the record's own.

    Returns:
        The server; or the first reason why it is not used.
    """
    base = record_base_url.rstrip("/")
    if refusal_of(base, (base,)) is not None:
        return SignInFailure(Trouble.SIGN_IN_REFUSED, "the record's address may not be called")
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
    if isinstance(answer, Failure) or answer.status != 200:
        return failure_of(answer)
    found = decoded(answer, shape)
    document = url.rsplit("/", 1)[-1]
    return _refused(f"its {document} cannot be read") if found is None else found


def _refused(reason: str) -> SignInFailure:
    return SignInFailure(Trouble.SIGN_IN_REFUSED, reason)


class KnownServer:
    """The authorization server of one record, asked for again when what is known is old.

    Args:
        record_base_url: FHIR base URL of the record.
        hosts: see `discovered_launch`.
        exchange: the connections.
        steady_s: seconds that never run back.
    """

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
