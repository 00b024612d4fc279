"""Types of a request: what it is read with and what it holds, what was read of it so far, and the one valid Request."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Generic, NamedTuple, TypeVar

import msgspec

from ebbmark.fhir.model import Condition, DeviceMetric, MedicationAdministration, Observation, Patient
from ebbmark.fhir.naming import reference_to, tail_of
from ebbmark.fhir.problems import Ignored, MappedCode, Problem, Reason, Source
from ebbmark.fhir.reading.codes import (
    NO_CODE_MAP,
    CodeMap,
    CodeRow,
    HeightKind,
    PlainRule,
    SexKind,
    Unusable,
    WeightKind,
)
from ebbmark.fhir.reading.condition_codes import BUILT_IN, ConditionCodes
from ebbmark.fhir.times import seconds
from ebbmark.physiology.before.staircase import DEFAULT_STAIRCASE, STAIRCASES, StaircaseRules, Variant
from ebbmark.physiology.findings import IN_USE, Change, PatientStatus
from ebbmark.physiology.mechanics import Sex
from ebbmark.physiology.protocols import DEFAULT_PROTOCOL, PROTOCOLS, Protocol
from ebbmark.physiology.readings import Reading, UnusableReading
from ebbmark.physiology.stop.limits import DEFAULT_STOP_LIMITS, NO_RHYTHM, Rhythms, StopLimits
from ebbmark.physiology.timeline import Infusion

_Kind = TypeVar("_Kind", HeightKind, WeightKind)
_Resource = TypeVar("_Resource", bound=msgspec.Struct)


@dataclass(frozen=True, slots=True)
class Limits:
    """How much is read at most.

    Attributes:
        max_entries: entries of a Bundle, and parameters.
    """

    max_bytes: int = 2_000_000
    max_entries: int = 5_000


DEFAULT_LIMITS = Limits()


@dataclass(frozen=True, slots=True)
class Site:
    """The rules in force here.

    Attributes:
        protocols: rules for reading a trial; the first is the default.
        staircases: how a trial is performed; the first is the default.
        stop_limits: signed by a clinician of the site, or the defaults.
    """

    condition_codes: ConditionCodes = BUILT_IN
    protocols: tuple[Protocol, ...] = PROTOCOLS
    staircases: tuple[StaircaseRules, ...] = STAIRCASES
    stop_limits: StopLimits = DEFAULT_STOP_LIMITS

    @property
    def default_protocol(self) -> Protocol:
        """Applied where the request names none."""
        return DEFAULT_PROTOCOL

    @property
    def default_staircase(self) -> StaircaseRules:
        """Laid out where the request names none."""
        return DEFAULT_STAIRCASE


NO_SITE = Site()
"""What holds where a site has configured nothing."""


@dataclass(frozen=True, slots=True)
class RequestContext:
    """What a request is read and answered with, beside what it holds.

    Attributes:
        code_map: the site's own codes of readings; a ConceptMap within a request is laid over it.
        accept_preliminary: whether Observations of status preliminary count where the request does not say.
    """

    at_s: float
    site: Site = NO_SITE
    limits: Limits = DEFAULT_LIMITS
    code_map: CodeMap = NO_CODE_MAP
    accept_preliminary: bool = False


class Acknowledger(NamedTuple):
    """The clinician who has acknowledged.

    Attributes:
        reference: of a Practitioner or PractitionerRole; may be empty.
        display: the person, in words; may be empty where there is a reference.
    """

    reference: str
    display: str

    @property
    def words(self) -> str:
        """The person, as a sentence names one."""
        return self.display or self.reference

    @property
    def as_reference(self) -> dict[str, object]:
        """FHIR Reference."""
        return {name: value for name, value in zip(("reference", "display"), self, strict=True) if value}


@dataclass(slots=True)
class Acknowledged:
    """What was acknowledged: it holds for the request that carries it and is kept nowhere.

    Attributes:
        what: codes and references, each with the FHIRPath of its parameter.
    """

    what: list[tuple[str, str]] = field(default_factory=list)
    who: Acknowledger | None = None


@dataclass(slots=True)
class Asked:
    """What was asked beside the readings; filled once. None and empty stand for what was not sent.

    Attributes:
        protocol: rules for reading a trial, with the margin asked for; None for the default.
        margin: margin asked for with its FHIRPath, until the protocol is known [cm[H2O]].
        make_current: whether an answer that the record holds as superseded is to stand again.
        conditions_not_read: whether Conditions of the patient could not be read.
        body_mass_index: [kg/m2].
        staircase: how the trial is performed; None for the default.
        peep_rise_cmh2o: None for the staircase's own.
        trial_started_s: [s since 1970-01-01T00:00:00Z], as `titrated_s`.
        released_ml: volume expired in the breath in which PEEP was released; None where not sent.
        usual_volume_ml: volume expired in a usual breath.
    """

    protocol: Protocol | None = None
    margin: tuple[float, str] | None = None
    sex: Sex | None = None
    chosen_peep_cmh2o: float | None = None
    chosen_because: str = ""
    accept_preliminary: bool = False
    write_back: bool = False
    make_current: bool = False
    with_report: bool = False
    conditions_not_read: bool = False
    noradrenaline_equivalent_mcg_per_kg_per_min: float | None = None
    body_mass_index: float | None = None
    barometric_pressure_mmhg: float | None = None
    staircase: StaircaseRules | None = None
    variant: Variant = Variant.DECREMENTAL_ONLY
    peep_rise_cmh2o: float | None = None
    acknowledged: Acknowledged = field(default_factory=Acknowledged)
    trial_started_s: float | None = None
    titrated_s: float | None = None
    suggested_peep_cmh2o: float | None = None
    released_ml: float | None = None
    usual_volume_ml: float | None = None
    release_high_peep_cmh2o: float | None = None
    release_low_peep_cmh2o: float | None = None
    compliance_at_low_peep_ml_per_cmh2o: float | None = None


class Received(msgspec.Struct, Generic[_Resource], frozen=True, gc=False):
    """One resource as it came.

    Attributes:
        path: its FHIRPath.
        full_url: may be empty.
        kind: its type, where it is read as another one: a Procedure as a Condition.
    """

    resource: _Resource
    path: str
    full_url: str
    kind: str = ""

    @property
    def reference(self) -> str:
        """How results name it."""
        meta = getattr(self.resource, "meta", None)
        identity: str = getattr(self.resource, "id", "")
        kind = self.kind or type(self.resource).__name__
        return reference_to(kind, identity, meta.versionId if meta else "", self.full_url)


def left_out(item: Received[Any], reason: Reason, sentence: str, part: str = "") -> Ignored:
    """This Observation, or a part of it, as an input that does not count."""
    return Ignored(item.path + part, item.reference, reason.slug, sentence)


USABLE_STATUSES = frozenset({"final", "amended", "corrected"})
"""Those that count in any case; `preliminary` counts where the request accepts it."""


def not_a_patient(observation: Observation) -> str:
    """What it is about, where that is no patient or not its subject (R4 Observation.focus); empty otherwise."""
    reference = observation.subject.reference if observation.subject is not None else ""
    if any(one.identifier or not reference or one.reference != reference for one in observation.focus):
        return "focus that is not its subject"
    kind = tail_of(reference).partition("/")[0] if reference else ""
    return kind if kind in {"Group", "Device", "Location"} else ""


def stamped_s(one: Observation, *, of_period: bool = True) -> float | None:
    """When an Observation is stamped, or its period begins; None where that is no instant."""
    period = one.effectivePeriod if of_period else None
    text = one.effectiveDateTime or one.effectiveInstant or (period.start if period is not None else "")
    found = seconds(text) if text else None
    return found if isinstance(found, float) else None


@dataclass(slots=True)
class Question:
    """What the request holds; filled once.

    Attributes:
        as_of_s: the instant that counts as now; the same, unless the request says otherwise.
        observations: in the order received, as all that follow.
        conditions: Conditions, where the operation reads them.
        code_rows: what a ConceptMap adds to the table of codes.
        unit_rows: the UCUM units that it gives, by Quantity.system and code or unit.
        ignored: resources that are not read.
    """

    site: Site
    at_s: float
    as_of_s: float
    asked: Asked
    observations: list[Received[Observation]] = field(default_factory=list)
    patients: list[Received[Patient]] = field(default_factory=list)
    metrics: list[Received[DeviceMetric]] = field(default_factory=list)
    conditions: list[Received[Condition]] = field(default_factory=list)
    infusions: list[Received[MedicationAdministration]] = field(default_factory=list)
    code_rows: list[CodeRow] = field(default_factory=list)
    unit_rows: dict[tuple[str, str], str] = field(default_factory=dict)
    ignored: list[Ignored] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)


def not_needed(kind: str) -> str:
    """Why a resource of this type is left out."""
    return f"A resource of type {kind} is not needed for this question."


class Moment(NamedTuple):
    """When; `text` is the canonical form `start|end`."""

    start_s: float
    end_s: float
    text: str


class BodyMeasure(NamedTuple, Generic[_Kind]):
    """One usable height [cm] or actual body weight [kg].

    Attributes:
        at_s: None where that is not known, as of a height only.
        part: FHIRPath below the Observation, for example `.component[1]`, or empty.
        source: as it would be listed.
    """

    value: float
    kind: _Kind
    at_s: float | None
    item: Received[Observation]
    part: str
    source: Source

    @property
    def path(self) -> str:
        """FHIRPath of the element that holds it."""
        return self.item.path + self.part


class SexStatement(NamedTuple):
    """What one Observation says of the sex.

    Attributes:
        sex: None where it says neither female nor male.
        value: female or male, or the codes that say neither.
        at_s: when; None where that is not known.
    """

    sex: Sex | None
    value: str
    kind: SexKind
    at_s: float | None
    item: Received[Observation]
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
    taken: tuple[Received[Observation], ...]
    left: tuple[Received[Observation], ...]


NONE_CODED = CodedValues((), NO_RHYTHM, (), (), ())


@dataclass(frozen=True, slots=True)
class Context:
    """What reading depends on.

    Attributes:
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
    condition_codes: ConditionCodes = BUILT_IN


