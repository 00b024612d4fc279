"""Which heart rhythm was charted, as a code? Observations with a coded value; words are never interpreted.

Code: LOINC 8884-9 "Heart rate rhythm", read in the example Observation "heart-rate-rhythm" of US Core 8.0.1 and in that
of QI-Core 5.0.0, and whatever a site maps to it. The codes of the rhythms themselves are the site's: none stands here.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import msgspec

from ebbmark.fhir.reading.admission import USABLE_STATUSES, not_a_patient
from ebbmark.fhir.reading.codes import CodeRow, is_rhythm
from ebbmark.fhir.reading.elements import Coding, Worded
from ebbmark.fhir.reading.question import Question
from ebbmark.fhir.reading.times import seconds
from ebbmark.fhir.reading.versions import Received, newest_of, reference_of
from ebbmark.fhir.reasons import Reason
from ebbmark.fhir.request import Source
from ebbmark.physiology.during.rhythm_codes import Rhythm, RhythmCode, Rhythms, UnreadRhythm

__all__ = ["coded_rhythms"]

_TAKEN_BACK = frozenset({"entered-in-error", "cancelled", "registered"})
_UNDECIDED = frozenset({Reason.CONFLICT.slug, Reason.ENTERED_IN_ERROR.slug})
_LONGEST = 120
Table = Mapping[tuple[str, str], CodeRow]


def coded_rhythms(question: Question, table: Table) -> tuple[Rhythms, list[Source], list[Received]]:
    """Pick the charted rhythms out of the Observations.

    Args:
        question: with the Observations as received, and whether a preliminary one counts.
        table: the codes that are understood, a site's own among them.

    Returns:
        The rhythms, whose sources count from 0; the inputs that they rest on; and the Observations that are left for
        others to read: those that cannot be used here are among them, and are listed there.
    """
    items, now_s = question.observations, question.as_of_s
    asked = [item for item in items if _is_rhythm(item, table)]
    kept, gone = newest_of(asked)
    newest = {id(item) for item in kept}
    undecided = {one.path for one in gone if one.code in _UNDECIDED}
    usable = USABLE_STATUSES | ({"preliminary"} if question.accept_preliminary else set())
    left = [item for item in items if id(item) not in newest]
    read: list[tuple[float, tuple[RhythmCode, ...], Received]] = []
    unread: list[UnreadRhythm] = []
    for item in asked:
        at_s, codes = _when(item), _codes(item)
        if id(item) not in newest:
            if item.path in undecided and item.observation.status not in _TAKEN_BACK:
                unread.append(_unread(at_s, "copies of it differ, and no version says which is newer", now_s))
            continue
        why = _why_not(item, at_s, codes, now_s, usable)
        if not why and at_s is not None:
            read.append((at_s, codes, item))
            continue
        left.append(item)
        if item.observation.status not in _TAKEN_BACK:
            unread.append(_unread(at_s, why, now_s))
    unread += [
        UnreadRhythm(_when(item), "it stands as a part of another Observation, where none is read")
        for item in newest_of([one for one in items if _holds_rhythm(one, table)])[0]
        if item.observation.status not in _TAKEN_BACK
    ]
    read.sort(key=lambda one: (one[0], one[1], one[2].path))
    rhythms = [Rhythm(at_s, codes, number) for number, (at_s, codes, _) in enumerate(read)]
    sources = [
        Source(item.path, reference_of(item), f"heart-rhythm|{_spelled(codes)}||{at_s!r}|{at_s!r}")
        for at_s, codes, item in read
    ]
    # As they were received, since their places are told.
    order = {id(item): number for number, item in enumerate(items)}
    left.sort(key=lambda item: order[id(item)])
    unread.sort(key=lambda one: (one.at_s if one.at_s is not None else float("inf"), one.why))
    return Rhythms(tuple(rhythms), tuple(unread)), sources, left


def _unread(at_s: float | None, why: str, now_s: float) -> UnreadRhythm:
    """What cannot be used; a time that has not come yet says nothing of when it was."""
    return UnreadRhythm(at_s if at_s is None or at_s <= now_s else None, why)


def _is_rhythm(item: Received, table: Table) -> bool:
    return _among(item.observation.code.coding, table)


def _holds_rhythm(item: Received, table: Table) -> bool:
    return any(_among(part.code.coding, table) for part in item.observation.component)


def _among(codings: Sequence[Coding], table: Table) -> bool:
    rows = (table.get((one.system, one.code)) for one in codings)
    return any(is_rhythm(row) for row in rows if row is not None)


def _why_not(
    item: Received, at_s: float | None, codes: tuple[RhythmCode, ...], now_s: float, usable: frozenset[str]
) -> str:
    observation = item.observation
    if observation.status not in usable:
        return f"its status is {observation.status[:40]}"
    if observation.modifierExtension or observation.implicitRules:
        return "it carries an extension that may change its meaning"
    kind = not_a_patient(observation)
    if kind:
        return f"it is about a {kind}, not about a patient"
    if observation.dataAbsentReason is not None or _nothing(item):
        return "it has no value"
    if not codes:
        return "it has no code, and words are not interpreted"
    if at_s is None:
        return "it has no time with a zone"
    return "it is stamped ahead of now" if at_s > now_s else ""


def _nothing(item: Received) -> bool:
    one = item.observation
    return one.valueCodeableConcept is None and one.valueString is None and one.valueQuantity is None


def _codes(item: Received) -> tuple[RhythmCode, ...]:
    try:
        value = msgspec.convert(item.observation.valueCodeableConcept, Worded)
    except msgspec.ValidationError:
        return ()
    return tuple(
        RhythmCode(one.system, one.code, (one.display or value.text)[:_LONGEST])
        for one in value.coding
        if one.system and one.code
    )


def _when(item: Received) -> float | None:
    one = item.observation
    text = one.effectiveDateTime or one.effectiveInstant or (one.effectivePeriod.start if one.effectivePeriod else "")
    found = seconds(text) if text else None
    return found if isinstance(found, float) else None


def _spelled(codes: Sequence[RhythmCode]) -> str:
    return ",".join(f"{one.system}#{one.code}" for one in codes)
