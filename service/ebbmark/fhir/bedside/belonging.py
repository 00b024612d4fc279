"""Whose request is it, and does all of it belong together?"""

from __future__ import annotations

from collections.abc import Container, Iterable
from datetime import UTC, datetime

from ebbmark.fhir.bedside.asked import Asked
from ebbmark.fhir.bedside.conditions import Conditions, mixed
from ebbmark.fhir.bedside.infusions import Infusions
from ebbmark.fhir.problems import Problem, ProblemKind
from ebbmark.fhir.reading.collected import Collected
from ebbmark.fhir.reading.question import Question
from ebbmark.fhir.reading.times import age_range_years
from ebbmark.fhir.reading.versions import left_out
from ebbmark.fhir.reasons import Reason
from ebbmark.fhir.references import tail_of, unversioned
from ebbmark.fhir.request import Ignored

__all__ = ["age_of", "but_ours", "is_about_weight", "not_weighed", "not_yet", "of_another_patient", "subject_of"]

OF_WEIGHT = frozenset(
    {
        ProblemKind.SEX_NEEDED,
        ProblemKind.SEX_CONFLICT,
        ProblemKind.HEIGHT_UNIT,
        ProblemKind.HEIGHT_RANGE,
        ProblemKind.HEIGHT_CONFLICT,
    }
)


def is_about_weight(problem: Problem) -> bool:
    """Whether this stands only in the way of a predicted weight."""
    return problem.kind in OF_WEIGHT or (problem.kind is ProblemKind.MISSING and problem.found == "no height")


def not_weighed(collected: Collected, listed: Container[str]) -> Iterable[Ignored]:
    """Heights and sexes of which no predicted weight is computed, but those whose value is listed already."""
    found = [(f"{one.item.path}{one.part}.valueQuantity", one.item, one.part) for one in collected.heights]
    # Where one sex was chosen, the others are listed as such.
    found += [(one.path, one.item, one.part) for one in collected.sexes if one.item.path + one.part not in listed]
    for path, item, part in found:
        if path not in listed:
            yield left_out(item, Reason.NOT_USED, "No predicted weight is computed.", part)


def subject_of(question: Question, collected: Collected) -> str:
    """What results name as subject, where height or sex is not known."""
    if question.patients:
        patient, _, full_url = question.patients[0]
        return f"Patient/{patient.id}" if patient.id else full_url
    subjects = {unversioned(reference) for reference in collected.subjects}
    return min((one for one in subjects if "://" in one), default="") or min(subjects, default="")


def of_another_patient(
    subject: str, question: Question, conditions: Conditions, infusions: Infusions
) -> Iterable[Problem]:
    """Conditions and infusions of somebody else."""
    urls = {one.full_url for one in question.patients if one.full_url}
    for kind, subjects in (("Condition", conditions.subjects), ("MedicationAdministration", infusions.subjects)):
        for reference, path in subjects.items():
            plain = unversioned(reference)
            if plain not in urls and (not subject or tail_of(plain) != tail_of(subject)):
                yield mixed(kind, path)


def not_yet(asked: Asked, now_s: float) -> Iterable[Problem]:
    """Instants that were asked about and have not come yet."""
    for name, at_s in (("trial-started", asked.trial_started_s), ("titrated-at", asked.titrated_s)):
        if at_s is not None and at_s > now_s:
            path = f"Parameters.parameter.where(name='{name}')"
            accepted = "a time that is not after the instant that counts as now"
            sentence = f"The parameter {name} needs {accepted}."
            yield Problem(ProblemKind.BAD_PARAMETER, path, "a later time", accepted, sentence)


def but_ours(ignored: Iterable[Ignored], conditions: Conditions, infusions: Infusions) -> list[Ignored]:
    """What `take_apart` left out, without the Conditions and infusions that were read or listed here."""
    listed = {one.source.path for one in conditions.documented} | {one.path for one in conditions.ignored}
    listed |= {one.path for one in infusions.sources} | {one.path for one in infusions.ignored}
    return [one for one in ignored if one.path not in listed]


def age_of(question: Question) -> float | None:
    """Completed years, the youngest that a partial birth date allows; None where not known."""
    birth = question.patients[0].patient.birthDate if question.patients else ""
    ages = age_range_years(birth, datetime.fromtimestamp(question.as_of_s, UTC).date()) if birth else None
    return float(ages[0]) if ages is not None else None
