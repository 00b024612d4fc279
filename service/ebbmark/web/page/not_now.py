"""Not now, because …: the few reasons that can be chosen, and the event that is emitted.

Nothing of the patient is in the event, and nobody can write text into it.
"""

from __future__ import annotations

import logging
from dataclasses import dataclass
from typing import Final

import msgspec

from ebbmark import __version__
from ebbmark.fhir.hooks_concepts import OVERRIDE_REASONS
from ebbmark.web.audit_trail import LOGGER

__all__ = ["EVENTS", "REASONS", "Reason", "note_not_now", "reason_of"]

EVENTS: Final = f"{LOGGER}.choices"
_LOG = logging.getLogger(EVENTS)


@dataclass(frozen=True, slots=True)
class Reason:
    """One reason: its code in the event, its words on the page."""

    code: str
    words: str


REASONS: Final = tuple(Reason(code, display) for code, display, _ in OVERRIDE_REASONS)
"""The same as a card offers: a reason given here and one given there can be counted together."""


def reason_of(code: str) -> Reason | None:
    """The reason of this code; None where there is none."""
    return next((one for one in REASONS if one.code == code), None)


def note_not_now(reason: Reason, *, protocol: str, verdict: str, suggested: bool) -> None:
    """Emit the event: that results were not recorded, and why.

    Args:
        reason: chosen from the list.
        protocol: slug and version of the rules.
        verdict: of the estimate.
        suggested: whether a PEEP was suggested.
    """
    event = {
        "event": "not-recorded",
        "reason": reason.code,
        "protocol": protocol,
        "verdict": verdict,
        "suggested": suggested,
        "software": __version__,
    }
    line = msgspec.json.encode(event)
    _LOG.info("%s", line.decode(), extra={"event": line})
