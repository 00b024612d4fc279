"""What has been read so far, what reading depends on, and deduplication: of copies of a resource, and of readings.

Of several copies of one logical id the newest version counts; `amended` and `corrected` replace the earlier version of
the same logical id, and R4 has no other link between them. Readings with the same business identifier, or of the same
code, time and device, are one reading. Equal values: one is used. Different values: the amended or corrected one is
used, else none, for nobody here can know which is right. What cannot be decided is left out, with its reason.

Source: FHIR R4 4.0.1, https://hl7.org/fhir/R4/observation.html (status), /resource.html#Meta; the rules are ours.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

import msgspec

from ebbmark.fhir.model import Observation
from ebbmark.fhir.naming import reference_to
from ebbmark.fhir.problems import Ignored, Problem, Reason, Source
from ebbmark.fhir.reading.codes import HeightKind, PlainRule, SexKind, Unusable
from ebbmark.fhir.reading.concept_map import CodeMap
from ebbmark.fhir.times import seconds
from ebbmark.physiology.findings import Change
from ebbmark.physiology.mechanics import Sex
from ebbmark.physiology.readings import Reading
from ebbmark.physiology.stop.limits import NO_RHYTHM, Rhythms

_CORRECTED = frozenset({"amended", "corrected"})


class Received(msgspec.Struct, frozen=True, gc=False):
    """One Observation as it came: with its FHIRPath and its fullUrl, which may be empty."""

    observation: Observation
    path: str
    full_url: str


def reference_of(received: Received) -> str:
    """How results name this Observation."""
    observation = received.observation
    version = observation.meta.versionId if observation.meta else ""
    return reference_to("Observation", observation.id, version, received.full_url)


def newest_of(items: Sequence[Received]) -> tuple[list[Received], list[Ignored]]:
    """One copy per logical id, and the copies that it replaces."""
    groups: dict[Hashable, list[Received]] = {}
    for place, item in enumerate(items):
        groups.setdefault(item.observation.id or place, []).append(item)
    kept: list[Received] = []
    ignored: list[Ignored] = []
    for group in groups.values():
        for copies in _by_server(group):
            chosen, gone = ([*copies], []) if len(copies) == 1 else _decide(copies)
            kept += chosen
            ignored += gone
    return kept, ignored


def _by_server(group: list[Received]) -> list[list[Received]]:
    """Copies that are one resource: the same id on two servers is two resources."""
    servers: dict[str, list[Received]] = {}
    for item in group:
        servers.setdefault(item.full_url if item.full_url.startswith("http") else "", []).append(item)
    return [group] if len(servers) - ("" in servers) < 2 else list(servers.values())


def _decide(copies: list[Received]) -> tuple[list[Received], list[Ignored]]:
    newest, older = _top(copies)
    replaced = [left_out(item, Reason.SUPERSEDED, "A newer version of this Observation was sent.") for item in older]
    first = newest[0]
    if len(newest) == 1:
        return [first], replaced
    rest = newest[1:]
    if any(item.observation.status == "entered-in-error" for item in newest):
        sentence = "One copy of this Observation is entered-in-error, and no version says which is newer."
        return [], replaced + [left_out(item, Reason.ENTERED_IN_ERROR, sentence) for item in newest]
    if all(item.observation == first.observation for item in rest):
        sentence = "The same Observation was sent more than once; one copy was used."
        return [first], replaced + [left_out(item, Reason.DUPLICATE, sentence) for item in rest]
    corrected = [item for item in newest if item.observation.status in _CORRECTED]
    if len(corrected) == 1:
        others = [item for item in newest if item is not corrected[0]]
        sentence = "An amended or corrected version of this Observation was sent."
        return corrected, replaced + [left_out(item, Reason.SUPERSEDED, sentence) for item in others]
    sentence = "Copies of this Observation differ, and no version says which is newer."
    return [], replaced + [left_out(item, Reason.CONFLICT, sentence) for item in newest]


def _top(copies: list[Received]) -> tuple[list[Received], list[Received]]:
    """The copies of the highest version, and the older ones; all of them where versions cannot be compared."""
    metas = [item.observation.meta for item in copies]
    numbers = [meta.versionId if meta else "" for meta in metas]
    ranks: list[float]
    if all(number.isascii() and number.isdigit() and len(number) < 16 for number in numbers):
        ranks = [float(number) for number in numbers]
    else:
        times = [seconds(meta.lastUpdated) if meta else None for meta in metas]
        ranks = [time for time in times if isinstance(time, float)]
        if len(ranks) < len(copies):
            return copies, []
    highest = max(ranks)
    ranked = list(zip(ranks, copies, strict=True))
    return [item for rank, item in ranked if rank == highest], [item for rank, item in ranked if rank < highest]


def left_out(item: Received, reason: Reason, sentence: str, part: str = "") -> Ignored:
    """This Observation, or a part of it, as an input that does not count."""
    return Ignored(item.path + part, reference_of(item), reason.slug, sentence)


class Moment(NamedTuple):
    """When; `text` is the canonical form `start|end`."""

    start_s: float
    end_s: float
    text: str


class Height(NamedTuple):
    """One usable height.

    Attributes:
        cm: the height [cm].
        at_s: when; None where that is not known.
        part: FHIRPath below the Observation, for example `.component[1]`, or empty.
        source: as it would be listed.
    """

    cm: float
    kind: HeightKind
    at_s: float | None
    item: Received
    part: str
    source: Source


class BodyWeight(NamedTuple):
    """One usable actual body weight.

    Attributes:
        kg: the weight [kg].
        part: FHIRPath below the Observation, for example `.component[1]`, or empty.
        source: as it would be listed.
    """

    kg: float
    at_s: float
    item: Received
    part: str
    source: Source


class SexStatement(NamedTuple):
    """What one Observation says of the sex.

    Attributes:
        sex: None where it says neither female nor male.
        value: female or male, or the codes that say neither.
        kind: of which sex it speaks.
        at_s: when; None where that is not known.
        part: FHIRPath below the Observation, for example `.component[1]`, or empty.
        source: as it would be listed.
    """

    sex: Sex | None
    value: str
    kind: SexKind
    at_s: float | None
    item: Received
    part: str
    source: Source

    @property
    def path(self) -> str:
        """FHIRPath of the value."""
        return f"{self.item.path}{self.part}.valueCodeableConcept"


@dataclass(frozen=True, slots=True)
class CodedValues:
    """What the coded Observations of one request say; sources count from 0.

    Attributes:
        changes: changes of position and mode. A first value is no change, and the same value again is none.
        sources: the inputs that these rest on.
        taken: the Observations that they were read from.
        left: the others, which count for nothing and are to be listed.
    """

    changes: tuple[Change, ...]
    rhythms: Rhythms
    sources: tuple[Source, ...]
    taken: tuple[Received, ...]
    left: tuple[Received, ...]


NONE_CODED = CodedValues((), NO_RHYTHM, (), (), ())


@dataclass(frozen=True, slots=True)
class Context:
    """What the reading of every Observation depends on.

    Attributes:
        code_map: the codes that are understood.
        now_s: the instant that counts as now [s since 1970-01-01T00:00:00Z].
        categories: DeviceMetric.category by fullUrl and by `DeviceMetric/id`.
        coded: system and code of positions, modes and rhythms, where the question looks at them.
        rhythms: those of rhythms among them.
    """

    code_map: CodeMap
    statuses: frozenset[str]
    now_s: float
    categories: Mapping[str, str]
    coded: frozenset[tuple[str, str]] = frozenset()
    rhythms: frozenset[tuple[str, str]] = frozenset()


@dataclass(slots=True)
class Collected:
    """What has been read so far; filled by one request and thrown away with it.

    Attributes:
        sources: the Observations that they came from.
        used: the same, as received; parallel to `sources`.
        variants: by index of the reading, where its code has one.
        parts: FHIRPath below the Observation, by index of the reading, where it is a component.
        sexes: what Observations say of the sex.
        ignored: what does not count.
        notes: remarks, in order, each once.
        subject: what results will name as subject: `Patient/123`, or the fullUrl.
        subjects: FHIRPath of the first Observation by reference of its subject.
        identified_subjects: the same for subjects that are named by identifier only.
        without_subject: how many used Observations name no subject.
        encounters: references of the used Observations; empty text where there is none.
        odd_rules: how to read a value about which there is something to remark, by system and code, then system,
            code and text of the unit; plain ones are kept with the code map.
        many_rules: the same for concepts with several codings.
        unusable: why a single coding does not count, by system and code.
        times: moments by effectiveDateTime or effectiveInstant.
        plain_devices: references of devices of which no category is known.
        asked_devices: `DeviceMetric/id` or fullUrl of those whose category was used.
        coded: Observations of a position, a mode or a rhythm.
        rhythm_panels: Observations of which a rhythm is a part.
        coded_values: what the coded ones say.
    """

    readings: list[Reading] = field(default_factory=list)
    sources: list[Source] = field(default_factory=list)
    used: list[Received] = field(default_factory=list)
    variants: dict[int, str] = field(default_factory=dict)
    parts: dict[int, str] = field(default_factory=dict)
    heights: list[Height] = field(default_factory=list)
    sexes: list[SexStatement] = field(default_factory=list)
    weights: list[BodyWeight] = field(default_factory=list)
    ignored: list[Ignored] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)
    notes: dict[str, None] = field(default_factory=dict)
    subject: str = ""
    subjects: dict[str, str] = field(default_factory=dict)
    identified_subjects: dict[tuple[str, str], str] = field(default_factory=dict)
    without_subject: int = 0
    encounters: set[str] = field(default_factory=set)
    odd_rules: dict[tuple[str, str, str, str, str], PlainRule] = field(default_factory=dict)
    many_rules: dict[tuple[str, ...], PlainRule] = field(default_factory=dict)
    unusable: dict[tuple[str, str], Unusable] = field(default_factory=dict)
    times: dict[str, Moment] = field(default_factory=dict)
    plain_devices: set[str] = field(default_factory=set)
    asked_devices: set[str] = field(default_factory=set)
    coded: list[Received] = field(default_factory=list)
    rhythm_panels: list[Received] = field(default_factory=list)
    coded_values: CodedValues = NONE_CODED


def settle_duplicates(collected: Collected) -> None:
    """Leave one reading where there are several, or none."""
    readings = collected.readings
    identifiers = [
        (identifier.system, identifier.value)
        for item in collected.used
        if item.observation.identifier
        for identifier in item.observation.identifier
        if identifier.value
    ]
    removed: set[int] = set()
    if len(set(identifiers)) < len(identifiers):
        removed |= _settle_identified(collected)
    if len({(reading[0], reading[2]) for reading in readings}) < len(readings):
        groups: dict[Hashable, list[int]] = {}
        for number, reading in enumerate(readings):
            if number not in removed:
                device = collected.used[reading.source].observation.device
                variant = collected.variants.get(number, "")
                key = (reading.quantity, variant, reading.start_s, reading.end_s, device.reference if device else "")
                groups.setdefault(key, []).append(number)
        removed |= _settle(groups.values(), collected)
    if removed:
        _remove(removed, collected)


def _settle_identified(collected: Collected) -> set[int]:
    sharing: dict[tuple[str, str], list[int]] = {}
    for place, item in enumerate(collected.used):
        for key in {(one.system, one.value) for one in item.observation.identifier if one.value}:
            sharing.setdefault(key, []).append(place)
    of_source: dict[int, list[int]] = {}
    for number, reading in enumerate(collected.readings):
        of_source.setdefault(reading.source, []).append(number)
    found: dict[tuple[int, ...], None] = {}
    # Several identifiers of the same Observations say the same once.
    for places in {tuple(one): None for one in sharing.values() if len(one) > 1}:
        groups: dict[Hashable, list[int]] = {}
        for place in places:
            for number in of_source.get(place, ()):
                key_of_value = (collected.readings[number].quantity, collected.variants.get(number, ""))
                groups.setdefault(key_of_value, []).append(number)
        found.update(dict.fromkeys(map(tuple, groups.values())))
    at_one_time: list[list[int]] = []
    at_several: list[list[int]] = []
    for group in map(list, found):
        moments = {collected.readings[number][2:4] for number in group}
        (at_one_time if len(moments) == 1 else at_several).append(group)
    removed = _settle(at_one_time, collected)
    for group in at_several:
        corrected = [number for number in group if _status(number, collected) in _CORRECTED]
        if len(corrected) == 1:
            sentence = "An amended or corrected Observation with the same identifier was sent."
            for number in group:
                if number != corrected[0] and number not in removed:
                    _leave_out(number, Reason.SUPERSEDED, sentence, collected)
                    removed.add(number)
        else:
            note = "Observations that share an identifier but differ in time were used as separate readings."
            collected.notes[note] = None
    return removed


def _settle(groups: Iterable[list[int]], collected: Collected) -> set[int]:
    removed: set[int] = set()
    for every in groups:
        group = [number for number in every if number not in removed]
        if len(group) < 2:
            continue
        values = {collected.readings[number].value for number in group}
        corrected = [number for number in group if _status(number, collected) in _CORRECTED]
        if len(values) == 1:
            keep, reason, sentence = group[0], Reason.DUPLICATE, "The same value was sent twice; one was used."
        elif len(corrected) == 1:
            keep, reason = corrected[0], Reason.SUPERSEDED
            sentence = "An amended or corrected value for the same instant was sent."
        else:
            keep, reason, sentence = -1, Reason.CONFLICT, "Two different values were sent for the same instant."
        for number in group:
            if number != keep:
                _leave_out(number, reason, sentence, collected)
                removed.add(number)
    return removed


def _status(number: int, collected: Collected) -> str:
    return collected.used[collected.readings[number].source].observation.status


def _leave_out(number: int, reason: Reason, sentence: str, collected: Collected) -> None:
    item = collected.used[collected.readings[number].source]
    collected.ignored.append(left_out(item, reason, sentence, collected.parts.get(number, "")))


def _remove(removed: set[int], collected: Collected) -> None:
    """Take readings out, and the sources of which nothing is left."""
    kept = [(number, reading) for number, reading in enumerate(collected.readings) if number not in removed]
    living = sorted({reading.source for _, reading in kept})
    place = {old: new for new, old in enumerate(living)}
    texts: dict[int, list[str]] = {}
    for _, reading in kept:
        texts.setdefault(reading.source, []).append(
            f"{reading.quantity.slug}|{reading.value!r}|{reading.quantity.unit}|{reading.start_s!r}|{reading.end_s!r}"
        )
    collected.sources[:] = [
        Source(source.path, source.reference, ";".join(texts[old]))
        for old in living
        for source in (collected.sources[old],)
    ]
    collected.used[:] = [collected.used[old] for old in living]
    collected.parts = {new: collected.parts[old] for new, (old, _) in enumerate(kept) if old in collected.parts}
    collected.variants = {
        new: collected.variants[old] for new, (old, _) in enumerate(kept) if old in collected.variants
    }
    collected.readings[:] = [reading._replace(source=place[reading.source]) for _, reading in kept]
    collected.encounters = {
        item.observation.encounter.reference if item.observation.encounter else "" for item in collected.used
    }
