"""Valid requests with something done to them: a node dropped, doubled, replaced or named otherwise."""

from __future__ import annotations

import copy
from collections.abc import Iterator
from typing import Any

from hypothesis import strategies as st

# A node is named by what holds it and where.
Place = tuple[Any, str | int]

ODD_VALUES: tuple[Any, ...] = (
    None, True, False, 0, -1, 7, 2**63, -(2**70), 0.1, 1e308, -1e-320, "", " ", "x", "7", "é" * 300,
    "\ud7ff\uffff\u0000", [], {}, [[]], [{}], [None], {"": None}, {"resourceType": "Bundle"},
    {"resourceType": "Observation"},
    {"value": 3}, {"reference": "Patient/p1"}, {"coding": [{}]}, {"start": "2026-03-02"}, {"value": 1e309},
)  # fmt: skip
ODD_TEXTS = (
    "Patient", "Observation", "Bundle", "Parameters", "ConceptMap", "DeviceMetric", "OperationOutcome", "Nothing",
    "final", "preliminary", "entered-in-error", "amended", "male", "female", "other",
    "http://loinc.org", "urn:iso:std:iso:11073:10101", "http://unitsofmeasure.org", "20077-4", "76259-1", "8302-2",
    "cm[H2O]", "kPa", "mL", "L", "mmol/L", "%", "[in_i]", "1",
    "2026-03-02T09:00:00Z", "2026-03-02T09:00:00", "2026-03-02", "9999-12-31T23:59:59Z", "0001-01-01T00:00:00+14:00",
    "2026-03-02T09:00:00.123456789Z", "1e5", "collection", "searchset", "history", "batch", "#x", "urn:uuid:x",
    "Patient/p1/_history/2", "https://other.example/Patient/p1", "bundle", "observation", "as-of", "write-back",
)  # fmt: skip
ODD_NAMES = ("valueString", "valueQuantity", "valueInstant", "resource", "id", "meta", "code", "contained", "extension")


@st.composite
def mutated(draw: st.DrawFn, request: Any, most: int = 4) -> Any:  # noqa: ANN401
    """A copy of the request after one to `most` mutations."""
    holder = [copy.deepcopy(request)]
    for _ in range(draw(st.integers(1, most))):
        places = list(_places(holder))
        if places:
            # Counted from the end: small numbers are drawn more often, and the outermost nodes come first.
            _mutate(draw, places[-1 - draw(_below(len(places)))])
    return holder[0] if holder else None


@st.composite
def broken_bytes(draw: st.DrawFn, body: bytes) -> bytes:
    """The bytes with a piece cut out, doubled, or overwritten."""
    start = draw(_below(len(body)))
    end = min(len(body), start + draw(st.integers(0, 40)))
    middle = draw(
        st.sampled_from([b"", b'"', b"{", b"]", b"\\", b"\x00", b"\xff\xfe", b"NaN", b"1e400", body[start:end] * 2])
    )
    return body[:start] + middle + body[end:]


def _below(count: int) -> st.SearchStrategy[int]:
    return st.integers(0, count - 1)


def _places(value: Any) -> Iterator[Place]:  # noqa: ANN401
    """Every node below this one, outermost first."""
    waiting = [value]
    while waiting:
        holder = waiting.pop(0)
        for key in list(holder) if isinstance(holder, dict) else range(len(holder)):
            yield holder, key
            if isinstance(holder[key], dict | list):
                waiting.append(holder[key])


def _mutate(draw: st.DrawFn, place: Place) -> None:
    holder, key = place
    # Mostly of its own kind: a value of another kind is found out before anything is understood.
    own = {str: "odd text", int: "number", float: "number", list: "double", dict: "drop"}.get(type(holder[key]), "drop")
    doing = draw(st.sampled_from([own, own, own, own, "drop", "double", "odd value", "odd text", "number", "rename"]))
    if doing == "drop":
        del holder[key]
    elif doing == "double" and isinstance(holder, list) and isinstance(key, int):
        holder.insert(key, copy.deepcopy(holder[key]))
    elif doing == "odd text":
        holder[key] = draw(st.sampled_from(ODD_TEXTS))
    elif doing == "number":
        holder[key] = draw(st.floats(allow_nan=False, allow_infinity=False) | st.integers(-1000, 100000))
    elif doing == "rename" and isinstance(holder, dict):
        holder[draw(st.sampled_from(ODD_NAMES))] = holder.pop(key)
    else:
        holder[key] = copy.deepcopy(draw(st.sampled_from(ODD_VALUES)))
