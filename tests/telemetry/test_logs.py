"""Log lines are JSON, short enough for every container runtime, and quote no message of an exception."""

from __future__ import annotations

import errno
import io
import json
import logging
import os
import sys
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from ebbmark.telemetry.logs import LONGEST_LINE, JsonLines, Lines
from ebbmark.telemetry.measured import Meters, TraceContext, Watch, in_scene

PLACE = TraceContext("a" * 32, "b" * 16, sampled=True)
WATCH = Watch(new_id=lambda size: "c" * 2 * size, wall_ns=lambda: 0, steady_s=lambda: 0.0)


def line_of(message: str, *, event: bytes | None = None, error: BaseException | None = None) -> str:
    exc_info = None if error is None else (type(error), error, error.__traceback__)
    record = logging.LogRecord("ebbmark.test", logging.WARNING, "a.py", 1, "%s", (message,), exc_info)
    if event is not None:
        record.event = event
    return JsonLines().format(record)


def read(line: str) -> dict[str, Any]:
    found: dict[str, Any] = json.loads(line)
    return found


def test_a_line_says_when_how_grave_and_who() -> None:
    line = read(line_of("something"))

    assert (line["level"], line["logger"], line["message"]) == ("warning", "ebbmark.test", "something")
    assert abs((datetime.now(UTC) - datetime.fromisoformat(line["time"])).total_seconds()) < 60


def test_a_line_within_a_request_names_its_trace() -> None:
    with in_scene(WATCH, PLACE):
        line = read(line_of("something"))

    assert (line["trace_id"], line["span_id"]) == ("a" * 32, "b" * 16)
    assert "trace_id" not in read(line_of("something"))


def test_an_event_stands_in_its_line_as_an_object() -> None:
    assert read(line_of("ignored", event=b'{"resourceType":"AuditEvent"}'))["event"] == {"resourceType": "AuditEvent"}


def test_the_message_of_an_exception_is_left_out() -> None:
    try:
        raise ValueError("born 1954-03-17")
    except ValueError:
        error = sys.exc_info()[1]

    line = line_of("unforeseen", error=error)

    assert "1954" not in line
    assert read(line)["error"]["type"] == "ValueError"
    assert read(line)["error"]["place"].startswith("test_logs.py:")


@given(st.text(max_size=40_000) | st.text(alphabet='\x00\n"é€😀', min_size=8_000, max_size=20_000))
def test_whatever_the_message_it_is_one_line_of_json_below_16_kib(message: str) -> None:
    line = line_of(message)

    assert len(line.encode()) <= LONGEST_LINE < 16_384
    assert "\n" not in line
    assert read(line)["level"] == "warning"


def test_an_event_too_long_for_a_line_is_said_to_be_cut() -> None:
    line = line_of("x" * 20_000, event=json.dumps({"x": "x" * 20_000}).encode())

    assert len(line) <= LONGEST_LINE
    assert read(line)["cut"] is True


class Full(io.StringIO):
    """A stream on a full disk."""

    def write(self, _: str) -> int:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))


def test_an_audit_line_that_a_full_disk_does_not_take_is_counted_and_goes_to_the_other_stream() -> None:
    other, meters = io.StringIO(), Meters(process=False)
    record = logging.LogRecord("ebbmark.audit", logging.INFO, "a.py", 1, "", None, None)
    record.event = b'{"resourceType":"AuditEvent"}'

    with in_scene(replace(WATCH, meters=meters), PLACE):
        Lines(Full(), Lines(other)).emit(record)

    said, kept = (read(line) for line in other.getvalue().splitlines())
    assert said["message"].startswith("A line could not be written to standard output (No space left on device)")
    assert kept["event"] == {"resourceType": "AuditEvent"}
    assert meters.registry.get_sample_value("ebbmark_log_faults_total") == 1


def test_where_no_stream_takes_a_line_nothing_else_breaks() -> None:
    record = logging.LogRecord("ebbmark.audit", logging.INFO, "a.py", 1, "x", None, None)

    Lines(Full(), Lines(Full())).emit(record)
