"""The questions at the bedside about a patient of the record: what is read, and what is refused rather than guessed."""

from __future__ import annotations

import asyncio
import json
from datetime import UTC, datetime
from typing import Protocol

import httpx
import pytest
import respx

from bedside_builders import Said, asked, body_of, condition, parameter, row, rows_down, stamp, value_of
from ebbmark.fhir.answer import Answer, Coded
from ebbmark.fhir.operations import BY_SLUG, OPERATIONS, TITRATE_PEEP
from ebbmark.fhir.problems import ProblemKind, Rejected, status_of
from ebbmark.fhir.reading.request import RequestContext
from ebbmark.fhir.writing.transaction import as_transaction
from ebbmark.fhir.writing.validate import validate
from ebbmark.fhir.writing.write import write_bundle, write_bundle_bytes
from ebbmark.record.client import RecordClient
from ebbmark.record.connection import RecordSettings
from ebbmark.record.record_query import named_in_record
from ebbmark.record.retry import Waiting
from ebbmark.record.supersede import write_current
from ebbmark.use_cases.from_record import ReadLimits
from ebbmark.use_cases.questions import answer_request
from fhir_builders import LOINC, Json, height, patient
from record.keeping_record import KeepingRecord
from record.searchable_record import BASE, SearchableRecord, answered_from_record
from record.waits import Waits, noon

DOWN = ((18.0, 38.0), (16.0, 40.0), (14.0, 41.0), (12.0, 40.5), (10.0, 36.0), (8.0, 31.0))
PLENTY = ReadLimits()
NOW = [
    row(stamp(40), "settings", peep_set=10.0, fio2=60.0),
    row(stamp(45), "breath", plateau=24.0, expired=360.0, peak=29.0),
]
REST = [row(stamp(-30), "rest", peep_set=10.0, fio2=60.0), row(stamp(-20), "breath", plateau=24.0, expired=400.0)]
AFTER = [
    row(stamp(12), "set", peep_set=12.0),
    row(stamp(20), "later", peep_set=12.0, plateau=22.0, expired=400.0),
    row(stamp(40), "latest", peep_set=12.0, plateau=22.1, expired=400.0),
]


class Attachable(Protocol):
    def attach(self, router: respx.MockRouter) -> None: ...


def whole(*resources: Json) -> SearchableRecord:
    return SearchableRecord([patient(), height(), *resources])


def answer(
    operation: str,
    record: Attachable,
    *given: Json,
    now: str,
    encounter: str | None = None,
    period: tuple[str, str] | None = None,
    limits: ReadLimits = PLENTY,
) -> Answer:
    async def ask() -> Answer:
        async with RecordClient(
            RecordSettings(BASE, (BASE,), max_attempts=2), waiting=Waiting(Waits(), noon)
        ) as client:
            between = (second_of(period[0]), second_of(period[1])) if period else None
            body = named_in_record("Patient/p1", encounter=encounter, period=between, parameters=given)
            return await answered_from_record(BY_SLUG[operation], body, client, second_of(now), limits=limits)

    with respx.mock(assert_all_called=False) as router:
        record.attach(router)
        return asyncio.run(ask())


def said(operation: str, record: Attachable, *given: Json, now: str) -> Said:
    written = Said(write_bundle_bytes(answer(operation, record, *given, now=now), recorded_s=second_of(now)))
    assert validate(written.bundle) == ()
    return written


def refused(
    operation: str,
    record: Attachable,
    *given: Json,
    now: str,
    period: tuple[str, str] | None = None,
    limits: ReadLimits = PLENTY,
) -> Rejected:
    with pytest.raises(Rejected) as caught:
        answer(operation, record, *given, now=now, period=period, limits=limits)
    return caught.value


def second_of(when: str) -> float:
    return datetime.fromisoformat(when).timestamp()


def device(resources: list[Json], reference: str) -> list[Json]:
    return [{**resource, "device": {"reference": reference}} for resource in resources]


