"""Authentication, permissions and rate limits: who calls, whether they may, and not too often.

Open to everybody: health, the published keys, the OpenAPI document and the definitions of the FHIR door (a client must
be able to read the CapabilityStatement before it can know how to sign in). Everything else of the FHIR door needs an
access token with its scopes, unless sign-in is off; then only callers on this machine come in, and no web page of
another origin. A CDS Hooks client sends a JWT that it signed itself, its `aud` the address that is called, each used
once: for discovery, call and feedback alike. Without such clients the CDS Hooks door is open only while sign-in is off
altogether, and then to callers on this machine.

What was seen of CDS clients is remembered in this process, and in a store that replicas share where one is configured.
Without one, or while it does not answer, a token stolen on the way could be used once at each replica until it expires.

Source: RFC 6750 (bearer tokens and their refusals: 401, 403, WWW-Authenticate), RFC 6585 section 4 (429), RFC 6454
(Origin), RFC 9068 (claims of access tokens; `client_id`, and `azp` as some issuers spell it; roles, groups and
entitlements, section 2.2.3.1, mean what a site's rule says), SMART App Launch 2.2 (aud is the FHIR base URL). CDS Hooks
2.0, "Trusting CDS Clients": Authorization: Bearer with a JWT whose iss, aud (the exact address that is called), exp,
iat and jti are all there; no `none`, no symmetric algorithm; iss and jku from an allow-list; jti remembered against
replay; on every request, "whether that be a Discovery call, a single CDS Service invocation, or multiple exchanges".
The text sets no longest life: `LONGEST_CLIENT_LIFE_S` is ours, since what must be remembered until it expires
must expire.
"""

from __future__ import annotations

import math
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from ipaddress import ip_address
from urllib.parse import urlsplit

import msgspec
from fastapi import Request

from ebbmark.fhir.problems import Problem, ProblemKind
from ebbmark.fhir.writing.provenance import Actor
from ebbmark.record.connection import is_this_machine
from ebbmark.web.limits import CALLER, Refused
from ebbmark.web.shared_store import RateLimit, RequestRates, SeenTokens, SharedStore, TokenUse
from ebbmark.web.theme import PageRefused
from ebbmark.web.token_check import (
    EVALUATE,
    Claims,
    Introspection,
    Permission,
    TokenRefusal,
    TokenRules,
    allows,
    verified_claims,
)

SCHEME = "bearer"
LONGEST_LIFE_S = 86_400.0
"""Longer than a day is refused: nobody could take such a token back. Our choice; SMART recommends 300 s."""


@dataclass(frozen=True, slots=True)
class Caller:
    """Who calls.

    Attributes:
        issuer: who vouches for the client; empty where nobody signs in.
        client: the client's name there; empty where nobody signs in.
        scopes: as granted; None where nobody signs in and everything is allowed.
    """

    issuer: str
    client: str
    scopes: frozenset[str] | None

    def may(self, needed: Permission) -> bool:
        """Say whether the caller has this permission."""
        return self.scopes is None or allows(self.scopes, needed)


def bearer_token(authorization: str | None) -> str | None:
    """The token in an Authorization header; None where there is none, or it is of another scheme."""
    scheme, _, token = (authorization or "").partition(" ")
    return token.strip() if scheme.lower() == SCHEME and token.strip() else None


async def checked_caller(
    authorization: str | None,
    *,
    rules: TokenRules,
    audience: str,
    at_s: float,
    introspection: Introspection | None = None,
) -> Caller | TokenRefusal | None:
    """Check an access token.

    Args:
        audience: our FHIR base URL, or what the operator agreed on with the issuer.

    Returns:
        The caller; the reason why not; None where no bearer token was sent at all.
    """
    token = bearer_token(authorization)
    if token is None:
        return None
    # Where no issuer has keys, every token is opaque to us, whatever it looks like.
    by_key = bool(rules.parties) or introspection is None
    claims = (
        await verified_claims(token, rules=rules, audience=audience, at_s=at_s) if by_key else TokenRefusal.NOT_A_JWT
    )
    if claims is TokenRefusal.NOT_A_JWT and introspection is not None:
        claims = await introspection.claims(token, audience=audience, at_s=at_s, leeway_s=rules.leeway_s)
    if isinstance(claims, TokenRefusal):
        return claims
    if claims.cnf is not msgspec.UNSET:
        # RFC 7800, RFC 8705, RFC 9449: whoever holds the token must prove a key, and nothing here checks that proof.
        return TokenRefusal.BOUND
    if claims.exp > at_s + LONGEST_LIFE_S + rules.leeway_s:
        return TokenRefusal.TOO_LONG_LIVED
    client = claims.client_id or claims.azp or claims.sub
    asked = introspection is not None and claims.iss not in rules.parties
    roles = introspection.roles if introspection is not None and asked else rules.parties[claims.iss].roles
    granted = {scope for role in _roles_of(claims) for scope in roles.get(role, ())}
    return TokenRefusal.CLAIMS if not client else Caller(claims.iss, client, _scopes_of(claims) | granted)


