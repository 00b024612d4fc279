"""The one patient of a request: subject, age, height and the form of the formula."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import NamedTuple

import msgspec

from ebbmark.fhir.model import Patient
from ebbmark.fhir.naming import reference_to, tail_of, unversioned
from ebbmark.fhir.problems import Problem, ProblemKind, Reason
from ebbmark.fhir.reading.codes import HeightKind
from ebbmark.fhir.reading.collected import Collected, Height, left_out
from ebbmark.fhir.reading.demographics import REPLACED_BY
from ebbmark.fhir.reading.sex import SexFound, sex_of
from ebbmark.fhir.times import age_range_years, is_after, latest_second
from ebbmark.physiology.findings import IN_USE, PatientStatus
from ebbmark.physiology.formulas.body import Sex

__all__ = ["Person", "ReceivedPatient", "read_person", "status_of"]

ADULT_YEARS = 18
"""The formulas and the trials behind them are of adults."""

HEIGHT_TOLERANCE_CM = 3.0
"""Two heights of one adult that differ by more do not belong to one adult, or one is wrong; our choice."""

_PREFERENCE = {kind: place for place, kind in enumerate(HeightKind)}


@dataclass(frozen=True, slots=True)
class Person:
    """The patient, as far as the formulas need them.

    Attributes:
        height_cm: standing height or what was sent as height.
        height_source: index into the request's sources.
        height_note: plain sentence where the height deserves doubt (stated, estimated, lying), else empty.
        sex: the form of the formula to use.
        sex_origin: which statement was used, in plain words with its element of the Patient or its Observation.
        age_years: at the time of the request; None where no birth date was sent.
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


class ReceivedPatient(NamedTuple):
    """One Patient as it came: with its FHIRPath and its fullUrl, which may be empty."""

    patient: Patient
    path: str
    full_url: str


def read_person(
    patients: Sequence[ReceivedPatient], asked_sex: Sex | None, as_of_s: float, collected: Collected
) -> Person | None:
    """The one patient; problems, remarks and the source of the height go to `collected`.

    Args:
        patients: every Patient received.
        asked_sex: what the caller chose for the formula.
        as_of_s: the instant that counts as now [s since 1970-01-01T00:00:00Z].
        collected: what was read from the Observations.
    """
    before = len(collected.problems)
    received = _the_one(patients, collected)
    collected.subject = _subject(received, collected)
    age = _age(received, as_of_s, collected)
    height = _height(collected)
    sex = sex_of(
        received.patient if received else None,
        received.path if received else "",
        collected.sexes,
        asked=asked_sex,
        at_s=_last_reading_s(collected, as_of_s),
        height_cm=height.cm if height else None,
    )
    collected.notes.update(dict.fromkeys(sex.notes))
    collected.problems += sex.problems
    _list_not_chosen(sex, collected)
    if len(collected.problems) > before or height is None or sex.sex is None:
        return None
    chosen = [height.source, *([sex.said.source] if sex.said is not None else [])]
    height_source = len(collected.sources)
    collected.sources += chosen
    return Person(
        height_cm=height.cm,
        height_source=height_source,
        height_note=height.kind.doubt,
        sex=sex.sex,
        sex_origin=sex.origin,
        age_years=age,
        age_at_trial_years=_age_at_trial(received, collected) if age is not None else None,
        version=_version(patients),
        in_use=received is None or received.patient.active is not False,
        sex_source=height_source + 1 if sex.said is not None else None,
    )


def status_of(patients: Sequence[ReceivedPatient], as_of_s: float) -> PatientStatus:
    """What the Patient says of itself: died, and no longer used.

    Args:
        patients: every Patient received.
        as_of_s: the instant that counts as now [s since 1970-01-01T00:00:00Z].
    """
    if not patients:
        return IN_USE
    one = patients[0].patient
    died = one.deceasedBoolean is True or bool(one.deceasedDateTime)
    died_s = latest_second(one.deceasedDateTime) if one.deceasedDateTime else None
    return PatientStatus(died, died_s, one.active is False, died and not is_after(one.deceasedDateTime, as_of_s))