CASES = {
    "assess-candidate": (NOW, (), stamp(60)),
    "plan-trial": (NOW, (), stamp(60)),
    "next-step": (rows_down(DOWN[:4]), (), stamp(8)),
    "compare-settings": ([*REST, *rows_down(DOWN), *AFTER], (), stamp(60)),
    "check-validity": ([*REST, *rows_down(DOWN), *AFTER], (), stamp(60)),
    "follow-trials": (rows_down(DOWN), (), stamp(60)),
    "compare-markers": (rows_down(DOWN, spo2=93.0), (), stamp(60)),
}


@pytest.mark.parametrize("operation", CASES)
def test_what_is_read_from_the_record_gets_the_answer_that_the_same_data_get(operation: str) -> None:
    resources, given, now = CASES[operation]

    read = said(operation, whole(*resources), *given, now=now)

    sent = asked(operation, resources, *given, now=now)
    assert read.notes == sent.notes
    assert read.of("GuidanceResponse")[0]["requestIdentifier"] == sent.of("GuidanceResponse")[0]["requestIdentifier"]


@pytest.mark.parametrize("operation", CASES)
def test_no_question_but_the_titration_is_answered_of_a_patient_who_has_died_by_the_record(operation: str) -> None:
    resources, given, now = CASES[operation]
    died = SearchableRecord([{**patient(), "deceasedBoolean": True}, height(), *resources])

    assert [problem.kind for problem in refused(operation, died, *given, now=now).problems] == [
        ProblemKind.PATIENT_DIED
    ]


def test_every_question_has_a_case_here() -> None:
    assert set(CASES) == {one.slug for one in OPERATIONS}


def test_conditions_are_read_with_those_that_say_no_more_than_that_something_is_over() -> None:
    record = whole(*NOW, condition("ptx", "J93.0"), condition("shock", "R57.1", clinical="resolved"))

    found = said("assess-candidate", record, now=stamp(60))

    assert found.issues >= {"untreated-pneumothorax"}
    assert "Its clinical status is resolved" in found.remarks
    assert "2 Conditions of any time" in found.remarks


def test_a_documented_contraindication_in_the_record_stops_the_plan() -> None:
    refusal = refused("plan-trial", whole(*NOW, condition("ptx", "J93.0")), now=stamp(60))

    assert refusal.problems[0].kind is ProblemKind.NOT_ACKNOWLEDGED


def test_where_conditions_cannot_be_read_nothing_passes_for_not_documented() -> None:
    class Closed(SearchableRecord):
        def page(self, kind: str, query: dict[str, list[str]], text: str) -> httpx.Response:
            return httpx.Response(403) if kind == "Condition" else super().page(kind, query, text)

    refusal = refused("assess-candidate", Closed([patient(), height(), *NOW]), now=stamp(60))

    assert status_of(refusal.problems) == 502
    assert "Conditions could not be read from the record" in refusal.problems[0].sentence


def noradrenaline(rate: float, subject: str = "Patient/p1") -> Json:
    return {
        "resourceType": "MedicationAdministration",
        "id": "nor",
        "meta": {"versionId": "2"},
        "status": "in-progress",
        "medicationCodeableConcept": {
            "coding": [{"system": "http://www.nlm.nih.gov/research/umls/rxnorm", "code": "7512"}]
        },
        "subject": {"reference": subject},
        "effectivePeriod": {"start": stamp(-60)},
        "dosage": {
            "rateQuantity": {
                "value": rate,
                "unit": "ug/kg/min",
                "system": "http://unitsofmeasure.org",
                "code": "ug/kg/min",
            }
        },
    }


def test_vasopressors_are_read_with_the_conditions() -> None:
    found = answer("assess-candidate", whole(*NOW, noradrenaline(0.4)), now=stamp(60))

    assert "Read from the record: 1 MedicationAdministrations of vasopressors." in found.request.notes
    assert "MedicationAdministration/nor/_history/2" in [source.reference for source in found.request.sources]


