"""Compares two JSON values element by element; each difference is named by its FHIRPath.

Also tells differences that rounding explains from others: numbers that differ by no more than a tolerance, and texts
that are equal but for such numbers.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

__all__ = ["Difference", "by_code", "differences", "last_place", "texts_within", "without_places"]

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
    """Every element that differs.

    Args:
        expected: what it should be.
        found: what it is.
        path: FHIRPath of the whole.
    """
    if isinstance(expected, Mapping) and isinstance(found, Mapping):
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
    if isinstance(value, Mapping):
        return {name: without_places(one) for name, one in value.items()}
    return value


def by_code(value: object) -> object:
    """The same value, lists of coded elements as objects by code, so that one more element moves no other."""
    if isinstance(value, Mapping):
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
        expected: one text.
        found: the other.
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
    code = one.get("code") if isinstance(one, Mapping) else None
    codings = code.get("coding") if isinstance(code, Mapping) else None
    first = codings[0] if isinstance(codings, list) and codings else None
    found = first.get("code") if isinstance(first, Mapping) else None
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
