"""The quick way through the reader takes nothing that the careful way would object to, and reads the rest alike."""

from __future__ import annotations

import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ebbmark.fhir.model import Observation
from ebbmark.fhir.reading.codes import NO_CODE_MAP
from ebbmark.fhir.reading.duplicates import settle_duplicates
from ebbmark.fhir.reading.observations import admit, read_observations
from ebbmark.fhir.reading.request import USABLE_STATUSES, Collected, Context, Received
from fhir_builders import LOINC, MDC, Json, at, observation, panel, quantity, to_bytes, trial_observations

NOW_S = 1772355600.0 + 86400.0
CONTEXT = Context(
    code_map=NO_CODE_MAP,
    statuses=USABLE_STATUSES,
    now_s=NOW_S,
    categories={"DeviceMetric/setting": "setting", "DeviceMetric/measured": "measurement"},
)
ABSENT = {"coding": [{"code": "error"}]}
SPECIAL: dict[str, object] = {
    "modifierExtension": [{"url": "urn:example:not"}],
    "dataAbsentReason": ABSENT,
    "valueString": "",
    "valueCodeableConcept": {},
    "valueInteger": 0,
    "valueBoolean": False,
    "valueRange": {},
    "valueRatio": {},
    "valueSampledData": {},
    "valueTime": "10:00:00",
    "valueDateTime": "2026",
    "valuePeriod": {},
    "valueQuantity": quantity(10.0) | {"comparator": ">="},
}
SPECIAL_OF_OBSERVATIONS: dict[str, object] = {
    **SPECIAL,
    "implicitRules": "urn:example:rules",
    "effectivePeriod": {"start": at(1)},
    "effectiveTiming": {"event": [at(1)]},
    "effectiveInstant": at(1),
    "status": "preliminary",
    "subject": {"reference": "Group/1"},
    "device": {"reference": "DeviceMetric/measured"},
    "code": {"coding": [{"system": LOINC, "code": "20077-4"}, {"system": LOINC, "code": "76259-1"}]},
    "effectiveDateTime": "2026-03-01T10:00:00",
}


def received(resources: list[Json]) -> list[Received[Observation]]:
    decoder = msgspec.json.Decoder(Observation)
    return [
        Received(decoder.decode(to_bytes(resource)), f"Bundle.entry[{number}].resource", "")
        for number, resource in enumerate(resources)
    ]


def carefully(items: list[Received[Observation]]) -> Collected:
    """All the careful way."""
    collected = Collected()
    for item in items:
        admit(item, CONTEXT, collected)
    settle_duplicates(collected)
    return collected


def outcome(collected: Collected) -> tuple[object, ...]:
    return (
        collected.readings,
        collected.sources,
        collected.ignored,
        collected.problems,
        set(collected.notes),
        collected.parts,
        collected.variants,
        collected.encounters,
        set(collected.subjects),
        bool(collected.without_subject),
    )


def warm() -> list[Json]:
    """A trial and a panel, after which every plan is known."""
    return [
        *trial_observations(),
        step(40),
        observation("peep-set", 10.0, when=at(39), device={"reference": "Device/1"}),
    ]


def step(minute: int) -> Json:
    return panel({"peep-set": 10.0, "plateau-pressure": 20.0}, when=at(minute))


def both_ways_agree(resources: list[Json]) -> None:
    items = received(resources)
    assert outcome(read_observations(items, CONTEXT)) == outcome(carefully(items))


@pytest.mark.parametrize("element", SPECIAL_OF_OBSERVATIONS)
def test_a_special_observation_is_left_to_the_careful_way(element: str) -> None:
    special = observation("peep-set", 10.0, when=at(50)) | {element: SPECIAL_OF_OBSERVATIONS[element]}
    usual = len(read_observations(received(warm()), CONTEXT).readings)

    both_ways_agree([*warm(), special])
    assert len(read_observations(received([*warm(), special]), CONTEXT).readings) == usual


@pytest.mark.parametrize("element", [one for one in SPECIAL_OF_OBSERVATIONS if one != "code"])
def test_a_special_panel_is_left_to_the_careful_way(element: str) -> None:
    both_ways_agree([*warm(), step(50) | {element: SPECIAL_OF_OBSERVATIONS[element]}])


@pytest.mark.parametrize("element", SPECIAL)
def test_a_special_component_is_left_to_the_careful_way(element: str) -> None:
    special = step(50)
    parts = special["component"]
    assert isinstance(parts, list)
    parts[0] = parts[0] | {element: SPECIAL[element]}

    both_ways_agree([*warm(), special])
    assert (
        len(read_observations(received([*warm(), special]), CONTEXT).readings)
        == len(read_observations(received([*warm(), step(50)]), CONTEXT).readings) - 1
    )


def test_a_value_beside_components_is_left_to_the_careful_way() -> None:
    both_ways_agree(
        [
            *warm(),
            step(50) | {"valueQuantity": quantity(10.0), "code": {"coding": [{"system": LOINC, "code": "20077-4"}]}},
        ]
    )


@pytest.mark.parametrize(
    "period",
    [
        {"start": at(50), "end": at(51)},
        {"start": at(50)},
        {"end": at(50)},
        {"start": at(51), "end": at(50)},
        {"start": at(50), "end": "2036-01-01T00:00:00Z"},
        {"start": "2026-03-01", "end": at(50)},
        {},
    ],
)
def test_a_period_is_read_alike_both_ways(period: Json) -> None:
    single = {**observation("peep-set", 10.0), "effectivePeriod": period}
    several = {**step(50), "effectivePeriod": period}
    for resource in (single, several):
        del resource["effectiveDateTime"]

    both_ways_agree([*warm(), single])
    both_ways_agree([*warm(), several])


STATUSES = st.sampled_from(["final", "amended", "preliminary", "cancelled"])
VALUES = st.sampled_from([-1.0, 0.0, 12.5, 61.0])
UNITS = st.sampled_from(["cm[H2O]", "mbar", "cmH2O", "mL", "kg", "xyz"])
CODES = st.sampled_from(
    ["peep-set", "peep-measured", "plateau-pressure", f"{MDC}|151976", f"{LOINC}|29463-7", "urn:x|1"]
)
TIMES = st.sampled_from([at(50), at(51), "2026-03-01T09:50:00Z", "2026-03-01", "2036-01-01T00:00:00Z", ""])
DEVICES = st.sampled_from([None, "Device/1", "DeviceMetric/setting", "DeviceMetric/measured", "#none"])


@st.composite
def any_observation(draw: st.DrawFn) -> Json:
    device = draw(DEVICES)
    return observation(
        draw(CODES),
        draw(VALUES),
        when=draw(TIMES),
        status=draw(STATUSES),
        unit=draw(UNITS),
        subject=draw(st.sampled_from([None, "Patient/p1", "Patient/p2", "Device/4"])),
        device=None if device is None else {"reference": device},
        encounter=draw(st.sampled_from([None, {"reference": "Encounter/1"}])),
    )


@st.composite
def any_panel(draw: st.DrawFn) -> Json:
    values = draw(st.dictionaries(CODES, VALUES, min_size=1, max_size=3))
    return panel(values, when=draw(TIMES), status=draw(STATUSES))


@settings(max_examples=200, deadline=None)
@given(st.lists(any_observation() | any_panel(), max_size=8))
def test_any_mixture_is_read_alike_both_ways(mixture: list[Json]) -> None:
    both_ways_agree([*trial_observations()[:3], *mixture])
