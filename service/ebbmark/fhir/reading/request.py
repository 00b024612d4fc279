"""One question, valid by construction: what the reader hands on to every use case."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from ebbmark.fhir.reading.conditions import Documented
from ebbmark.fhir.reading.patient import Person
from ebbmark.fhir.reading.question import Asked
from ebbmark.fhir.sources import Ignored, MappedCode, Source
from ebbmark.physiology.after.events import CodedChange
from ebbmark.physiology.findings import IN_USE, PatientStatus
from ebbmark.physiology.protocols import Protocol
from ebbmark.physiology.readings import Doubt, Reading
from ebbmark.physiology.stop.limits import DEFAULT_STOP_LIMITS, NO_RHYTHM, Rhythms, StopLimits
from ebbmark.physiology.vasopressors import Infusion

__all__ = ["Request"]


@dataclass(frozen=True, slots=True)
class Request:
    """What was asked, in canonical units, and all that was left out, with its reason.

    Attributes:
        subject: what results will name as subject.
        person: None where height or sex is not known, and the operation does without: then nothing that needs a
            predicted weight is said.
        readings: every usable reading, in the order received.
        sources: the inputs that everything here came from.
        ignored: every input that does not count.
        notes: plain sentences about how the input was read (duplicates agreed, default assumptions ...).
        protocol: rules to apply, margin already set to the one asked for.
        encounter: `Encounter/9` when every used Observation names the same one, else None.
        preliminary_inputs: whether any reading used has status preliminary.
        as_of_s: the instant that counts as now [s since 1970-01-01T00:00:00Z].
        asked: what else was asked.
        age_years: None where not known.
        devices: of each source of a reading, by index; empty text where none is named.
        doubts: readings among the ignored of which something can be told none the less.
        conditions: Conditions that count, with the index of their source.
        infusions: vasopressors, each with the index of its source.
        unjudged: Conditions that may be there and of which nobody can say here what they mean.
        perhaps: FHIRPath of those among them whose code or words leave open whether they are one that is looked for.
        named_pneumothorax: FHIRPath of those among them whose words name a pneumothorax.
        charted: the words in which each Condition was charted, by its FHIRPath.
        body_mass_index: None where it is not known or shows no obesity [kg/m2].
        changes: charted changes of position and mode.
        rhythms: charted heart rhythms.
        mapped_codes: the site's own codes among those received, ordered.
        stop_limits: vital signs at which a trial stops, signed by the site, or the defaults.
        status: whether the record says that the patient has died, or no longer uses the Patient.
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
    doubts: tuple[Doubt, ...] = ()
    conditions: tuple[tuple[Documented, int], ...] = ()
    infusions: tuple[Infusion, ...] = ()
    unjudged: tuple[Ignored, ...] = ()
    perhaps: frozenset[str] = frozenset()
    named_pneumothorax: frozenset[str] = frozenset()
    charted: Mapping[str, str] = field(default_factory=dict)
    body_mass_index: float | None = None
    changes: tuple[CodedChange, ...] = ()
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