def test_where_vasopressors_cannot_be_read_that_is_said_and_nothing_refused() -> None:
    class Without(SearchableRecord):
        def page(self, kind: str, query: dict[str, list[str]], text: str) -> httpx.Response:
            return httpx.Response(404) if kind == "MedicationAdministration" else super().page(kind, query, text)

    found = answer("assess-candidate", Without([patient(), height(), *NOW]), now=stamp(60))

    assert "Vasopressors (MedicationAdministration) were not read from the record" in " ".join(found.request.notes)


def ecmo(**about: object) -> Json:
    """Extracorporeal support as records chart it: going on, or over where its period has an end."""
    return {
        "resourceType": "Procedure",
        "id": "ecmo",
        "status": "in-progress",
        "code": {"coding": [{"system": "http://snomed.info/sct", "code": "786453001"}]},
        "subject": {"reference": "Patient/p1"},
        "performedPeriod": {"start": stamp(-600)},
        **about,
    }


@pytest.mark.parametrize(
    ("about", "counts"),
    [
        ({}, True),
        ({"status": "completed", "performedPeriod": {"start": stamp(-600), "end": stamp(-60)}}, False),
        ({"status": "not-done"}, False),
        ({"subject": {"reference": "Patient/p2"}}, False),
    ],
)
def test_extracorporeal_support_that_the_record_holds_as_a_procedure_is_found(about: Json, counts: bool) -> None:
    found = answer("assess-candidate", whole(*NOW, ecmo(**about)), now=stamp(60))

    shown = {slug for one, _ in found.request.conditions for slug in one.concepts}
    assert ("extracorporeal-support" in shown) is counts


def test_where_procedures_cannot_be_read_that_is_said_and_nothing_refused() -> None:
    class Without(SearchableRecord):
        def page(self, kind: str, query: dict[str, list[str]], text: str) -> httpx.Response:
            return httpx.Response(404) if kind == "Procedure" else super().page(kind, query, text)

    found = answer("assess-candidate", Without([patient(), height(), *NOW]), now=stamp(60))

    assert "Procedures, extracorporeal support among them, were not read" in " ".join(found.request.notes)


def test_conditions_of_another_patient_that_a_deaf_record_sends_are_counted_and_not_read() -> None:
    other = condition("theirs", "J93.0", subject="Patient/p2")
    record = SearchableRecord([patient(), height(), *NOW, other, condition("mine", "R57.1")], deaf=True)

    found = said("assess-candidate", record, now=stamp(60))

    assert "untreated-pneumothorax" not in found.issues
    assert "1 resources that are Conditions of another patient" in found.remarks


@pytest.mark.parametrize("operation", ["compare-markers", "follow-trials"])
def test_a_trial_is_read_with_the_conditions_of_the_record_whoever_asks(operation: str) -> None:
    resources, given, now = CASES[operation]
    record = whole(*resources)

    answer(operation, record, *given, now=now)

    assert [one for one in record.asked if "/Condition" in one]


def test_the_next_step_looks_at_the_conditions_of_the_record() -> None:
    resources, given, now = CASES["next-step"]
    record = whole(*resources, condition("c1", "J93.0"))

    found = said("next-step", record, *given, now=now)

    assert "The record says: pneumothorax" in found.first


def test_a_charted_change_of_position_is_read_for_the_question_whether_the_titration_still_holds() -> None:
    def position(minute: float, identity: str, words: str) -> Json:
        return {
            "resourceType": "Observation",
            "id": identity,
            "status": "final",
            "code": {"coding": [{"system": LOINC, "code": "8361-8"}]},
            "subject": {"reference": "Patient/p1"},
            "effectiveDateTime": stamp(minute),
            "valueCodeableConcept": {"text": words},
        }

    record = whole(*REST, *rows_down(DOWN), *AFTER, position(5, "a", "supine"), position(50, "b", "prone"))

    assert "position-changed" in said("check-validity", record, now=stamp(60)).issues


@pytest.mark.parametrize(("operation", "hours"), [(one.slug, one.hours_back) for one in OPERATIONS])
def test_the_record_is_asked_for_the_hours_that_the_operation_documents(operation: str, hours: float) -> None:
    resources, given, now = CASES[operation]
    record = whole(*resources)

    answer(operation, record, *given, now=now)

    since = datetime.fromtimestamp(second_of(now) - 3600 * hours, UTC)
    assert any(f"date=ge{since:%Y-%m-%dT%H}%3A" in one for one in record.asked)


