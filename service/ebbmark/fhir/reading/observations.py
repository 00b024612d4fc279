"""From Observations to readings and heights, and to those that do not count.

`read_observations` is the hot path of the service. It takes the plain case (final, with a known subject, one time,
values with a known code and unit) with a few table look-ups, and hands everything else to `admit`, which reads the
same things the careful way. Whatever `admit` would object to must not be plain.
"""

from __future__ import annotations

from collections.abc import Sequence

from ebbmark.fhir.model import Component, Observation
from ebbmark.fhir.naming import LONGEST_ID
from ebbmark.fhir.problems import Reason, Source
from ebbmark.fhir.reading.coded_values import coded_values, holds_rhythm, is_coded
from ebbmark.fhir.reading.duplicates import newest_of, settle_duplicates
from ebbmark.fhir.reading.eligibility import admit, is_own_result, moment_of_period, moment_of_text, note_subject
from ebbmark.fhir.reading.request import Collected, Context, Received, left_out
from ebbmark.fhir.reading.units import UCUM
from ebbmark.fhir.reading.values import many_key
from ebbmark.physiology.readings import Reading

_UNDECIDED = frozenset({Reason.CONFLICT.slug, Reason.ENTERED_IN_ERROR.slug})


def read_observations(items: Sequence[Received[Observation]], context: Context) -> Collected:
    """Read every Observation once.

    Args:
        items: as received, in order.
        context: code table, instant that counts as now, and what the Bundle says of devices.
    """
    collected = Collected()
    received = items
    identities = [item.resource.id for item in items if item.resource.id]
    if len(set(identities)) < len(identities):
        items, collected.ignored = newest_of(items)
    readings, sources, used = collected.readings, collected.sources, collected.used
    plain_rules, odd_rules, many_rules = context.code_map.rules, collected.odd_rules, collected.many_rules
    statuses, unusable = context.statuses, collected.unusable
    times, subjects, devices = collected.times, collected.subjects, collected.plain_devices
    encounters = collected.encounters
    new = tuple.__new__  # Reading(...) takes twice as long
    for item in items:
        observation = item.resource
        subject, device, quantity = observation.subject, observation.device, observation.valueQuantity
        if (
            quantity is None
            or (value := quantity.value) is None
            or observation.status not in statuses
            or (subject is not None and subject.reference not in subjects)
            or (device is not None and device.reference not in devices)
            or quantity.comparator
            or observation.component
            or observation.modifierExtension
            or observation.implicitRules
            or (observation.identifier and is_own_result(observation))
            or observation.contained
            or observation.dataAbsentReason
            or observation.effectiveTiming
            or observation.focus
            or (observation.effectiveDateTime and observation.effectiveInstant)
            or observation.valueString is not None
            or observation.valueCodeableConcept is not None
            or observation.valueInteger is not None
            or observation.valueBoolean is not None
            or observation.valueRange is not None
            or observation.valueRatio is not None
            or observation.valueSampledData is not None
            or observation.valueTime is not None
            or observation.valueDateTime is not None
            or observation.valuePeriod is not None
        ):
            if context.coded and is_coded(observation, context):
                collected.coded.append(item)
            elif not observation.component or not _read_plain_panel(item, context, collected):
                admit(item, context, collected)
                if context.rhythms and observation.component and holds_rhythm(observation, context):
                    collected.rhythm_panels.append(item)
            continue
        text = observation.effectiveDateTime or observation.effectiveInstant
        if observation.effectivePeriod is None:
            moment = times.get(text) or moment_of_text(text, context, collected)
        else:
            moment = None if text else moment_of_period(observation.effectivePeriod, context, collected)
        codings = observation.code.coding
        if len(codings) != 1:
            rule = many_rules.get(many_key(codings, quantity))
        else:
            coding, code = codings[0], quantity.code
            rule = plain_rules.get((coding.system, coding.code, code)) if quantity.system == UCUM else None
            if rule is None:
                rule = odd_rules.get((coding.system, coding.code, quantity.system, code, quantity.unit))
        if rule is None or moment is None:
            known = len(codings) == 1 and unusable.get((codings[0].system, codings[0].code))
            if context.coded and is_coded(observation, context):
                collected.coded.append(item)
            elif known:
                collected.ignored.append(left_out(item, *known))
            else:
                admit(item, context, collected)
            continue
        meaning, multiply, divide, low, high, variant, slug, unit = rule
        ours = value * multiply / divide
        if not low <= ours <= high:
            admit(item, context, collected)
            continue
        if variant:
            collected.variants[len(readings)] = variant
        if subject is None:
            collected.without_subject += 1
        start, end, when = moment
        readings.append(new(Reading, (meaning, ours, start, end, len(sources))))
        identity, meta = observation.id, observation.meta
        if not identity or len(identity) > LONGEST_ID:
            reference = item.full_url
        elif meta is not None and meta.versionId:
            reference = f"Observation/{identity}/_history/{meta.versionId}"
        else:
            reference = f"Observation/{identity}"
        sources.append(Source(item.path, reference, f"{slug}|{ours!r}|{unit}|{when}"))
        used.append(item)
        encounters.add(observation.encounter.reference if observation.encounter is not None else "")
    _take_coded(received, context, collected)
    settle_duplicates(collected)
    return collected