def _list_not_chosen(sex: SexFound, collected: Collected) -> None:
    """Every Observation of a sex counts or is listed."""
    if sex.sex is None:
        return  # the problems name what stands in the way
    for one in collected.sexes:
        if one is not sex.said:
            neither = f"It says neither female nor male ({one.value}). " if one.sex is None else ""
            sentence = f"{neither}Another statement of sex was used: {sex.origin}."
            collected.ignored.append(left_out(one.item, Reason.SEX_NOT_CHOSEN, sentence, one.part))


def _the_one(patients: Sequence[ReceivedPatient], collected: Collected) -> ReceivedPatient | None:
    if not patients:
        return None
    first = patients[0]
    if first.patient.modifierExtension:
        sentence = "The Patient carries a modifier extension that is not known here, which FHIR forbids to pass over."
        path = f"{first.path}.modifierExtension"
        collected.problems.append(Problem(ProblemKind.PATIENT_MODIFIED, path, "a modifier", "none", sentence))
    if any(link.type == REPLACED_BY for link in first.patient.link):
        accepted = "the Patient that replaces it"
        sentence = (
            "This Patient was replaced by another one (Patient.link of type replaced-by): what is charted here may be "
            "incomplete or of two people. Ask with the Patient that the link names."
        )
        path = f"{first.path}.link"
        collected.problems.append(Problem(ProblemKind.PATIENT_REPLACED, path, "replaced-by", accepted, sentence))
    for other in patients[1:]:
        if _unversioned(other) != _unversioned(first):
            sentence = "The request holds more than one Patient, or copies of one that differ; send exactly one."
            collected.problems.append(
                Problem(ProblemKind.MIXED_PATIENTS, other.path, f"{len(patients)} Patients", "one", sentence)
            )
            break
    return first


def _unversioned(received: ReceivedPatient) -> Patient:
    return msgspec.structs.replace(received.patient, meta=None)


def _version(patients: Sequence[ReceivedPatient]) -> str:
    """The Patient in its version, where that is known; a name that only the request knows has none."""
    versions = {one.patient.meta.versionId if one.patient.meta else "" for one in patients}
    named = patients[0].patient.id if len(versions) == 1 else ""
    reference = reference_to("Patient", named, versions.pop(), "") if named else ""
    return reference if "/_history/" in reference else ""


def _subject(received: ReceivedPatient | None, collected: Collected) -> str:
    """What results name as subject; adds a problem for every Observation of someone else."""
    if collected.without_subject:
        collected.notes["Observations without a subject were taken as this patient's."] = None
    subjects = {unversioned(reference): path for reference, path in reversed(collected.subjects.items())}
    if received is None:
        absolute = {reference for reference in subjects if "://" in reference}
        tails = {tail_of(reference) for reference in subjects}
        if len(absolute) > 1 or len(tails) > 1 or len(collected.identified_subjects) + len(tails) > 1:
            _mixed(next(iter(reversed(subjects.values())), ""), "more than one patient", collected)
        if not subjects:
            sentence = (
                "No Observation names its patient, and no Patient was sent; send the Patient."
                if not collected.identified_subjects
                else "The Observations name their patient by identifier only; send the Patient too."
            )
            collected.problems.append(Problem(ProblemKind.MISSING, "", "no Patient", "one Patient", sentence))
            return ""
        return min(absolute, default="") or min(subjects)
    patient, _, full_url = received
    own = f"Patient/{patient.id}" if patient.id else ""
    for reference, path in subjects.items():
        same_tail = bool(own) and tail_of(reference) == own
        elsewhere = "://" in reference and full_url.startswith("http")
        if reference != full_url and (not same_tail or elsewhere):
            _mixed(path, "another patient", collected)
    identifiers = {(identifier.system, identifier.value) for identifier in patient.identifier}
    for named, path in collected.identified_subjects.items():
        if named not in identifiers:
            _mixed(path, "another patient", collected)
    return own or full_url


