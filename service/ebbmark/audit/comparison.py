"""Where do two JSON values differ? Element by element, each named by its FHIRPath."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

__all__ = ["Difference", "differences", "without_places"]

# Where a resource stood in the request says nothing about what was computed from it.
_PLACE = re.compile(r"\b(?:Bundle|Parameters)(?:\.[A-Za-z]+(?:\[\d+\])?)*\.resource\b")
_ABSENT = object()


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
    """The same value, no text of which says where in the request something stood."""
    if isinstance(value, str):
        return _PLACE.sub("…", value)
    if isinstance(value, list):
        return [without_places(one) for one in value]
    if isinstance(value, Mapping):
        return {name: without_places(one) for name, one in value.items()}
    return value


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