def test_a_named_start_of_the_trial_moves_the_beginning_of_what_is_read() -> None:
    late = "2026-03-04T12:00:00Z"
    record = whole(*REST, *rows_down(DOWN), *AFTER)

    found = answer(
        "compare-settings", record, parameter("trial-started", stamp(2)), parameter("titrated-at", stamp(12)), now=late
    )

    assert found.said


def test_of_two_ventilators_in_turns_none_is_taken_for_the_trial_in_progress() -> None:
    first = device(rows_down(((20.0, 38.0), (18.0, 39.0), (16.0, 40.0)), name="one"), "Device/a")
    second = device(rows_down(((19.0, 30.0), (17.0, 29.0), (15.0, 28.0)), name="two", start=1.0), "Device/b")

    refusal = refused("next-step", whole(*first, *second), now=stamp(7))

    assert refusal.problems[0].kind is ProblemKind.AMBIGUOUS_TRIAL
    assert "Device/a" in refusal.problems[0].sentence


def test_a_transport_ventilator_of_yesterday_does_not_stop_the_plan_of_today() -> None:
    def seen(minute: float, name: str) -> Json:
        return device([row(stamp(minute), f"{name}{minute:g}", peep_set=10.0)], f"Device/{name}")[0]

    before = [seen(-500, "a"), seen(-400, "b"), seen(-390, "a"), seen(-380, "b"), seen(-300, "a")]

    assert said("plan-trial", whole(*before, *device(NOW, "Device/a")), now=stamp(60)).of("CarePlan")


def test_a_period_that_holds_two_trials_is_refused_with_the_list() -> None:
    second = rows_down(DOWN, start=60.0, name="second")

    refusal = refused("compare-markers", whole(*rows_down(DOWN), *second), now=stamp(90), period=(stamp(-5), stamp(80)))

    assert refusal.problems[0].kind is ProblemKind.AMBIGUOUS_TRIAL
    assert "2026-03-01T10:00" in refusal.problems[0].sentence


def test_a_trial_whose_rows_are_of_two_devices_is_not_followed() -> None:
    mixed = [one for place, step in enumerate(rows_down(DOWN)) for one in device([step], f"Device/{'ab'[place % 2]}")]

    assert refused("follow-trials", whole(*mixed), now=stamp(60)).problems[0].kind is ProblemKind.AMBIGUOUS_TRIAL


def dense(hours: int) -> list[Json]:
    """A monitor that charts every minute."""
    return [row(stamp(-minute), f"m{minute}", spo2=93.0) for minute in range(1, 60 * hours)]


class Dated(SearchableRecord):
    """A record that knows dates."""

    def page(self, kind: str, query: dict[str, list[str]], text: str) -> httpx.Response:
        since = next((one[2:] for one in query.get("date", ()) if one.startswith("ge")), "")
        everything = self.resources
        until = next((one[2:] for one in query.get("date", ()) if one.startswith("le")), "9")
        self.resources = [one for one in everything if since <= str(one.get("effectiveDateTime", since)) <= until]
        try:
            return SearchableRecord.page(self, kind, query, text)
        finally:
            self.resources = everything


def test_of_a_record_that_charts_every_minute_the_latest_hours_are_read_and_that_is_said() -> None:
    record = Dated([patient(), height(), *dense(24), *rows_down(DOWN[:4], spo2=93.0, map=72.0)])

    found = answer("next-step", record, now=stamp(8), limits=ReadLimits(resources=250))

    assert value_of_move(found) == "lower"
    assert found.request.notes[0].startswith(
        "The record holds more than may be read of the last 6 hours; the last 3 were read"
    )


def value_of_move(found: Answer) -> str:
    value = found.statements[0].value
    assert isinstance(value, Coded)
    return value.code


