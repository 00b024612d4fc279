"""Whatever arrives, the reader answers with a Request or with `Rejected`, and is consistent either way."""

from __future__ import annotations

import copy
import json
import math

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from ebbmark.fhir.operations import TITRATE_PEEP
from ebbmark.fhir.problems import ISSUE_TYPES, Rejected, operation_outcome, status_of
from ebbmark.fhir.reading.read import read_request
from ebbmark.fhir.reading.request import Request, RequestContext
from fhir_builders import (
    Json,
    at,
    bundle,
    height,
    observation,
    panel,
    parameters,
    patient,
    quantity,
    to_bytes,
    trial_bundle,
    trial_panels,
)

NOW_S = 1772355600.0 + 86400.0

ANY_JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False) | st.text(max_size=12),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=12), inner, max_size=4),
    max_leaves=12,
)

SEEDS: list[Json] = [
    trial_bundle(kind="searchset"),
    bundle(patient(), height(), *trial_panels()),
    parameters(
        bundle=bundle(
            patient(),
            height(),
            observation("peep-set", 10.0, device={"reference": "#m"}, contained=[{"id": "m", "category": "setting"}]),
            observation("peep-measured", 9.0, effectiveDateTime=None, effectivePeriod={"start": at(0), "end": at(1)}),
            observation("fio2-set", 40.0, identifier=[{"system": "urn:x", "value": "1"}], when=at(3)),
            panel({"plateau-pressure": 20.0, "peak-pressure": 25.0}, when=at(2), identity="s", version="2"),
            {"resourceType": "DeviceMetric", "id": "m", "category": "setting"},
        ),
        margin=quantity(2.0),
        as_of=at(50),
        write_back=True,
        accept_preliminary=False,
        protocol="compliance-closing",
        concept_map={"resourceType": "ConceptMap", "group": [{"source": "urn:a", "target": "urn:b", "element": []}]},
    ),
]


def answer(body: bytes) -> Request | Rejected:
    """Either outcome; anything else that is raised fails the test."""
    try:
        return read_request(TITRATE_PEEP, body, RequestContext(NOW_S))
    except Rejected as rejected:
        return rejected


def check(outcome: Request | Rejected) -> None:
    """What holds for every outcome."""
    if isinstance(outcome, Rejected):
        assert outcome.problems
        assert 400 <= status_of(outcome.problems) < 500
        json.dumps(operation_outcome(outcome.problems, outcome.ignored), allow_nan=False).encode()
        return
    assert 120.0 <= outcome.known_person.height_cm <= 230.0
    assert all(math.isfinite(reading.value) for reading in outcome.readings)
    assert all(reading.start_s <= reading.end_s <= outcome.as_of_s + 300 for reading in outcome.readings)
    assert {reading.source for reading in outcome.readings} | {outcome.known_person.height_source} == set(
        range(len(outcome.sources))
    )
    assert all(one.code in ISSUE_TYPES for one in outcome.ignored)


def places(value: object, at_path: tuple[str | int, ...] = ()) -> list[tuple[str | int, ...]]:
    """Every place in a JSON value."""
    found = [at_path]
    if isinstance(value, dict):
        for key, item in value.items():
            found += places(item, (*at_path, key))
    if isinstance(value, list):
        for number, item in enumerate(value):
            found += places(item, (*at_path, number))
    return found


def put(document: Json, place: tuple[str | int, ...], new: object, delete: bool) -> object:
    """A copy with one place changed or taken out."""
    changed: object = copy.deepcopy(document)
    holder = changed
    for step in place[:-1]:
        holder = holder[step]  # type: ignore[index]
    if not place:
        return new
    if delete:
        del holder[place[-1]]  # type: ignore[attr-defined]
    else:
        holder[place[-1]] = new  # type: ignore[index]
    return changed


@given(st.binary(max_size=200))
def test_arbitrary_bytes_are_refused(body: bytes) -> None:
    outcome = answer(body)

    assert isinstance(outcome, Rejected)
    check(outcome)


@given(ANY_JSON)
def test_arbitrary_json_is_refused(value: object) -> None:
    outcome = answer(to_bytes(value) if not isinstance(value, str) else json.dumps(value).encode("ascii", "replace"))

    assert isinstance(outcome, Rejected)
    check(outcome)


@settings(max_examples=400, suppress_health_check=[HealthCheck.too_slow], deadline=None)
@given(st.data())
def test_a_request_with_anything_in_any_place_is_answered_or_refused(data: st.DataObject) -> None:
    document = data.draw(st.sampled_from(SEEDS))
    changed: object = document
    for _ in range(data.draw(st.integers(1, 3))):
        assert isinstance(changed, dict)
        within = places(changed)[1:]
        if not within:
            break  # everything was taken out
        place = data.draw(st.sampled_from(within))
        changed = put(changed, place, data.draw(ANY_JSON), data.draw(st.booleans()))

    check(answer(json.dumps(changed, ensure_ascii=True).encode()))


WORDS = st.sampled_from(
    ["final", "amended", "entered-in-error", "preliminary", "", "2026", "2026-03-01", at(1), "2026-03-01T10:00:00"]
)
NUMBERS = st.sampled_from([-1.0, 0.0, 1.0, 10.0, 1e9, 1e300, -1e300, 5e-324])
UNITS = st.sampled_from(["cm[H2O]", "mbar", "mL", "mmHg", "%", "1", "", "{x}", "{", "in"])


@settings(max_examples=300, deadline=None)
@given(WORDS, WORDS, NUMBERS, UNITS, st.sampled_from(["1", "2", "x", ""]), st.integers(1, 3))
def test_any_mixture_of_status_time_value_and_unit_is_answered_or_refused(
    status: str, when: str, value: float, unit: str, version: str, copies: int
) -> None:
    one = observation(
        "peep-set", value, when=when or None, status=status, unit=unit or None, identity="o", version=version
    )
    others = [observation("peep-set", value + k, when=when or None, identity="o") for k in range(copies)]

    check(answer(to_bytes(trial_bundle(one, *others))))


@given(st.permutations(range(26)))
@settings(max_examples=30, deadline=None)
def test_the_order_of_entries_does_not_matter(order: list[int]) -> None:
    built = trial_bundle()
    entries = built["entry"]
    assert isinstance(entries, list)

    request = answer(to_bytes({**built, "entry": [entries[number] for number in order]}))

    assert isinstance(request, Request)
    straight = answer(to_bytes(built))
    assert isinstance(straight, Request)
    assert sorted(reading[1:4] for reading in request.readings) == sorted(reading[1:4] for reading in straight.readings)
    assert sorted(source.value for source in request.sources) == sorted(source.value for source in straight.sources)
