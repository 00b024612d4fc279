"""The layers around every request: telemetry, bounds on what is in progress, safe headers, one error boundary, CORS.

* Everything that a request causes belongs to its trace. A request is named by the template of its route, never by its
  address.
* More requests or bytes than the bounds are refused with 503, before the body is read where its length is announced
  (load shedding, `limits`); health is exempt.
* A request with both Content-Length and Transfer-Encoding is refused: two readers may see two different requests.
* A response that is sent before the body was read ends the connection, after a short wait for the rest of the body:
  closing at once would reset the connection and could take the response with it.
* HEAD is GET without the body, except where GET has effects (a launch).

Source: RFC 9112 sections 6.1 (both length headers), 9.6 (closing, and lingering before it); RFC 9110 sections 9.3.2
(HEAD), 15.6.4 (503); RFC 6797 (HSTS; one year is common practice, no published source).
"""

from __future__ import annotations

import asyncio
import logging
import math
from collections.abc import Awaitable, Callable, Sequence

import msgspec
from fastapi import Request, Response
from starlette.exceptions import HTTPException
from starlette.middleware.cors import CORSMiddleware
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from ebbmark.fhir.operations import BY_SLUG
from ebbmark.fhir.problems import Problem, ProblemKind, Rejected, operation_outcome, status_of
from ebbmark.fhir.writing.provenance import Access, Actor, AuditAction
from ebbmark.record.connection import holding_replies
from ebbmark.telemetry.logs import place_in
from ebbmark.telemetry.measured import Measured, Span, TraceContext, Watch, count, in_scene, read_trace_context
from ebbmark.web.audit_trail import AuditTrail
from ebbmark.web.body import FHIR_JSON
from ebbmark.web.limits import Load, Refused
from ebbmark.web.theme import PageRefused, is_of_a_page, refusal_page
from ebbmark.words.messages import say

_METHODS = frozenset({"GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS"})


class Telemetry:
    """The outermost layer: everything that a request causes belongs to its trace."""

    def __init__(self, app: ASGIApp, watch: Watch) -> None:
        self.app = app
        self.watch = watch

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass the request on, and tell what became of it."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        watch = self.watch
        place = _place(scope, watch)
        began_ns, began_s = watch.wall_ns(), watch.steady_s()
        status = 500

        async def send_and_note(message: Message) -> None:
            nonlocal status
            if message["type"] == "http.response.start":
                status = message["status"]
            await send(message)

        with in_scene(watch, place):
            if watch.meters is not None:
                watch.meters.add(Measured.REQUESTS_IN_FLIGHT, 1, ())
            try:
                await self.app(scope, receive, send_and_note)
            finally:
                took_s = watch.steady_s() - began_s
                self._tell(scope, place, status, began_ns, took_s)

    def _tell(self, scope: Scope, place: TraceContext, status: int, began_ns: int, took_s: float) -> None:
        watch = self.watch
        debugging = _LOG.isEnabledFor(logging.DEBUG)
        if watch.meters is None and watch.keep is None and not debugging:
            return
        operation = getattr(scope.get("route"), "path", "other")
        method = scope["method"] if scope["method"] in _METHODS else "other"
        if watch.meters is not None:
            watch.meters.add(Measured.REQUESTS_IN_FLIGHT, -1, ())
            watch.meters.add(Measured.REQUESTS, 1, (operation, method, str(status)))
            watch.meters.observe(Measured.REQUEST_SECONDS, took_s, (operation,))
        if watch.keep is not None and place.sampled:
            attributes: dict[str, str | int] = {
                "http.request.method": method,
                "http.route": operation,
                "http.response.status_code": status,
            }
            ended_ns = began_ns + round(took_s * 1e9)
            name = f"{method} {operation}"
            watch.keep(Span(name, "server", place, began_ns, ended_ns, attributes, failed=status >= 500))
        if debugging:
            _LOG.debug("%s %s answered %d in %.1f ms", method, operation, status, took_s * 1e3)


def _place(scope: Scope, watch: Watch) -> TraceContext:
    parents = [value.decode("latin-1") for name, value in scope["headers"] if name == b"traceparent"]
    if not parents:
        return watch.begin()
    states = [value.decode("latin-1") for name, value in scope["headers"] if name == b"tracestate"]
    return read_trace_context(parents, states, new_id=watch.new_id) or watch.begin()


_LOG = logging.getLogger("ebbmark")

