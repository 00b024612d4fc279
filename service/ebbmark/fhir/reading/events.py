"""Events beside the readings: position, ventilator mode and heart rhythm (coded Observations), running vasopressors.

Coded Observations: words of a rhythm are not interpreted. Those of a mode, and its codes, are compared with
`data/ventilator_modes.toml`. LOINC 8361-8 (body position with respect to gravity) and 20124-4 (ventilation mode) were
each seen in one public repository and are otherwise from memory; they are only read. LOINC 8884-9 "Heart rate rhythm"
was read in the example Observation "heart-rate-rhythm" of US Core 8.0.1 and in that of QI-Core 5.0.0; whatever a site
maps to it counts likewise. The codes of the rhythms themselves are the site's: none stands here.

Vasopressors (`data/vasopressors.toml`): MedicationAdministration with a rate in micrograms/kg/min. Noradrenaline and
adrenaline count, one for one. Another rate needs a weight that is not guessed: the drug is then named as running and
not converted, and the rate is listed. The others are named as running and not converted, whatever their rate. Other
drugs are not looked for. None sent is not none given.

Source: FHIR R4 4.0.1, https://hl7.org/fhir/R4/observation.html and /medicationadministration.html.
"""

from __future__ import annotations

import re
from collections.abc import Container, Mapping, Sequence
from typing import Final

import msgspec

from ebbmark.data import table
from ebbmark.fhir.model import Codeable, Coding, Component, MedicationAdministration, Observation, QuantityValue, Worded
from ebbmark.fhir.naming import LOINC
from ebbmark.fhir.problems import Reason, Source, word_shown
from ebbmark.fhir.reading.codes import CodeRow
from ebbmark.fhir.reading.condition_codes import LONGEST_READ, charted_words, without_accents
from ebbmark.fhir.reading.request import (
    USABLE_STATUSES,
    CodedValues,
    Collected,
    Context,
    Received,
    left_out,
    not_a_patient,
    not_needed,
    stamped_s,
)
from ebbmark.fhir.reading.units import UCUM
from ebbmark.fhir.times import seconds
from ebbmark.physiology.findings import Change, ChangeKind, Weight
from ebbmark.physiology.stop.limits import NEW_RHYTHM_NOT_LISTED, Rhythm, RhythmCode, Rhythms, UnreadRhythm
from ebbmark.physiology.timeline import Infusion

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


def has_code(holder: Observation | Component, codes: Container[tuple[str, str]]) -> bool:
    """Whether one of these, each system and code, is the code of an Observation or component."""
    return any((one.system, one.code) in codes for one in holder.code.coding)


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
    rhythms = [item for item in items if has_code(item.resource, context.rhythms)]
    others = [item for item in items if not has_code(item.resource, context.rhythms)]
    changes, sources, taken = _changes(others, context)
    read, unread = _rhythms(rhythms, context)
    differ = "copies of it differ, and no version says which is newer"
    part_of = "it stands as a part of another Observation, where none is read"
    for item in undecided:
        at_s = stamped_s(item.resource)
        if has_code(item.resource, context.rhythms) and item.resource.status not in _TAKEN_BACK:
            unread.append(UnreadRhythm(at_s if at_s is None or at_s <= context.now_s else None, differ))
    unread += [
        UnreadRhythm(stamped_s(item.resource), part_of) for item in panels if item.resource.status not in _TAKEN_BACK
    ]
    unread.sort(key=lambda one: (one.at_s if one.at_s is not None else float("inf"), one.why))
    first = len(sources)
    for at_s, codes, item in read:
        spelled = ",".join(f"{code.system}#{code.code}" for code in codes)
        sources.append(Source(item.path, item.reference, f"heart-rhythm|{spelled}||{at_s!r}|{at_s!r}"))
        taken.append(item)
    used = {id(item) for item in taken}
    told = [Rhythm(at_s, codes, first + number) for number, (at_s, codes, _) in enumerate(read)]
    left = [item for item in items if id(item) not in used]
    return CodedValues(tuple(changes), Rhythms(tuple(told), tuple(unread)), tuple(sources), tuple(taken), tuple(left))


def _changes(
    items: Sequence[Received[Observation]], context: Context
) -> tuple[list[Change], list[Source], list[Received[Observation]]]:
    states: list[tuple[float, ChangeKind, str, Received[Observation]]] = []
    for item in items:
        observation = item.resource
        event = next(event for one in observation.code.coding if (event := _EVENTS.get((one.system, one.code))))
        at_s, words = stamped_s(observation, of_period=False), _words(observation)
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
        at_s, codes = stamped_s(item.resource), _codes(item.resource)
        why = _why_not(item.resource, at_s, codes, context)
        if not why and at_s is not None:
            read.append((at_s, codes, item))
        elif item.resource.status not in _TAKEN_BACK:
            # A time that has not come yet says nothing of when it was.
            unread.append(UnreadRhythm(at_s if at_s is None or at_s <= context.now_s else None, why))
    read.sort(key=lambda one: (one[0], one[1], one[2].path))
    return read, unread


def _why_not(observation: Observation, at_s: float | None, codes: tuple[RhythmCode, ...], context: Context) -> str:
    if observation.status not in context.statuses:
        return f"its status is {word_shown(observation.status, _STATUSES, 'another one')}"
    if observation.modifierExtension or observation.implicitRules:
        return "it carries an extension that may change its meaning"
    kind = not_a_patient(observation)
    if kind:
        return f"it is about a {kind}, not about a patient"
    values = (observation.valueCodeableConcept, observation.valueString, observation.valueQuantity)
    if observation.dataAbsentReason is not None or all(value is None for value in values):
        return "it has no value"
    if not codes and _words(observation) == OTHER_RHYTHM.display:
        return NEW_RHYTHM_NOT_LISTED
    if not codes:
        return "it has no code, and words are not interpreted"
    if at_s is None:
        return "it has no time with a zone"
    return "it is stamped ahead of now" if at_s > context.now_s else ""


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


