"""A refusal about a patient of the record says what was read there, how, and what was not understood."""

from __future__ import annotations

import asyncio
import json

import httpx
import pytest
import respx

from ebbmark.cli import main
from ebbmark.fhir.operations import TITRATE_PEEP
from ebbmark.fhir.problems import Rejected, operation_outcome
from ebbmark.record.client import RecordClient
from ebbmark.record.connection import RecordSettings
from ebbmark.record.retry import Waiting
from ebbmark.use_cases.inspection import READ_FROM_RECORD
from fhir_builders import Json, at, height, observation, patient, to_bytes, trial_observations
from record.searchable_record import BASE, SearchableRecord, answered_from_record
from record.waits import Waits, noon

NOW_S = 1772355600.0 + 3 * 3600.0
LOCAL = [
    {
        **trial_observation,
        "code": {
            "coding": [{"system": "urn:example:chart", "code": f"item-{trial_observation['id']}".rpartition("-")[0]}]
        },
    }
    for trial_observation in trial_observations()
]


def refused(record: SearchableRecord, *more: Json) -> Rejected:
    body = to_bytes(
        {
            "resourceType": "Parameters",
            "parameter": [{"name": "patient-reference", "valueReference": {"reference": "Patient/p1"}}, *more],
        }
    )

    async def ask() -> None:
        async with RecordClient(
            RecordSettings(BASE, (BASE,), max_attempts=1), waiting=Waiting(Waits(), noon)
        ) as client:
            await answered_from_record(TITRATE_PEEP, body, client, NOW_S)

    with respx.mock(assert_all_called=False) as router:
        record.attach(router)
        with pytest.raises(Rejected) as caught:
            asyncio.run(ask())
    return caught.value


def told(rejected: Rejected) -> list[str]:
    return [one.reason for one in rejected.ignored if one.code == READ_FROM_RECORD]


def test_a_chart_of_local_codes_is_tallied_and_nothing_is_said_to_be_sent() -> None:
    rejected = refused(SearchableRecord([patient(), height(), *LOCAL]))

    assert rejected.problems[0].sentence.startswith("No usable PEEP was read:")
    assert told(rejected)[0].startswith(
        "The record was searched for Observations of this patient from 2026-02-28T12:00:00Z to 2026-03-01T12:00:00Z"
    )
    assert told(rejected)[-1] == (
        "Not understood: 24 numbers under 3 codes: urn:example:chart|item-peep-set (8, 10 to 24), "
        "urn:example:chart|item-plateau-pressure (8, 20.9 to 34), "
        "urn:example:chart|item-tidal-volume-expired (8, 380). "
        "A ConceptMap of the site (EBBMARK_CODE_MAP) says what they mean; ebbmark inspect proposes one."
    )


def test_an_encounter_that_the_data_do_not_carry_is_told_with_how_many_carry_it() -> None:
    record = SearchableRecord([patient(), height(), *trial_observations()])

    rejected = refused(record, {"name": "encounter", "valueReference": {"reference": "Encounter/9"}})

    assert "Of these 0 are of Encounter/9, the encounter that was asked for." in told(rejected)


def test_a_trial_outside_the_time_that_was_read_is_told_with_its_time() -> None:
    class Dated(SearchableRecord):
        """One that knows no Observation of the last day."""

        def page(self, kind: str, query: dict[str, list[str]], text: str) -> httpx.Response:
            kept = self.resources
            self.resources = [] if "date" in query else kept[-1:] if "_sort" in query else kept
            try:
                return SearchableRecord.page(self, kind, query, text)
            finally:
                self.resources = kept

    old = observation("peep-set", 10.0, when="2026-02-20T10:00:00+01:00", identity="old")

    rejected = refused(Dated([patient(), old]))

    assert told(rejected)[-1] == (
        "In that time the record gives no Observation of this patient to our sign-in; one is of "
        "2026-02-20T10:00:00+01:00. The parameter period (start and end) says which time is read."
    )


def test_a_patient_of_the_record_is_inspected_like_a_file(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("EBBMARK_RECORD_BASE_URL", BASE)

    with respx.mock(assert_all_called=False) as router:
        SearchableRecord([patient(), height(), *LOCAL]).attach(router)
        code = main(["inspect", "--patient", "Patient/p1", "--hours", "48"])

    said = capsys.readouterr().out
    assert code == 0
    assert said.startswith("Searched: Observation by patient and date, of the last 48 hours.")
    assert "urn:example:chart|item-plateau-pressure" in said
    assert "LOINC 8302-2" not in said
    assert "height; valueQuantity" in said


def test_what_does_not_look_like_a_code_is_not_repeated() -> None:
    named = observation("urn:example:chart|Quill Feather", 10.0, when=at(1), identity="n")

    rejected = refused(SearchableRecord([patient(), named]))

    assert "Feather" not in json.dumps(operation_outcome(rejected.problems, rejected.ignored))
    assert told(rejected)[-1].startswith("Not understood: 1 number under 1 code")
    assert "a code that is not repeated here" in told(rejected)[-1]


def test_a_record_that_does_not_give_the_rest_leaves_the_reason_of_the_refusal_as_it_is() -> None:
    class Once(SearchableRecord):
        """One that refuses a search without codes."""

        def page(self, kind: str, query: dict[str, list[str]], text: str) -> httpx.Response:
            if kind == "Observation" and "combo-code" not in query:
                raise httpx.ConnectError("gone")
            return SearchableRecord.page(self, kind, query, text)

    rejected = refused(Once([patient(), height(), *LOCAL]))

    assert rejected.problems[0].sentence.startswith("No usable PEEP was read:")
    assert told(rejected)[-1].startswith("What else the record holds in that time could not be read:")
