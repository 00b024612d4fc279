"""What a replay can find, the five outcomes that follow from it, and the findings that need no computation.

A sentence names the place and quotes numbers only; the values themselves stand in `expected` and `found`.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from enum import Enum

from ebbmark import __version__
from ebbmark.audit.stored_answer import AnswerClaims, StoredAnswer
from ebbmark.fhir.writing.normal_form import kind_of, labels_of
from ebbmark.fhir.writing.supersession import superseded_by, unmarked

Json = Mapping[str, object]

SIGNED_STATUSES = frozenset({"final", "amended", "corrected", "appended"})
"""FHIR R4 status of an Observation, DetectedIssue or DiagnosticReport once somebody stands for it."""

_SIGNABLE = frozenset({"Observation", "DetectedIssue", "DiagnosticReport"})
_VERSION = re.compile(r"[0-9A-Za-z.\-]{1,20}")
_CHARTING = re.compile(r"charting table of the site, version ([^,\"]{1,100}), (signed by [^\")]{1,200})\)\.")
_ADDRESS = re.compile(r"[A-Z][A-Za-z]{1,40}/[A-Za-z0-9\-.]{1,64}")


class FindingKind(Enum):
    """What was found."""

    VALUE = "value"
    ROUNDING = "rounding"
    WORDING = "wording"
    RESULT_MISSING = "result-missing"
    RESULT_UNEXPECTED = "result-unexpected"
    FOREIGN = "foreign-resource"
    INPUT_AMENDED = "input-amended"
    INPUT_GONE = "input-gone"
    INPUT_NAMELESS = "input-nameless"
    ENGINE = "engine-version"
    PROTOCOL = "protocol"
    CHARTING = "charting-table"
    NOT_COMPUTED = "not-computed"
    SUPERSEDED = "superseded"
    SIGNED = "signed-by-clinician"
    LABELLED = "labelled"


class ReplayOutcome(Enum):
    """The five things that a replay tells apart."""

    SAME = "same"
    WITHIN_ROUNDING = "same-within-rounding"
    INPUTS_AMENDED = "inputs-amended"
    NOT_REPLAYABLE = "not-replayable"
    DIFFERENT = "different"


AFTERWARDS = frozenset({FindingKind.SUPERSEDED, FindingKind.SIGNED, FindingKind.LABELLED, FindingKind.INPUT_AMENDED})
"""What happened after the answer was given, and leaves it what it was."""

_OF_ANOTHER_ENGINE = frozenset({FindingKind.ENGINE, FindingKind.ROUNDING, FindingKind.WORDING})


@dataclass(frozen=True, slots=True)
class ReplayFinding:
    """One finding.

    Attributes:
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


def outcome_of(findings: Iterable[ReplayFinding], *, computed: bool) -> ReplayOutcome:
    """Say which of the five it is.

    Args:
        computed: False where the answer could not be computed for want of the versions, or the charting table, that
            were used.
    """
    kinds = {one.kind for one in findings}
    if kinds - AFTERWARDS - _OF_ANOTHER_ENGINE - {FindingKind.CHARTING}:
        return ReplayOutcome.DIFFERENT
    if FindingKind.CHARTING in kinds:
        return ReplayOutcome.NOT_REPLAYABLE
    if not computed:
        return ReplayOutcome.INPUTS_AMENDED
    if kinds & _OF_ANOTHER_ENGINE:
        return ReplayOutcome.WITHIN_ROUNDING
    return ReplayOutcome.INPUTS_AMENDED if FindingKind.INPUT_AMENDED in kinds else ReplayOutcome.SAME


def versioned(resource: Json) -> str:
    """`Type/id/_history/version`, or `Type/id` where it names no version."""
    meta = resource.get("meta")
    version = meta.get("versionId") if isinstance(meta, Mapping) else None
    plain = f"{resource.get('resourceType')}/{resource.get('id')}"
    return f"{plain}/_history/{version}" if version else plain


def afterwards(stored: Iterable[tuple[str, Json]]) -> Iterator[ReplayFinding]:
    """Marks of superseding, a clinician's signature, and labels that others gave."""
    listed = [(url, one) for url, one in stored if kind_of(one)]
    for mark in sorted({superseded_by(one) for _, one in listed} - {""}):
        sentence = "The answer was marked superseded by a newer one afterwards."
        yield ReplayFinding(FindingKind.SUPERSEDED, "", None, mark, sentence)
    for _, one in listed:
        kind = one.get("resourceType")
        if kind in _SIGNABLE and one.get("status") in SIGNED_STATUSES:
            sentence = (
                f"{'An' if kind == 'Observation' else 'A'} {kind} was made {one['status']} by someone afterwards."
            )
            yield ReplayFinding(FindingKind.SIGNED, "status", "preliminary", one["status"], sentence)
        for label in labels_of(unmarked(one)):
            path = label.partition(":")[0]
            sentence = f"A resource was given a label afterwards, in {path}."
            yield ReplayFinding(FindingKind.LABELLED, path, None, label, sentence)


