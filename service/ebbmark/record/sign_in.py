"""Sign-in at the record's authorization server (SMART Backend Services), and the published keys of parties we trust.

A signed, short-lived statement of who we are, never repeated, is exchanged for one token at a time, which is held in
memory and renewed before it expires; however many callers wait, one renewal serves them all (single flight). A failed
sign-in is a value, and is reported in words that hold no token and no address.

A JSON Web Key Set is fetched from the one address that the operator configured, kept in memory, fetched again when it
is old, and once when a token names a key that is not in it, which is how a rotation is noticed; never more often than
the shortest interval allows (the intervals are common practice, no published source).

Source: SMART App Launch 2.2 (conformance, Backend Services, client-confidential-asymmetric); RFC 6749 section 5.2;
RFC 7523 section 3; RFC 7517.
"""

from __future__ import annotations

import asyncio
import math
from collections.abc import Awaitable, Callable, Iterable
from dataclasses import dataclass, field
from enum import Enum
from typing import Generic, TypeVar
from urllib.parse import urlencode

import msgspec

from ebbmark.keys import KeyRing, PublicKey, SigningKey, read_public_keys
from ebbmark.record.client import Exchange
from ebbmark.record.connection import is_bearer_token, refusal_of, same_server
from ebbmark.record.retry import CallFailure, Reply, decoded

T = TypeVar("T")

PRIVATE_KEY_JWT = "private_key_jwt"
# RFC 6749 section 5.2. Only these are ever quoted: any other text may hold what must not be logged.
_ERROR_CODES = frozenset(
    {
        "invalid_request",
        "invalid_client",
        "invalid_grant",
        "unauthorized_client",
        "unsupported_grant_type",
        "invalid_scope",
    }
)


@dataclass(frozen=True, slots=True)
class TokenEndpoint:
    """Where tokens are given, and the algorithms taken there; None where that is not said."""

    url: str
    algorithms: tuple[str, ...] | None = None


@dataclass(frozen=True, slots=True)
class SignInFailure:
    """Why there is no token.

    Attributes:
        trouble: SIGN_IN_REFUSED where a repeat brings the same, SIGN_IN_FAILED where it may pass by itself.
        reason: completes the sentence; our own words, HTTP statuses and OAuth error codes only.
    """

    trouble: CallFailure
    reason: str

    @property
    def sentence(self) -> str:
        """The whole for a log."""
        return f"No sign-in to the record: at its authorization server, {self.reason}."


class _Configuration(msgspec.Struct):
    token_endpoint: str
    token_endpoint_auth_methods_supported: list[str] | None = None
    token_endpoint_auth_signing_alg_values_supported: list[str] | None = None


class _Error(msgspec.Struct):
    error: str = ""


async def discovered(
    record_base_url: str, exchange: Exchange, plain_http_hosts: tuple[str, ...] = ()
) -> TokenEndpoint | SignInFailure:
    """Ask the record where to sign in.

    Args:
        record_base_url: FHIR base URL, already on the list of allowed ones.

    Returns:
        The endpoint, still to be judged; or the failure.
    """
    base = record_base_url.rstrip("/")
    url = f"{base}/.well-known/smart-configuration"
    if refusal_of(url, (base,), plain_http_hosts) is not None:
        return SignInFailure(CallFailure.SIGN_IN_REFUSED, "the record's address may not be called")
    answer = await exchange.ask("GET", url, headers={"Accept": "application/json"})
    if isinstance(answer, CallFailure) or answer.status != 200:
        return failure_of(answer)
    found = decoded(answer, _Configuration)
    if found is None:
        return SignInFailure(CallFailure.SIGN_IN_REFUSED, "the smart-configuration names no token_endpoint")
    methods = found.token_endpoint_auth_methods_supported
    if methods is not None and PRIVATE_KEY_JWT not in methods:
        return SignInFailure(CallFailure.SIGN_IN_REFUSED, f"{PRIVATE_KEY_JWT} is not among the methods taken")
    algorithms = found.token_endpoint_auth_signing_alg_values_supported
    return TokenEndpoint(found.token_endpoint, None if algorithms is None else tuple(algorithms))


