"""Metrics and traces: the table of all metrics, their registry, and where the counts and spans of a request go.

The application sets the scene of a request once, in a context variable; whatever happens below counts by one line and
knows nothing of registries. Outside a request, as on the command line, and where telemetry is off, nothing is counted.
Every label takes its value from a closed list of words: route templates, codes of ours, HTTP methods and statuses,
configured hosts. None is taken from a request's content.

A caller's trace is continued only where its `traceparent` keeps the form of the W3C Recommendation "Trace Context"
(https://www.w3.org/TR/trace-context/), sections 3.2, 3.3 (tracestate) and 4; else a new one is begun and the caller's
`tracestate` is dropped.

Source: Prometheus exposition format; names and units as https://prometheus.io/docs/practices/naming/ asks. Span
attributes: OpenTelemetry semantic conventions for HTTP spans. Addresses, queries, headers and bodies are left out,
since they may hold what must not leave: a host is named, and a route by its template.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, field
from enum import Enum
from typing import TYPE_CHECKING, Any, Literal
from urllib.parse import urlsplit

if TYPE_CHECKING:
    from prometheus_client import Counter, Gauge, Histogram
    from prometheus_client.core import Metric

PoolUse = Callable[[], tuple[int, int]]
"""Open connections of a pool, and how many of them carry a request."""

_SECONDS = (0.001, 0.0025, 0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1.0, 2.5, 5.0, 10.0, 30.0)


class Measured(Enum):
    """One row per metric: name, kind, labels, meaning."""

    REQUESTS = (
        "ebbmark_requests_total",
        "counter",
        ("operation", "method", "status"),
        "Requests answered, by route, method and HTTP status.",
    )
    REQUEST_SECONDS = (
        "ebbmark_request_duration_seconds",
        "histogram",
        ("operation",),
        "From the head of a request to the end of its response.",
    )
    REQUESTS_IN_FLIGHT = ("ebbmark_requests_in_flight", "gauge", (), "Requests that are being answered.")
    WORK_WAITED_FOR = ("ebbmark_work_waited_for", "gauge", (), "Answers being computed, or in the queue for a thread.")
    ANSWERS = (
        "ebbmark_answers_total",
        "counter",
        ("operation", "verdict"),
        "Clinical answers given, by operation and, for a titration, by its verdict.",
    )
    REFUSALS = ("ebbmark_refusals_total", "counter", ("reason",), "Reasons for which requests were refused.")
    SIGN_IN_REFUSALS = (
        "ebbmark_sign_in_refusals_total",
        "counter",
        ("reason",),
        "Callers who were not let in, by reason.",
    )
    CALLS = (
        "ebbmark_outgoing_calls_total",
        "counter",
        ("host", "method", "outcome"),
        "Calls to records and those who give tokens and keys, by HTTP status or kind of failure.",
    )
    CALL_SECONDS = (
        "ebbmark_outgoing_call_duration_seconds",
        "histogram",
        ("host", "method"),
        "From the start of such a call to the end of the reply.",
    )
    CALLS_IN_FLIGHT = ("ebbmark_outgoing_calls_in_flight", "gauge", (), "Such calls that wait for their reply.")
    RETRIES = ("ebbmark_retries_total", "counter", ("reason",), "Calls made once more, by what the last one brought.")
    WRITE_BACKS = ("ebbmark_write_backs_total", "counter", ("outcome",), "Write-backs, by what became of them.")
    CARDS = ("ebbmark_cards_total", "counter", ("finding",), "CDS Hooks calls answered, by what the card was about.")
    FEEDBACK = (
        "ebbmark_card_feedback_total",
        "counter",
        ("outcome", "reason"),
        "What became of cards, by the client's feedback.",
    )
    BRIDGE_MESSAGES = (
        "ebbmark_bridge_messages_total",
        "counter",
        ("verdict",),
        "Messages of senders in HL7 v2, by how they were acknowledged: accepted, again or never.",
    )
    BRIDGE_READINGS = ("ebbmark_bridge_readings_total", "counter", (), "Readings in messages that were accepted.")
    BRIDGE_ROWS_LEFT = (
        "ebbmark_bridge_rows_left_total",
        "counter",
        ("reason",),
        "Rows (OBX) of messages that were accepted which were not carried, by reason.",
    )
    AUDIT_FALLBACKS = (
        "ebbmark_audit_fallbacks_total",
        "counter",
        (),
        "AuditEvents that the record did not take and that are in the log stream instead.",
    )
    LOG_FAULTS = (
        "ebbmark_log_faults_total",
        "counter",
        (),
        "Log lines that their stream did not take, as on a full disk; audit lines among them are on standard error.",
    )
    RECORD_REACHABLE = (
        "ebbmark_record_reachable",
        "gauge",
        (),
        "1 where the record answered when last looked at, 0 where it did not; absent before the first look.",
    )
    SHARED_STORE_REACHABLE = (
        "ebbmark_shared_store_reachable",
        "gauge",
        (),
        "1 where the store that replicas share answered when last asked, 0 where it did not; absent without one.",
    )

    def __init__(self, metric: str, kind: str, labels: tuple[str, ...], meaning: str) -> None:
        self.metric = metric
        self.kind = kind
        self.labels = labels
        self.meaning = meaning


class Meters:
    """The metrics of one application; their library is loaded with the first.

    Args:
        process: whether memory, processor time and open files of this process are shown, too.
    """

    def __init__(self, *, process: bool = True) -> None:
        from prometheus_client import CollectorRegistry, PlatformCollector, ProcessCollector, disable_created_metrics

        # A second series with the time of birth for each counter serves no alert of ours.
        disable_created_metrics()  # type: ignore[no-untyped-call]
        self.registry = CollectorRegistry()
        if process:
            ProcessCollector(registry=self.registry)
            PlatformCollector(registry=self.registry)
        late = (Measured.RECORD_REACHABLE, Measured.SHARED_STORE_REACHABLE)
        self._made: dict[Measured, Any] = {one: self._make(one) for one in Measured if one not in late}

    def _make(self, one: Measured) -> Counter | Gauge | Histogram:
        from prometheus_client import Counter, Gauge, Histogram

        if one.kind == "histogram":
            return Histogram(one.metric, one.meaning, one.labels, registry=self.registry, buckets=_SECONDS)
        kind = Counter if one.kind == "counter" else Gauge
        return kind(one.metric, one.meaning, one.labels, registry=self.registry)

    def add(self, one: Measured, amount: float, labels: tuple[str, ...]) -> None:
        """Add to a counter or a gauge."""
        made = self._made[one]
        (made.labels(*labels) if labels else made).inc(amount)

    def observe(self, one: Measured, seconds: float, labels: tuple[str, ...]) -> None:
        """Put a duration into a histogram."""
        self._made[one].labels(*labels).observe(seconds)

    def set(self, one: Measured, value: float) -> None:
        """Set a gauge; one that stands for something not known yet appears with its first value."""
        (self._made.get(one) or self._made.setdefault(one, self._make(one))).set(value)

    def show_pool(self, use: PoolUse) -> None:
        """Show the use of a pool of connections, looked at when the metrics are read."""
        self.registry.register(_Pool(use))


@dataclass(frozen=True, slots=True)
class _Pool:
    """A collector of the registry, which asks for `collect` alone."""

    use: PoolUse

    def collect(self) -> Iterator[Metric]:
        from prometheus_client.core import GaugeMetricFamily

        open_, busy = self.use()
        family = GaugeMetricFamily("ebbmark_record_connections", "Connections to the record.", labels=["state"])
        family.add_metric(["busy"], busy)
        family.add_metric(["idle"], open_ - busy)
        yield family


def show_metrics(meters: Meters, host: str, port: int) -> int:
    """Show the metrics over HTTP from a thread of its own, so that a busy event loop does not hide them.

    Returns:
        The port taken.

    Raises:
        OSError: the address or port cannot be had.
    """
    from prometheus_client import start_http_server

    server, _ = start_http_server(port, host, registry=meters.registry)
    return int(server.server_port)


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
    members = [member for member in members if member]
    matched = [_MEMBER.fullmatch(member) for member in members]
    keys = {one.group(1) for one in matched if one is not None}
    state = ",".join(members)
    # One member that is wrong makes the whole unusable; a key may stand there once.
    return state if len(keys) == len(members) <= _MOST_MEMBERS and len(state) <= _LONGEST_STATE else ""


@dataclass(frozen=True, slots=True)
class Span:
    """One finished piece of work in a trace.

    Attributes:
        started_ns: [ns since 1970-01-01T00:00:00Z].
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
        outcome: HTTP status or kind of failure; to be set before the call ends.
    """

    headers: Mapping[str, str] = field(default_factory=dict)
    outcome: int | str = "abandoned"


@contextmanager
def outgoing_call(method: str, url: str) -> Iterator[OutgoingCall]:
    """Count and trace one call.

    Args:
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
