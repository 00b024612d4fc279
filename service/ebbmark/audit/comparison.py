"""Structural comparison of two JSON values, element by element, and what explains a difference (engine, rounding).

Each difference is named by its FHIRPath. Rounding explains numbers that differ by no more than a tolerance, and texts
that are equal but for such numbers.

An engine that gives the same bytes on every processor may differ by one unit in the last place of what comes from the
estimate, under another mathematical library. An earlier engine that was not reproducible may differ by more, words and
links its results otherwise, and lists less than this one does.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from ebbmark.audit.findings import FindingKind, ReplayFinding

_ABSENT = object()
_RUN = re.compile(r"[A-Za-z0-9.\[\]]+")
"""A run of characters that paths are made of: one class, so that no text makes the search go back."""
_SEGMENT = re.compile(r"[A-Za-z]+(?:\[\d{1,9}\])?")
_NUMBER = re.compile(r"\d{1,15}(?:\.\d{1,15})?")
_PLACES = ("Bundle", "Parameters")


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
        for index in range(max(len(expected), len(found))):
            mine = expected[index] if index < len(expected) else _ABSENT
            theirs = found[index] if index < len(found) else _ABSENT
            yield from _member(mine, theirs, f"{path}[{index}]")
    elif not _equal(expected, found):
        yield Difference(path, expected, found)


def without_places(value: object) -> object:
    """The same value, no text of which says where in the request something stood.

    Where a resource stood in the request says nothing about what was computed from it.
    """
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


def last_place(value: float) -> float:
    """One unit in the last decimal place in which this number is written."""
    _, _, decimals = repr(value).partition(".")
    return 10.0 ** -len(decimals) if decimals and "e" not in decimals else 1.0


def texts_within(expected: str, found: str, tolerance: float | None = None) -> bool:
    """Say whether two texts are equal but for numbers that lie within a tolerance of one another.

    Args:
        tolerance: how far two numbers may lie apart; None: one unit in the last place of the first.
    """
    if _NUMBER.sub("#", expected) != _NUMBER.sub("#", found):
        return False
    pairs = zip(_NUMBER.findall(expected), _NUMBER.findall(found), strict=True)
    return all(
        abs(float(one) - float(other)) <= (last_place(float(one)) if tolerance is None else tolerance) * 1.000001
        for one, other in pairs
    )


def _without_place(run: re.Match[str]) -> str:
    """A run without the path from the first `Bundle` or `Parameters` to the last `resource`."""
    segments = run[0].split(".")
    start = next((index for index, one in enumerate(segments) if one in _PLACES), None)
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
    if expected is _ABSENT:
        yield Difference(path, None, found)
    elif found is _ABSENT:
        yield Difference(path, expected, None)
    else:
        yield from differences(expected, found, path)


def _equal(expected: object, found: object) -> bool:
    # True is 1 in Python, and not in JSON.
    if isinstance(expected, bool) or isinstance(found, bool):
        return expected is found
    return expected == found


NOT_REPRODUCIBLE: Mapping[str, str] = {
    "0.2.0": (
        "Version 0.2.0 gave other numbers on other processors (measured over 200 drawn trials on three kinds of "
        "processor: probabilities up to 0.11, compliance fitted or expected up to 0.3 mL/cmH2O; in 3 trials the class "
        "of evidence, too), so that such differences are no sign of a change. This version estimates otherwise, too "
        "(over four kept answers of 0.2.0: a bound of fitted compliance by up to 0.6 mL/cmH2O)."
    ),
}
"""What is known of earlier engines that were not reproducible across processors, by version; measured by us."""

_ESTIMATED = frozenset(
    {
        "verdict-probability",
        "not-reached-probability",
        "falling-from-first-step-probability",
        "closing-probability",
        "fitted-compliance",
        "fitted-compliance-low",
        "fitted-compliance-high",
        "expected-compliance",
        "expected-driving-pressure",
        "expected-plateau-pressure",
        "expected-mechanical-power",
    }
)
"""Components that come from the estimate."""
_PROBABILITY, _OTHER, _IN_TEXTS = 0.12, 1.0, 0.3
"""How far those of an engine that was not reproducible may be off: what was measured, rounded up; our choice."""
_ALWAYS_GIVEN = _ESTIMATED | {
    "valueQuantity", "valueCodeableConcept", "note", "method", "component", "status", "code", "subject",
    "closing-verdict", "closing-evidence", "fall-threshold", "interval-low", "interval-high", "margin", "margin-used",
    "what-if-peep", "compliance-kind", "peep-source", "readings-used",
}  # fmt: skip
"""Elements and components that an earlier engine gave wherever this one does: without them something was taken out."""
_LINKS = (".derivedFrom", ".target", ".hasMember", ".implicated", ".entity", ".contained")
_TEXTS = (".text", ".display", ".detail", ".conclusion", ".title")
_PAGE = "report.presentedForm"
_OTHER_SEVERITY = ("caution-plateau-above-limit-during-trial.severity",)
"""An earlier engine called these graver: of little weight now where the plateau was above its limit only at a PEEP
above the one suggested."""
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


def is_of_another_engine(engine: str) -> bool:
    """Whether the answer is of an engine that is known not to have been reproducible."""
    return engine in NOT_REPRODUCIBLE


def explanation(one: Difference, engine: str) -> Explanation:
    """What explains this difference."""
    loose = is_of_another_engine(engine)
    known = f"what engine {engine} is known to differ by" if loose else _LAST_PLACE
    if one.path.endswith(_TEXTS) and isinstance(one.expected, str) and isinstance(one.found, str):
        if texts_within(one.expected, one.found, _IN_TEXTS if loose else None):
            return Explanation(FindingKind.ROUNDING, f"; they differ in numbers only, within {known}")
        if loose:
            why = f"; engine {engine} worded it otherwise, and only a signature covers its words"
            return Explanation(FindingKind.WORDING, why)
    code = next((code for code in one.path.split(".") if code in _ESTIMATED), "")
    if code and _is_number(one.expected) and _is_number(one.found):
        is_probability = code.endswith("probability")
        limit = (_PROBABILITY if is_probability else _OTHER) if loose else 0.001 if is_probability else 0.1
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
    if one.path.startswith(_PAGE):
        return Explanation(FindingKind.WORDING, f"; engine {engine} set the page otherwise")
    if one.path in _OTHER_SEVERITY and (one.expected, one.found) == ("low", "moderate"):
        return Explanation(FindingKind.WORDING, f"; engine {engine} called it moderate")
    if any(link in one.path for link in _LINKS):
        return _LISTED_LESS
    if one.found is None and one.path.rpartition(".")[2] not in _ALWAYS_GIVEN:
        return _LISTED_LESS
    return _UNEXPLAINED


def _is_number(value: object) -> bool:
    return isinstance(value, (int, float)) and not isinstance(value, bool)
