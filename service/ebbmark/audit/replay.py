"""Does the stored answer follow from its inputs? Compute it again, and name each difference.

The inputs are read in the versions that the answer's Provenance names, the protocol and its margin from the answer
itself. Where the answer's engine is another version than this one, that is said, and the values are compared all the
same. Times of asking and recording do not matter: neither `as-of` nor `Provenance.recorded` enters a result.

What cannot be computed again is what the answer says about inputs that it did not use, since no result names them, and
which person chose to record it; the signature covers both. Marks of superseding and a clinician's signature are changes
after the answer, named as such.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from hashlib import sha256

import msgspec

from ebbmark.audit.comparison import Difference, differences, without_places
from ebbmark.audit.computed_again import Means, Render, computed_again
from ebbmark.audit.findings import (
    AFTERWARDS,
    SIGNED_STATUSES,
    Finding,
    FindingKind,
    afterwards,
    claimed,
    of_inputs,
    versioned,
)
from ebbmark.audit.remarks import ALL_READ
from ebbmark.audit.stored_claims import Claims, claims_of, left_out_inputs
from ebbmark.fhir.bedside.site import NO_SITE, Site
from ebbmark.fhir.problems import Rejected
from ebbmark.fhir.reading.read import NO_CODE_MAP, CodeMap
from ebbmark.fhir.writing.normal_form import NormalForm, full_url_of, normal_form
from ebbmark.fhir.writing.report import ANSWER_PROVENANCES
from ebbmark.fhir.writing.superseding import unmarked

__all__ = ["Finding", "FindingKind", "Replayed", "replay"]

Json = Mapping[str, object]

_IDENTITY = "identity"
_BY_FORM = (_IDENTITY, "predicted-body-weight")
"""Where another form of the formula would show."""
_SIGNATURES = tuple(f"{kind}.signature" for kind in ANSWER_PROVENANCES)
_PAGE = "report.presentedForm[0].data"
_NO_PAGE = "The page of the report cannot be made again here, so that it is not known whether it was changed."
_LONG = 10_000


@dataclass(frozen=True, slots=True)
class Replayed:
    """The outcome.

    Attributes:
        identity: of the stored answer, as it says itself.
        findings: every difference, and what happened to the answer afterwards.
        not_checked: remarks of the answer that cannot be computed again.
    """

    identity: str
    findings: tuple[Finding, ...]
    not_checked: int

    @property
    def same(self) -> bool:
        """Whether the stored answer is, byte for byte, what its inputs give; what came afterwards aside."""
        return all(finding.kind in AFTERWARDS for finding in self.findings)


def replay(
    stored: Iterable[tuple[str, Json]],
    inputs: Iterable[tuple[str, Json]],
    *,
    at_s: float,
    code_map: CodeMap = NO_CODE_MAP,
    current: Mapping[str, str] | None = None,
    site: Site = NO_SITE,
    render: Render | None = None,
) -> Replayed:
    """Compute a stored answer again.

    Args:
        stored: full URL (or empty) and resource of each of its resources: an answer Bundle's, or as read from a record.
        inputs: the Patient and the Observations (with the DeviceMetrics that tell settings from measurements), in the
            versions that the answer names; others are passed over.
        at_s: the present instant [s since 1970-01-01T00:00:00Z].
        code_map: the site's own codes, as at the time of the answer.
        current: version in force now by `Type/id`, where it is known, to say which inputs were amended since.
        site: what the site has decided: its protocols and codes of conditions.
        render: makes the page of a report again; where None, a report is said not to be computed.

    Raises:
        NotAnAnswer: the resources are not one answer.
    """
    listed = list(stored)
    form = normal_form([(full_url, unmarked(resource)) for full_url, resource in listed])
    claims = claims_of(form, site.protocols)
    given = list(inputs)
    means = Means(at_s, code_map, site, render)
    findings = [*afterwards(listed), *claimed(claims), *of_inputs(claims, given, current or {})]
    if claims.report is not None and render is None:
        findings.append(Finding(FindingKind.NOT_COMPUTED, _PAGE, None, None, _NO_PAGE))
    computed: list[tuple[list[Finding], int]] = []
    refused: list[Finding] = []
    needed = _needed(claims, form, given)
    for sex in (None, "female", "male"):
        # Who chose the form of the formula is not in the inputs: the choice that explains the answer best is taken.
        try:
            computed.append(_compared(computed_again(claims, needed, sex, form, means), form))
        except Rejected as rejected:
            problems = [Finding(FindingKind.NOT_COMPUTED, "", None, None, one.sentence) for one in rejected.problems]
            refused = refused or problems
        if computed and not any(finding.path.startswith(_BY_FORM) for finding in computed[-1][0]):
            break
    told, not_checked = min(computed, key=lambda one: len(one[0]), default=(refused, 0))
    return Replayed(form.identity, (*findings, *told), not_checked)


def _needed(claims: Claims, form: NormalForm, given: list[tuple[str, Json]]) -> list[tuple[str, Json]]:
    """Those of the given inputs that the answer names as used or left out; all where it names some by no address."""
    if claims.nameless:
        return given
    named = {*claims.inputs, *left_out_inputs(form)}
    return [(url, one) for url, one in given if one.get("resourceType") != "Observation" or versioned(one) in named]


def _compared(expected: NormalForm, found: NormalForm) -> tuple[list[Finding], int]:
    findings = []
    if expected.identity != found.identity:
        # All full URLs follow from the identity: one finding says it, and the rest is compared under one name.
        sentence = "The inputs, the protocol and the engine give another identity than the one stored."
        findings.append(Finding(FindingKind.VALUE, _IDENTITY, expected.identity, found.identity, sentence))
    for kind in sorted({*expected.parts, *found.parts} - {"outcome"}):
        mine, theirs = expected.parts.get(kind), found.parts.get(kind)
        if mine is None:
            sentence = f"The stored answer has a result {kind} that its inputs do not give."
            findings.append(Finding(FindingKind.RESULT_UNEXPECTED, kind, None, kind, sentence))
        elif theirs is None:
            sentence = f"The result {kind} is missing from the stored answer."
            findings.append(Finding(FindingKind.RESULT_MISSING, kind, kind, None, sentence))
        else:
            one, other = _under_one_name(mine, expected), _under_one_name(theirs, found)
            findings += [_value(each) for each in differences(one, other, kind) if not _told_elsewhere(each)]
    told, not_checked = _remarks(expected, found)
    return [*findings, *told], not_checked


def _under_one_name(part: Mapping[str, object], form: NormalForm) -> object:
    """The part, with every name that follows from the identity replaced by what it stands for."""
    names = {full_url_of(form.identity, kind): f"[{kind}]" for kind in (*form.parts, "outcome")}
    text = msgspec.json.encode(without_places(part)).decode().replace(form.identity, "[identity]")
    for name, kind in names.items():
        text = text.replace(name, kind)
    return msgspec.json.decode(text)


def _told_elsewhere(difference: Difference) -> bool:
    """A clinician's signature is told as what came afterwards, and the answer's own is checked by itself."""
    return difference.path.startswith(_SIGNATURES) or (
        difference.path.endswith(".status")
        and difference.expected == "preliminary"
        and difference.found in SIGNED_STATUSES
    )


def _value(one: Difference) -> Finding:
    expected, found = _in_short(one.expected), _in_short(one.found)
    sentence = f"{one.path}: stored is {_shown(found)}, the inputs give {_shown(expected)}."
    return Finding(FindingKind.VALUE, one.path, expected, found, sentence)


def _in_short(value: object) -> object:
    """A page is told by its digest."""
    if isinstance(value, str) and len(value) > _LONG:
        return f"{len(value)} characters, SHA-256 {sha256(value.encode()).hexdigest()}"
    return value


def _shown(value: object) -> str:
    text = "nothing" if value is None else msgspec.json.encode(value).decode()
    return text if len(text) <= 200 else f"{text[:200]}…"


def _remarks(expected: NormalForm, found: NormalForm) -> tuple[list[Finding], int]:
    """Remarks that follow from the used inputs must be there as they are; others cannot be computed again."""
    if "outcome" not in found.parts:
        sentence = "The list of inputs that did not count is missing from the stored answer."
        return [Finding(FindingKind.RESULT_MISSING, "outcome", "outcome", None, sentence)], 0
    mine, theirs = _issue_lines(expected), _issue_lines(found)
    findings = [_value(each) for each in differences(_without_issues(expected), _without_issues(found), "outcome")]
    # Each input that did not count is named with its place.
    left_out = '"expression"' in msgspec.json.encode(found.parts["outcome"]).decode()
    for line in mine:
        if line in theirs:
            theirs.remove(line)
        elif not (ALL_READ in line and left_out):
            sentence = f"The stored answer lacks a remark that its inputs give: {line}"
            findings.append(Finding(FindingKind.VALUE, "outcome.issue", line, None, sentence))
    return findings, len(theirs)


def _without_issues(form: NormalForm) -> Json:
    return {name: value for name, value in form.parts.get("outcome", {}).items() if name != "issue"}


def _issue_lines(form: NormalForm) -> list[str]:
    issues = form.parts.get("outcome", {}).get("issue", [])
    lines = []
    for issue in issues if isinstance(issues, list) else []:
        # Where in the request an input stood says nothing about it.
        told = {name: one for name, one in issue.items() if name != "expression"} if isinstance(issue, Mapping) else {}
        lines.append(msgspec.json.encode(without_places(told), order="deterministic").decode())
    return lines
