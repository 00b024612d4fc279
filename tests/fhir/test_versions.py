"""Versions, corrections and duplicates: which copy counts, and that none vanishes unseen."""

from __future__ import annotations

import pytest

from ebbmark.fhir.operations import TITRATE_PEEP
from ebbmark.fhir.reading.read import read_request
from ebbmark.fhir.reading.request import Request, RequestContext
from fhir_builders import (
    Json,
    at,
    bundle,
    component,
    height,
    observation,
    panel,
    patient,
    to_bytes,
    trial_observations,
)

NOW_S = 1772355600.0 + 86400.0
LATE = at(55)


def read(*resources: Json) -> Request:
    return read_request(
        TITRATE_PEEP, to_bytes(bundle(patient(), height(), *trial_observations(), *resources)), RequestContext(NOW_S)
    )


def copy(value: float, **more: object) -> Json:
    return {**observation("peep-set", value, when=LATE, identity="o"), **more}


def stamped(value: float, updated: str, **more: object) -> Json:
    return copy(value, meta={"lastUpdated": updated}, **more)


def late_values(request: Request) -> list[float]:
    """PEEP values after the trial."""
    return [reading.value for reading in request.readings[24:]]


def codes(request: Request) -> list[str]:
    return sorted(one.code for one in request.ignored)


def version(value: float, number: str, **more: object) -> Json:
    return copy(value, meta={"versionId": number}, **more)


@pytest.mark.parametrize("order", [1, -1])
def test_the_highest_version_number_wins_in_any_order(order: int) -> None:
    request = read(*[version(9.0, "9"), version(11.0, "11"), version(10.0, "10")][::order])

    assert late_values(request) == [11.0]
    assert codes(request) == ["superseded", "superseded"]


def test_the_latest_update_wins_where_versions_are_no_numbers() -> None:
    request = read(
        stamped(9.0, "2026-03-01T12:00:00Z"),
        stamped(10.0, "2026-03-01T13:30:00+01:00"),
    )

    assert late_values(request) == [10.0]


def test_an_error_as_newest_version_removes_all() -> None:
    request = read(version(9.0, "1"), version(9.0, "2", status="entered-in-error"))

    assert late_values(request) == []
    assert codes(request) == ["entered-in-error", "superseded"]


def test_a_final_version_after_an_error_counts() -> None:
    request = read(version(9.0, "1", status="entered-in-error"), version(10.0, "2"))

    assert late_values(request) == [10.0]


def test_an_error_without_version_removes_its_copies() -> None:
    request = read(copy(9.0), copy(9.0, status="entered-in-error"))

    assert late_values(request) == []
    assert codes(request) == ["entered-in-error", "entered-in-error"]


def test_a_correction_without_version_replaces_the_final_copy() -> None:
    assert late_values(read(copy(9.0), copy(10.0, status="corrected"))) == [10.0]


def test_copies_that_differ_without_version_are_not_guessed_between() -> None:
    request = read(copy(9.0), copy(10.0))

    assert late_values(request) == []
    assert codes(request) == ["conflicting-values", "conflicting-values"]


def test_the_same_id_on_two_servers_is_two_observations() -> None:
    built = bundle(patient(), height(), *trial_observations())
    entries = built["entry"]
    assert isinstance(entries, list)
    entries += [
        {"fullUrl": "https://a.example/Observation/o", "resource": copy(9.0)},
        {"fullUrl": "https://b.example/Observation/o", "resource": copy(9.0, effectiveDateTime=at(57))},
    ]

    request = read_request(TITRATE_PEEP, to_bytes(built), RequestContext(NOW_S))

    assert late_values(request) == [9.0, 9.0]


def test_two_devices_may_differ_at_one_instant() -> None:
    request = read(
        copy(9.0, id="a", device={"reference": "Device/1"}), copy(10.0, id="b", device={"reference": "Device/2"})
    )

    assert late_values(request) == [9.0, 10.0]


def test_an_amended_value_for_the_same_instant_is_the_one_used() -> None:
    request = read(copy(9.0, id="a"), copy(10.0, id="b", status="amended"))

    assert late_values(request) == [10.0]
    assert codes(request) == ["superseded"]


def test_total_and_mechanical_rate_may_differ_at_one_instant() -> None:
    total = observation("respiratory-rate", 24.0, when=LATE, identity="a")
    mechanical = observation("http://loinc.org|33438-3", 20.0, when=LATE, identity="b", unit="/min")

    assert late_values(read(total, mechanical)) == [24.0, 20.0]


IDENTIFIER = [{"system": "urn:example:orders", "value": "4711"}]


def test_one_identifier_with_equal_values_is_one_reading() -> None:
    request = read(
        copy(9.0, id="a", identifier=IDENTIFIER, device={"reference": "Device/1"}),
        copy(9.0, id="b", identifier=IDENTIFIER),
    )

    assert late_values(request) == [9.0]
    assert codes(request) == ["duplicate"]


def test_a_correction_with_the_same_identifier_may_move_the_time() -> None:
    request = read(
        copy(9.0, id="a", identifier=IDENTIFIER),
        copy(9.0, id="b", identifier=IDENTIFIER, effectiveDateTime=at(56), status="corrected"),
    )

    assert [reading.start_s for reading in request.readings[24:]] == [1772355600.0 + 56 * 60]
    assert codes(request) == ["superseded"]


def test_an_order_number_shared_by_many_readings_does_not_make_them_one() -> None:
    request = read(*(copy(9.0, id=f"o{k}", identifier=IDENTIFIER, effectiveDateTime=at(50 + k)) for k in range(3)))

    assert late_values(request) == [9.0, 9.0, 9.0]
    assert any("share an identifier" in note for note in request.notes)


def test_an_order_number_shared_by_different_quantities_is_no_duplicate() -> None:
    other = observation("plateau-pressure", 20.0, when=LATE, identity="p", identifier=IDENTIFIER)

    assert late_values(read(copy(9.0, identifier=IDENTIFIER), other)) == [9.0, 20.0]


def test_a_panel_that_repeats_single_values_leaves_each_value_once_and_right_sources() -> None:
    step = panel({"peep-set": 24.0, "plateau-pressure": 34.0, "peak-pressure": 40.0}, when=at(2), identity="step")

    request = read(step)

    assert len(request.readings) == 25
    assert [one.path for one in request.ignored] == [
        "Bundle.entry[26].resource.component[0]",
        "Bundle.entry[26].resource.component[1]",
    ]
    last = request.readings[-1]
    assert request.sources[last.source].path == "Bundle.entry[26].resource"
    assert request.sources[last.source].value.startswith("peak-pressure|40.0|")


def test_sources_without_any_reading_left_are_gone_and_indices_still_fit() -> None:
    request = read(copy(9.0, id="a"), copy(10.0, id="b"), copy(11.0, id="c", effectiveDateTime=at(57)))

    paths = {request.sources[reading.source].path for reading in request.readings}
    assert paths | {"Bundle.entry[1].resource"} == {source.path for source in request.sources}
    assert request.sources[request.readings[-1].source].path == "Bundle.entry[28].resource"
    assert request.sources[request.known_person.height_source].path == "Bundle.entry[1].resource"


def test_two_components_of_one_code_that_differ_are_a_conflict() -> None:
    step = panel({"peep-set": 8.0}, when=LATE, identity="step")
    parts = step["component"]
    assert isinstance(parts, list)
    parts.append(component("peep-set", 9.0))

    request = read(step)

    assert late_values(request) == []
    assert [one.path for one in request.ignored] == [
        "Bundle.entry[26].resource.component[0]",
        "Bundle.entry[26].resource.component[1]",
    ]
