"""Authentication and rate limits of the FHIR door: who calls, whether they may, and not too often.

Open to everybody: health, the published keys, the OpenAPI document and the definitions of the FHIR door (a client must
be able to read the CapabilityStatement before it can know how to sign in). Everything else of the FHIR door needs an
access token, unless sign-in is off; then only callers on this machine come in, and no web page of another origin.

Source: RFC 6750 section 3 (401, 403, WWW-Authenticate), RFC 6585 section 4 (429), RFC 6454 (Origin).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from ipaddress import ip_address
from urllib.parse import urlsplit

from fastapi import Request

from ebbmark.fhir.problems import Problem, ProblemKind, Rejected
from ebbmark.fhir.writing.audit_event import Actor
from ebbmark.record.address_guard import is_this_machine
from ebbmark.web.bearer import EVALUATE, Caller, Permission, checked_caller
from ebbmark.web.rates import RequestRates
from ebbmark.web.token_check import Introspection, Rules, TokenRefusal

__all__ = [
    "AuthMiddleware",
    "Refused",
    "actor_of",
    "count",
    "may",
    "not_signed_in",
    "require",
    "require_scope",
    "require_this_machine",
]

REALM = 'Bearer realm="ebbmark"'
_LATER = frozenset({TokenRefusal.KEYS_UNAVAILABLE, TokenRefusal.INTROSPECTION_UNAVAILABLE, TokenRefusal.TOO_MANY})
_SOON_S = 5


class Refused(Rejected):
    """A refusal that HTTP accompanies with headers.

    Attributes:
        headers: that go with it.
        not_admitted: why the caller was not let in, as one word of ours; empty for every other refusal.
    """

    def __init__(self, problem: Problem, headers: dict[str, str], not_admitted: str = "") -> None:
        super().__init__((problem,))
        self.headers = headers
        self.not_admitted = not_admitted


@dataclass(frozen=True, slots=True)
class AuthMiddleware:
    """The entrance of the FHIR door.

    Attributes:
        rules: whose tokens are accepted; None where sign-in is off.
        audience: what `aud` of a token must say.
        rates: how often each client asked; None where there is no limit.
        wall_s: seconds since 1970-01-01T00:00:00Z.
        steady_s: seconds that never run back.
        introspection: who is asked about tokens that cannot be checked here; None where nobody is.
    """

    rules: Rules | None
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
        address = request.client.host if request.client else ""
        if self.rules is None:
            require_this_machine(address, request.headers.get("origin"), request.headers.get("host"), self.audience)
            caller = Caller("", "", None)
        else:
            caller = await self._signed_in(self.rules, request, address)
        await count(self.rates, f"{caller.issuer} {caller.client}" if caller.client else address, self.steady_s())
        request.state.caller = caller
        require(request, EVALUATE)

    async def _signed_in(self, rules: Rules, request: Request, address: str) -> Caller:
        headers = request.headers.getlist("authorization")
        found = await checked_caller(
            headers[0] if len(headers) == 1 else None,
            rules=rules,
            audience=self.audience,
            at_s=self.wall_s(),
            introspection=self.introspection,
        )
        if isinstance(found, Caller):
            return found
        # Failed tries count for the address, so that nobody can try without end.
        await count(self.rates, address, self.steady_s())
        raise not_signed_in(found, "Authorization: Bearer with an access token of a trusted issuer")


async def count(rates: RequestRates | None, client: str, at_s: float) -> None:
    """Count one request of a client.

    Args:
        rates: how often each client asked; None where there is no limit.
        client: whose.
        at_s: now, by a clock that never runs back [s].

    Raises:
        Refused: 429.
    """
    wait_s = await rates.counted(client, at_s=at_s) if rates is not None else None
    if wait_s is not None:
        raise _too_often(max(1, math.ceil(wait_s)))


def actor_of(request: Request) -> Actor:
    """Who asks, for the audit trail."""
    caller = _caller_of(request)
    return Actor(caller.issuer, caller.client, request.client.host if request.client else "")


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
        accepted: what would be, in words.
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


def _too_often(wait_s: int) -> Refused:
    accepted = "fewer requests per minute"
    sentence = f"Too many requests from this client; ask again in {wait_s} s."
    return Refused(
        Problem(ProblemKind.TOO_OFTEN, "", "too many requests", accepted, sentence), {"Retry-After": str(wait_s)}
    )


def require_this_machine(address: str, origin: str | None, host: str | None, own_url: str) -> None:
    """While sign-in is off: no caller from elsewhere, and no page from elsewhere in a browser on this machine.

    A page of another site can have its own name lead here, and then has no other origin: so the name that was called
    must be one of this machine, or our own.

    Args:
        address: network address of the caller; empty where there is none.
        origin: the Origin header.
        host: the Host header.
        own_url: an address of this service.

    Raises:
        Refused: 403.
    """
    by_another_name = host is not None and _host_of(f"//{host}") != _host_of(own_url) and not _is_here(f"//{host}")
    other_page = origin is not None and not _is_here(origin)
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


def _is_elsewhere(address: str) -> bool:
    try:
        return not ip_address(address).is_loopback
    except ValueError:
        return False  # a socket of the file system, or a caller in the same process: no network lies between
