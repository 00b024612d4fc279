"""What has been read so far, and what reading depends on: the two values that the reading functions share."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import NamedTuple

from ebbmark.fhir.problems import Problem
from ebbmark.fhir.reading.codes import HeightKind, SexKind
from ebbmark.fhir.reading.coding import QuickPlan, Unusable
from ebbmark.fhir.reading.concept_map import CodeMap
from ebbmark.fhir.reading.versions import Received
from ebbmark.fhir.sources import Ignored, Source
from ebbmark.physiology.after.seen import CodedChange
from ebbmark.physiology.formulas.body import Sex
from ebbmark.physiology.readings import Reading
from ebbmark.physiology.stop.rhythm_codes import NO_RHYTHM, Rhythms

__all__ = ["CodedValues", "Collected", "Context", "Height", "Moment", "SexSaid"]


class Moment(NamedTuple):
    """When; `text` is the canonical form `start|end`."""

    start_s: float
    end_s: float
    text: str


class Height(NamedTuple):
    """One usable height.

    Attributes:
        cm: the height [cm].
        kind: how it was come by.
        at_s: when; None where that is not known.
        item: the Observation.
        part: FHIRPath below the Observation, for example `.component[1]`, or empty.
        source: as it would be listed.
    """

    cm: float
    kind: HeightKind
    at_s: float | None
    item: Received
    part: str
    source: Source


class SexSaid(NamedTuple):
    """What one Observation says of the sex.

    Attributes:
        sex: None where it says neither female nor male.
        value: female or male, or the codes that say neither.
        kind: of which sex it speaks.
        at_s: when; None where that is not known.
        item: the Observation.
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
        rhythms: heart rhythms.
        sources: the inputs that these rest on.
        taken: the Observations that they were read from.
        left: the others, which count for nothing and are to be listed.
    """

    changes: tuple[CodedChange, ...]
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
        statuses: those that count.
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
        readings: usable readings.
        sources: the Observations that they came from.
        used: the same, as received; parallel to `sources`.
        variants: by index of the reading, where its code has one.
        parts: FHIRPath below the Observation, by index of the reading, where it is a component.
        heights: usable heights.
        sexes: what Observations say of the sex.
        ignored: what does not count.
        problems: what stops the request.
        notes: remarks, in order, each once.
        subject: what results will name as subject: `Patient/123`, or the fullUrl.
        subjects: FHIRPath of the first Observation by reference of its subject.
        identified_subjects: the same for subjects that are named by identifier only.
        without_subject: how many used Observations name no subject.
        encounters: references of the used Observations; empty text where there is none.
        odd_plans: how to read a value about which there is something to remark, by system and code, then system,
            code and text of the unit; plain ones are kept with the code map.
        many_plans: the same for concepts with several codings.
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
    sexes: list[SexSaid] = field(default_factory=list)
    ignored: list[Ignored] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)
    notes: dict[str, None] = field(default_factory=dict)
    subject: str = ""
    subjects: dict[str, str] = field(default_factory=dict)
    identified_subjects: dict[tuple[str, str], str] = field(default_factory=dict)
    without_subject: int = 0
    encounters: set[str] = field(default_factory=set)
    odd_plans: dict[tuple[str, str, str, str, str], QuickPlan] = field(default_factory=dict)
    many_plans: dict[tuple[str, ...], QuickPlan] = field(default_factory=dict)
    unusable: dict[tuple[str, str], Unusable] = field(default_factory=dict)
    times: dict[str, Moment] = field(default_factory=dict)
    plain_devices: set[str] = field(default_factory=set)
    asked_devices: set[str] = field(default_factory=set)
    coded: list[Received] = field(default_factory=list)
    rhythm_panels: list[Received] = field(default_factory=list)
    coded_values: CodedValues = NONE_CODED