def _mixed(path: str, found: str, collected: Collected) -> None:
    sentence = "The Observations are not all of one patient; send those of exactly one patient."
    expression = f"{path}.subject" if path else ""
    collected.problems.append(Problem(ProblemKind.MIXED_PATIENTS, expression, found, "exactly one patient", sentence))


def _age(received: ReceivedPatient | None, as_of_s: float, collected: Collected) -> float | None:
    if received is None or not received.patient.birthDate:
        collected.notes["No birth date was sent; the formulas are for adults."] = None
        return None
    path = f"{received.path}.birthDate"
    ages = age_range_years(received.patient.birthDate, datetime.fromtimestamp(as_of_s, UTC).date())
    accepted = f"an adult, {ADULT_YEARS} years or older"
    if ages is None or ages[1] < 0:
        sentence = "The birth date is not a date before now, so that the age cannot be told."
        collected.problems.append(Problem(ProblemKind.AGE_UNCLEAR, path, "no usable date", accepted, sentence))
        return None
    youngest, oldest = ages
    if oldest < ADULT_YEARS:
        sentence = f"The patient is a child; the formulas and the trials behind them are for {accepted}."
        collected.problems.append(Problem(ProblemKind.CHILD, path, "a child", accepted, sentence))
    elif youngest < ADULT_YEARS:
        sentence = "The partial birth date does not tell whether the patient is an adult; send the full date."
        collected.problems.append(Problem(ProblemKind.AGE_UNCLEAR, path, "a partial date", accepted, sentence))
    return float(youngest)


def _age_at_trial(received: ReceivedPatient | None, collected: Collected) -> float | None:
    if received is None or not collected.readings:
        return None
    last_s = _last_reading_s(collected, 0.0)
    ages = age_range_years(received.patient.birthDate, datetime.fromtimestamp(last_s, UTC).date())
    return float(ages[0]) if ages is not None and ages[0] >= 0 else None


def _last_reading_s(collected: Collected, otherwise_s: float) -> float:
    """End of the last reading, so that what holds at that time follows from the inputs alone."""
    return max((reading.end_s for reading in collected.readings), default=otherwise_s)


def _height(collected: Collected) -> Height | None:
    heights = sorted(
        collected.heights,
        key=lambda height: (_PREFERENCE[height.kind], -(height.at_s if height.at_s is not None else -1e18)),
    )
    if not heights:
        if not any(_is_about_height(problem) for problem in collected.problems):
            sentence = (
                "No usable body height was sent; send an Observation with LOINC 8302-2 and a value in cm or [in_i]."
            )
            collected.problems.append(Problem(ProblemKind.MISSING, "", "no height", "a body height", sentence))
        return None
    lowest, highest = min(heights, key=_cm), max(heights, key=_cm)
    if highest.cm - lowest.cm > HEIGHT_TOLERANCE_CM:
        found = f"{lowest.cm:g} cm and {highest.cm:g} cm"
        sentence = (
            f"Two heights disagree: {lowest.cm:g} cm ({_where(lowest)}) and {highest.cm:g} cm ({_where(highest)}); "
            f"heights of one adult may differ by {HEIGHT_TOLERANCE_CM:g} cm. Send the right one only."
        )
        for height in (lowest, highest):
            expression = f"{_where(height)}.valueQuantity"
            collected.problems.append(
                Problem(ProblemKind.HEIGHT_CONFLICT, expression, found, "heights that agree", sentence)
            )
        return None
    chosen = heights[0]
    for other in heights[1:]:
        sentence = f"Another height was used: {chosen.cm:g} cm ({_where(chosen)})."
        collected.ignored.append(left_out(other.item, Reason.HEIGHT_NOT_CHOSEN, sentence, other.part))
    return chosen


def _is_about_height(problem: Problem) -> bool:
    return problem.kind in {ProblemKind.HEIGHT_UNIT, ProblemKind.HEIGHT_RANGE}


def _cm(height: Height) -> float:
    return height.cm


def _where(height: Height) -> str:
    return height.item.path + height.part