SAFE_HEADERS = (
    (b"cache-control", b"no-store"),
    (b"x-content-type-options", b"nosniff"),
    (b"referrer-policy", b"no-referrer"),
    (b"content-security-policy", b"default-src 'none'; frame-ancestors 'none'"),
)
"""On every response."""


def outcome_response(problems: tuple[Problem, ...], status: int, headers: dict[str, str] | None = None) -> Response:
    """A response that carries nothing but these problems."""
    return Response(
        msgspec.json.encode(operation_outcome(problems)), status_code=status, media_type=FHIR_JSON, headers=headers
    )


async def rejected(_: Request, error: Exception) -> Response:
    """Every refusal of ours, with all its problems and all that was ignored."""
    assert isinstance(error, Rejected)  # noqa: S101 - registered for this class only
    return Response(
        msgspec.json.encode(operation_outcome(error.problems, error.ignored)),
        status_code=status_of(error.problems),
        media_type=FHIR_JSON,
        headers=error.headers if isinstance(error, Refused) else _retry_after(error.problems),
    )


def _retry_after(problems: tuple[Problem, ...]) -> dict[str, str] | None:
    """What the record asks of us, handed on to our caller (RFC 9110 section 10.2.3)."""
    waits_s = [problem.retry_after_s for problem in problems if problem.retry_after_s is not None]
    wait_s = max(waits_s, default=math.inf)
    return {"Retry-After": str(math.ceil(wait_s))} if math.isfinite(wait_s) else None


async def not_routed(request: Request, error: Exception) -> Response:
    """What the framework refuses before any door is reached: unknown path or method."""
    assert isinstance(error, HTTPException)  # noqa: S101 - registered for this class only
    if is_of_a_page(request.url.path):
        title, sentence, todo = (say(f"page-refused.{part}") for part in ("no-page", "no-such-page", "from-record"))
        return refusal_page(PageRefused(error.status_code, title, sentence, todo=(todo,), headers=error.headers))
    kind = ProblemKind.METHOD_NOT_ALLOWED if error.status_code == 405 else ProblemKind.NOT_FOUND
    operations = ", ".join(f"POST /fhir/${slug}" for slug in BY_SLUG)
    accepted = f"{operations}, GET /fhir/metadata, GET /health/live, GET /health/ready"
    problem = Problem(
        kind, "", "an address or method that is not served", accepted, f"Not served here. Served: {accepted}."
    )
    return outcome_response((problem,), error.status_code, dict(error.headers or {}))


def refusals(trail: AuditTrail) -> Callable[[Request, Exception], Awaitable[Response]]:
    """The exception handler for `Rejected`."""

    async def refused(request: Request, error: Exception) -> Response:
        assert isinstance(error, Rejected)  # noqa: S101 - registered for this class only
        for problem in error.problems:
            count(Measured.REFUSALS, problem.kind.slug)
        if isinstance(error, Refused) and error.not_admitted:
            why = error.not_admitted
            count(Measured.SIGN_IN_REFUSALS, why)
            _LOG.warning("a caller was not let in: %s", why)
            actor = Actor(address=request.client.host if request.client else "")
            trail.note_in_log(Access(AuditAction.SIGNED_IN, actor, succeeded=False, why_not=why), trail.wall_s())
        return await rejected(request, error)

    return refused


_CLOSE = (b"connection", b"close")
_HSTS = (b"strict-transport-security", b"max-age=31536000")
_EXEMPT = "/health/"
_WITH_EFFECTS = "/launch"
_DIGITS = 16  # of a length that is looked at; the server beneath takes no longer one

LINGER_S = 1.0
"""How long the rest of a body that nobody wants is waited for [s]; this project's choice."""
LINGER_BYTES = 4_000_000


class Boundary:
    """The layer.

    Args:
        over_https: whether browsers reach this service over https only.
    """

    def __init__(self, app: ASGIApp, load: Load | None = None, over_https: bool = False) -> None:
        self.app = app
        self.load = load or Load()
        self.headers = (*SAFE_HEADERS, _HSTS) if over_https else SAFE_HEADERS

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass the request on; add headers to the response."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        answering = _Answering(scope, receive, send, self.headers, self.load)
        self.load.requests += 1
        self.load.reading += answering.reading
        try:
            refused = _refusal_of_framing(scope) or self._refusal_of_one_more(scope["path"], answering)
            with holding_replies():
                await (refused or self.app)(answering.scope, answering.receive, answering.send)
        except Exception as error:  # the only one: whatever it is, no stack and no data leave
            _LOG.error("unforeseen %s in %s", type(error).__name__, place_in(error.__traceback__))
            if answering.started:
                raise
            sentence = (
                "The service failed and gives no answer. Asking again is safe, also where write-back was asked for."
            )
            problem = Problem(ProblemKind.INTERNAL, "", "a fault in this service", "", sentence)
            failed = _refusal(scope["path"], problem, "The service failed", {})
            await failed(answering.scope, answering.receive, answering.send)
        finally:
            self.load.requests -= 1
            self.load.reading -= answering.reading
            self.load.held_bytes -= answering.held_bytes

    def _refusal_of_one_more(self, path: str, answering: _Answering) -> Response | None:
        if path.startswith(_EXEMPT):
            return None
        try:
            self.load.require_room(answering.announced_bytes, has_body=answering.reading)
        except Refused as refused:
            return _refusal(path, refused.problems[0], "Too busy", refused.headers)
        return None