def may_be_asked(
    url: str,
    known: Iterable[str | None],
    hosts: Iterable[str],
    *,
    name: str = "token_endpoint",
    plain_http_hosts: tuple[str, ...] = (),
) -> SignInFailure | None:
    """Say why an endpoint of an authorization server may not be asked, or None if it may.

    Args:
        url: the endpoint, perhaps as another system named it.
        known: addresses that the operator configured: their hosts, at the same port.
        hosts: further hosts that the operator listed, with a port (`host:8443`) where it is not the usual one.
    """
    # Judged against itself: spelling and encryption. The host is judged below.
    if refusal_of(url, (url.split("?", 1)[0],), plain_http_hosts) is not None:
        return SignInFailure(CallFailure.SIGN_IN_REFUSED, f"the {name} is not a plain https address")
    scheme = url.partition("://")[0]
    listed = [*(one for one in known if one is not None), *(f"{scheme}://{host}" for host in hosts)]
    if not any(same_server(url, one) for one in listed):
        return SignInFailure(CallFailure.SIGN_IN_REFUSED, f"the {name} is on a host that is not listed")
    return None


def failure_of(answer: Reply | CallFailure) -> SignInFailure:
    """What an answer other than success means."""
    if isinstance(answer, CallFailure):
        lasting = answer in (CallFailure.SURPRISING_ADDRESS, CallFailure.NOT_ALLOWED, CallFailure.NOT_SENDABLE)
        trouble = CallFailure.SIGN_IN_REFUSED if lasting else CallFailure.SIGN_IN_FAILED
        return SignInFailure(trouble, f"no reply came ({answer.slug})")
    trouble = (
        CallFailure.SIGN_IN_FAILED if answer.status >= 500 or answer.status == 429 else CallFailure.SIGN_IN_REFUSED
    )
    return SignInFailure(trouble, f"the reply was HTTP {answer.status}{_code_in(answer)}")


def _code_in(reply: Reply) -> str:
    found = decoded(reply, _Error)
    return f", {found.error}" if found is not None and found.error in _ERROR_CODES else ""


ASSERTION_LIFE_S = 180
"""The standard allows 300 s. Less leaves room for a clock of ours that is fast, and enough for one that is slow [s]."""


def client_assertion(key: SigningKey, *, client_id: str, token_url: str, jti: str, at_s: float) -> str:
    """Sign an authentication JWT.

    Args:
        key: signs; its kid is how the server finds its public part.
        token_url: audience, exactly as it will be called.

    Returns:
        The JWT in compact form, good for `ASSERTION_LIFE_S`.
    """
    from joserfc import jwt

    issued_s = int(at_s)
    claims: dict[str, object] = {
        "iss": client_id,
        "sub": client_id,
        "aud": token_url,
        "exp": issued_s + ASSERTION_LIFE_S,
        "iat": issued_s,
        "jti": jti,
    }
    header = {"alg": key.algorithm, "kid": key.kid, "typ": "JWT"}
    return jwt.encode(header, claims, key.key, algorithms=[key.algorithm])


ASSERTION_TYPE = "urn:ietf:params:oauth:client-assertion-type:jwt-bearer"
EARLIEST_RENEWAL = 0.2
"""A token is renewed when this share of its life is left …"""
LONGEST_MARGIN_S = 30.0
"""… but not earlier than this before its end [s]. Both are common practice, no published source."""


@dataclass(frozen=True, slots=True)
class SignInSettings:
    """As whom we sign in, where, and what we ask for.

    Attributes:
        scope: scopes asked for, apart by spaces.
        record_base_url: FHIR base URL of the record; where to sign in is discovered below it.
        token_url: where tokens are given; None to discover it.
        hosts: hosts that may give tokens, beside the record's own and that of `token_url`.
        plain_http_hosts: hosts with port that may be called without encryption.
    """

    client_id: str
    scope: str
    record_base_url: str
    token_url: str | None = None
    hosts: tuple[str, ...] = ()
    plain_http_hosts: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class SignInClock:
    """What a sign-in needs from outside itself: time and chance.

    Attributes:
        wall_s: seconds since 1970-01-01T00:00:00Z, for the assertion.
        steady_s: seconds that never run back, for the token's life.
        new_id: a text that never comes twice, for the assertion's jti.
    """

    wall_s: Callable[[], float]
    steady_s: Callable[[], float]
    new_id: Callable[[], str]