def _scopes_of(claims: Claims) -> frozenset[str]:
    given = [one if isinstance(one, list) else (one or "").split() for one in (claims.scope, claims.scp)]
    return frozenset(one for listed in given for one in listed)


def _roles_of(claims: Claims) -> set[str]:
    """Names of roles: texts, or objects with a value (RFC 7643 section 4.1.2); what has another shape names none."""
    listed = [one for claim in (claims.roles, claims.groups, claims.entitlements) for one in _listed(claim)]
    named = [one.get("value") if isinstance(one, dict) else one for one in listed]
    return {one for one in named if isinstance(one, str)}


def _listed(claim: object) -> list[object]:
    return claim if isinstance(claim, list) else [claim]


LONGEST_CLIENT_LIFE_S = 600.0
LONGEST_JTI = 200


@dataclass(frozen=True, slots=True)
class ClientJwt:
    """A clinical system that proved who it is."""

    issuer: str
    tenant: str | None = None


async def checked_client(
    authorization: str | None, *, endpoint_url: str, rules: TokenRules, seen: SeenTokens, at_s: float
) -> ClientJwt | TokenRefusal | None:
    """Check the JWT of a CDS Hooks client.

    Returns:
        The client; the reason why not; None where no bearer token was sent at all.
    """
    token = bearer_token(authorization)
    if token is None:
        return None
    claims = await verified_claims(token, rules=rules, audience=endpoint_url, at_s=at_s)
    if isinstance(claims, TokenRefusal):
        return claims
    if claims.cnf is not msgspec.UNSET:
        return TokenRefusal.BOUND
    refusal = _form_of(claims, at_s, rules.leeway_s)
    if refusal is not None:
        return refusal
    use = await seen.use(claims.iss, claims.jti or "", until_s=claims.exp + rules.leeway_s, at_s=at_s)
    return ClientJwt(claims.iss, claims.tenant) if use is TokenUse.FIRST else TokenRefusal[use.name]


def _form_of(claims: Claims, at_s: float, leeway_s: float) -> TokenRefusal | None:
    if not claims.jti or len(claims.jti) > LONGEST_JTI or claims.iat is None:
        return TokenRefusal.CLAIMS
    if claims.exp > at_s + LONGEST_CLIENT_LIFE_S + leeway_s:
        return TokenRefusal.TOO_LONG_LIVED
    return None


REALM = 'Bearer realm="ebbmark"'
_LATER = frozenset({TokenRefusal.KEYS_UNAVAILABLE, TokenRefusal.INTROSPECTION_UNAVAILABLE, TokenRefusal.TOO_MANY})
_SOON_S = 5


@dataclass(frozen=True, slots=True)
class FhirAuthentication:
    """The entrance of the FHIR door.

    Attributes:
        rules: whose tokens are accepted; None where sign-in is off.
        audience: what `aud` of a token must say.
    """

    rules: TokenRules | None
    audience: str
    rates: RequestRates | None
    wall_s: Callable[[], float]
    steady_s: Callable[[], float]
    introspection: Introspection | None = None

    async def admit(self, request: Request) -> None:
        """Let the request in, and note on it who asks.

        Raises:
            Refused: 401, 403, 429 or 503.
        """
        address = address_of(request)
        if self.rules is None:
            require_this_machine(address, request.headers.get("origin"), request.headers.get("host"), self.audience)
            caller: Caller | TokenRefusal | None = Caller("", "", None)
        else:
            caller = await checked_caller(
                _authorization(request),
                rules=self.rules,
                audience=self.audience,
                at_s=self.wall_s(),
                introspection=self.introspection,
            )
        if not isinstance(caller, Caller):
            accepted = "Authorization: Bearer with an access token of a trusted issuer"
            raise await _turned_away(caller, accepted, address, self.rates, self.steady_s())
        await count(self.rates, f"{caller.issuer} {caller.client}" if caller.client else address, self.steady_s())
        request.state.caller = caller
        require(request, EVALUATE)