def test_a_time_that_the_caller_named_is_read_whole_or_not_at_all() -> None:
    record = Dated([patient(), height(), *dense(24), *rows_down(DOWN[:4], spo2=93.0, map=72.0)])

    refusal = refused(
        "next-step", record, now=stamp(8), period=(stamp(-360), stamp(8)), limits=ReadLimits(resources=250)
    )

    assert refusal.problems[0].kind is ProblemKind.TOO_MUCH_IN_RECORD


def test_what_happened_since_a_titration_is_read_whole_or_not_at_all() -> None:
    record = Dated([patient(), height(), *dense(48), *REST, *rows_down(DOWN), *AFTER])

    refusal = refused("check-validity", record, now=stamp(60), limits=ReadLimits(resources=250))

    assert refusal.problems[0].kind is ProblemKind.TOO_MUCH_IN_RECORD


def test_days_charted_by_the_minute_are_followed_by_the_changes_of_peep() -> None:
    monitor = [row(stamp(-minute), f"m{minute}", spo2=93.0, plateau=24.0) for minute in range(90, 60 * 72)]
    held = [row(stamp(-60 * hour), f"h{hour}", peep_set=10.0) for hour in range(2, 72)]
    record = Dated([patient(), height(), *monitor, *held, *rows_down(DOWN)])

    found = answer("follow-trials", record, now=stamp(60), limits=ReadLimits(resources=400))

    assert [statement.kind for statement in found.statements] == ["trial-1"]
    assert "Beside PEEP only what was charted within 60 min of a change of it was read." in found.request.notes


def test_a_record_that_says_how_much_it_holds_is_not_read_in_vain() -> None:
    class Counting(SearchableRecord):
        def page(self, kind: str, query: dict[str, list[str]], text: str) -> httpx.Response:
            reply = SearchableRecord.page(self, kind, query, text)
            return httpx.Response(200, json={**reply.json(), "total": 100_000 if kind == "Observation" else 1})

    record = Counting([patient(), height(), *rows_down(DOWN)], page_size=2)

    assert refused("check-validity", record, now=stamp(60)).problems[0].kind is ProblemKind.TOO_MUCH_IN_RECORD
    assert len([one for one in record.asked if "/Observation" in one]) <= 3


def test_what_is_too_much_is_refused_and_not_cut() -> None:
    refusal = refused("next-step", whole(*rows_down(DOWN[:4])), now=stamp(8), limits=ReadLimits(resources=5))

    assert refusal.problems[0].kind is ProblemKind.TOO_MUCH_IN_RECORD


def test_a_patient_who_is_not_there_is_said_so() -> None:
    refusal = refused("next-step", SearchableRecord([]), now=stamp(8))

    assert refusal.problems[0].kind is ProblemKind.NOT_IN_RECORD


def test_charted_rhythms_are_read_from_the_record_during_a_trial() -> None:
    rhythms = [
        {
            **row(stamp(minute), f"rhythm-{code}"),
            "code": {"coding": [{"system": "http://loinc.org", "code": "8884-9"}]},
            "valueCodeableConcept": {"coding": [{"system": "https://site.example", "code": code, "display": code}]},
        }
        for minute, code in ((-10, "SR"), (7.5, "AF"))
    ]
    record = whole(*rows_down(DOWN[:4], spo2=93.0, map=72.0), *rhythms)

    assert "The heart rhythm changed from SR to AF" in said("next-step", record, now=stamp(8)).first


def test_one_resource_per_page_is_read_to_its_end() -> None:
    record = SearchableRecord([patient(), height(), *rows_down(DOWN[:4], spo2=93.0, map=72.0)], page_size=1)

    assert value_of(said("next-step", record, now=stamp(8)).observation("next-step")) == "lower"


def test_of_the_encounter_named_the_readings_are_read_and_the_conditions_of_any() -> None:
    mine = [{**one, "encounter": {"reference": "Encounter/9"}} for one in NOW]
    other = {**row(stamp(50), "other", peep_set=20.0), "encounter": {"reference": "Encounter/8"}}
    record = SearchableRecord([patient(), height(), *mine, other, condition("shock", "R57.1")], deaf=True)

    found = answer("assess-candidate", record, now=stamp(60), encounter="Encounter/9")

    assert "1 resources of another encounter, or of none" in " ".join(found.request.notes)
    assert [warning.kind for warning in found.warnings] == ["condition-shock"]


