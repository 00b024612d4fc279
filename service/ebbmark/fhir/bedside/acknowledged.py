"""What has a clinician acknowledged before a plan or during a trial, and who is that?

An acknowledgement names one thing: the code of a condition or of what readings show, the one Condition, in the one
version, that could not be judged, or a vital sign that is not sent. It holds for the request that carries it and is
kept nowhere.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import NamedTuple

import msgspec

from ebbmark.fhir.parameters import Parameter
from ebbmark.fhir.problems import Problem, ProblemKind
from ebbmark.fhir.reading.shapes import Parameter as Given

__all__ = ["ACKNOWLEDGING", "Acknowledged", "Acknowledger", "read_what", "read_who"]

LONGEST = 200
"""Longest code, reference or name that is taken."""

ACCEPTED_WHAT = (
    "valueString: the code of what is acknowledged, or the reference of a Condition, as the refusal or answer names it"
)
ACCEPTED_WHO = "valueReference: a Practitioner or PractitionerRole by reference, or a display that names the person"

ACKNOWLEDGING: tuple[Parameter, ...] = (
    Parameter(
        "acknowledged",
        "string",
        0,
        "*",
        "One thing that stands in the way and that a clinician has looked at. Of a plan: the code of a documented "
        "condition or of what readings show, or the reference of a Condition that could not be judged, as the refusal "
        "names it; without it such a plan is refused. During a trial: spo2-not-sent, arterial-pressure-not-sent, "
        "heart-rate-not-sent or heart-rhythm-not-sent, for a vital sign that has a stop limit and is watched but not "
        "sent; rhythm-changed-to- and its code (several joined by +), or rhythm-not-readable, for a heart rhythm that "
        "was looked at. Needs "
        "acknowledged-by.",
        "valueString",
    ),
    Parameter(
        "acknowledged-by",
        "Reference",
        0,
        "1",
        "The clinician who has acknowledged: a Practitioner or PractitionerRole, or a display that names the person. "
        "Stands in the answer beside everything acknowledged.",
        "valueReference",
    ),
)
"""As a table of parameters."""

_CLINICIAN = re.compile(r"(https?://\S+/)?(Practitioner|PractitionerRole)/[A-Za-z0-9\-.]{1,64}(/_history/\S{1,64})?")


class _Reference(msgspec.Struct, frozen=True):
    reference: str = ""
    display: str = ""


class Acknowledger(NamedTuple):
    """Who has acknowledged.

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
    """What was acknowledged; filled once.

    Attributes:
        what: codes and references, each with the FHIRPath of its parameter.
        who: the clinician; None where not sent.
    """

    what: list[tuple[str, str]] = field(default_factory=list)
    who: Acknowledger | None = None


def read_what(given: Given, path: str, found: Acknowledged) -> tuple[Problem, ...]:
    """Read one `acknowledged` into what was found, or say what is wrong with it."""
    text = (given.valueString or given.valueCode).strip()
    if not text or len(text) > LONGEST:
        return (_bad("acknowledged", path, ACCEPTED_WHAT),)
    found.what.append((text, path))
    return ()


def read_who(given: Given, path: str, found: Acknowledged) -> tuple[Problem, ...]:
    """Read `acknowledged-by` into what was found, or say what is wrong with it."""
    try:
        read = msgspec.convert(given.valueReference, _Reference)
    except msgspec.ValidationError:
        return (_bad("acknowledged-by", path, ACCEPTED_WHO),)
    reference, display = read.reference.strip(), " ".join(read.display.split())
    is_one = not reference or (_CLINICIAN.fullmatch(reference) is not None and len(reference) <= LONGEST)
    if not is_one or not (reference or display) or len(display) > LONGEST:
        return (_bad("acknowledged-by", path, ACCEPTED_WHO),)
    found.who = Acknowledger(reference, display)
    return ()


def _bad(name: str, path: str, accepted: str) -> Problem:
    sentence = f"The parameter {name} needs {accepted}."
    return Problem(ProblemKind.BAD_PARAMETER, path, "something else", accepted, sentence)
