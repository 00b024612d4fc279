"""What is being answered just now: its trace, and where counts and spans of it go.

The application sets the scene of a request once, in a context variable; whatever happens below counts by one line and
knows nothing of registries. Outside a request, as on the command line, and where telemetry is off, nothing is counted.

A caller's trace is continued only where its `traceparent` keeps the form of the W3C Recommendation "Trace Context"
(https://www.w3.org/TR/trace-context/), sections 3.2, 3.3 (tracestate) and 4; else a new one is begun and the caller's
`tracestate` is dropped.

Source of the span attributes: OpenTelemetry semantic conventions for HTTP spans. Addresses, queries, headers and bodies
are left out, since they may hold what must not leave: a host is named, and a route by its template.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, field
from typing import Literal
from urllib.parse import urlsplit

from ebbmark.telemetry.measured import Measured, Meters

__all__ = [
    "NewId",
    "OutgoingCall",
    "Span",
    "TraceContext",
    "Watch",
    "count",
    "current_trace",
    "in_scene",
    "outgoing_call",
    "read_trace_context",
    "set_gauge",
]

NewId = Callable[[int], str]
"""Random hexadecimal digits for so many bytes."""

_TRACEPARENT = re.compile(r"([0-9a-f]{2})-([0-9a-f]{32})-([0-9a-f]{16})-([0-9a-f]{2})(-.*)?")
_KEY = r"(?:[a-z0-9][a-z0-9_\-*/]{0,255}|[a-z0-9][a-z0-9_\-*/]{0,240}@[a-z0-9][a-z0-9_\-*/]{0,13})"
_MEMBER = re.compile(rf"({_KEY})=[\x20-\x2b\x2d-\x3c\x3e-\x7e]{{0,255}}[\x21-\x2b\x2d-\x3c\x3e-\x7e]")
_SPACE = " \t"
_MOST_MEMBERS = 32
_LONGEST_STATE = 512
"""Section 3.3.1.5 asks to pass on at least so many characters; a longer one is dropped whole. Our choice."""


@dataclass(frozen=True, slots=True)
class TraceContext:
    """One place in a trace.

    Attributes:
        trace_id: 32 hexadecimal digits.
        span_id: 16 hexadecimal digits, of this request.
        sampled: whether its spans are kept, by the caller's choice or ours.
        parent_id: 16 hexadecimal digits, of the caller's span; empty where the trace begins here.
        state: `tracestate` as received; empty where there is none.
    """

    trace_id: str
    span_id: str
    sampled: bool
    parent_id: str = ""
    state: str = ""

    @property
    def headers(self) -> dict[str, str]:
        """What a request carries that is made from this place."""
        traceparent = f"00-{self.trace_id}-{self.span_id}-{'01' if self.sampled else '00'}"
        return {"traceparent": traceparent, **({"tracestate": self.state} if self.state else {})}

    def child(self, new_id: NewId) -> TraceContext:
        """The place of a call that is made from this one."""
        return TraceContext(self.trace_id, new_id(8), self.sampled, self.span_id, self.state)


def read_trace_context(traceparent: Sequence[str], tracestate: Sequence[str], *, new_id: NewId) -> TraceContext | None:
    """Continue the caller's trace.

    Args:
        traceparent: values of all headers of this name.
        tracestate: likewise, in order.
        new_id: for the span of this request.

    Returns:
        Our place in it; None where the caller names no trace in the form that the standard asks for.
    """
    found = _TRACEPARENT.fullmatch(traceparent[0].strip(_SPACE)) if len(traceparent) == 1 else None
    if found is None:
        return None
    version, trace_id, parent_id, flags, more = found.groups()
    if version == "ff" or (version == "00" and more) or not trace_id.strip("0") or not parent_id.strip("0"):
        return None
    return TraceContext(trace_id, new_id(8), bool(int(flags, 16) & 1), parent_id, _state(tracestate))


def _state(values: Sequence[str]) -> str:
    members = [one.strip(_SPACE) for value in values for one in value.split(",")]
    members = [one for one in members if one]
    matched = [_MEMBER.fullmatch(one) for one in members]
    keys = {one.group(1) for one in matched if one is not None}
    state = ",".join(members)
    # One member that is wrong makes the whole unusable; a key may stand there once.
    return state if len(keys) == len(members) <= _MOST_MEMBERS and len(state) <= _LONGEST_STATE else ""


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