@dataclass(frozen=True, slots=True)
class HooksAuthentication:
    """The entrance of the CDS Hooks door.

    Attributes:
        rules: whose JWTs are accepted; None where no client is configured.
        root: address of this application as clients know it; with the path, the `aud` of their tokens.
    """

    rules: TokenRules | None
    root: str
    seen: SeenTokens
    elsewhere_signed_in: bool
    origins: tuple[str, ...]
    rates: RequestRates | None
    wall_s: Callable[[], float]
    steady_s: Callable[[], float]

    async def admit(self, request: Request) -> Actor:
        """Let the request in, and say who asks.

        Raises:
            Refused: 401, 403, 429 or 503.
        """
        address = address_of(request)
        if self.rules is None:
            if self.elsewhere_signed_in:
                found, accepted = "a service without known CDS clients", "a service whose cds_clients are configured"
                sentence = (
                    "No CDS clients are configured here, so that this door is shut. Configure EBBMARK_CDS_CLIENTS."
                )
                raise Refused(Problem(ProblemKind.NOT_PERMITTED, "", found, accepted, sentence), {}, "door-shut")
            origin = request.headers.get("origin")
            origin = None if origin in self.origins else origin
            require_this_machine(address, origin, request.headers.get("host"), self.root)
            await count(self.rates, address, self.steady_s())
            return Actor(address=address)
        client = await checked_client(
            _authorization(request),
            endpoint_url=f"{self.root}{request.scope['path']}",
            rules=self.rules,
            seen=self.seen,
            at_s=self.wall_s(),
        )
        if not isinstance(client, ClientJwt):
            accepted = "Authorization: Bearer with a JWT of a known CDS client, its aud the address that is called"
            raise await _turned_away(client, accepted, address, self.rates, self.steady_s())
        name = client.tenant or client.issuer
        await count(self.rates, f"{client.issuer} {name}", self.steady_s())
        return Actor(client.issuer, name, address)


def address_of(request: Request) -> str:
    """Network address of the caller; empty where there is none."""
    return request.client.host if request.client else ""


def _authorization(request: Request) -> str | None:
    headers = request.headers.getlist("authorization")
    return headers[0] if len(headers) == 1 else None


async def _turned_away(
    refusal: TokenRefusal | None, accepted: str, address: str, rates: RequestRates | None, at_s: float
) -> Refused:
    # Failed tries count for the address, so that nobody can try without end.
    await count(rates, address, at_s)
    return not_signed_in(refusal, accepted)


async def count(rates: RequestRates | None, client: str, at_s: float) -> None:
    """Count one request of a client, and remember for the rest of the request whose it is.

    Raises:
        Refused: 429.
    """
    CALLER.set(client)
    wait_s = await rates.counted(client, at_s=at_s) if rates is not None else None
    if wait_s is not None:
        seconds = max(1, math.ceil(wait_s))
        sentence = f"Too many requests from this client; ask again in {seconds} s."
        problem = Problem(ProblemKind.TOO_OFTEN, "", "too many requests", "fewer requests per minute", sentence)
        raise Refused(problem, {"Retry-After": str(seconds)})


def actor_of(request: Request) -> Actor:
    """Who asks, for the audit trail."""
    caller = _caller_of(request)
    return Actor(caller.issuer, caller.client, address_of(request))


def _caller_of(request: Request) -> Caller:
    caller: Caller = request.state.caller
    return caller


def may(request: Request, wanted: Permission) -> bool:
    """Whether a caller has a permission without which something is left out, and nothing refused."""
    return _caller_of(request).may(wanted)


def require(request: Request, needed: Permission) -> None:
    """Refuse a caller that lacks a permission.

    Raises:
        Refused: 403, with the scope to ask for.
    """
    if _caller_of(request).may(needed):
        return
    sentence = f"The access token does not allow this; the scope {needed.scope} is needed."
    raise Refused(
        Problem(ProblemKind.NOT_PERMITTED, "", "a token without the scope", needed.scope, sentence),
        {"WWW-Authenticate": f'{REALM}, error="insufficient_scope", scope="{needed.scope}"'},
        "insufficient-scope",
    )


