"""The audit trail: who did what, as FHIR AuditEvents, in the log stream or in the record.

In the log stream the patient is left out unless the operator says otherwise: logs travel further than records. What
the record does not take goes to the log stream instead, so that no event is lost. An event that is too long for one
line becomes several, each naming a part of the resources and the same answer.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

import msgspec

from ebbmark import __version__
from ebbmark.fhir.writing.provenance import Access, audit_event
from ebbmark.record.client import RecordClient
from ebbmark.record.retry import Reply
from ebbmark.telemetry.logs import LONGEST_LINE
from ebbmark.telemetry.measured import Measured, count

LOGGER = "ebbmark.audit"
_LOG = logging.getLogger(LOGGER)
_WARNINGS = logging.getLogger("ebbmark")
_LONGEST_EVENT = LONGEST_LINE - 1_000
"""Leaves room for what stands around it in a line [bytes]."""
_HEADERS = {"Content-Type": "application/fhir+json; fhirVersion=4.0", "Prefer": "return=minimal"}


@dataclass(frozen=True, slots=True)
class AuditTrail:
    """Where events go.

    Attributes:
        record: takes the events; None for the log stream.
        deadline_s: how long the record may take over one event, all attempts together [s]; this project's choice.
    """

    wall_s: Callable[[], float]
    record: RecordClient | None = None
    names_patient: bool = False
    deadline_s: float = 10.0

    async def note(self, access: Access) -> None:
        """Emit one event."""
        at_s = self.wall_s()
        if self.record is not None:
            # After the deadline the event may stand in both: better twice than not at all.
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(self.deadline_s):
                    content = _encoded(access, at_s)
                    answer = await self.record.send("POST", "AuditEvent", content=content, headers=_HEADERS)
                if isinstance(answer, Reply) and 200 <= answer.status < 300:
                    return
            count(Measured.AUDIT_FALLBACKS)
            _WARNINGS.warning("the record did not take an AuditEvent; it is in the log stream")
        self.note_in_log(access, at_s)

    def note_in_log(self, access: Access, at_s: float) -> None:
        """Emit one event to the log stream only: of callers who were not let in, since those must make no writes."""
        if _LOG.isEnabledFor(logging.INFO):
            logged = access if self.names_patient else replace(access, patient="")
            for event in _in_lines(logged, at_s):
                log_event(_LOG, event)


def log_event(log: logging.Logger, event: bytes) -> None:
    """One event as a line of its own: the line's text, and the JSON that stands in it as an object."""
    log.info("%s", event.decode(), extra={"event": event})


def _in_lines(access: Access, at_s: float) -> Iterator[bytes]:
    whole, half = _encoded(access, at_s), len(access.resources) // 2
    if len(whole) <= _LONGEST_EVENT or half == 0:
        yield whole
        return
    for part in (access.resources[:half], access.resources[half:]):
        yield from _in_lines(replace(access, resources=part), at_s)


def _encoded(access: Access, at_s: float) -> bytes:
    return msgspec.json.encode(audit_event(access, recorded_s=at_s, engine_version=__version__))
