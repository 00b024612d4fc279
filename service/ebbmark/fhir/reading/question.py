"""What was asked, and with which resources: the request sorted by kind, before anything is interpreted."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final, NamedTuple

from ebbmark.fhir.model import Condition, DeviceMetric, MedicationAdministration, Observation, Patient
from ebbmark.fhir.problems import Ignored, Problem, ProblemKind
from ebbmark.fhir.reading.codes import CodeRow
from ebbmark.fhir.reading.collected import Received
from ebbmark.fhir.reading.concept_map import NO_CODE_MAP, CodeMap
from ebbmark.fhir.reading.patient import ReceivedPatient
from ebbmark.fhir.reading.site import NO_SITE, Site
from ebbmark.fhir.reading.units import contradicts, unit_shown
from ebbmark.physiology.before.plan_checks import Variant
from ebbmark.physiology.before.staircase import StaircaseRules
from ebbmark.physiology.mechanics import Sex
from ebbmark.physiology.protocols import Protocol


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
class RequestContext:
    """What a request is read and answered with, beside what it holds.

    Attributes:
        site: what the site has decided: protocols, staircases, stop limits, codes of conditions.
        limits: how much is read at most.
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
        who: the clinician; None where not sent.
    """

    what: list[tuple[str, str]] = field(default_factory=list)
    who: Acknowledger | None = None


@dataclass(slots=True)
class Asked:
    """What was asked beside the readings; filled once.

    Attributes:
        protocol: rules for reading a trial, with the margin asked for; None for the default.
        margin: margin asked for with its FHIRPath, until the protocol is known [cm[H2O]].
        sex: the caller's choice of formula.
        chosen_peep_cmh2o: PEEP that the clinician chose instead; None where not sent.
        chosen_because: code of the reason for it; empty where not sent.
        write_back: whether the answer is to be written to the record.
        make_current: whether an answer that the record holds as superseded is to stand again.
        with_report: whether the answer is to hold a report.
        conditions_not_read: whether Conditions of the patient could not be read.
        noradrenaline_equivalent_mcg_per_kg_per_min: None where not sent.
        body_mass_index: None where not sent [kg/m2].
        barometric_pressure_mmhg: None where not sent.
        staircase: how the trial is performed; None for the default.
        variant: with or without recruitment.
        peep_rise_cmh2o: None for the staircase's own.
        acknowledged: what a clinician has acknowledged, and who.
        trial_started_s: None where not sent [s since 1970-01-01T00:00:00Z].
        titrated_s: None where not sent [s since 1970-01-01T00:00:00Z].
        suggested_peep_cmh2o: None where not sent.
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


class ReceivedCondition(NamedTuple):
    """One Condition, or Procedure read as one, as it came: with its FHIRPath and its fullUrl, which may be empty."""

    condition: Condition
    path: str
    full_url: str
    kind: str = "Condition"


class ReceivedInfusion(NamedTuple):
    """One MedicationAdministration as it came: with its FHIRPath and its fullUrl, which may be empty."""

    administration: MedicationAdministration
    path: str
    full_url: str


class ReceivedMetric(NamedTuple):
    """One DeviceMetric as it came: with its FHIRPath and its fullUrl, which may be empty."""

    metric: DeviceMetric
    path: str
    full_url: str


@dataclass(slots=True)
class Question:
    """What the request holds; filled once.

    Attributes:
        site: what the site has decided.
        at_s: the instant of the request [s since 1970-01-01T00:00:00Z].
        as_of_s: the instant that counts as now; the same, unless the request says otherwise.
        asked: what was asked beside the resources.
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
    observations: list[Received] = field(default_factory=list)
    patients: list[ReceivedPatient] = field(default_factory=list)
    metrics: list[ReceivedMetric] = field(default_factory=list)
    conditions: list[ReceivedCondition] = field(default_factory=list)
    infusions: list[ReceivedInfusion] = field(default_factory=list)
    code_rows: list[CodeRow] = field(default_factory=list)
    unit_rows: dict[tuple[str, str], str] = field(default_factory=dict)
    ignored: list[Ignored] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)


MOST_CODINGS: Final = 20
MOST_IDENTIFIERS: Final = 20
MOST_COMPONENTS: Final = 200
MOST_CONTAINED: Final = 20
MOST_EXTENSIONS: Final = 100
"""An element may be repeated within one resource only so often that work stays bounded by the size of the body: several
times what a real resource holds. This project's choice."""


def too_often(resource: Observation | Patient, path: str) -> Problem | None:
    """The first element of a resource that is repeated more often than is read; None where there is none."""
    if isinstance(resource, Patient):
        return _first(
            (len(resource.identifier), MOST_IDENTIFIERS, f"{path}.identifier"),
            (len(resource.extension), MOST_EXTENSIONS, f"{path}.extension"),
            (max((len(one.extension) for one in resource.extension), default=0), MOST_EXTENSIONS, f"{path}.extension"),
        )
    contained = resource.contained
    return _first(
        (len(resource.identifier), MOST_IDENTIFIERS, f"{path}.identifier"),
        (len(resource.component), MOST_COMPONENTS, f"{path}.component"),
        (len(contained) if isinstance(contained, list) else 0, MOST_CONTAINED, f"{path}.contained"),
        (len(resource.code.coding), MOST_CODINGS, f"{path}.code.coding"),
        *[
            (len(one.code.coding), MOST_CODINGS, f"{path}.component[{number}].code.coding")
            for number, one in enumerate(resource.component)
            if len(one.code.coding) > MOST_CODINGS
        ],
    )


def _first(*counts: tuple[int, int, str]) -> Problem | None:
    for count, most, path in counts:
        if count > most:
            sentence = f"{path} is repeated {count} times; at most {most} are read."
            return Problem(ProblemKind.TOO_MANY_ENTRIES, path, str(count), str(most), sentence)
    return None


def note_contradicting_units(question: Question) -> None:
    """Say where a value is shown to people in another unit than its code says; the code counts."""
    sent = [one.observation.valueQuantity for one in question.observations]
    sent += [part.valueQuantity for one in question.observations for part in one.observation.component]
    for unit, code in sorted({(one.unit, one.code) for one in sent if one is not None}):
        if contradicts(unit, code):
            shown, coded = unit_shown(unit), unit_shown(code)
            question.notes.append(f"A value is shown in {shown} and coded in {coded}: the code counts; look at it.")
