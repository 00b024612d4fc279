"""Where telemetry of one process goes: its meters, and spans to an OpenTelemetry collector by OTLP over HTTP."""

from __future__ import annotations

import os
import socket
import time
from collections.abc import Callable

from ebbmark import __version__
from ebbmark.telemetry.measured import Meters, Span, Watch


def watch_of(*, metrics: bool, traces_to: str | None, traces_share: float) -> tuple[Watch, Callable[[], None] | None]:
    """Make the place where telemetry goes.

    Returns:
        It; and what sends waiting spans and ends, where traces are on.

    Raises:
        ValueError: traces are on, and the packages for them are not installed.
    """
    keep, end = None, None
    if traces_to is not None:
        keep, end = span_exporter(traces_to, version=__version__, instance=f"{socket.gethostname()}-{os.getpid()}")
    watch = Watch(
        new_id=lambda size: os.urandom(size).hex(),
        wall_ns=time.time_ns,
        steady_s=time.monotonic,
        meters=Meters() if metrics else None,
        keep=keep,
        kept_share=traces_share,
    )
    return watch, end


def span_exporter(endpoint: str, *, version: str, instance: str) -> tuple[Callable[[Span], None], Callable[[], None]]:
    """Make what sends finished spans to an OpenTelemetry collector by OTLP over HTTP, in batches, beside the requests.

    An optional part: the packages come with `pip install ebbmark[traces]`. No instrumentation of a library is used,
    since those put addresses with their queries into spans. Source: OpenTelemetry protocol (OTLP) 1.x over HTTP;
    resource attributes by the semantic conventions.

    Args:
        endpoint: address that takes OTLP over HTTP, as https://collector.example/v1/traces.

    Returns:
        What takes a span, and what sends those that wait and ends.

    Raises:
        ValueError: the optional packages are not installed.
    """
    try:
        from opentelemetry.exporter.otlp.proto.http.trace_exporter import OTLPSpanExporter
        from opentelemetry.sdk.resources import Resource
        from opentelemetry.sdk.trace import ReadableSpan
        from opentelemetry.sdk.trace.export import BatchSpanProcessor
        from opentelemetry.trace import SpanContext, SpanKind, Status, StatusCode, TraceFlags
    except ImportError:
        raise ValueError("EBBMARK_TRACES_TO needs the packages of ebbmark[traces], which are not installed") from None
    resource = Resource({"service.name": "ebbmark", "service.version": version, "service.instance.id": instance})
    kinds = {"server": SpanKind.SERVER, "client": SpanKind.CLIENT}
    batches = BatchSpanProcessor(OTLPSpanExporter(endpoint=endpoint, timeout=5))

    def keep(span: Span) -> None:
        place, trace_id = span.place, int(span.place.trace_id, 16)
        flags = TraceFlags(TraceFlags.SAMPLED)
        parent = SpanContext(trace_id, int(place.parent_id, 16), True, flags) if place.parent_id else None
        batches.on_end(
            ReadableSpan(
                name=span.name,
                context=SpanContext(trace_id, int(place.span_id, 16), False, flags),
                parent=parent,
                resource=resource,
                attributes=span.attributes,
                kind=kinds[span.kind],
                status=Status(StatusCode.ERROR if span.failed else StatusCode.UNSET),
                start_time=span.started_ns,
                end_time=span.ended_ns,
            )
        )

    return keep, batches.shutdown