class _Answering:
    """One request on its way in and its response on its way out."""

    def __init__(
        self, scope: Scope, receive: Receive, send: Send, headers: tuple[tuple[bytes, bytes], ...], load: Load
    ) -> None:
        # RFC 9110 section 9.3.2: HEAD is GET without the body.
        self._bodiless = scope["method"] == "HEAD"
        effects = scope["path"].startswith(_WITH_EFFECTS)
        self.scope = {**scope, "method": "GET"} if self._bodiless and not effects else scope
        self.started = False
        self.held_bytes = 0
        self._receive, self._send, self._headers, self._load = receive, send, headers, load
        names = dict(scope["headers"])
        length = names.get(b"content-length", b"0")
        self.announced_bytes = int(length) if length.isdigit() and len(length) < _DIGITS else 0
        self._unread = length.strip(b"0") != b"" or b"transfer-encoding" in names
        self.reading = self._unread
        # Whoever waits for leave to send a body has not sent it.
        self._lingers = b"expect" not in names

    async def receive(self) -> Message:
        message = await self._read()
        size_bytes = len(message.get("body", b""))
        self._load.take(size_bytes, own_bytes=self.held_bytes)
        self.held_bytes += size_bytes
        if self.reading and not self._unread:
            self.reading = False
            self._load.body_there()
        return message

    async def _read(self) -> Message:
        message = await self._receive()
        self._unread = self._unread and message["type"] == "http.request" and bool(message.get("more_body"))
        return message

    async def send(self, message: Message) -> None:
        if message["type"] == "http.response.start":
            if self._unread:
                # Where the rest of the request was malformed, the server beneath has answered it and is about to drop
                # the connection: after one turn of the loop it takes what is sent for nobody, without a fault.
                await asyncio.sleep(0)
            self.started = True
            own = {name for name, _ in message["headers"]}
            added = [header for header in self._headers if header[0] not in own]
            message["headers"] = [*message["headers"], *added, *([_CLOSE] if self._unread else [])]
        elif self._bodiless:
            message["body"] = b""
        if message["type"] == "http.response.body" and self._unread and not message.get("more_body"):
            await self._send({**message, "more_body": True})
            await self._linger()
            message = {"type": "http.response.body", "body": b"", "more_body": False}
        await self._send(message)

    async def _linger(self) -> None:
        size = 0
        try:
            async with asyncio.timeout(LINGER_S):
                while self._unread and self._lingers and size < LINGER_BYTES:
                    size += len((await self._read()).get("body", b""))
        except TimeoutError:
            return


def _refusal_of_framing(scope: Scope) -> Response | None:
    names = [name for name, _ in scope["headers"]]
    if b"transfer-encoding" not in names or b"content-length" not in names:
        return None
    found, accepted = "Content-Length and Transfer-Encoding", "one of them"
    sentence = "The request says its length in two ways, so that its end is not certain; accepted: one of them."
    problem = Problem(ProblemKind.FRAMING, "", found, accepted, sentence)
    return _refusal(scope["path"], problem, "The request cannot be read", {"Connection": "close"})


def _refusal(path: str, problem: Problem, title: str, headers: dict[str, str]) -> Response:
    count(Measured.REFUSALS, problem.kind.slug)
    status = problem.kind.status
    if is_of_a_page(path):
        return refusal_page(PageRefused(status, title, problem.sentence, headers=headers))
    return outcome_response((problem,), status, headers)


_HOOKS = "/cds-services"


class HooksOrigins:
    """CORS for the paths of the CDS Hooks door alone (CDS Hooks 2.0, "Cross-Origin Resource Sharing"; Fetch standard).

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
        inside = path == _HOOKS or path.startswith(f"{_HOOKS}/")
        await (self._open if inside else self.app)(scope, receive, send)