def _take_coded(received: Sequence[Received[Observation]], context: Context, collected: Collected) -> None:
    """Read positions, modes and rhythms, and list those that count for nothing."""
    undecided: list[Received[Observation]] = []
    if context.rhythms and collected.ignored:
        paths = {one.path for one in collected.ignored if one.code in _UNDECIDED}
        undecided = [item for item in received if item.path in paths and is_coded(item.resource, context)]
    if not collected.coded and not collected.rhythm_panels and not undecided:
        return
    collected.coded_values = coded_values(collected.coded, undecided, collected.rhythm_panels, context)
    for item in collected.coded_values.taken:
        note_subject(item, collected)
    for item in collected.coded_values.left:
        admit(item, context, collected)


def _is_special_panel(one: Observation) -> bool:
    """Whether anything is there that a plain panel has not; its own dataAbsentReason is about its own value only."""
    return bool(
        one.modifierExtension
        or one.implicitRules
        or one.effectiveTiming
        or one.focus
        or (one.effectiveDateTime and one.effectiveInstant)
        or _has_other_value(one)
    )


def _has_other_value(one: Observation | Component) -> bool:
    return (
        one.valueString is not None
        or one.valueCodeableConcept is not None
        or one.valueInteger is not None
        or one.valueBoolean is not None
        or one.valueRange is not None
        or one.valueRatio is not None
        or one.valueSampledData is not None
        or one.valueTime is not None
        or one.valueDateTime is not None
        or one.valuePeriod is not None
    )


def _read_plain_panel(item: Received[Observation], context: Context, collected: Collected) -> bool:
    """Read a panel all of whose components are plain; False, and nothing done, where one is not."""
    observation = item.resource
    subject, device = observation.subject, observation.device
    text = observation.effectiveDateTime or observation.effectiveInstant
    if (
        observation.valueQuantity is not None
        or observation.status not in context.statuses
        or (subject is not None and subject.reference not in collected.subjects)
        or (device is not None and device.reference not in collected.plain_devices)
        or _is_special_panel(observation)
        or is_own_result(observation)
        or observation.contained
    ):
        return False
    if observation.effectivePeriod is None:
        moment = collected.times.get(text) or moment_of_text(text, context, collected)
    else:
        moment = None if text else moment_of_period(observation.effectivePeriod, context, collected)
    if moment is None:
        return False
    plain_rules, odd_rules, many_rules = context.code_map.rules, collected.odd_rules, collected.many_rules
    start, end, when = moment
    place, first = len(collected.sources), len(collected.readings)
    readings: list[Reading] = []
    variants: list[tuple[int, str]] = []
    texts: list[str] = []
    for component in observation.component:
        quantity, codings = component.valueQuantity, component.code.coding
        if (
            quantity is None
            or (value := quantity.value) is None
            or quantity.comparator
            or component.modifierExtension
            or component.dataAbsentReason
            or _has_other_value(component)
        ):
            return False
        if len(codings) != 1:
            rule = many_rules.get(many_key(codings, quantity))
        else:
            coding, code = codings[0], quantity.code
            rule = plain_rules.get((coding.system, coding.code, code)) if quantity.system == UCUM else None
            if rule is None:
                rule = odd_rules.get((coding.system, coding.code, quantity.system, code, quantity.unit))
        if rule is None:
            return False
        meaning, multiply, divide, low, high, variant, slug, unit = rule
        ours = value * multiply / divide
        if not low <= ours <= high:
            return False
        if variant:
            variants.append((first + len(readings), variant))
        readings.append(tuple.__new__(Reading, (meaning, ours, start, end, place)))
        texts.append(f"{slug}|{ours!r}|{unit}|{when}")
    if subject is None:
        collected.without_subject += 1
    collected.parts.update((first + number, f".component[{number}]") for number in range(len(readings)))
    collected.variants.update(variants)
    collected.readings += readings
    collected.sources.append(Source(item.path, item.reference, ";".join(texts)))
    collected.used.append(item)
    collected.encounters.add(observation.encounter.reference if observation.encounter is not None else "")
    return True
