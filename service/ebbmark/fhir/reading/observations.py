"""Reading of Observations: to readings, heights, weights and sexes, and to those that do not count.

The hot path of the service takes the plain case (final, with a known subject, one time, values with a known code and
unit) with a few table look-ups, and hands everything else to `admit`, which reads the same things the careful way.
Whatever `admit` would object to must not be plain.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from ebbmark.fhir.model import RESOURCE_TYPES, Coding, Component, Observation, QuantityValue
from ebbmark.fhir.naming import CODE_SYSTEM, LONGEST_ID, RESULT_SYSTEM, tail_of
from ebbmark.fhir.problems import Ignored, Problem, ProblemKind, Reason, Source, word_shown
from ebbmark.fhir.reading.codes import PlainRule, Unusable
from ebbmark.fhir.reading.duplicates import newest_of, settle_duplicates
from ebbmark.fhir.reading.events import coded_values, has_code
from ebbmark.fhir.reading.request import USABLE_STATUSES, Collected, Context, Moment, Received, left_out, not_a_patient
from ebbmark.fhir.reading.units import UCUM
from ebbmark.fhir.reading.values import many_key, moment_of, moment_of_period, moment_of_text, other_values, read_value
from ebbmark.physiology.readings import Reading

_UNDECIDED = frozenset({Reason.CONFLICT.slug, Reason.ENTERED_IN_ERROR.slug})


def read_observations(items: Sequence[Received[Observation]], context: Context) -> Collected:
    """Read every Observation once."""
    collected = Collected()
    received = items
    identities = [item.resource.id for item in items if item.resource.id]
    if len(set(identities)) < len(identities):
        items = newest_of(items, collected)
    read_plain = _plain_reader(context, collected)
    for item in items:
        outcome = read_plain(item)
        if outcome is True:
            continue
        if context.coded and has_code(item.resource, context.coded):
            collected.coded.append(item)
        elif outcome:
            collected.ignored.append(left_out(item, *outcome))
        else:
            admit(item, context, collected)
            if context.rhythms and any(has_code(part, context.rhythms) for part in item.resource.component):
                collected.rhythm_panels.append(item)
    _take_coded(received, context, collected)
    settle_duplicates(collected)
    return collected


def _plain_reader(context: Context, collected: Collected) -> Callable[[Received[Observation]], bool | Unusable]:
    """The hot path: reads one plain Observation, or a panel all of whose components are plain.

    What it reads with is bound once per request. The reader that is returned says True where it has read; why the
    Observation does not count, where its code alone says so; and False, with nothing done, where it is not plain.
    """
    readings, sources, used, parts = collected.readings, collected.sources, collected.used, collected.parts
    plain_rules, odd_rules, many_rules = context.code_map.rules, collected.odd_rules, collected.many_rules
    statuses, unusable, variants = context.statuses, collected.unusable, collected.variants
    times, subjects, devices = collected.times, collected.subjects, collected.plain_devices
    encounters = collected.encounters
    new = tuple.__new__  # Reading(...) takes twice as long

    def rule_of(codings: Sequence[Coding], quantity: QuantityValue) -> PlainRule | None:
        if len(codings) != 1:
            return many_rules.get(many_key(codings, quantity))
        coding, code = codings[0], quantity.code
        rule = plain_rules.get((coding.system, coding.code, code)) if quantity.system == UCUM else None
        return rule or odd_rules.get((coding.system, coding.code, quantity.system, code, quantity.unit))

    def read_panel(observation: Observation, moment: Moment) -> str:
        """The canonical text of all components, once their readings are kept; empty where one is not plain."""
        first, texts = len(readings), []
        found: list[Reading] = []
        varied: dict[int, str] = {}
        for part in observation.component:
            quantity = part.valueQuantity
            if (
                quantity is None
                or (value := quantity.value) is None
                or quantity.comparator
                or part.modifierExtension
                or part.dataAbsentReason
                or _has_other_value(part)
                or (rule := rule_of(part.code.coding, quantity)) is None
            ):
                return ""
            meaning, multiply, divide, low, high, variant, slug, unit = rule
            ours = value * multiply / divide
            if not low <= ours <= high:
                return ""
            if variant:
                varied[first + len(found)] = variant
            found.append(new(Reading, (meaning, ours, moment[0], moment[1], len(sources))))
            texts.append(f"{slug}|{ours!r}|{unit}|{moment[2]}")
        variants.update(varied)
        parts.update((first + number, f".component[{number}]") for number in range(len(found)))
        readings.extend(found)
        return ";".join(texts)

    def read(item: Received[Observation]) -> bool | Unusable:
        observation = item.resource
        subject, device, quantity = observation.subject, observation.device, observation.valueQuantity
        if (
            observation.status not in statuses
            or (subject is not None and subject.reference not in subjects)
            or (device is not None and device.reference not in devices)
            or observation.implicitRules
            or observation.modifierExtension
            or observation.contained
            or observation.effectiveTiming
            or observation.focus
            or (observation.effectiveDateTime and observation.effectiveInstant)
            or (observation.identifier and is_own_result(observation))
            or _has_other_value(observation)
        ):
            return False
        text, period = observation.effectiveDateTime or observation.effectiveInstant, observation.effectivePeriod
        if period is None:
            moment = times.get(text) or moment_of_text(text, context, collected)
        else:
            moment = None if text else moment_of_period(period, context, collected)
        if observation.component:
            # What its own dataAbsentReason says is about its own value only.
            if (
                moment is None
                or quantity is not None
                or is_own_result(observation)
                or has_code(observation, context.coded)
            ):
                return False
            value_text = read_panel(observation, moment)
            if not value_text:
                return False
        else:
            if (
                quantity is None
                or (value := quantity.value) is None
                or quantity.comparator
                or observation.dataAbsentReason
            ):
                return False
            codings = observation.code.coding
            rule = rule_of(codings, quantity)
            if rule is None or moment is None:
                return unusable.get((codings[0].system, codings[0].code), False) if len(codings) == 1 else False
            meaning, multiply, divide, low, high, variant, slug, unit = rule
            ours = value * multiply / divide
            if not low <= ours <= high:
                return False
            if variant:
                variants[len(readings)] = variant
            readings.append(new(Reading, (meaning, ours, moment[0], moment[1], len(sources))))
            value_text = f"{slug}|{ours!r}|{unit}|{moment[2]}"
        if subject is None:
            collected.without_subject += 1
        identity, meta = observation.id, observation.meta
        if not identity or len(identity) > LONGEST_ID:
            reference = item.full_url
        elif meta is not None and meta.versionId:
            reference = f"Observation/{identity}/_history/{meta.versionId}"
        else:
            reference = f"Observation/{identity}"
        sources.append(Source(item.path, reference, value_text))
        used.append(item)
        encounters.add(observation.encounter.reference if observation.encounter is not None else "")
        return True

    return read


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


def _take_coded(received: Sequence[Received[Observation]], context: Context, collected: Collected) -> None:
    """Read positions, modes and rhythms, and list those that count for nothing."""
    undecided: list[Received[Observation]] = []
    if context.rhythms and collected.ignored:
        paths = {one.path for one in collected.ignored if one.code in _UNDECIDED}
        undecided = [item for item in received if item.path in paths and has_code(item.resource, context.coded)]
    if not collected.coded and not collected.rhythm_panels and not undecided:
        return
    collected.coded_values = coded_values(collected.coded, undecided, collected.rhythm_panels, context)
    for item in collected.coded_values.taken:
        note_subject(item, collected)
    for item in collected.coded_values.left:
        admit(item, context, collected)


_STATUS_REASONS: dict[str, tuple[Reason, str]] = {
    "preliminary": (Reason.PRELIMINARY, "Its status is preliminary, and the request does not accept those."),
    "registered": (Reason.REGISTERED, "It is registered only: there is no result yet."),
    "cancelled": (Reason.CANCELLED, "It was cancelled."),
    "entered-in-error": (Reason.ENTERED_IN_ERROR, "It was entered in error."),
    "unknown": (Reason.STATUS_UNKNOWN, "Its status is unknown."),
}


def admit(item: Received[Observation], context: Context, collected: Collected) -> None:
    """Read one Observation of any shape."""
    observation = item.resource
    refusal = _not_admissible(item, context, collected)
    if refusal is not None:
        collected.ignored.append(left_out(item, *refusal))
        return
    _list_contained(item, collected)
    moment = moment_of(item, context, collected)
    category = _category(observation, context, collected)
    parts: list[tuple[Observation | Component, str]] = []
    if not observation.component or observation.valueQuantity is not None or other_values(observation):
        parts.append((observation, ""))
    parts += [(component, f".component[{number}]") for number, component in enumerate(observation.component)]
    if isinstance(moment, Unusable) and observation.component:
        collected.ignored.append(left_out(item, *moment))
    first, personal = len(collected.readings), _personal(collected)
    texts = [
        text for holder, part in parts if (text := read_value(item, holder, part, moment, category, context, collected))
    ]
    found = len(collected.readings) > first or _personal(collected) > personal
    if observation.subject is None and found:
        collected.without_subject += 1
    if len(collected.readings) > first:
        collected.sources.append(Source(item.path, item.reference, ";".join(texts)))
        collected.used.append(item)
        collected.encounters.add(observation.encounter.reference if observation.encounter else "")


def _personal(collected: Collected) -> int:
    return len(collected.heights) + len(collected.sexes) + len(collected.weights)


def _list_contained(item: Received[Observation], collected: Collected) -> None:
    """Name what an Observation carries within itself and nobody reads; a device only tells setting from measurement."""
    contained = item.resource.contained
    for number, resource in enumerate(contained if isinstance(contained, list) else ()):
        kind = (
            word_shown(str(resource.get("resourceType", "")), RESOURCE_TYPES, "") if isinstance(resource, dict) else ""
        )
        if kind not in ("Device", "DeviceMetric", "Observation"):
            sentence = f"A contained {kind or 'resource'} is not read."
            path = f"{item.path}.contained[{number}]"
            collected.ignored.append(Ignored(path, item.reference, Reason.NOT_USED.slug, sentence))


def is_own_result(observation: Observation) -> bool:
    """Whether this service made it: an answer that came back must not become an input, signed or not."""
    return any(coding.system == CODE_SYSTEM for coding in observation.code.coding) or any(
        identifier.system == RESULT_SYSTEM for identifier in observation.identifier
    )


def _not_admissible(item: Received[Observation], context: Context, collected: Collected) -> Unusable | None:
    """What keeps the whole Observation out, value aside."""
    observation = item.resource
    if is_own_result(observation):  # whatever became of it since
        return Unusable(Reason.OWN_RESULT, "It is an earlier result of this service, not a reading.")
    status = observation.status
    if status in context.statuses:
        pass
    elif status in _STATUS_REASONS:
        return Unusable(*_STATUS_REASONS[status])
    else:
        sentence = "Its status is not one that FHIR R4 knows for an Observation."
        accepted = ", ".join([*sorted(USABLE_STATUSES), *_STATUS_REASONS])
        collected.problems.append(
            Problem(ProblemKind.INVALID_CODE, f"{item.path}.status", "another status", accepted, sentence)
        )
        return Unusable(Reason.STATUS_UNKNOWN, sentence)
    if observation.implicitRules:
        return Unusable(Reason.IMPLICIT_RULES, "It was made under implicit rules that are not known here.")
    if observation.modifierExtension:
        return Unusable(Reason.MODIFIER_EXTENSION, "It carries a modifier extension that is not known here.")
    kind = not_a_patient(observation)
    if kind:
        return Unusable(Reason.OTHER_SUBJECT, f"It is about a {kind}, not about a patient.")
    _note_subject(item, collected)
    return None


def note_subject(item: Received[Observation], collected: Collected) -> None:
    """Hold an Observation that is no reading, such as a rhythm, to the one patient of the request, too."""
    _note_subject(item, collected)
    collected.without_subject += item.resource.subject is None


def _note_subject(item: Received[Observation], collected: Collected) -> None:
    subject = item.resource.subject
    if subject is None:
        return
    if subject.reference:
        collected.subjects.setdefault(subject.reference, item.path)
    elif subject.identifier is not None:
        collected.identified_subjects.setdefault((subject.identifier.system, subject.identifier.value), item.path)


def _category(observation: Observation, context: Context, collected: Collected) -> str:
    """DeviceMetric.category of the Observation's device, or empty where it cannot be found."""
    if observation.device is None:
        return ""
    reference = observation.device.reference
    if reference.startswith("#"):
        contained = observation.contained if isinstance(observation.contained, list) else []
        for resource in contained:
            if isinstance(resource, dict) and resource.get("id") == reference[1:]:
                category = resource.get("category")
                return category if isinstance(category, str) else ""
        return ""
    category = context.categories.get(reference) or context.categories.get(tail_of(reference)) or ""
    if category:
        collected.asked_devices.update((reference, tail_of(reference)))
    else:
        collected.plain_devices.add(reference)
    return category