def require_scope(request: Request, scope: str | None) -> None:
    """Refuse a caller without a scope of the site's own, spelled alike; where nobody signs in, nobody is refused.

    Raises:
        Refused: 403.
    """
    held = _caller_of(request).scopes
    if held is None or (scope is not None and scope in held):
        return
    accepted = scope or "a scope that the site names in EBBMARK_ADMINISTRATOR_SCOPE"
    sentence = f"This is for administrators of the site: {accepted} is needed."
    header = f'{REALM}, error="insufficient_scope"' + (f', scope="{scope}"' if scope else "")
    raise Refused(
        Problem(ProblemKind.NOT_PERMITTED, "", "a token without the scope", accepted, sentence),
        {"WWW-Authenticate": header},
        "insufficient-scope",
    )


def not_signed_in(refusal: TokenRefusal | None, accepted: str) -> Refused:
    """The refusal of a caller whose token is not accepted.

    Args:
        refusal: why; None where no token was sent.
    """
    if refusal is None:
        # RFC 6750 section 3.1: no error code where no token was sent.
        sentence = f"Sign in first: {accepted} is needed, once."
        return Refused(
            Problem(ProblemKind.NOT_SIGNED_IN, "", "no access token", accepted, sentence),
            {"WWW-Authenticate": REALM},
            "no-token",
        )
    word = refusal.name.lower().replace("_", "-")
    if refusal in _LATER:
        problem = Problem(ProblemKind.SIGN_IN_UNAVAILABLE, "", "no keys", accepted, refusal.value)
        return Refused(problem, {"Retry-After": str(_SOON_S)}, word)
    described = f'{REALM}, error="invalid_token", error_description="{refusal.value}"'
    return Refused(
        Problem(ProblemKind.NOT_SIGNED_IN, "", "an access token that is not accepted", accepted, refusal.value),
        {"WWW-Authenticate": described},
        word,
    )


def require_this_machine(address: str, origin: str | None, host: str | None, own_url: str) -> None:
    """While sign-in is off: no caller from elsewhere, and no page from elsewhere in a browser on this machine.

    A page of another site can have its own name lead here, and then has no other origin: so the name that was called
    must be one of this machine, or our own.

    Args:
        address: network address of the caller; empty where there is none.

    Raises:
        Refused: 403.
    """
    by_another_name = host is not None and _host_of(f"//{host}") != _host_of(own_url) and not _is_here(f"//{host}")
    # Another port of this machine is another site: what listens there may be anybody's.
    own_ports = {_port_of(own_url), *([_port_of(f"http://{host}")] if host else [])}
    other_page = origin is not None and not (_is_here(origin) and _port_of(origin) in own_ports)
    if _is_elsewhere(address) or other_page or by_another_name:
        accepted = "callers on this machine, by its own name"
        sentence = "Sign-in is off here, so only callers on this machine are let in. Configure EBBMARK_ISSUERS."
        raise Refused(
            Problem(ProblemKind.NOT_PERMITTED, "", "a caller from elsewhere", accepted, sentence), {}, "elsewhere"
        )


def _is_here(address: str) -> bool:
    return is_this_machine(_host_of(address))


def _host_of(address: str) -> str:
    try:
        return urlsplit(address).hostname or ""
    except ValueError:
        return ""


def _port_of(address: str) -> int | None:
    try:
        parts = urlsplit(address)
        return parts.port or {"http": 80, "https": 443}.get(parts.scheme)
    except ValueError:
        return None


def _is_elsewhere(address: str) -> bool:
    try:
        return not ip_address(address).is_loopback
    except ValueError:
        return False  # a socket of the file system, or a caller in the same process: no network lies between


def page_rates(
    limit: RateLimit | None, steady_s: Callable[[], float], store: SharedStore | None = None
) -> Callable[[Request], Awaitable[None]]:
    """A dependency of the routes of pages that counts each request, and refuses one too many as a page."""
    # Buckets of their own: whoever tries many tabs must not push out those of other doors.
    launches = RequestRates(limit, store=store, kind="launches") if limit is not None else None
    tabs = RequestRates(limit, store=store, kind="tabs") if limit is not None else None

    async def counted(request: Request) -> None:
        tab = request.path_params.get("tab")
        if tab is None:
            rates, client = launches, address_of(request)
        else:
            rates, client = tabs, str(tab)
        wait_s = await rates.counted(client, at_s=steady_s()) if rates is not None else None
        if wait_s is not None:
            seconds = max(1, math.ceil(wait_s))
            raise PageRefused(
                429,
                "Too many requests",
                "This page was asked for too often in a short time, so it is not shown just now. Nothing was written.",
                todo=(f"Load it again in {seconds} s.",),
                headers={"Retry-After": str(seconds)},
            )

    return counted
