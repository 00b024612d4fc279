"""Structured logs: one JSON object per line with time, level, logger, trace and message.

A line is shorter than 16 KiB, at which container runtimes cut. An event (a FHIR AuditEvent, feedback on a card) stands
in a line as an object under `event`. Of an exception only its type and place are logged: its message may quote data.
A line that its stream does not take, as on a full disk, is counted and sent to the other one; requests go on.
"""

from __future__ import annotations

import logging
import sys
from datetime import UTC, datetime
from types import TracebackType
from typing import TextIO

import msgspec

from ebbmark.telemetry.measured import Measured, count, current_trace

LONGEST_LINE = 16_000
"""[bytes]; container runtimes split lines at 16,384 (CRI log format, common practice)."""

_LONGEST_MESSAGE = 8_000


class JsonLines(logging.Formatter):
    """Formats a record as one line of JSON; the attribute `event` of a record is JSON already."""

    def format(self, record: logging.LogRecord) -> str:
        """The line."""
        trace = current_trace()
        line: dict[str, object] = {
            "time": datetime.fromtimestamp(record.created, UTC).isoformat(timespec="milliseconds"),
            "level": record.levelname.lower(),
            "logger": record.name,
            **({"trace_id": trace.trace_id, "span_id": trace.span_id} if trace is not None else {}),
        }
        event = getattr(record, "event", None)
        if isinstance(event, bytes):
            line["event"] = msgspec.Raw(event)
        else:
            line["message"] = record.getMessage()
        if record.exc_info is not None and record.exc_info[1] is not None:
            error = record.exc_info[1]
            line["error"] = {"type": type(error).__name__, "place": place_in(error.__traceback__)}
        text = msgspec.json.encode(line).decode()
        if len(text.encode()) <= LONGEST_LINE:
            return text
        shown = str(line.pop("message", "")) or "an event that is too long for one line"
        line.pop("event", None)
        return msgspec.json.encode({**line, "message": shown[: _LONGEST_MESSAGE // 4], "cut": True}).decode()


class Lines(logging.StreamHandler[TextIO]):
    """Sends lines to a stream.

    Args:
        instead: takes a line that the stream does not take, with one that says so; None where nothing else is left.
    """

    def __init__(self, stream: TextIO, instead: Lines | None = None) -> None:
        super().__init__(stream)
        self.instead = instead
        self.setFormatter(JsonLines())

    def handleError(self, record: logging.LogRecord) -> None:
        """Count the line, and send it elsewhere, where there is an elsewhere."""
        error = sys.exc_info()[1]
        count(Measured.LOG_FAULTS)
        if self.instead is None:
            return
        reason = getattr(error, "strerror", None) or type(error).__name__
        said = f"A line could not be written to standard output ({reason}); it follows here."
        self.instead.emit(logging.LogRecord("ebbmark", logging.ERROR, "", 0, said, None, None))
        self.instead.emit(record)


def place_in(trace: TracebackType | None) -> str:
    """File and line in which an error arose."""
    while trace is not None and trace.tb_next is not None:
        trace = trace.tb_next
    if trace is None:
        return "unknown place"
    return f"{trace.tb_frame.f_code.co_filename.rsplit('/', 1)[-1]}:{trace.tb_lineno}"


def log_as_json(level: str) -> None:
    """Send all log lines of this process out: those of the logger `ebbmark.audit` to standard output, others beside.

    Args:
        level: the lowest that is shown; audit lines are shown at every level.
    """
    beside = Lines(sys.stderr)
    logging.basicConfig(handlers=[beside], level=level.upper(), force=True)
    # Libraries tell addresses and bodies at their lower levels.
    for library in ("httpx", "httpcore", "urllib3", "opentelemetry", "asyncio", "uvicorn"):
        logging.getLogger(library).setLevel(logging.WARNING)
    audit = logging.getLogger("ebbmark.audit")
    audit.handlers = [Lines(sys.stdout, beside)]
    audit.setLevel(logging.INFO)
    audit.propagate = False