_VASOPRESSORS: Final = table("vasopressors")
_DRUGS: Final[Mapping[tuple[str, str], str]] = {
    (system, code): drug for where, code, drug in _VASOPRESSORS["codes"] for system in _VASOPRESSORS["systems"][where]
}
_CONVERTED: Final = frozenset(_VASOPRESSORS["converted"])
DRUG_CODES: tuple[tuple[str, str], ...] = tuple(_DRUGS)
"""System and code of every drug that is read, for whoever searches for them."""

_RATES = frozenset({"ug/kg/min", "mcg/kg/min", "µg/kg/min"})
_MOST = 5.0  # as for the parameter noradrenaline-equivalent
_GIVEN = frozenset({"in-progress", "completed", "stopped"})
_NOT_GIVEN = frozenset({"not-done", "on-hold", "entered-in-error", "unknown", ""})


def read_infusions(given: Sequence[Received[MedicationAdministration]], context: Context, collected: Collected) -> None:
    """Read the vasopressors among the MedicationAdministrations of a request; other drugs are listed."""
    for item in given:
        codings = _codings(item.resource)
        drug = next((drug for coding in codings if (drug := _DRUGS.get((coding.system, coding.code.upper())))), None)
        if not codings:
            sentence = "Its drug has no code here, so whether it is a vasopressor is not known."
            collected.ignored.append(left_out(item, Reason.NOT_USED, sentence))
        elif drug is None:
            collected.ignored.append(left_out(item, Reason.NOT_USED, not_needed("MedicationAdministration")))
        else:
            _read(item, drug, context.now_s, collected)


def _codings(one: MedicationAdministration) -> list[Coding]:
    """What names the drug: its own codes, or those of the Medication that it carries within."""
    if one.medicationCodeableConcept is not None:
        return one.medicationCodeableConcept.coding
    named = one.medicationReference.reference if one.medicationReference else ""
    for resource in one.contained if isinstance(one.contained, list) else ():
        if isinstance(resource, dict) and named == f"#{resource.get('id')}":
            try:
                return msgspec.convert(resource.get("code"), Codeable).coding
            except msgspec.ValidationError:
                return []
    return []


def _read(item: Received[MedicationAdministration], drug: str, now_s: float, found: Collected) -> None:
    one = item.resource

    def leave_out(reason: Reason, sentence: str) -> None:
        found.ignored.append(left_out(item, reason, f"{drug.capitalize()}: {sentence}"))

    if one.status not in _GIVEN:
        status = word_shown(one.status, _NOT_GIVEN, "another one") or "missing"
        return leave_out(Reason.STATUS_UNKNOWN, f"its status is {status}, so it does not count as given.")
    if one.subject is None or not one.subject.reference:
        return leave_out(Reason.OTHER_SUBJECT, "it names no patient by reference.")
    found.other_subjects.setdefault(("MedicationAdministration", one.subject.reference), item.path)
    if one.implicitRules or one.modifierExtension:
        return leave_out(Reason.MODIFIER_EXTENSION, "it carries a modifier extension that is not known here.")
    period = one.effectivePeriod
    start_s = seconds(period.start if period is not None else one.effectiveDateTime)
    end_s = seconds(period.end) if period is not None else None
    until_s = end_s if isinstance(end_s, float) else None
    if not isinstance(start_s, float):
        return leave_out(Reason.NO_TIME, "it says not when, with a zone, it was given.")
    if start_s > now_s:
        return leave_out(Reason.FUTURE, "it begins after the instant that counts as now.")
    rate = one.dosage.rateQuantity if one.dosage else None
    sent = rate.value if rate is not None else None
    fault = _fault(rate) if drug in _CONVERTED else None
    counted = sent if drug in _CONVERTED and fault is None else None
    if fault is not None:
        # It runs, whatever its rate: an older rate must not stand for this one, nor a missing one for a sent one.
        leave_out(fault[0], f"{fault[1]}; that it was given counts, its rate does not.")
    shown = _shown(rate) if counted is None else ""
    if drug not in _CONVERTED and sent == 0:
        until_s = start_s  # a rate of nothing ends what ran before it
    going_on = period is not None and until_s is None and one.status == "in-progress"
    place = len(found.sources)
    found.infusions.append(Infusion(drug, counted, start_s, until_s, going_on, period is None, place, shown))
    spelled = f"{counted!r}|ug/kg/min" if counted is not None else shown
    text = f"infusion|{drug}|{spelled}|{start_s!r}|{until_s!r}"
    found.sources.append(Source(item.path, item.reference, text))
    return None


def _fault(rate: QuantityValue | None) -> tuple[Reason, str] | None:
    """Why a rate is not read; None where it is."""
    if rate is None or rate.value is None or rate.comparator:
        return Reason.NO_VALUE, "it has no rate as a Quantity"
    if rate.value == 0.0:
        return None  # in any unit
    if (rate.code or rate.unit) not in _RATES or rate.system not in ("", UCUM):
        return Reason.UNIT_UNKNOWN, "its rate is not in ug/kg/min, and no weight is guessed"
    if not 0.0 <= rate.value <= _MOST:
        return Reason.OUT_OF_RANGE, f"its rate is not between 0 and {_MOST:g} ug/kg/min"
    return None


def _shown(rate: QuantityValue | None) -> str:
    """A rate as it was sent, for people to read."""
    if rate is None or rate.value is None:
        return ""
    return f"{rate.comparator[:2]}{rate.value:g} {(rate.unit or rate.code)[:20]}".rstrip()
