"""Observations whose value is a code: position, ventilator mode and heart rhythm.

Words of a rhythm are not interpreted. Those of a mode, and its codes, are compared with `data/ventilator_modes.toml`.

Codes: LOINC 8361-8 (body position with respect to gravity) and 20124-4 (ventilation mode), each seen in one public
repository and otherwise from memory; they are only read. LOINC 8884-9 "Heart rate rhythm", read in the example
Observation "heart-rate-rhythm" of US Core 8.0.1 and in that of QI-Core 5.0.0, and whatever a site maps to it. The codes
of the rhythms themselves are the site's: none stands here.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import Final

import msgspec

from ebbmark.data import table
from ebbmark.fhir.model import Observation, Worded
from ebbmark.fhir.naming import LOINC
from ebbmark.fhir.problems import Source, word_shown
from ebbmark.fhir.reading.codes import CodeRow
from ebbmark.fhir.reading.condition_codes import LONGEST_READ, charted_words, without_accents
from ebbmark.fhir.reading.request import USABLE_STATUSES, CodedValues, Context, Received, not_a_patient
from ebbmark.fhir.times import seconds
from ebbmark.physiology.findings import Change, ChangeKind, Weight
from ebbmark.physiology.stop.limits import NEW_RHYTHM_NOT_LISTED, Rhythm, RhythmCode, Rhythms, UnreadRhythm

_EVENTS = {(LOINC, "8361-8"): ChangeKind.POSITION, (LOINC, "20124-4"): ChangeKind.MODE}

CHANGE_CODES: Mapping[tuple[str, str], CodeRow] = {
    key: CodeRow(*key, display, None, "M")
    for key, display in zip(_EVENTS, ("Body position with respect to gravity", "Ventilation mode"), strict=True)
}
"""Codes of position and mode as rows of the table of codes, for the reader and for whoever searches for them."""

OTHER_RHYTHM: Final = RhythmCode("", "", "New rhythm, not on the list of the site")
"""A new rhythm without a code, as it is entered by hand: which one it is has to be judged at the patient."""

_TABLE: Final = table("ventilator_modes")
_MODES: Final = [
    (Weight(row["weight"]), row["named_by"], row["abbreviations"], {tuple(code) for code in row["codes"]})
    for row in _TABLE["mode"]
]
"""By what a mode does to a trial: parts of words, whole words, and codes. The first that fits counts."""

_TAKEN_BACK = frozenset({"entered-in-error", "cancelled", "registered"})
_LONGEST = 120
_STATUSES = USABLE_STATUSES | _TAKEN_BACK | {"preliminary", "unknown"}


def is_coded(observation: Observation, context: Context) -> bool:
    """Whether this Observation is of a position, a mode or a rhythm that is read."""
    return any((one.system, one.code) in context.coded for one in observation.code.coding)


def holds_rhythm(observation: Observation, context: Context) -> bool:
    """Whether a rhythm that is read stands as a part of this Observation, where none is read."""
    rhythms = context.rhythms
    return any((one.system, one.code) in rhythms for part in observation.component for one in part.code.coding)


def coded_values(
    items: Sequence[Received[Observation]],
    undecided: Sequence[Received[Observation]],
    panels: Sequence[Received[Observation]],
    context: Context,
) -> CodedValues:
    """Read the coded Observations.

    Args:
        items: those of a position, a mode or a rhythm, each in its newest version.
        undecided: copies of rhythms that differ, of which no version says which is newer.
        panels: Observations of which a rhythm is a part.
    """
    rhythms = [item for item in items if _is_rhythm(item.resource, context)]
    changes, sources, taken = _changes([item for item in items if not _is_rhythm(item.resource, context)], context)
    read, unread = _rhythms(rhythms, context)
    unread += [
        _unread(_when(item.resource), "copies of it differ, and no version says which is newer", context.now_s)
        for item in undecided
        if _is_rhythm(item.resource, context) and item.resource.status not in _TAKEN_BACK
    ]
    unread += [
        UnreadRhythm(_when(item.resource), "it stands as a part of another Observation, where none is read")
        for item in panels
        if item.resource.status not in _TAKEN_BACK
    ]
    unread.sort(key=lambda one: (one.at_s if one.at_s is not None else float("inf"), one.why))
    first = len(sources)
    sources += [
        Source(item.path, item.reference, f"heart-rhythm|{_spelled(codes)}||{at_s!r}|{at_s!r}")
        for at_s, codes, item in read
    ]
    taken += [item for _, _, item in read]
    used = {id(item) for item in taken}
    return CodedValues(
        changes=tuple(changes),
        rhythms=Rhythms(
            tuple([Rhythm(at_s, codes, first + number) for number, (at_s, codes, _) in enumerate(read)]), tuple(unread)
        ),
        sources=tuple(sources),
        taken=tuple(taken),
        left=tuple([item for item in items if id(item) not in used]),
    )


def _is_rhythm(observation: Observation, context: Context) -> bool:
    return any((one.system, one.code) in context.rhythms for one in observation.code.coding)


def _changes(
    items: Sequence[Received[Observation]], context: Context
) -> tuple[list[Change], list[Source], list[Received[Observation]]]:
    states: list[tuple[float, ChangeKind, str, Received[Observation]]] = []
    for item in items:
        observation = item.resource
        event = next(event for one in observation.code.coding if (event := _EVENTS.get((one.system, one.code))))
        at_s, words = _when_stamped(observation), _words(observation)
        if at_s is not None and at_s <= context.now_s and words and _usable(observation):
            states.append((at_s, event, words, item))
    states.sort(key=lambda state: (state[0], state[3].path))
    changes: list[Change] = []
    sources: list[Source] = []
    before: dict[ChangeKind, tuple[str, Weight | None]] = {}
    for at_s, event, words, item in states:
        source, value = len(sources), _value(item.resource)
        breathing = _breathing(value) if event is ChangeKind.MODE else None
        charted = charted_words(value) if breathing is not None else ""
        sources.append(Source(item.path, item.reference, f"{event.value}|{words}|{charted}|{at_s!r}|{at_s!r}"))
        if before.get(event) != (words, breathing):
            changes.append(Change(event, at_s, words, source, event not in before, breathing, charted))
        before[event] = (words, breathing)
    return changes, sources, [item for _, _, _, item in states]


def _breathing(mode: Worded) -> Weight | None:
    """What a mode in which the patient triggers or breathes does to a trial; None for any other mode."""
    named = " ".join((mode.text, *(one.display for one in mode.coding)))[:LONGEST_READ]
    whole = re.findall(r"[a-z]+|[0-9]+", without_accents(named))
    words, codes = " ".join(whole), {(one.system, one.code) for one in mode.coding}
    for weight, parts, abbreviations, coded in _MODES:
        if codes & coded or any(part in words for part in parts) or not set(abbreviations).isdisjoint(whole):
            mandatory = any(part in words for part in _TABLE["beside"]["mandatory"])
            return Weight.HIGH if mandatory else weight
    return None


def _usable(observation: Observation) -> bool:
    return (
        observation.status in USABLE_STATUSES
        and not observation.modifierExtension
        and not observation.implicitRules
        and observation.dataAbsentReason is None
        and not not_a_patient(observation)
    )


def _rhythms(
    items: Sequence[Received[Observation]], context: Context
) -> tuple[list[tuple[float, tuple[RhythmCode, ...], Received[Observation]]], list[UnreadRhythm]]:
    read: list[tuple[float, tuple[RhythmCode, ...], Received[Observation]]] = []
    unread: list[UnreadRhythm] = []
    for item in items:
        at_s, codes = _when(item.resource), _codes(item.resource)
        why = _why_not(item.resource, at_s, codes, context)
        if not why and at_s is not None:
            read.append((at_s, codes, item))
        elif item.resource.status not in _TAKEN_BACK:
            unread.append(_unread(at_s, why, context.now_s))
    read.sort(key=lambda one: (one[0], one[1], one[2].path))
    return read, unread


def _unread(at_s: float | None, why: str, now_s: float) -> UnreadRhythm:
    """What cannot be used; a time that has not come yet says nothing of when it was."""
    return UnreadRhythm(at_s if at_s is None or at_s <= now_s else None, why)


def _why_not(observation: Observation, at_s: float | None, codes: tuple[RhythmCode, ...], context: Context) -> str:
    if observation.status not in context.statuses:
        return f"its status is {word_shown(observation.status, _STATUSES, 'another one')}"
    if observation.modifierExtension or observation.implicitRules:
        return "it carries an extension that may change its meaning"
    kind = not_a_patient(observation)
    if kind:
        return f"it is about a {kind}, not about a patient"
    if observation.dataAbsentReason is not None or _nothing(observation):
        return "it has no value"
    if not codes and _words(observation) == OTHER_RHYTHM.display:
        return NEW_RHYTHM_NOT_LISTED
    if not codes:
        return "it has no code, and words are not interpreted"
    if at_s is None:
        return "it has no time with a zone"
    return "it is stamped ahead of now" if at_s > context.now_s else ""


def _nothing(one: Observation) -> bool:
    return one.valueCodeableConcept is None and one.valueString is None and one.valueQuantity is None


def _value(observation: Observation) -> Worded:
    """The value with its words; a string is a value without a code."""
    if observation.valueCodeableConcept is None and isinstance(observation.valueString, str):
        return Worded(text=observation.valueString[:LONGEST_READ])
    try:
        return msgspec.convert(observation.valueCodeableConcept, Worded)
    except msgspec.ValidationError:
        return Worded()


def _words(observation: Observation) -> str:
    value = _value(observation)
    named = value.text or next((one.display for one in value.coding if one.display), "")
    # A bare code is a number to whoever reads it: it is said to be one, with its system.
    bare = next((f"coded {one.system}|{one.code}, without words" for one in value.coding if one.code), "")
    return named or bare


def _codes(observation: Observation) -> tuple[RhythmCode, ...]:
    value = _value(observation)
    return tuple(
        RhythmCode(one.system, one.code, (one.display or value.text)[:_LONGEST])
        for one in value.coding
        if one.system and one.code
    )


def _when_stamped(one: Observation) -> float | None:
    text = one.effectiveDateTime or one.effectiveInstant
    found = seconds(text) if text else None
    return found if isinstance(found, float) else None


def _when(one: Observation) -> float | None:
    text = one.effectiveDateTime or one.effectiveInstant or (one.effectivePeriod.start if one.effectivePeriod else "")
    found = seconds(text) if text else None
    return found if isinstance(found, float) else None


def _spelled(codes: Sequence[RhythmCode]) -> str:
    return ",".join(f"{one.system}#{one.code}" for one in codes)
