"""What the reader hands on: one patient, readings in canonical units, and all that was left out, with its reason."""

from __future__ import annotations

from dataclasses import dataclass

import msgspec

from ebbmark.physiology.formulas.body import Sex
from ebbmark.physiology.protocols import Protocol
from ebbmark.physiology.readings import Reading

__all__ = ["Ignored", "Person", "Request", "Source"]


class Source(msgspec.Struct, frozen=True, gc=False):
    """One input resource, named as exactly as it can be.

    Attributes:
        path: FHIRPath of the resource in the request, for example `Bundle.entry[3].resource`.
        reference: `Observation/12/_history/3` where the version is known, else `Observation/12`, else its
            fullUrl, else empty: then only `path` names it.
        value: what was read from it, as canonical text (for the digest): one item per value,
            `slug|value|unit|start|end`, joined by `;`.
    """

    path: str
    reference: str
    value: str


class Ignored(msgspec.Struct, frozen=True, gc=False):
    """One input that does not count, and why.

    Attributes:
        path: FHIRPath of the resource or element.
        reference: as in Source; may be empty.
        code: stable slug of the reason, for example `entered-in-error`.
        reason: one plain sentence.
    """

    path: str
    reference: str
    code: str
    reason: str


@dataclass(frozen=True, slots=True)
class Person:
    """The patient, as far as the formulas need them.

    Attributes:
        reference: what results will name as subject: `Patient/123`, or the fullUrl.
        height_cm: standing height or what was sent as height.
        height_source: index into the request's sources.
        height_note: plain sentence where the height deserves doubt (stated, estimated, lying), else empty.
        sex: the form of the formula to use.
        sex_origin: which statement was used, in plain words with its element of the Patient or its Observation.
        age_years: at the time of the request; None where no birth date was sent.
        age_at_trial_years: at the last reading, so that it follows from the inputs alone; None likewise.
        version: `Patient/123/_history/4` where the version of the Patient is known, else empty.
        in_use: False where the record marks this Patient inactive, or as replaced by another.
        sex_source: index into the request's sources; None where no Observation said which form to use.
    """

    reference: str
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
    """One question, valid by construction.

    Attributes:
        person: the patient.
        readings: every usable reading, in the order received.
        sources: the input resources that readings, height and sex came from.
        ignored: every input that does not count.
        notes: plain sentences about how the input was read (duplicates agreed, default assumptions ...).
        protocol: rules to apply, margin already set to the one asked for.
        encounter: `Encounter/9` when every used Observation names the same one, else None.
        preliminary_inputs: whether any reading used has status preliminary.
        write_back: whether the answer is to be written to the record.
        as_of_s: the instant that counts as now [s since 1970-01-01T00:00:00Z].
        make_current: whether an answer that the record holds as superseded is to stand again.
        with_report: whether the answer is to hold a report.
    """

    person: Person
    readings: tuple[Reading, ...]
    sources: tuple[Source, ...]
    ignored: tuple[Ignored, ...]
    notes: tuple[str, ...]
    protocol: Protocol
    encounter: str | None
    preliminary_inputs: bool
    write_back: bool
    as_of_s: float
    make_current: bool = False
    with_report: bool = False
