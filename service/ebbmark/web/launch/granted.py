"""Does what a clinician granted suffice for the page, and for writing?

`patient/` scopes count here, unlike at the FHIR door: a session has one patient, and reads no other. `user/` and
`system/` scopes allow more than that and count, too. A scope narrowed by a query (`?category=…`) shows only a part of
the measurements, which is not enough to read a trial by, and does not count.

Source: SMART App Launch 2.2, scopes-and-launch-context (letters c r u d s in this order; v1 read = rs, write = cud).
"""

from __future__ import annotations

import re
from collections.abc import Iterable

__all__ = ["NEEDED_TO_READ", "NEEDED_TO_WRITE", "USUAL_SCOPE", "missing", "with_launch"]

NEEDED_TO_READ = ("Patient.r", "Observation.rs")
NEEDED_TO_WRITE = (
    "Observation.crus",
    "GuidanceResponse.crus",
    "DetectedIssue.crus",
    "Device.c",
    "Provenance.cs",
)
"""A new answer is created; an earlier one is searched for by its Provenance, read, and marked as superseded."""

USUAL_SCOPE = (
    "openid fhirUser online_access patient/Patient.rs patient/Observation.crus patient/GuidanceResponse.crus "
    "patient/DetectedIssue.crus patient/DiagnosticReport.crus patient/Device.crs patient/DeviceMetric.rs "
    "patient/Provenance.crs patient/List.crus patient/Condition.rs patient/Encounter.rs"
)
"""What is asked for where the operator says nothing else; the scope of the launch itself comes on top."""

_SCOPE = re.compile(r"(?:patient|user|system)/(?P<type>[A-Z][A-Za-z]*|\*)\.(?P<letters>c?r?u?d?s?|read|write|\*)")
_V1 = {"read": "rs", "write": "cud", "*": "cruds"}


def missing(scope: str, needed: Iterable[str]) -> tuple[str, ...]:
    """Say what is lacking.

    Args:
        scope: as granted, apart by spaces; what is not understood counts for nothing.
        needed: resource type, dot, letters.

    Returns:
        As `patient/` scopes to ask for; empty where nothing lacks.
    """
    held: dict[str, set[str]] = {}
    for match in (_SCOPE.fullmatch(one) for one in scope.split()):
        if match is not None:
            held.setdefault(match["type"], set()).update(_V1.get(match["letters"], match["letters"]))
    everywhere = held.get("*", set())
    lacking = []
    for resource_type, _, letters in (one.partition(".") for one in needed):
        lacks = [letter for letter in letters if letter not in held.get(resource_type, set()) | everywhere]
        if lacks:
            lacking.append(f"patient/{resource_type}.{''.join(lacks)}")
    return tuple(lacking)


def with_launch(scope: str, *, standalone: bool) -> str:
    """The scopes to ask for, with the one that fits this kind of launch and without the other.

    Args:
        scope: as configured.
        standalone: whether the launch comes from outside a record, which then asks for a patient.
    """
    own, other = ("launch/patient", "launch") if standalone else ("launch", "")
    asked = [one for one in scope.split() if one not in (own, other)]
    return " ".join((own, *asked))
