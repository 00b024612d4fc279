"""The questions at the bedside, asked about a patient of a real record."""

from __future__ import annotations

import httpx
import pytest

from bedside_builders import Said, condition, row, rows_down, stamp, value_of
from fhir_builders import Json, observation, quantity, to_bytes
from live.record_server import problems, validate_with_server
from live.test_titration_from_record import Ward, door, ward

__all__ = ["door", "ward"]

pytestmark = pytest.mark.live

DOWN = ((18.0, 38.0), (16.0, 40.0), (14.0, 41.0), (12.0, 40.5), (10.0, 36.0), (8.0, 31.0))
NOW = [
    row(stamp(-30), "settings", peep_set=10.0, fio2=60.0),
    row(stamp(-20), "breath", plateau=24.0, expired=360.0, peak=29.0),
    row(stamp(-20), "gas", pao2=70.0),
]
AFTER = [
    row(stamp(12), "set", peep_set=12.0),
    row(stamp(20), "later", peep_set=12.0, plateau=22.0, expired=400.0),
    row(stamp(40), "latest", peep_set=12.0, plateau=22.1, expired=400.0),
]


def asked(ward: Ward, operation: str, now: str, *more: Json) -> httpx.Response:
    given: list[Json] = [
        {"name": "patient-reference", "valueReference": {"reference": ward.patient}},
        {"name": "as-of", "valueInstant": now},
        *more,
    ]
    return ward.door.ask(to_bytes({"resourceType": "Parameters", "parameter": given}), f"/fhir/${operation}")


def said(ward: Ward, operation: str, now: str, *more: Json) -> Said:
    reply = asked(ward, operation, now, *more)
    assert reply.status_code == 200, reply.text
    return Said(reply.content)


@pytest.mark.parametrize(
    ("operation", "now"),
    [
        ("assess-candidate", stamp(-1)),
        ("plan-trial", stamp(-1)),
        ("next-step", stamp(12)),
        ("compare-settings", stamp(60)),
        ("check-validity", stamp(60)),
        ("follow-trials", stamp(60)),
        ("compare-markers", stamp(60)),
    ],
)
def test_each_question_is_answered_from_the_record(ward: Ward, operation: str, now: str) -> None:
    # What has not happened yet at that moment is in the record already, and is not read.
    ward.chart(*NOW, *rows_down(DOWN, spo2=93.0), *AFTER)

    answer = said(ward, operation, now)

    assert "Read from the record:" in answer.remarks
    assert "after the instant that counts as now" not in answer.remarks


def test_a_suggestion_that_was_written_to_the_record_is_the_one_that_peep_is_compared_with(ward: Ward) -> None:
    ward.chart(*NOW, *rows_down(DOWN, spo2=93.0), *AFTER)
    written = ward.door.ask(
        to_bytes(
            {
                "resourceType": "Parameters",
                "parameter": [
                    {"name": "patient-reference", "valueReference": {"reference": ward.patient}},
                    {"name": "as-of", "valueInstant": stamp(60)},
                    {"name": "margin", "valueQuantity": quantity(4.0)},
                    {"name": "write-back", "valueBoolean": True},
                ],
            }
        )
    )
    assert written.headers["ebbmark-write-back"] == "written", written.text
    (suggestion,) = ward.results()

    answer = said(ward, "check-validity", "2026-03-03T10:00:00Z")

    assert f"is that of the answer that stands in the record: Observation/{suggestion['id']}" in answer.remarks


def test_conditions_are_found_in_the_record_with_their_versions(ward: Ward) -> None:
    ward.chart(*NOW, condition("ptx", "J93.0"), condition("shock", "R57.1", clinical="resolved"))

    answer = said(ward, "assess-candidate", stamp(0))

    issue = answer.issue("untreated-pneumothorax")
    assert issue["implicated"] == [{"reference": f"Condition/{ward.prefix}-ptx/_history/1"}]
    assert "Its clinical status is resolved" in answer.remarks


def test_a_vasopressor_that_runs_is_found_in_the_record(ward: Ward) -> None:
    rate = {"value": 0.3, "unit": "ug/kg/min", "system": "http://unitsofmeasure.org", "code": "ug/kg/min"}
    given: Json = {
        "resourceType": "MedicationAdministration",
        "id": "nor",
        "status": "in-progress",
        "medicationCodeableConcept": {
            "coding": [{"system": "http://www.nlm.nih.gov/research/umls/rxnorm", "code": "7512"}]
        },
        "subject": {"reference": ward.patient},
        "effectivePeriod": {"start": "2026-02-27T20:00:00Z"},
        "dosage": {"rateQuantity": rate},
    }
    ward.chart(*NOW, given)

    answer = said(ward, "assess-candidate", stamp(-1))

    assert "Read from the record: 1 MedicationAdministrations of vasopressors." in answer.remarks
    assert f"MedicationAdministration/{ward.prefix}-nor/_history/1" in answer.bytes.decode()


def test_a_condition_amended_in_the_record_is_read_as_it_stands_now(ward: Ward) -> None:
    ward.chart(*NOW, condition("ptx", "J93.0"))
    assert asked(ward, "plan-trial", stamp(0)).status_code == 422

    ward.put(condition("ptx", "J93.0", clinical="resolved"))

    assert said(ward, "plan-trial", stamp(0)).of("CarePlan")


def test_a_trial_in_progress_is_followed_step_by_step(ward: Ward) -> None:
    rows = rows_down(DOWN, spo2=93.0, map=72.0)
    ward.chart(*NOW)
    told = []
    for step in range(1, len(DOWN) + 1):
        for one in rows[3 * (step - 1) : 3 * step]:
            ward.put(one)
        told.append(value_of(said(ward, "next-step", stamp(2 * step)).observation("next-step")))

    assert told[0] in ("not-started", "lower")
    assert told[3] == "lower"
    assert told[-1] == "closing-passed"


def test_more_than_a_page_of_readings_is_read_to_its_end(ward: Ward) -> None:
    ward.chart(*NOW, *rows_down(DOWN[:4], spo2=93.0, map=72.0))
    many = [observation("fio2-set", 60.0, when=stamp(-200 + number), identity=f"f{number}") for number in range(190)]
    for one in many:
        ward.put(one)

    answer = said(ward, "next-step", stamp(8))

    assert value_of(answer.observation("next-step")) == "lower"
    (provenance,) = answer.of("Provenance")
    assert len(provenance["entity"]) > 200


def test_the_validator_accepts_the_answers(ward: Ward, record_base_url: str) -> None:
    ward.chart(*NOW, condition("shock", "R57.1"), *rows_down(DOWN[:4], spo2=93.0, map=72.0))

    for operation in ("assess-candidate", "next-step"):
        answer = said(ward, operation, stamp(8))
        for resource in answer.resources:
            assert problems(validate_with_server(record_base_url, resource)) == [], operation
