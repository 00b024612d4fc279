"""Which CDS client is at this door, and may it come in; and which web origins may call it (CORS).

With clients configured, every request needs a JWT of one of them, its `aud` the address that is called, each used once:
for discovery, call and feedback alike, as the standard has it. With none, this door is open only while sign-in is off
altogether, and then to callers on this machine; where the FHIR door asks for sign-in, this one stays shut.

Source: CDS Hooks 2.0, "Trusting CDS Clients" (a JWT on every request, "whether that be a Discovery call, a single CDS
Service invocation, or multiple exchanges") and "Cross-Origin Resource Sharing"; the Fetch
standard, CORS protocol; RFC 6750 section 3; RFC 6585 section 4.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from fastapi import Request
from starlette.middleware.cors import CORSMiddleware
from starlette.types import ASGIApp, Receive, Scope, Send

from ebbmark.fhir.problems import Problem, ProblemKind
from ebbmark.fhir.writing.audit_event import Actor
from ebbmark.web.authentication import (
    ClientJwt,
    SeenTokens,
    checked_client,
    count,
    not_signed_in,
    require_this_machine,
)
from ebbmark.web.limits import Refused
from ebbmark.web.shared_store import RequestRates
from ebbmark.web.token_check import TokenRules

_ACCEPTED = "Authorization: Bearer with a JWT of a known CDS client, its aud the address that is called"


@dataclass(frozen=True, slots=True)
class HooksAuthMiddleware:
    """The entrance of this door.

    Attributes:
        rules: whose JWTs are accepted; None where no client is configured.
        root: address of this application as clients know it; with the path, the `aud` of their tokens.
        elsewhere_signed_in: whether other doors ask for sign-in.
        origins: web origins that may call from a browser.
        rates: how often each client asked; None where there is no limit.
        wall_s: seconds since 1970-01-01T00:00:00Z.
        steady_s: seconds that never run back.
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
        address = request.client.host if request.client else ""
        if self.rules is None:
            if self.elsewhere_signed_in:
                raise _shut()
            origin = request.headers.get("origin")
            origin = None if origin in self.origins else origin
            require_this_machine(address, origin, request.headers.get("host"), self.root)
            await count(self.rates, address, self.steady_s())
            return Actor(address=address)
        client = await self._signed_in(self.rules, request, address)
        name = client.tenant or client.issuer
        await count(self.rates, f"{client.issuer} {name}", self.steady_s())
        return Actor(client.issuer, name, address)

    async def _signed_in(self, rules: TokenRules, request: Request, address: str) -> ClientJwt:
        headers = request.headers.getlist("authorization")
        found = await checked_client(
            headers[0] if len(headers) == 1 else None,
            endpoint_url=f"{self.root}{request.scope['path']}",
            rules=rules,
            seen=self.seen,
            at_s=self.wall_s(),
        )
        if isinstance(found, ClientJwt):
            return found
        # Failed tries count for the address, so that nobody can try without end.
        await count(self.rates, address, self.steady_s())
        raise not_signed_in(found, _ACCEPTED)


def _shut() -> Refused:
    found, accepted = "a service without known CDS clients", "a service whose cds_clients are configured"
    sentence = "No CDS clients are configured here, so that this door is shut. Configure EBBMARK_CDS_CLIENTS."
    return Refused(Problem(ProblemKind.NOT_PERMITTED, "", found, accepted, sentence), {}, "door-shut")


_PREFIX = "/cds-services"


class HooksOrigins:
    """CORS for the paths of this door alone.

    Args:
        origins: those allowed; no credentials of the browser are, since tokens are sent in a header.
    """

    def __init__(self, app: ASGIApp, origins: Sequence[str]) -> None:
        self.app = app
        self._open = CORSMiddleware(
            app,
            allow_origins=origins,
            allow_methods=("GET", "POST"),
            allow_headers=("Authorization", "Content-Type"),
            allow_credentials=False,
            max_age=600,
        )

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass the request on, through CORS where it is for this door."""
        path = scope.get("path", "") if scope["type"] == "http" else ""
        inside = path == _PREFIX or path.startswith(f"{_PREFIX}/")
        await (self._open if inside else self.app)(scope, receive, send)
