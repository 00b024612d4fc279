"""The shapes in which the field sends a trial: each is read to the same readings."""

from __future__ import annotations

import pytest

from ebbmark.fhir.operations import TITRATE_PEEP
from ebbmark.fhir.reading.read import read_request
from ebbmark.fhir.reading.request import Request, RequestContext
from ebbmark.physiology.readings import Quantity, Reading
from fhir_builders import (
    LOINC,
    MDC,
    UCUM,
    Json,
    at,
    bundle,
    component,
    height,
    observation,
    panel,
    parameters,
    patient,
    quantity,
    to_bytes,
    trial_bundle,
    trial_observations,
    trial_panels,
)

START_S = 1772355600.0  # 2026-03-01T10:00:00+01:00, by `date -u -d @1772355600`
NOW_S = START_S + 86400.0


def read(*resources: Json) -> Request:
    return read_request(TITRATE_PEEP, to_bytes(bundle(patient(), height(), *resources)), RequestContext(NOW_S))


def values(request: Request) -> list[tuple[Quantity, float, float, float]]:
    return [(reading.quantity, reading.value, reading.start_s, reading.end_s) for reading in request.readings]


def only(request: Request) -> Reading:
    assert len(request.readings) == 1
    return request.readings[0]


def peep(value: float = 10.0, **more: object) -> Json:
    return {key: one for key, one in {**observation("peep-set", value), **more}.items() if one is not None}


def with_codings(*codings: tuple[str, str], **more: object) -> Json:
    code = {"coding": [{"system": system, "code": code} for system, code in codings]}
    return peep(10.0, code=code, **more)


def test_single_values_and_panels_of_one_trial_give_the_same_readings() -> None:
    assert values(read(*trial_observations())) == values(read(*trial_panels()))


@pytest.mark.parametrize("kind", ["collection", "searchset", "batch", "transaction"])
def test_every_kind_of_bundle_gives_the_same_readings(kind: str) -> None:
    assert values(read_request(TITRATE_PEEP, to_bytes(trial_bundle(kind=kind)), RequestContext(NOW_S))) == values(
        read(*trial_observations())
    )


def test_observations_as_parameters_give_the_same_readings_and_their_own_paths() -> None:
    body = to_bytes(parameters(patient=patient(), observation=[height(), *trial_observations()]))

    request = read_request(TITRATE_PEEP, body, RequestContext(NOW_S))

    assert values(request) == values(read(*trial_observations()))
    assert request.sources[0].path == "Parameters.parameter[2].resource"


def test_a_panel_beside_its_own_value_gives_both() -> None:
    both = peep(10.0, component=[component("plateau-pressure", 22.0)])

    request = read(both)

    assert [reading.quantity for reading in request.readings] == [Quantity.PEEP_SET, Quantity.PLATEAU_PRESSURE]
    assert [reading.source for reading in request.readings] == [0, 0]


@pytest.mark.parametrize(
    ("code", "expected"),
    [
        ((MDC, "151976"), Quantity.PEEP_MEASURED),
        ((MDC, "152788"), Quantity.PEEP_TOTAL),
        ((LOINC, "20077-4"), Quantity.PEEP_SET),
    ],
)
def test_loinc_and_mdc_codes_are_understood(code: tuple[str, str], expected: Quantity) -> None:
    assert read(peep(), with_codings(code, effectiveDateTime=at(1))).readings[1].quantity is expected


@pytest.mark.parametrize(
    ("codings", "expected"),
    [
        ([(LOINC, "76248-4"), (MDC, "151976"), ("http://snomed.info/sct", "250854009")], Quantity.PEEP_MEASURED),
        ([(LOINC, "76222-9"), (MDC, "151980")], Quantity.TIDAL_VOLUME_UNSTATED),
        ([(MDC, "151980"), (LOINC, "20109-5")], Quantity.TIDAL_VOLUME_INSPIRED),
        ([(LOINC, "76154-4"), (MDC, "152720")], Quantity.DRIVING_PRESSURE),
        ([("urn:example:local", "P17"), (LOINC, "76259-1")], Quantity.PLATEAU_PRESSURE),
    ],
)
@pytest.mark.parametrize("repeats", [1, 2])  # the second one of a kind goes another way through the code
def test_several_codings_that_agree_are_one_meaning(
    codings: list[tuple[str, str]], expected: Quantity, repeats: int
) -> None:
    unit = expected.unit
    same = [
        with_codings(*codings, effectiveDateTime=at(20 + k), valueQuantity=quantity(20.0, unit)) for k in range(repeats)
    ]

    request = read(peep(), *same)

    assert [reading.quantity for reading in request.readings[1:]] == [expected] * repeats