@dataclass(frozen=True, slots=True)
class _Held:
    token: str = field(repr=False)
    renew_at_s: float
    scope: str = ""


class _TokenReply(msgspec.Struct):
    access_token: str
    token_type: str
    expires_in: float = 0.0
    scope: str = ""


class SignIn:
    """The source of access tokens for one record.

    Args:
        keys: our keys; the first whose algorithm the server takes signs.
        report: takes one sentence per failed sign-in.
    """

    def __init__(
        self,
        settings: SignInSettings,
        *,
        keys: KeyRing,
        exchange: Exchange,
        clock: SignInClock,
        report: Callable[[str], None],
    ) -> None:
        self._settings = settings
        self._keys = keys
        self._exchange = exchange
        self._clock = clock
        self._report = report
        self._held: _Held | None = None
        self._renewed = SingleFlight(self._renew)

    async def aclose(self) -> None:
        """End a renewal that nobody waits for any more, and close every connection."""
        self._renewed.cancel()
        await self._exchange.aclose()

    async def token(self) -> str | CallFailure:
        """A token that is good for a while, renewed if need be; or why there is none."""
        if self._held is not None and self._clock.steady_s() < self._held.renew_at_s:
            return self._held.token
        outcome = await self._renewed()
        return outcome.trouble if isinstance(outcome, SignInFailure) else outcome.token

    async def grant(self) -> str | SignInFailure:
        """Sign in anew and say what was granted: scopes, apart by spaces; or why there is no token.

        A reply that names no scope grants what was asked for (RFC 6749 section 5.1).
        """
        outcome = await self._renewed()
        return outcome if isinstance(outcome, SignInFailure) else outcome.scope or self._settings.scope

    def discard(self, token: str) -> None:
        """Forget a token that was not accepted, unless it was replaced already."""
        if self._held is not None and self._held.token == token:
            self._held = None

    async def _renew(self) -> _Held | SignInFailure:
        outcome = await self._signed_in()
        if isinstance(outcome, SignInFailure):
            self._held = None
            self._report(outcome.sentence)
        else:
            self._held = outcome
        return outcome

    async def _signed_in(self) -> _Held | SignInFailure:
        settings = self._settings
        endpoint = (
            await discovered(settings.record_base_url, self._exchange, settings.plain_http_hosts)
            if settings.token_url is None
            else TokenEndpoint(settings.token_url)
        )
        if isinstance(endpoint, SignInFailure):
            return endpoint
        refusal = may_be_asked(
            endpoint.url,
            (settings.record_base_url, settings.token_url),
            settings.hosts,
            plain_http_hosts=settings.plain_http_hosts,
        )
        if refusal is not None:
            return refusal
        key = self._keys.for_algorithms(endpoint.algorithms)
        if key is None:
            return SignInFailure(CallFailure.SIGN_IN_REFUSED, "it takes none of the algorithms of our keys")
        asked_at_s = self._clock.steady_s()
        assertion = client_assertion(
            key,
            client_id=settings.client_id,
            token_url=endpoint.url,
            jti=self._clock.new_id(),
            at_s=self._clock.wall_s(),
        )
        return await self._asked(endpoint.url, assertion, asked_at_s)

    async def _asked(self, token_url: str, assertion: str, asked_at_s: float) -> _Held | SignInFailure:
        form = {
            "grant_type": "client_credentials",
            "scope": self._settings.scope,
            "client_assertion_type": ASSERTION_TYPE,
            "client_assertion": assertion,
        }
        answer = await self._exchange.ask(
            "POST",
            token_url,
            content=urlencode(form).encode(),
            headers={"Content-Type": "application/x-www-form-urlencoded", "Accept": "application/json"},
        )
        if isinstance(answer, CallFailure) or answer.status != 200:
            return failure_of(answer)
        reply = decoded(answer, _TokenReply)
        if reply is None or reply.token_type.lower() != "bearer" or not is_bearer_token(reply.access_token):
            return SignInFailure(CallFailure.SIGN_IN_FAILED, "its reply holds no bearer token that could be read")
        # A token whose life is not stated serves those who wait now, and is not kept.
        margin_s = min(EARLIEST_RENEWAL * reply.expires_in, LONGEST_MARGIN_S)
        return _Held(reply.access_token, asked_at_s + reply.expires_in - margin_s, reply.scope)


