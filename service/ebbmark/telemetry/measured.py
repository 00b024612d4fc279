"""Prometheus metrics: the table of all of them, and the registry that counts them for one application.

Every label takes its value from a closed list of words: route templates, codes of ours, HTTP methods and statuses,
configured hosts. None is taken from a request's content.

Source: Prometheus exposition format; names and units as https://prometheus.io/docs/practices/naming/ asks.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from enum import Enum

from prometheus_client import (
    CollectorRegistry,
    Counter,
    Gauge,
    Histogram,
    PlatformCollector,
    ProcessCollector,
    disable_created_metrics,
    start_http_server,
)
from prometheus_client.core import GaugeMetricFamily, Metric
from prometheus_client.registry import Collector

__all__ = ["Measured", "Meters", "PoolUse", "show_metrics"]

# A second series with the time of birth for each counter serves no alert of ours.
disable_created_metrics()  # type: ignore[no-untyped-call]

PoolUse = Callable[[], tuple[int, int]]
"""Open connections of a pool, and how many of them carry a request."""

_SECONDS = (0.001, 0.0025, 0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1.0, 2.5, 5.0, 10.0, 30.0)
_KINDS: dict[str, type[Counter | Gauge | Histogram]] = {"counter": Counter, "gauge": Gauge, "histogram": Histogram}


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
    """The metrics of one application.

    Args:
        process: whether memory, processor time and open files of this process are shown, too.
    """

    def __init__(self, *, process: bool = True) -> None:
        self.registry = CollectorRegistry()
        if process:
            ProcessCollector(registry=self.registry)
            PlatformCollector(registry=self.registry)
        self._made: dict[Measured, Counter | Gauge | Histogram] = {}
        for one in Measured:
            if one not in (Measured.RECORD_REACHABLE, Measured.SHARED_STORE_REACHABLE):
                self._made[one] = self._make(one)

    def _make(self, one: Measured) -> Counter | Gauge | Histogram:
        if one.kind == "histogram":
            return Histogram(one.metric, one.meaning, one.labels, registry=self.registry, buckets=_SECONDS)
        return _KINDS[one.kind](one.metric, one.meaning, one.labels, registry=self.registry)

    def add(self, one: Measured, amount: float, labels: tuple[str, ...]) -> None:
        """Add to a counter or a gauge."""
        made = self._made[one]
        assert not isinstance(made, Histogram)  # noqa: S101 - the table says so
        (made.labels(*labels) if labels else made).inc(amount)

    def observe(self, one: Measured, seconds: float, labels: tuple[str, ...]) -> None:
        """Put a duration into a histogram."""
        made = self._made[one]
        assert isinstance(made, Histogram)  # noqa: S101 - the table says so
        made.labels(*labels).observe(seconds)

    def set(self, one: Measured, value: float) -> None:
        """Set a gauge; one that stands for something not known yet appears with its first value."""
        gauge = self._made.get(one) or self._made.setdefault(one, self._make(one))
        assert isinstance(gauge, Gauge)  # noqa: S101 - the table says so
        gauge.set(value)

    def show_pool(self, use: PoolUse) -> None:
        """Show the use of a pool of connections, looked at when the metrics are read."""
        self.registry.register(_Pool(use))


class _Pool(Collector):
    def __init__(self, use: PoolUse) -> None:
        self._use = use

    def collect(self) -> Iterator[Metric]:
        open_, busy = self._use()
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
    server, _ = start_http_server(port, host, registry=meters.registry)
    return int(server.server_port)
