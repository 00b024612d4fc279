"""Comparison of a stored answer with the one computed again: differences, findings, and the outcome of a replay.

A structural comparison names each element that differs by its FHIRPath. A sentence names the place and quotes numbers
only; the values themselves stand in `expected` and `found`. Rounding explains numbers that differ by no more than a
tolerance, and texts that are equal but for such numbers.

An engine that gives the same bytes on every processor may differ by one unit in the last place of what comes from the
estimate, under another mathematical library. An earlier engine that was not reproducible may differ by more, words and
links its results otherwise, and lists less than this one does.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from enum import Enum
from itertools import zip_longest
from typing import Final

from ebbmark import __version__
from ebbmark.audit.stored_answer import AnswerClaims, StoredAnswer
from ebbmark.data import table
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
    """One finding; its FHIRPath begins with the kind of the result, as in `suggested-peep.valueQuantity.value`."""

    kind: FindingKind
    path: str
    expected: object
    found: object
    sentence: str


def outcome_of(findings: Iterable[ReplayFinding], *, computed: bool) -> ReplayOutcome:
    """Say which of the five it is; not computed where the versions or the charting table used are not given."""
    kinds = {finding.kind for finding in findings}
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
    """Whether engine and protocol (`slug|version`) are those of this software, with what is known of that engine."""
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
    """Whether the answer names a charting table of the site that is not the one loaded here (empty for none)."""
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
    """Which inputs are gone, cannot be found, or were amended since; also where only another version is given."""
    versions: dict[str, set[str]] = {}
    for _, one in given:
        plain, _, version = versioned(one).partition("/_history/")
        versions.setdefault(plain, set()).add(version)
    # What is contained is there where its container is (R4 references.html#contained).
    for reference in dict.fromkeys([input_.partition("#")[0] for input_ in claims.inputs]):
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


_ABSENT = object()
_RUN = re.compile(r"[A-Za-z0-9.\[\]]+")
"""A run of characters that paths are made of: one class, so that no text makes the search go back."""
_SEGMENT = re.compile(r"[A-Za-z]+(?:\[\d{1,9}\])?")
_NUMBER = re.compile(r"\d{1,15}(?:\.\d{1,15})?")


@dataclass(frozen=True, slots=True)
class Difference:
    """One element that differs; None where it is absent on that side."""

    path: str
    expected: object
    found: object


def differences(expected: object, found: object, path: str) -> Iterator[Difference]:
    """Every element that differs."""
    if isinstance(expected, dict) and isinstance(found, dict):
        for name in sorted({*expected, *found}):
            yield from _member(expected.get(name, _ABSENT), found.get(name, _ABSENT), f"{path}.{name}")
    elif isinstance(expected, list) and isinstance(found, list):
        for index, (mine, theirs) in enumerate(zip_longest(expected, found, fillvalue=_ABSENT)):
            yield from _member(mine, theirs, f"{path}[{index}]")
    elif not _equal(expected, found):
        yield Difference(path, expected, found)


def without_places(value: object) -> object:
    """The same value, no text of which says where in the request something stood: nothing computed rests on that."""
    if isinstance(value, str):
        return _RUN.sub(_without_place, value) if ".resource" in value else value
    if isinstance(value, list):
        return [without_places(one) for one in value]
    if isinstance(value, dict):
        return {name: without_places(one) for name, one in value.items()}
    return value


def by_code(value: object) -> object:
    """The same value, lists of coded elements as objects by code, so that one more element moves no other."""
    if isinstance(value, dict):
        return {name: by_code(one) for name, one in value.items()}
    if not isinstance(value, list):
        return value
    codes = [_code(one) for one in value]
    if value and all(codes) and len(set(codes)) == len(codes):
        return {code: by_code(one) for code, one in zip(codes, value, strict=True)}
    return [by_code(one) for one in value]


def _last_place(value: float) -> float:
    """One unit in the last decimal place in which this number is written."""
    _, _, decimals = repr(value).partition(".")
    return 10.0 ** -len(decimals) if decimals and "e" not in decimals else 1.0


def _texts_within(expected: str, found: str, tolerance: float | None = None) -> bool:
    """Whether two texts are equal but for numbers within a tolerance; None is one unit in the last place."""
    if _NUMBER.sub("#", expected) != _NUMBER.sub("#", found):
        return False
    pairs = zip(_NUMBER.findall(expected), _NUMBER.findall(found), strict=True)
    return all(
        abs(float(one) - float(other)) <= (_last_place(float(one)) if tolerance is None else tolerance) * 1.000001
        for one, other in pairs
    )


def _without_place(run: re.Match[str]) -> str:
    """A run without the path from the first `Bundle` or `Parameters` to the last `resource`."""
    segments = run[0].split(".")
    start = next((index for index, one in enumerate(segments) if one in ("Bundle", "Parameters")), None)
    if start is None:
        return run[0]
    end = start
    for index in range(start + 1, len(segments)):
        if not _SEGMENT.fullmatch(segments[index]):
            break
        if segments[index] == "resource":
            end = index
    return run[0] if end == start else ".".join([*segments[:start], "…", *segments[end + 1 :]])


def _code(one: object) -> str:
    code = one.get("code") if isinstance(one, dict) else None
    codings = code.get("coding") if isinstance(code, dict) else None
    first = codings[0] if isinstance(codings, list) and codings else None
    found = first.get("code") if isinstance(first, dict) else None
    return found if isinstance(found, str) else ""


def _member(expected: object, found: object, path: str) -> Iterator[Difference]:
    if expected is _ABSENT or found is _ABSENT:
        yield Difference(path, None if expected is _ABSENT else expected, None if found is _ABSENT else found)
    else:
        yield from differences(expected, found, path)


def _equal(expected: object, found: object) -> bool:
    # True is 1 in Python, and not in JSON.
    if isinstance(expected, bool) or isinstance(found, bool):
        return expected is found
    return expected == found


_TABLE: Final = table("earlier_engines")

NOT_REPRODUCIBLE: Final[Mapping[str, str]] = _TABLE["not_reproducible"]
"""What is known of earlier engines that were not reproducible across processors, by version; measured by us."""

_ESTIMATED: Final = frozenset(_TABLE["estimated"])
_ALWAYS_GIVEN: Final = _ESTIMATED | frozenset(_TABLE["always_given"])
_MAY_DIFFER: Final[Mapping[str, float]] = _TABLE["may_differ"]
_TEXTS = (".text", ".display", ".detail", ".conclusion", ".title")
_LAST_PLACE = (
    "one unit in the last place: this engine gives the same on every processor that it is tested on, but another "
    "mathematical library may round otherwise"
)


@dataclass(frozen=True, slots=True)
class Explanation:
    """What kind of finding a difference is; `why` ends its sentence, `listed_less` where it is only said together."""

    kind: FindingKind
    why: str = ""
    listed_less: bool = False


_UNEXPLAINED = Explanation(FindingKind.VALUE)
_LISTED_LESS = Explanation(FindingKind.WORDING, listed_less=True)


def explanation(one: Difference, engine: str) -> Explanation:
    """What explains this difference."""
    loose = engine in NOT_REPRODUCIBLE
    known = f"what engine {engine} is known to differ by" if loose else _LAST_PLACE
    if one.path.endswith(_TEXTS) and isinstance(one.expected, str) and isinstance(one.found, str):
        if _texts_within(one.expected, one.found, _MAY_DIFFER["in_texts"] if loose else None):
            return Explanation(FindingKind.ROUNDING, f"; they differ in numbers only, within {known}")
        if loose:
            why = f"; engine {engine} worded it otherwise, and only a signature covers its words"
            return Explanation(FindingKind.WORDING, why)
    code = next((code for code in one.path.split(".") if code in _ESTIMATED), "")
    if code and _is_number(one.expected) and _is_number(one.found):
        is_probability = code.endswith("probability")
        limit = _MAY_DIFFER["probability" if is_probability else "other"] if loose else 0.001 if is_probability else 0.1
        within = abs(float(str(one.expected)) - float(str(one.found))) <= limit * 1.000001
        return Explanation(FindingKind.ROUNDING, f", within {known}") if within else _UNEXPLAINED
    return _of_an_earlier_engine(one, engine) if loose else _UNEXPLAINED


def listed_less(count: int, engine: str) -> ReplayFinding:
    """What is said of everything together that this version lists and an earlier engine did not."""
    sentence = (
        f"Engine {engine} listed less, or linked it otherwise: {count} elements of the answer that this version gives "
        "are not compared."
    )
    return ReplayFinding(FindingKind.WORDING, "", count, None, sentence)


def _of_an_earlier_engine(one: Difference, engine: str) -> Explanation:
    if one.path.startswith("report.presentedForm"):
        return Explanation(FindingKind.WORDING, f"; engine {engine} set the page otherwise")
    if one.path in _TABLE["other_severity"] and (one.expected, one.found) == ("low", "moderate"):
        return Explanation(FindingKind.WORDING, f"; engine {engine} called it moderate")
    left_out = one.found is None and one.path.rpartition(".")[2] not in _ALWAYS_GIVEN
    return _LISTED_LESS if left_out or any(link in one.path for link in _TABLE["links"]) else _UNEXPLAINED


def _is_number(value: object) -> bool:
    return isinstance(value, (int, float)) and not isinstance(value, bool)