FRESH_S = 600.0
"""A set younger than this is used as it is [s]."""
USABLE_S = 3600.0
"""An older one is used up to this age where no newer can be had [s]."""
SHORTEST_INTERVAL_S = 30.0
"""Between two fetches for the sake of keys that are not in the set [s]."""
AFTER_FAILURE_S = 5.0
"""Between a failed fetch and the next [s]."""


class KeyLookup(Enum):
    """Why there is no key."""

    UNKNOWN = "unknown"
    UNAVAILABLE = "unavailable"


class FixedKeys:
    """Keys from a file, read once."""

    there = True

    def __init__(self, keys: tuple[PublicKey, ...]) -> None:
        self._keys = keys

    async def find(self, kid: str, algorithm: str) -> PublicKey | KeyLookup:
        """The key of this name for this algorithm."""
        return _among(self._keys, kid, algorithm)


class PublishedKeys:
    """Keys from an address.

    Args:
        url: of the JSON Web Key Set, configured by the operator; https, or on this machine.

    Raises:
        ValueError: the address is not one that is called.
    """

    def __init__(self, url: str, *, exchange: Exchange, steady_s: Callable[[], float]) -> None:
        refusal = refusal_of(url, (url.split("?", 1)[0],))
        if refusal is not None:
            raise ValueError(f"the address of a key set {refusal.value}")
        self._url = url
        self._exchange = exchange
        self._steady_s = steady_s
        self._keys: tuple[PublicKey, ...] = ()
        self._fetched_at_s = self._failed_at_s = self._sought_at_s = -math.inf
        self._fetched = SingleFlight(self._fetch)

    @property
    def there(self) -> bool:
        """Whether a set was fetched that is not too old to be used."""
        return self._age_s() <= USABLE_S

    async def find(self, kid: str, algorithm: str) -> PublicKey | KeyLookup:
        """The key of this name for this algorithm, fetched if need be."""
        fetched = self._age_s() > FRESH_S and self._since_s(self._failed_at_s) >= AFTER_FAILURE_S
        if fetched:
            await self._fetched()
        found = self._known(kid, algorithm)
        if found is not KeyLookup.UNKNOWN or fetched:
            return found
        if self._fetched.under_way or self._since_s(self._sought_at_s) >= SHORTEST_INTERVAL_S:
            self._sought_at_s = self._steady_s()
            await self._fetched()
        return self._known(kid, algorithm)

    def _known(self, kid: str, algorithm: str) -> PublicKey | KeyLookup:
        return _among(self._keys, kid, algorithm) if self.there else KeyLookup.UNAVAILABLE

    def _age_s(self) -> float:
        return self._since_s(self._fetched_at_s)

    def _since_s(self, at_s: float) -> float:
        return self._steady_s() - at_s

    async def _fetch(self) -> None:
        began_s = self._steady_s()
        answer = await self._exchange.ask("GET", self._url, headers={"Accept": "application/json"})
        keys = None
        if isinstance(answer, Reply) and answer.status == 200 and answer.lost is None:
            keys = read_public_keys(answer.body)
        if keys is None:
            self._failed_at_s = self._steady_s()
        else:
            self._keys, self._fetched_at_s = keys, began_s


def _among(keys: tuple[PublicKey, ...], kid: str, algorithm: str) -> PublicKey | KeyLookup:
    return next((key for key in keys if key.kid == kid and algorithm in key.algorithms), KeyLookup.UNKNOWN)


class SingleFlight(Generic[T]):
    """One run at a time; whoever asks meanwhile gets its outcome."""

    def __init__(self, run: Callable[[], Awaitable[T]]) -> None:
        self._run = run
        self._flight: asyncio.Task[T] | None = None

    async def __call__(self) -> T:
        """Join the run under way, or start one."""
        if self._flight is None:
            self._flight = asyncio.create_task(self._landed())
        # A caller that gives up waiting must not end the run that others wait for.
        return await asyncio.shield(self._flight)

    @property
    def under_way(self) -> bool:
        """Whether a run has begun and not ended."""
        return self._flight is not None

    async def _landed(self) -> T:
        try:
            return await self._run()
        finally:
            self._flight = None

    def cancel(self) -> None:
        """End a run that nobody waits for any more."""
        if self._flight is not None:
            self._flight.cancel()
