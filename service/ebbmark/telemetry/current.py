"""What is being answered just now: its trace, and where counts and spans of it go.

The application sets the scene of a request once, in a context variable; whatever happens below counts by one line and
knows nothing of registries. Outside a request, as on the command line, and where telemetry is off, nothing is counted.

Source of the span attributes: OpenTelemetry semantic conventions for HTTP spans. Addresses, queries, headers and bodies
are left out, since they may hold what must not leave: a host is named, and a route by its template.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, field
from typing import Literal
from urllib.parse import urlsplit

from ebbmark.telemetry.measured import Measured, Meters
from ebbmark.telemetry.trace_context import NewId, TraceContext

__all__ = [
    "OutgoingCall",
    "Span",
    "Watch",
    "count",
    "current_trace",
    "in_scene",
    "outgoing_call",
    "set_gauge",
]


@dataclass(frozen=True, slots=True)
class Span:
    """One finished piece of work in a trace.

    Attributes:
        name: of low cardinality.
        kind: whether we answered or called.
        place: its ids.
        started_ns: [ns since 1970-01-01T00:00:00Z].
        ended_ns: likewise.
        attributes: by their names in the semantic conventions.
        failed: whether it counts as an error.
    """

    name: str
    kind: Literal["server", "client"]
    place: TraceContext
    started_ns: int
    ended_ns: int
    attributes: Mapping[str, str | int]
    failed: bool


@dataclass(frozen=True, slots=True)
class Watch:
    """Where telemetry of one application goes.

    Attributes:
        new_id: for traces and spans.
        wall_ns: nanoseconds since 1970-01-01T00:00:00Z.
        steady_s: seconds that never run back.
        meters: None where metrics are off.
        keep: takes finished spans; None where traces are off.
        kept_share: of the traces that begin here, how many are kept, from 0 to 1.
    """

    new_id: NewId
    wall_ns: Callable[[], int]
    steady_s: Callable[[], float]
    meters: Meters | None = None
    keep: Callable[[Span], None] | None = None
    kept_share: float = 1.0

    def begin(self) -> TraceContext:
        """A trace that begins here; which ones are kept follows from their ids, so that replicas need not agree."""
        trace_id = self.new_id(16)
        kept = self.keep is not None and int(trace_id[16:], 16) < self.kept_share * 2**64
        return TraceContext(trace_id, self.new_id(8), kept)


@dataclass(frozen=True, slots=True)
class _Scene:
    watch: Watch
    place: TraceContext


_SCENE: ContextVar[_Scene | None] = ContextVar("ebbmark_scene", default=None)


@contextmanager
def in_scene(watch: Watch, place: TraceContext) -> Iterator[None]:
    """Let all that happens within belong to this trace."""
    token = _SCENE.set(_Scene(watch, place))
    try:
        yield
    finally:
        _SCENE.reset(token)


def current_trace() -> TraceContext | None:
    """The trace of what is being answered; None outside a request."""
    scene = _SCENE.get()
    return None if scene is None else scene.place


def count(one: Measured, *labels: str, amount: float = 1.0) -> None:
    """Add to a counter or a gauge, if somebody counts."""
    scene = _SCENE.get()
    if scene is not None and scene.watch.meters is not None:
        scene.watch.meters.add(one, amount, labels)


def set_gauge(one: Measured, value: float) -> None:
    """Set a gauge, if somebody counts."""
    scene = _SCENE.get()
    if scene is not None and scene.watch.meters is not None:
        scene.watch.meters.set(one, value)


@dataclass(slots=True)
class OutgoingCall:
    """One call to another system.

    Attributes:
        headers: that name the trace; none outside a request.
        outcome: HTTP status or kind of failure; to be set before the call ends.
    """

    headers: Mapping[str, str] = field(default_factory=dict)
    outcome: int | str = "abandoned"


@contextmanager
def outgoing_call(method: str, url: str) -> Iterator[OutgoingCall]:
    """Count and trace one call.

    Args:
        method: HTTP method.
        url: absolute address, of which only the host is kept.
    """
    scene = _SCENE.get()
    if scene is None:
        yield OutgoingCall()
        return
    watch, place = scene.watch, scene.place.child(scene.watch.new_id)
    call = OutgoingCall(place.headers)
    began_ns, began_s = watch.wall_ns(), watch.steady_s()
    if watch.meters is not None:
        watch.meters.add(Measured.CALLS_IN_FLIGHT, 1, ())
    try:
        yield call
    finally:
        host = urlsplit(url).hostname or ""
        took_s = watch.steady_s() - began_s
        if watch.meters is not None:
            watch.meters.add(Measured.CALLS_IN_FLIGHT, -1, ())
            watch.meters.add(Measured.CALLS, 1, (host, method, str(call.outcome)))
            watch.meters.observe(Measured.CALL_SECONDS, took_s, (host, method))
        if watch.keep is not None and place.sampled:
            watch.keep(_call_span(method, host, call.outcome, place, began_ns, took_s))


def _call_span(method: str, host: str, outcome: int | str, place: TraceContext, began_ns: int, took_s: float) -> Span:
    failed = isinstance(outcome, str) or outcome >= 400
    found: dict[str, str | int] = (
        {"http.response.status_code": outcome} if isinstance(outcome, int) else {"error.type": outcome}
    )
    attributes = {"http.request.method": method, "server.address": host, **found}
    return Span(method, "client", place, began_ns, began_ns + round(took_s * 1e9), attributes, failed)
