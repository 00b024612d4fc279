"""What can a replay find besides values: what the answer claims, which inputs are there, what happened afterwards?"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from enum import Enum

from ebbmark import __version__
from ebbmark.audit.stored_claims import Claims
from ebbmark.fhir.writing.normal_form import labels_of
from ebbmark.fhir.writing.superseding import superseded_by, unmarked

__all__ = ["AFTERWARDS", "SIGNED_STATUSES", "Finding", "FindingKind", "afterwards", "claimed", "of_inputs", "versioned"]

Json = Mapping[str, object]

SIGNED_STATUSES = frozenset({"final", "amended", "corrected", "appended"})
"""FHIR R4 status of an Observation, DetectedIssue or DiagnosticReport once somebody stands for it."""


_SIGNABLE = frozenset({"Observation", "DetectedIssue", "DiagnosticReport"})


class FindingKind(Enum):
    """What was found."""

    VALUE = "value"
    RESULT_MISSING = "result-missing"
    RESULT_UNEXPECTED = "result-unexpected"
    INPUT_AMENDED = "input-amended"
    INPUT_GONE = "input-gone"
    INPUT_NAMELESS = "input-nameless"
    ENGINE = "engine-version"
    PROTOCOL = "protocol"
    NOT_COMPUTED = "not-computed"
    SUPERSEDED = "superseded"
    SIGNED = "signed-by-clinician"
    LABELLED = "labelled"


AFTERWARDS = frozenset({FindingKind.SUPERSEDED, FindingKind.SIGNED, FindingKind.LABELLED, FindingKind.INPUT_AMENDED})
"""What happened after the answer was given, and leaves it what it was."""


@dataclass(frozen=True, slots=True)
class Finding:
    """One finding.

    Attributes:
        kind: what it is.
        path: FHIRPath, beginning with the result's kind, for example `suggested-peep.valueQuantity.value`.
        expected: what follows from the inputs; None where nothing.
        found: what the stored answer says; None where nothing.
        sentence: the whole for a person.
    """

    kind: FindingKind
    path: str
    expected: object
    found: object
    sentence: str


def versioned(resource: Json) -> str:
    """`Type/id/_history/version`, or `Type/id` where it names no version."""
    meta = resource.get("meta")
    version = meta.get("versionId") if isinstance(meta, Mapping) else None
    plain = f"{resource.get('resourceType')}/{resource.get('id')}"
    return f"{plain}/_history/{version}" if version else plain


def afterwards(stored: Iterable[tuple[str, Json]]) -> Iterator[Finding]:
    """Marks of superseding, a clinician's signature, and labels that others gave."""
    marks = {superseded_by(one) for _, one in stored} - {""}
    for mark in sorted(marks):
        sentence = f"The answer was marked superseded by {mark[:12]}… afterwards."
        yield Finding(FindingKind.SUPERSEDED, "", None, mark, sentence)
    for _, one in stored:
        if one.get("resourceType") in _SIGNABLE and one.get("status") in SIGNED_STATUSES:
            sentence = f"{one['resourceType']}/{one.get('id', '')} was made {one['status']} by someone afterwards."
            yield Finding(FindingKind.SIGNED, "status", "preliminary", one["status"], sentence)
        for label in labels_of(unmarked(one)):
            sentence = f"{one.get('resourceType')}/{one.get('id', '')} was given a label afterwards: {label}."
            yield Finding(FindingKind.LABELLED, label.partition(":")[0], None, label, sentence)


def claimed(claims: Claims) -> Iterator[Finding]:
    """Whether engine and protocol are those of this software."""
    if claims.engine_version != __version__:
        sentence = f"The answer names engine version {claims.engine_version or '(none)'}; this is {__version__}."
        yield Finding(FindingKind.ENGINE, "device.version[0].value", __version__, claims.engine_version, sentence)
    if claims.protocol not in claims.known_protocols:
        known = ", ".join(claims.known_protocols)
        sentence = f"The answer names the protocol {claims.protocol or '(none)'}; known here: {known}."
        yield Finding(FindingKind.PROTOCOL, "provenance.entity", known, claims.protocol, sentence)


def of_inputs(claims: Claims, given: Iterable[tuple[str, Json]], current: Mapping[str, str]) -> Iterator[Finding]:
    """Which inputs are gone, amended since, or cannot be found."""
    versions = {versioned(one) for _, one in given}
    for reference in claims.inputs:
        plain, _, version = reference.partition("/_history/")
        if reference not in versions:
            sentence = f"The input {reference} is not there any more in this version."
            yield Finding(FindingKind.INPUT_GONE, reference, None, None, sentence)
        elif version and current.get(plain, version) != version:
            sentence = f"The input {plain} was amended since: version {version} was used, {current[plain]} is in force."
            yield Finding(FindingKind.INPUT_AMENDED, reference, version, current[plain], sentence)
    if claims.nameless and not any(one.get("resourceType") == "Observation" for _, one in given):
        sentence = f"{claims.nameless} inputs came without an address, so that they cannot be found again."
        yield Finding(FindingKind.INPUT_NAMELESS, "provenance.entity", None, None, sentence)
