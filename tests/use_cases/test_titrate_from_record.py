"""The same patient gets the same titration by Bundle and from the record: Conditions, positions and vital signs too."""

from __future__ import annotations

import asyncio
from datetime import datetime

import pytest
import respx

from bedside_builders import condition, position, row, rows_down, stamp
from ebbmark.fhir.answer import Answer
from ebbmark.fhir.operations import TITRATE_PEEP
from ebbmark.fhir.reading.request import RequestContext
from ebbmark.fhir.writing.normal_form import resources_of
from ebbmark.fhir.writing.write import write_bundle
from ebbmark.record.client import RecordClient
from ebbmark.record.connection import RecordSettings
from ebbmark.record.record_query import named_in_record
from ebbmark.record.retry import Waiting
from ebbmark.use_cases.questions import answer_request
from ebbmark.use_cases.replay import replay
from fhir_builders import Json, bundle, height, patient, to_bytes
from record.searchable_record import BASE, SearchableRecord, answered_from_record
from record.waits import Waits, noon

DOWN = ((20.0, 38.0), (18.0, 40.0), (16.0, 41.0), (14.0, 42.0), (12.0, 41.5), (10.0, 36.0), (8.0, 31.0), (6.0, 27.0))
VITALS = [row(stamp(2 * place + 1.2), f"vital-{place}", map=76.0 - place, spo2=93.0) for place in range(8)]
TRIAL = [patient(), height(), *rows_down(DOWN), *VITALS]
AT_S = datetime.fromisoformat(stamp(60)).timestamp()
TENSION_PNEUMOTHORAX = condition("c1", "J93.0")
NOT_READ = "condition-not-read"
NOTHING: frozenset[str] = frozenset()


def infusion(start: str) -> Json:
    return {
        "resourceType": "MedicationAdministration",
        "id": "noradrenaline",
        "meta": {"versionId": "1"},
        "status": "in-progress",
        "medicationCodeableConcept": {"coding": [{"system": "http://www.whocc.no/atc", "code": "C01CA03"}]},
        "subject": {"reference": "Patient/p1"},
        "effectivePeriod": {"start": start},
        "dosage": {
            "rateQuantity": {"value": 0.2, "system": "http://unitsofmeasure.org", "code": "ug/kg/min"},
        },
    }


def by_bundle(*more: Json) -> Answer:
    return answer_request(TITRATE_PEEP, to_bytes(bundle(*TRIAL, *more)), RequestContext(AT_S))


def from_record(
    *more: Json,
    withheld: frozenset[str] = NOTHING,
    refuses: str = "",
    at_s: float = AT_S,
) -> Answer:
    async def read() -> Answer:
        async with RecordClient(
            RecordSettings(BASE, (BASE,), max_attempts=1), waiting=Waiting(Waits(), noon)
        ) as client:
            body = named_in_record("Patient/p1", encounter=None, period=None)
            return await answered_from_record(TITRATE_PEEP, body, client, at_s, withheld=withheld)

    record = SearchableRecord([*TRIAL, *more])
    with respx.mock(assert_all_called=False) as router:
        if refuses:
            router.route(url__startswith=f"{BASE}/{refuses}").respond(403)
        record.attach(router)
        return asyncio.run(read())


def story(found: Answer) -> tuple[object, ...]:
    closing, advice = found.titration.closing, found.titration.advice
    cautions = tuple((caution.slug, caution.severity, caution.text) for caution in advice.cautions)
    return (
        closing.verdict,
        closing.peep_cmh2o,
        advice.suggested_peep_cmh2o,
        advice.rationale,
        cautions,
    )


CASES = {
    "nothing beside the trial": [],
    "tension pneumothorax": [TENSION_PNEUMOTHORAX],
    "a pneumothorax that is resolved": [condition("c1", "J93.0", clinical="resolved")],
    "right heart failure": [condition("c1", "I26.0")],
    "a Condition that nobody can place": [condition("c1", "ZZZ")],
    "turned prone in the middle": [position(-30, "supine"), position(7, "prone")],
    "prone since hours before": [position(-200, "prone")],
    "noradrenaline": [infusion(stamp(-90))],
    "low arterial pressure at the suggestion": [row(stamp(9.4), "low", map=48.0)],
}


@pytest.mark.parametrize("more", CASES.values(), ids=CASES)
def test_the_record_and_the_bundle_give_the_same_titration(more: list[Json]) -> None:
    assert story(from_record(*more)) == story(by_bundle(*more))


def test_a_tension_pneumothorax_in_the_record_takes_the_number_back() -> None:
    found = from_record(TENSION_PNEUMOTHORAX)

    assert found.titration.advice.suggested_peep_cmh2o is None
    assert from_record().titration.advice.suggested_peep_cmh2o == 12


@pytest.mark.parametrize("how", ["the caller's scope lacks it", "the record refuses it"])
def test_where_conditions_may_not_be_read_a_moderate_caution_says_so(how: str) -> None:
    if how == "the record refuses it":
        found = from_record(TENSION_PNEUMOTHORAX, refuses="Condition")
    else:
        found = from_record(TENSION_PNEUMOTHORAX, withheld=frozenset({"Condition"}))

    said = {caution.slug: (caution.severity.value, caution.text) for caution in found.titration.advice.cautions}
    assert said[NOT_READ][0] == "moderate"
    assert "a pneumothorax would not be seen" in said[NOT_READ][1]
    assert found.titration.advice.suggested_peep_cmh2o == 12


def test_read_conditions_leave_no_such_caution() -> None:
    assert NOT_READ not in {caution.slug for caution in from_record().titration.advice.cautions}


def test_an_answer_without_conditions_has_another_identity_than_one_with_them() -> None:
    assert from_record(withheld=frozenset({"Condition"})).identity != from_record().identity


@pytest.mark.parametrize("withheld", [NOTHING, frozenset({"Condition"})], ids=["read", "withheld"])
def test_the_provenance_names_what_was_read_and_the_answer_replays_from_it(withheld: frozenset[str]) -> None:
    more = [condition("c1", "I26.0"), position(-200, "prone"), infusion(stamp(-90))]
    written = write_bundle(from_record(*more, withheld=withheld), recorded_s=AT_S)
    text = to_bytes(written).decode()

    assert ("Condition/c1/_history/1" in text) == (not withheld)
    assert "Observation/position-prone/_history/1" in text
    assert "MedicationAdministration/noradrenaline/_history/1" in text
    stored = resources_of(written)
    inputs = [(f"{BASE}/{one['resourceType']}/{one['id']}", one) for one in [*TRIAL, *more]]
    if withheld:
        inputs = [input_ for input_ in inputs if input_[1]["resourceType"] != "Condition"]
    assert replay(stored, inputs, RequestContext(AT_S)).same


def test_an_infusion_that_begins_long_after_the_trial_leaves_the_identity_as_it_is() -> None:
    assert from_record(infusion(stamp(300)), at_s=AT_S + 6 * 3600.0).identity == from_record().identity