@pytest.mark.parametrize(
    ("value", "unit", "expected"),
    [
        # cm[H2O] = 98.0665 Pa exactly, mm[Hg] = 133.322 Pa: ucum-essence.xml 2.2
        (10.0, "mbar", 1000.0 / 98.0665),
        (1.0, "kPa", 1000.0 / 98.0665),
        (7.5, "mm[Hg]", 7.5 * 133.322 / 98.0665),
        (10.0, "cmH2O", 10.0),
    ],
)
def test_pressures_in_any_unit_become_cmh2o(value: float, unit: str, expected: float) -> None:
    assert only(read(peep(valueQuantity=quantity(value, unit)))).value == pytest.approx(expected, rel=1e-12)


def test_a_per_cent_is_told_from_a_fraction_by_its_unit_never_by_its_size() -> None:
    request = read(
        peep(),
        observation("fio2-set", 1.0, unit="1", when=at(1)),
        observation("fio2-set", 57.0, unit="%", when=at(2)),
    )

    assert [reading.value for reading in request.readings[1:]] == [1.0, 0.57]


@pytest.mark.parametrize(
    ("text", "expected_s"),
    [
        ("2026-03-01T10:00:00+01:00", START_S),
        ("2026-03-01T09:00:00Z", START_S),
        ("2026-03-01T14:30:00+05:30", START_S),
        ("2026-02-28T23:00:00-10:00", START_S),
        ("2026-03-01T09:00:00.250Z", START_S + 0.25),
    ],
)
@pytest.mark.parametrize("element", ["effectiveDateTime", "effectiveInstant"])
def test_any_zone_offset_and_fraction_is_the_same_instant(text: str, expected_s: float, element: str) -> None:
    reading = only(read(peep(effectiveDateTime=None) | {element: text}))

    assert (reading.start_s, reading.end_s) == (expected_s, expected_s)


def test_a_period_keeps_its_start_and_end() -> None:
    reading = only(read(peep(effectiveDateTime=None, effectivePeriod={"start": at(0), "end": at(10)})))

    assert (reading.start_s, reading.end_s) == (START_S, START_S + 600.0)


def test_an_open_period_stands_for_its_start() -> None:
    reading = only(read(peep(effectiveDateTime=None, effectivePeriod={"start": at(2)})))

    assert (reading.start_s, reading.end_s) == (START_S + 120.0, START_S + 120.0)


def test_the_clock_of_a_device_may_run_five_minutes_ahead() -> None:
    body = to_bytes(bundle(patient(), height(), peep(), peep(effectiveDateTime=at(4, 59))))

    assert len(read_request(TITRATE_PEEP, body, RequestContext(START_S)).readings) == 2


@pytest.mark.parametrize("where", ["bundled", "contained"])
@pytest.mark.parametrize(
    ("category", "expected"),
    [
        ("setting", Quantity.PEEP_SET),
        ("measurement", Quantity.PEEP_MEASURED),
        ("unspecified", Quantity.PEEP_MEASURED),
    ],
)
def test_a_device_metric_tells_a_setting_from_a_measurement(where: str, category: str, expected: Quantity) -> None:
    metric: Json = {"resourceType": "DeviceMetric", "id": "m", "category": category}
    same_code = with_codings((LOINC, "76248-4"), (MDC, "151976"))
    sent = (
        [same_code | {"device": {"reference": "DeviceMetric/m"}}, metric]
        if where == "bundled"
        else [same_code | {"device": {"reference": "#m"}, "contained": [metric]}]
    )

    request = read(*sent)

    assert only(request).quantity is expected


def test_a_device_metric_that_decided_a_meaning_is_not_listed_as_unused() -> None:
    metric: Json = {"resourceType": "DeviceMetric", "id": "m", "category": "setting"}

    request = read(with_codings((LOINC, "76248-4"), device={"reference": "DeviceMetric/m"}), metric)

    assert request.ignored == ()


def test_measured_peep_without_a_device_is_noted_as_such() -> None:
    request = read(with_codings((LOINC, "76248-4")))

    assert any("read as measured" in note for note in request.notes)


@pytest.mark.parametrize(
    "subject",
    [
        "Patient/p1",
        "Patient/p1/_history/4",
        "https://record.example/fhir/Patient/p1",
        "https://record.example/fhir/Patient/p1/_history/2",
    ],
)
def test_every_form_of_reference_to_the_patient_is_the_same_patient(subject: str) -> None:
    assert read(peep(subject={"reference": subject})).subject == "Patient/p1"


def test_the_same_id_on_another_server_is_another_patient() -> None:
    with pytest.raises(Exception, match="exactly one patient"):
        read(peep(subject={"reference": "https://elsewhere.example/fhir/Patient/p1"}))


