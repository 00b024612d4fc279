"""What is the caller told where the record does not give what a question needs?"""

from __future__ import annotations

from ebbmark.fhir.problems import Problem, ProblemKind
from ebbmark.record.reading import ReadFailure
from ebbmark.record.searching import TooMuch

__all__ = ["PATIENT", "no_patient", "no_record", "not_read", "too_much", "took_too_long"]

PATIENT = "Parameters.parameter.where(name='patient-reference')"
"""FHIRPath of what the caller asked for."""

_NOT_ACCEPTED = 401


def no_patient(failure: ReadFailure) -> Problem:
    """The Patient could not be read."""
    if failure.status in (404, 410):
        accepted = "a patient of the configured record"
        sentence = f"The patient could not be read: {failure.sentence}."
        return Problem(ProblemKind.NOT_IN_RECORD, PATIENT, "no such patient", accepted, sentence)
    return not_read("The Patient", failure)


def not_read(what: str, failure: ReadFailure) -> Problem:
    """Something else could not be read."""
    if failure.status == _NOT_ACCEPTED:
        sentence = f"{what} could not be read: {failure.sentence}. Access to the record has ended, or was never given."
        return Problem(ProblemKind.RECORD_ACCESS, PATIENT, failure.sentence, "access to the record", sentence)
    sentence = f"{what} could not be read from the record: {failure.sentence}. Ask again later, or send the data."
    return Problem(ProblemKind.RECORD_FAILED, PATIENT, failure.sentence, "a record that answers", sentence)


def too_much(much: TooMuch) -> Problem:
    """The record holds more than may be read."""
    sentence = (
        f"The record holds {much.sentence} for this question, and a part would pass for the whole. "
        "Name a shorter period."
    )
    accepted = "a period that holds less"
    return Problem(ProblemKind.TOO_MUCH_IN_RECORD, PATIENT, much.sentence, accepted, sentence)


def no_record() -> Problem:
    """A patient of the record was named, and there is no record."""
    accepted = "a service whose record_base_url is set"
    sentence = "The request names a patient of a record, but no record system is configured here. Send the data."
    return Problem(ProblemKind.NO_RECORD, PATIENT, "patient-reference", accepted, sentence)


def took_too_long(most_s: float) -> Problem:
    """The record did not give everything within this time [s]."""
    found, accepted = f"reading took longer than {most_s:g} s", "a record that answers in time"
    sentence = f"Reading from the record took longer than {most_s:g} seconds. Name a shorter period, or ask later."
    return Problem(ProblemKind.RECORD_FAILED, PATIENT, found, accepted, sentence)