def answered_before(*, margin: float | None = None, trial: list[Json] | None = None) -> KeepingRecord:
    """A record that keeps the day of one patient, and the answer of this service for its trial."""
    record = KeepingRecord()
    charted = [*REST, *(trial or rows_down(DOWN)), *AFTER]
    for one in (patient(), height(), *charted):
        record.put(f"{one['resourceType']}/{one['id']}", {**one, "meta": {}})
    kept = [one for one in record.held.values() if one["resourceType"] == "Observation"]
    given: list[Json] = []
    if margin is not None:
        quantity = {"value": margin, "unit": "cm[H2O]", "system": "http://unitsofmeasure.org", "code": "cm[H2O]"}
        given.append({"name": "margin", "valueQuantity": quantity})
    recommendation = answer_request(TITRATE_PEEP, body_of(kept, given), RequestContext(second_of(stamp(60))))
    transaction = as_transaction(write_bundle(recommendation, recorded_s=second_of(stamp(60))), "Patient/p1")

    async def write() -> None:
        async with RecordClient(RecordSettings(BASE, (BASE,)), waiting=Waiting(Waits(), noon)) as client:
            await write_current(transaction, record=client)

    with respx.mock(assert_all_called=False) as router:
        record.attach(router)
        asyncio.run(write())
    return record


def test_the_suggestion_that_stands_in_the_record_is_the_one_that_peep_is_compared_with() -> None:
    record = answered_before(margin=4.0)
    (suggestion,) = record.of("suggested-peep")

    found = answer("check-validity", record, now=stamp(100))

    assert found.request.asked.suggested_peep_cmh2o == suggestion["valueQuantity"]["value"] == 14.0
    assert (
        f"The suggested PEEP of 14 cmH2O is that of the answer that stands in the record: "
        f"Observation/{suggestion['id']}, not signed yet."
    ) in found.request.notes


def test_a_suggestion_that_the_caller_names_counts_before_that_of_the_record() -> None:
    record = answered_before(margin=4.0)

    found = answer("check-validity", record, parameter("suggested-peep", (11.0, "cm[H2O]")), now=stamp(100))

    assert found.request.asked.suggested_peep_cmh2o == 11.0


def test_an_answer_that_was_superseded_is_not_the_one_that_stands() -> None:
    record = answered_before(margin=4.0)
    for place, one in list(record.held.items()):
        if any(name in json.dumps(one["code"]) for name in ("suggested-peep", "closing-pressure") if "code" in one):
            record.held[place] = {**one, "status": "cancelled"}

    assert answer("check-validity", record, now=stamp(100)).request.asked.suggested_peep_cmh2o is None


def test_the_suggestion_of_an_earlier_trial_is_not_taken_for_that_of_a_later_one() -> None:
    record = answered_before(margin=4.0)
    later = [*rows_down(DOWN, start=200.0, name="later"), row(stamp(212), "kept", peep_set=10.0)]
    for one in later:
        record.put(f"Observation/{one['id']}", {**one, "meta": {}})

    assert answer("check-validity", record, now=stamp(240)).request.asked.suggested_peep_cmh2o is None


def test_a_titration_of_days_ago_is_found_by_its_answer() -> None:
    record = answered_before()

    found = answer("check-validity", record, now="2026-03-05T10:00:00Z")

    assert found.said
    assert found.span_s[0] == second_of(stamp(12))


def test_where_earlier_answers_cannot_be_looked_for_that_is_said() -> None:
    class Closed(SearchableRecord):
        def page(self, kind: str, query: dict[str, list[str]], text: str) -> httpx.Response:
            return httpx.Response(403) if "closing-pressure" in text else super().page(kind, query, text)

    record = Closed([patient(), height(), *REST, *rows_down(DOWN), *AFTER])

    found = answer("check-validity", record, now=stamp(60))

    assert any(
        note.startswith("Earlier answers of this service could not be looked for") for note in found.request.notes
    )