def test_a_urn_as_full_url_is_resolved() -> None:
    urn = "urn:uuid:6f1c2f0a-0b5e-4e0e-9b3f-3d1f7f0f0001"
    nameless = patient()
    del nameless["id"]
    built = bundle(height(), *trial_observations())
    entries = built["entry"]
    assert isinstance(entries, list)
    for entry in entries:
        entry["resource"]["subject"] = {"reference": urn}
    entries.append({"fullUrl": urn, "resource": nameless})

    request = read_request(TITRATE_PEEP, to_bytes(built), RequestContext(NOW_S))

    assert request.subject == urn


def test_observations_without_subject_are_used_and_noted() -> None:
    request = read(peep(subject=None))

    assert len(request.readings) == 1
    assert any("without a subject" in note for note in request.notes)


def test_without_a_patient_the_sex_must_come_with_the_request() -> None:
    body = to_bytes(parameters(bundle=bundle(height(), *trial_observations()), sex_for_formula="male"))

    request = read_request(TITRATE_PEEP, body, RequestContext(NOW_S))

    assert request.subject == "Patient/p1"
    assert request.known_person.sex.value == "male"
    assert request.known_person.age_years is None


def test_an_encounter_is_named_where_all_agree() -> None:
    same = [
        peep(encounter={"reference": "Encounter/9"}),
        peep(effectiveDateTime=at(2), encounter={"reference": "Encounter/9"}),
    ]

    assert read(*same).encounter == "Encounter/9"
    assert read(*same, peep(effectiveDateTime=at(4))).encounter is None


@pytest.mark.parametrize(
    ("identity", "version", "expected"),
    [
        ("o1", "3", "Observation/o1/_history/3"),
        ("o1", None, "Observation/o1"),
        (None, None, "urn:uuid:1"),
    ],
)
def test_a_source_is_named_as_exactly_as_it_can_be(identity: str | None, version: str | None, expected: str) -> None:
    built = bundle(patient(), height())
    entries = built["entry"]
    assert isinstance(entries, list)
    entries.append(
        {"fullUrl": "urn:uuid:1", "resource": observation("peep-set", 10.0, identity=identity, version=version)}
    )

    request = read_request(TITRATE_PEEP, to_bytes(built), RequestContext(NOW_S))

    assert request.sources[0].reference == expected
    assert request.sources[0].value == f"peep-set|10.0|cm[H2O]|{START_S}|{START_S}"


def test_a_search_result_with_a_further_page_is_noted() -> None:
    built = trial_bundle(kind="searchset") | {"link": [{"relation": "next", "url": "https://record.example/next"}]}

    request = read_request(TITRATE_PEEP, to_bytes(built), RequestContext(NOW_S))

    assert any("further page" in note for note in request.notes)


def test_parameters_set_protocol_margin_instant_and_write_back() -> None:
    body = to_bytes(
        parameters(
            bundle=trial_bundle(),
            protocol="compliance-closing",
            margin=quantity(0.3, "kPa"),
            as_of=at(40),
            write_back=True,
        )
    )

    request = read_request(TITRATE_PEEP, body, RequestContext(NOW_S))

    assert request.protocol.margin_cmh2o == pytest.approx(300.0 / 98.0665)
    assert request.as_of_s == START_S + 2400.0
    assert request.asked.write_back


def test_readings_after_the_instant_asked_for_do_not_count() -> None:
    request = read_request(
        TITRATE_PEEP, to_bytes(parameters(bundle=trial_bundle(), as_of=at(9))), RequestContext(NOW_S)
    )

    assert max(reading.end_s for reading in request.readings) <= START_S + 9 * 60 + 300
    assert {one.code for one in request.ignored} == {"in-the-future"}


def test_the_quick_and_the_careful_way_give_the_same_readings() -> None:
    plain = panel({"peep-set": 10.0, "plateau-pressure": 22.5, "tidal-volume-expired": 400.0}, when=at(1))
    special = {**plain, "effectiveDateTime": None, "effectivePeriod": {"start": at(1), "end": at(1)}}
    warm = trial_observations()

    assert values(read(*warm, plain)) == values(
        read(*warm, {key: one for key, one in special.items() if one is not None})
    )


def test_an_mdc_unit_code_is_read() -> None:
    reading = only(read(peep(valueQuantity={"value": 12.0, "system": MDC, "code": "266048"})))

    assert reading.value == 12.0


def test_a_unit_code_without_system_is_read_by_the_table_and_noted() -> None:
    request = read(peep(valueQuantity={"value": 12.0, "code": "mbar"}))

    assert only(request).value == pytest.approx(12 * 100 / 98.0665)
    assert any("without a system" in note for note in request.notes)
    assert UCUM not in " ".join(request.notes)
