"""Where do the records of who did what go? To the log stream, one JSON line each, or into the record.

In the log stream the patient is left out unless the operator says otherwise: logs travel further than records. What
the record does not take goes to the log stream instead, so that no event is lost.
"""

from __future__ import annotations

import logging
from collections.abc import Callable
from dataclasses import dataclass, replace

import msgspec

from ebbmark import __version__
from ebbmark.fhir.writing.audit_event import Access, audit_event
from ebbmark.record.client import RecordClient, Reply

__all__ = ["LOGGER", "AuditTrail"]

LOGGER = "ebbmark.audit"
_LOG = logging.getLogger(LOGGER)
_WARNINGS = logging.getLogger("ebbmark")
_HEADERS = {"Content-Type": "application/fhir+json; fhirVersion=4.0", "Prefer": "return=minimal"}


@dataclass(frozen=True, slots=True)
class AuditTrail:
    """Where events go.

    Attributes:
        wall_s: seconds since 1970-01-01T00:00:00Z.
        record: takes the events; None for the log stream.
        names_patient: whether an event in the log stream names the patient, by reference.
    """

    wall_s: Callable[[], float]
    record: RecordClient | None = None
    names_patient: bool = False

    async def note(self, access: Access) -> None:
        """Emit one event."""
        at_s = self.wall_s()
        if self.record is not None:
            answer = await self.record.send("POST", "AuditEvent", content=_encoded(access, at_s), headers=_HEADERS)
            if isinstance(answer, Reply) and 200 <= answer.status < 300:
                return
            _WARNINGS.warning("the record did not take an AuditEvent; it is in the log stream")
        if _LOG.isEnabledFor(logging.INFO):
            logged = access if self.names_patient else replace(access, patient="")
            _LOG.info("%s", _encoded(logged, at_s).decode())


def _encoded(access: Access, at_s: float) -> bytes:
    return msgspec.json.encode(audit_event(access, recorded_s=at_s, engine_version=__version__))
