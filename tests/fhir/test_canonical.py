"""Canonical bytes, input digest and identity: what changes them, and what must not."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
import rfc8785
from hypothesis import given
from hypothesis import strategies as st

from ebbmark.fhir.problems import Source
from ebbmark.fhir.reading.request import Request
from ebbmark.fhir.writing.identity import NotCanonical, canonical_bytes, identity, input_digest, titration_basis
from ebbmark.physiology.mechanics import Sex
from ebbmark.physiology.protocols import DEFAULT_PROTOCOL
from recommendations import found

LARGEST_EXACT = 2**53 - 1

json_values = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-LARGEST_EXACT, LARGEST_EXACT)
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(st.characters(exclude_categories=["Cs"])),
    lambda inner: st.lists(inner) | st.dictionaries(st.text(st.characters(exclude_categories=["Cs"])), inner),
    max_leaves=20,
)


def request() -> Request:
    return found().request


def with_sources(*sources: Source) -> Request:
    return replace(request(), sources=sources)


@given(json_values)
def test_bytes_agree_with_an_independent_library(value: object) -> None:
    assert canonical_bytes(value) == rfc8785.dumps(value)  # type: ignore[arg-type]  # any JSON value


@pytest.mark.parametrize(
    "value", [float("nan"), float("-inf"), 2**53, "half \ud83d of a pair", {1: "one"}, {"a": {1, 2}}, [b"bytes"]]
)
def test_a_value_without_a_canonical_form_is_refused(value: object) -> None:
    with pytest.raises(NotCanonical):
        canonical_bytes(value)


@given(st.permutations(range(len(found().request.sources))))
def test_the_order_of_the_inputs_does_not_change_the_digest(order: list[int]) -> None:
    asked = request()

    shuffled = replace(asked, sources=tuple(asked.sources[index] for index in order))

    assert input_digest(shuffled) == input_digest(asked)


def test_where_an_input_stood_in_the_request_does_not_change_the_digest() -> None:
    here = with_sources(Source("Bundle.entry[1].resource", "", "ph|7.3|[pH]|0|0"))
    there = with_sources(Source("Bundle.entry[9].resource", "", "ph|7.3|[pH]|0|0"))

    assert input_digest(here) == input_digest(there)


def test_ignored_inputs_do_not_change_the_digest() -> None:
    assert input_digest(replace(request(), ignored=(), notes=())) == input_digest(request())


def test_another_value_changes_the_digest() -> None:
    one = with_sources(Source("a", "Observation/1", "ph|7.3|[pH]|0|0"))
    other = with_sources(Source("a", "Observation/1", "ph|7.4|[pH]|0|0"))

    assert input_digest(one) != input_digest(other)


def test_another_version_of_an_input_changes_the_digest() -> None:
    one = with_sources(Source("a", "Observation/1/_history/1", "ph|7.3|[pH]|0|0"))
    other = with_sources(Source("a", "Observation/1/_history/2", "ph|7.3|[pH]|0|0"))

    assert input_digest(one) != input_digest(other)


def test_the_same_input_twice_is_not_the_same_as_once() -> None:
    source = Source("a", "", "ph|7.3|[pH]|0|0")

    assert input_digest(with_sources(source)) != input_digest(with_sources(source, source))


def test_two_patients_with_equal_numbers_have_different_digests() -> None:
    other = replace(request(), subject="Patient/invented-2")

    assert input_digest(other) != input_digest(request())


def test_height_sex_encounter_and_preliminary_inputs_change_the_digest() -> None:
    asked = request()
    variants = [
        asked,
        replace(asked, person=replace(asked.known_person, height_cm=171.0)),
        replace(asked, person=replace(asked.known_person, sex=Sex.MALE)),
        replace(asked, encounter=None),
        replace(asked, preliminary_inputs=False),
    ]

    assert len({input_digest(variant) for variant in variants}) == len(variants)


def test_age_and_the_instant_of_asking_do_not_change_the_digest() -> None:
    later = replace(request(), as_of_s=request().as_of_s + 1e7, person=replace(request().known_person, age_years=55.0))

    assert input_digest(later) == input_digest(request())


BASIS = titration_basis(found().request)


@pytest.mark.parametrize("field", DEFAULT_PROTOCOL.__dataclass_fields__)
def test_every_value_of_the_protocol_is_part_of_the_identity(field: str) -> None:
    changed: Any = {str: "other", float: 0.125, int: 9, tuple: (0.125,)}[type(getattr(DEFAULT_PROTOCOL, field))]

    other = replace(DEFAULT_PROTOCOL, **{field: changed})

    named = [
        identity(titration_basis(replace(request(), protocol=one)), "0" * 64, "1") for one in (other, DEFAULT_PROTOCOL)
    ]
    assert named[0] != named[1]


def test_another_engine_version_is_another_identity() -> None:
    assert identity(BASIS, "0" * 64, "0.1.0") != identity(BASIS, "0" * 64, "0.1.1")


def test_other_inputs_are_another_identity() -> None:
    assert identity(BASIS, "0" * 64, "1") != identity(BASIS, "1" * 64, "1")
