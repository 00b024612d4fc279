"""The layer that sets the scene of each request for telemetry: its trace, its count, its duration, its span.

A request is named by the template of its route, never by its address.
"""

from __future__ import annotations

import logging
import os
import socket
import time
from collections.abc import Callable

from starlette.types import ASGIApp, Message, Receive, Scope, Send

from ebbmark import __version__
from ebbmark.telemetry.measured import Measured, Meters, Span, TraceContext, Watch, in_scene, read_trace_context

_LOG = logging.getLogger("ebbmark")
_METHODS = frozenset({"GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS"})


def watch_of(*, metrics: bool, traces_to: str | None, traces_share: float) -> tuple[Watch, Callable[[], None] | None]:
    """Make the place where telemetry goes.

    Args:
        traces_to: address of a collector; None where traces are off.
        traces_share: of the traces that begin here, how many are kept.

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
        instance: tells this process from its replicas.

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
