"""Spans reach a collector by OTLP, read at the other end with the protocol's own message classes."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, HTTPServer

from opentelemetry.proto.collector.trace.v1.trace_service_pb2 import ExportTraceServiceRequest

from ebbmark.telemetry.measured import Span, TraceContext
from ebbmark.telemetry.traces import span_exporter


@contextmanager
def collector() -> Iterator[tuple[str, list[bytes]]]:
    """A server that keeps what it is sent; its address and the bodies."""
    bodies: list[bytes] = []

    class Taking(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            bodies.append(self.rfile.read(int(self.headers["content-length"])))
            self.send_response(200)
            self.end_headers()

        def log_message(self, *_: object) -> None:
            """Say nothing."""

    with HTTPServer(("127.0.0.1", 0), Taking) as server:
        thread = threading.Thread(target=server.serve_forever)
        thread.start()
        try:
            yield f"http://127.0.0.1:{server.server_port}/v1/traces", bodies
        finally:
            server.shutdown()
            thread.join()


def test_a_span_arrives_with_its_ids_times_and_attributes() -> None:
    place = TraceContext("1" * 32, "2" * 16, sampled=True, parent_id="3" * 16)
    with collector() as (address, bodies):
        keep, end = span_exporter(address, version="1.2.3", instance="one")
        keep(Span("POST /a", "server", place, 1_000, 2_000, {"http.response.status_code": 503}, failed=True))
        end()

    (body,) = bodies
    (sent,) = ExportTraceServiceRequest.FromString(body).resource_spans
    (span,) = sent.scope_spans[0].spans
    assert (span.trace_id.hex(), span.span_id.hex(), span.parent_span_id.hex()) == ("1" * 32, "2" * 16, "3" * 16)
    assert (span.name, span.kind, span.status.code) == ("POST /a", 2, 2)
    assert (span.start_time_unix_nano, span.end_time_unix_nano) == (1_000, 2_000)
    assert [(attribute.key, attribute.value.int_value) for attribute in span.attributes] == [
        ("http.response.status_code", 503)
    ]
    named = {attribute.key: attribute.value.string_value for attribute in sent.resource.attributes}
    assert (named["service.name"], named["service.version"], named["service.instance.id"]) == (
        "ebbmark",
        "1.2.3",
        "one",
    )