class DocumentedCondition(NamedTuple):
    """One Condition that counts.

    Attributes:
        concepts: slugs of the risk concepts that its codes stand for.
        present: False where it is refuted.
        unsure: why it is not certain that it stands, in a word or two; empty where nothing says so.
    """

    concepts: tuple[str, ...]
    present: bool
    source: Source
    unsure: str = ""


@dataclass(slots=True)
class Collected:
    """What has been read so far; filled by one request and thrown away with it.

    Attributes:
        used: the same, as received; parallel to `sources`.
        variants: by index of the reading, where its code has one.
        parts: FHIRPath below the Observation, by index of the reading, where it is a component.
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
        documented: Conditions that count, with the index of their source; what follows of them is as in `Request`.
        other_subjects: FHIRPath of the first Condition or MedicationAdministration by type and subject reference.
    """

    readings: list[Reading] = field(default_factory=list)
    sources: list[Source] = field(default_factory=list)
    used: list[Received[Observation]] = field(default_factory=list)
    variants: dict[int, str] = field(default_factory=dict)
    parts: dict[int, str] = field(default_factory=dict)
    heights: list[BodyMeasure[HeightKind]] = field(default_factory=list)
    sexes: list[SexStatement] = field(default_factory=list)
    weights: list[BodyMeasure[WeightKind]] = field(default_factory=list)
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
    coded: list[Received[Observation]] = field(default_factory=list)
    rhythm_panels: list[Received[Observation]] = field(default_factory=list)
    coded_values: CodedValues = NONE_CODED
    documented: list[tuple[DocumentedCondition, int]] = field(default_factory=list)
    unjudged: list[Ignored] = field(default_factory=list)
    perhaps: set[str] = field(default_factory=set)
    named_pneumothorax: set[str] = field(default_factory=set)
    charted: dict[str, str] = field(default_factory=dict)
    infusions: list[Infusion] = field(default_factory=list)
    other_subjects: dict[tuple[str, str], str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Person:
    """The patient, as far as the formulas need them.

    Attributes:
        height_cm: standing height or what was sent as height.
        height_source: index into the request's sources.
        height_note: plain sentence where the height deserves doubt (stated, estimated, lying), else empty.
        sex_origin: which statement was used, in plain words with its element of the Patient or its Observation.
        age_at_trial_years: at the last reading, so that it follows from the inputs alone; None likewise.
        version: `Patient/123/_history/4` where the version of the Patient is known, else empty.
        in_use: False where the record marks this Patient inactive; one that was replaced is refused.
        sex_source: index into the request's sources; None where no Observation said which form to use.
    """

    height_cm: float
    height_source: int
    height_note: str
    sex: Sex
    sex_origin: str
    age_years: float | None
    age_at_trial_years: float | None = None
    version: str = ""
    in_use: bool = True
    sex_source: int | None = None

    @property
    def sources(self) -> tuple[int, ...]:
        """What height and sex came from, as indices into the request's sources."""
        return (self.height_source,) if self.sex_source is None else (self.height_source, self.sex_source)


@dataclass(frozen=True, slots=True)
class Request:
    """What was asked, in canonical units, and all that was left out, with its reason.

    Attributes:
        person: None where height or sex is not known, and the operation does without: then nothing that needs a
            predicted weight is said.
        sources: the inputs that everything here came from.
        notes: plain sentences about how the input was read (duplicates agreed, default assumptions ...).
        protocol: rules to apply, margin already set to the one asked for.
        encounter: `Encounter/9` when every used Observation names the same one, else None.
        as_of_s: the instant that counts as now [s since 1970-01-01T00:00:00Z].
        devices: of each source of a reading, by index; empty text where none is named.
        doubts: readings among the ignored of which something can be told none the less.
        unjudged: Conditions that may be there and of which nobody can say here what they mean.
        perhaps: FHIRPath of those among them whose code or words leave open whether they are one that is looked for.
        named_pneumothorax: FHIRPath of those among them whose words name a pneumothorax.
        charted: the words in which each Condition was charted, by its FHIRPath.
        body_mass_index: None where it is not known or shows no obesity [kg/m2].
        mapped_codes: the site's own codes among those received, ordered.
    """

    subject: str
    person: Person | None
    readings: tuple[Reading, ...]
    sources: tuple[Source, ...]
    ignored: tuple[Ignored, ...]
    notes: tuple[str, ...]
    protocol: Protocol
    encounter: str | None
    preliminary_inputs: bool
    as_of_s: float
    asked: Asked = field(default_factory=Asked)
    age_years: float | None = None
    devices: tuple[str, ...] = ()
    doubts: tuple[UnusableReading, ...] = ()
    conditions: tuple[tuple[DocumentedCondition, int], ...] = ()
    infusions: tuple[Infusion, ...] = ()
    unjudged: tuple[Ignored, ...] = ()
    perhaps: frozenset[str] = frozenset()
    named_pneumothorax: frozenset[str] = frozenset()
    charted: Mapping[str, str] = field(default_factory=dict)
    body_mass_index: float | None = None
    changes: tuple[Change, ...] = ()
    rhythms: Rhythms = NO_RHYTHM
    mapped_codes: tuple[MappedCode, ...] = ()
    stop_limits: StopLimits = DEFAULT_STOP_LIMITS
    status: PatientStatus = IN_USE

    @property
    def known_person(self) -> Person:
        """The patient with height and sex, for operations that need them: the reader refuses a request without.

        Raises:
            ValueError: height or sex is not known.
        """
        if self.person is None:
            raise ValueError("height or sex is not known")
        return self.person