def not_of_the_answer(answer: StoredAnswer) -> Iterator[ReplayFinding]:
    """Resources beside the answer, which no signature covers and which people may take for a part of it."""
    if answer.foreign:
        sentence = (
            f"With the answer stand resources that are none of it ({answer.foreign}); neither its inputs nor its "
            "signature vouch for them."
        )
        yield ReplayFinding(FindingKind.FOREIGN, "Bundle.entry.resource", None, answer.foreign, sentence)


def claimed(claims: AnswerClaims, known_protocols: tuple[str, ...], of_engine: str) -> Iterator[ReplayFinding]:
    """Whether engine and protocol are those of this software.

    Args:
        claims: what the answer says of itself.
        known_protocols: as `slug|version`.
        of_engine: what is known of the engine that the answer names; may be empty.
    """
    if claims.engine_version != __version__:
        named = claims.engine_version if _VERSION.fullmatch(claims.engine_version) else "none that can be read"
        sentence = f"The answer names engine version {named}; this is {__version__}."
        yield ReplayFinding(
            FindingKind.ENGINE,
            "device.version[0].value",
            __version__,
            claims.engine_version,
            f"{sentence} {of_engine}".rstrip(),
        )
    if claims.protocol not in known_protocols:
        known = ", ".join(known_protocols)
        sentence = f"The answer names a protocol or a version of one that is not known here; known: {known}."
        yield ReplayFinding(FindingKind.PROTOCOL, "provenance.entity", known, claims.protocol, sentence)


def of_charting(remarks: str, loaded: str) -> Iterator[ReplayFinding]:
    """Whether the answer names a charting table of the site that is not the one in force here.

    Args:
        remarks: those of the answer about its inputs, as JSON.
        loaded: version and signature of the table that is loaded; empty where there is none.
    """
    for version, signed in sorted(set(_CHARTING.findall(remarks))):
        if f"version {version}, {signed}" != loaded:
            sentence = (
                f"The answer was given under the charting table of the site, version {_told(version)}, which is not "
                "loaded here (EBBMARK_CHARTING); without it the answer is not computed again."
            )
            yield ReplayFinding(FindingKind.CHARTING, "outcome.issue", loaded or None, f"version {version}", sentence)


def of_inputs(
    claims: AnswerClaims, given: Iterable[tuple[str, Json]], current: Mapping[str, str]
) -> Iterator[ReplayFinding]:
    """Which inputs are gone, amended since, or cannot be found.

    An input that is given in another version only was amended: `found` is that version.
    """
    versions: dict[str, set[str]] = {}
    for _, one in given:
        plain, _, version = versioned(one).partition("/_history/")
        versions.setdefault(plain, set()).add(version)
    # What is contained is there where its container is (R4 references.html#contained).
    for reference in dict.fromkeys([one.partition("#")[0] for one in claims.inputs]):
        plain, _, version = reference.partition("/_history/")
        there = versions.get(plain, set())
        other = "" if version in there else next((one for one in sorted(there) if one), "")
        now = current.get(plain) or other
        if version not in there and not (version and now):
            sentence = f"{_address(plain)}: the input is not there any more in the version that the answer names."
            place = reference if _ADDRESS.fullmatch(plain) else "provenance.entity"
            yield ReplayFinding(FindingKind.INPUT_GONE, place, None, None, sentence)
        elif version and now not in ("", version):
            told = f"version {_told(version)} was used, {_told(now)} is in force"
            missing = "" if version in there else "; the version that was used was not given"
            yield ReplayFinding(
                FindingKind.INPUT_AMENDED,
                reference,
                version,
                now,
                f"{_address(plain)} was amended since: {told}{missing}.",
            )
    if claims.nameless and not any(one.get("resourceType") == "Observation" for _, one in given):
        sentence = f"{claims.nameless} inputs came without an address, so that they cannot be found again."
        yield ReplayFinding(FindingKind.INPUT_NAMELESS, "provenance.entity", None, None, sentence)


def _address(plain: str) -> str:
    """`Type/id` of an input; anything else could name a person."""
    return plain if _ADDRESS.fullmatch(plain) else "An input without an address in the record"


def _told(version: str) -> str:
    return version if _VERSION.fullmatch(version) else "another"
