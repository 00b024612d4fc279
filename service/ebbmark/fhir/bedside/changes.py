"""Was a change of position or of ventilator mode charted? Observations with a code for their value.

Codes: LOINC 8361-8 (body position with respect to gravity) and 20124-4 (ventilation mode), each seen in one public
repository and otherwise from memory; they are only read. A first value is no change, and the same value again is none.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import msgspec

from ebbmark.fhir.reading.admission import USABLE_STATUSES, not_a_patient
from ebbmark.fhir.reading.codes import LOINC, CodeRow
from ebbmark.fhir.reading.elements import Worded
from ebbmark.fhir.reading.times import seconds
from ebbmark.fhir.reading.versions import Received, newest_of, reference_of
from ebbmark.fhir.request import Source
from ebbmark.physiology.after.seen import CodedChange, Event

__all__ = ["CHANGE_CODES", "coded_changes"]

_EVENTS = {(LOINC, "8361-8"): Event.POSITION_CHANGED, (LOINC, "20124-4"): Event.MODE_CHANGED}

CHANGE_CODES: Mapping[tuple[str, str], CodeRow] = {
    key: CodeRow(*key, display, None, "M")
    for key, display in zip(_EVENTS, ("Body position with respect to gravity", "Ventilation mode"), strict=True)
}
"""The same codes as rows of the table of codes, for whoever searches for them."""


def coded_changes(
    items: Sequence[Received], first_source: int, now_s: float
) -> tuple[list[CodedChange], list[Source], list[Received]]:
    """Pick the charted positions and modes out of the Observations.

    Args:
        items: as received.
        first_source: index that the first of the returned sources will have.
        now_s: the instant that counts as now [s since 1970-01-01T00:00:00Z].

    Returns:
        The changes, the inputs that they rest on, and the Observations that are left for others to read: those that
        cannot be used here are among them, and are listed there.
    """
    left: list[Received] = []
    states: list[tuple[float, Event, str, Received]] = []
    asked = [item for item in items if _event(item) is not None]
    newest = {id(item) for item in newest_of(asked)[0]}
    for item in items:
        event, at_s, words = _event(item), _when(item, now_s), _words(item)
        if event is None or at_s is None or not words or id(item) not in newest or not _usable(item):
            left.append(item)
        else:
            states.append((at_s, event, words, item))
    states.sort(key=lambda state: (state[0], state[3].path))
    changes: list[CodedChange] = []
    sources: list[Source] = []
    before: dict[Event, str] = {}
    for at_s, event, words, item in states:
        source = first_source + len(sources)
        sources.append(Source(item.path, reference_of(item), f"{event.value}|{words}||{at_s!r}|{at_s!r}"))
        if before.get(event, words) != words:
            changes.append(CodedChange(event, at_s, words, source))
        before[event] = words
    return changes, sources, left


def _event(item: Received) -> Event | None:
    return next((event for one in item.observation.code.coding if (event := _EVENTS.get((one.system, one.code)))), None)


def _usable(item: Received) -> bool:
    observation = item.observation
    return (
        observation.status in USABLE_STATUSES
        and not observation.modifierExtension
        and not observation.implicitRules
        and observation.dataAbsentReason is None
        and not not_a_patient(observation)
    )


def _when(item: Received, now_s: float) -> float | None:
    text = item.observation.effectiveDateTime or item.observation.effectiveInstant
    found = seconds(text) if text else None
    return found if isinstance(found, float) and found <= now_s else None


def _words(item: Received) -> str:
    try:
        value = msgspec.convert(item.observation.valueCodeableConcept, Worded)
    except msgspec.ValidationError:
        return ""
    named = value.text or next((one.display for one in value.coding if one.display), "")
    # A bare code is a number to whoever reads it: it is said to be one, with its system.
    bare = next((f"coded {one.system}|{one.code}, without words" for one in value.coding if one.code), "")
    return named or bare
