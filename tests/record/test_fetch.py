from __future__ import annotations

import asyncio
import threading
from dataclasses import dataclass, replace
from datetime import datetime

import httpx
import pytest
import respx

from ebbmark.fhir.answer import Answer
from ebbmark.fhir.operations import BY_SLUG, TITRATE_PEEP, Operation
from ebbmark.fhir.problems import ProblemKind, Rejected, status_of
from ebbmark.fhir.reading.charting import with_charting
from ebbmark.fhir.reading.codes import NO_CODE_MAP
from ebbmark.fhir.reading.request import RequestContext
from ebbmark.physiology.readings import Quantity
from ebbmark.record.client import RecordClient
from ebbmark.record.connection import RecordSettings
from ebbmark.record.record_query import RecordQuery, record_query_of
from ebbmark.record.retry import Waiting
from ebbmark.record.search import Budget, Found, ReadFailure, in_turn, search
from ebbmark.use_cases.from_record import ReadLimits, answer_from_record
from ebbmark.use_cases.questions import answer_request
from fhir_builders import (
    Json,
    at,
    bundle,
    charted_sex,
    height,
    observation,
    patient,
    quantity,
    to_bytes,
    trial_bundle,
    trial_observations,
    trial_panels,
)
from record.searchable_record import BASE, SearchableRecord, answered_from_record
from record.waits import Waits, noon

AT_S = datetime.fromisoformat(at(90)).timestamp()
PATIENT_NAMED: Json = {"name": "patient-reference", "valueReference": {"reference": "Patient/p1"}}
WHOLE = [patient(), height(), *trial_observations()]
PLENTY = ReadLimits()
USUAL = RecordSettings(BASE, (BASE,), max_attempts=2)
ELSEWHERE = "https://other.example/fhir/Patient/p1"
WARNING: Json = {
    "resource": {
        "resourceType": "OperationOutcome",
        "issue": [{"severity": "warning", "code": "not-supported", "diagnostics": "Ottilie Beispiel"}],
    },
    "search": {"mode": "outcome"},
}


def asks(*parameters: Json) -> bytes:
    return to_bytes({"resourceType": "Parameters", "parameter": list(parameters) or [PATIENT_NAMED]})


def answer(
    record: SearchableRecord,
    body: bytes | None = None,
    limits: ReadLimits = PLENTY,
    at_s: float = AT_S,
    settings: RecordSettings = USUAL,
) -> Answer:
    async def asked() -> Answer:
        async with RecordClient(settings, waiting=Waiting(Waits(), noon)) as client:
            return await answered_from_record(
                TITRATE_PEEP, asks() if body is None else body, client, at_s, limits=limits
            )

    with respx.mock(assert_all_called=False) as router:
        record.attach(router)
        return asyncio.run(asked())


def refused(record: SearchableRecord, body: bytes | None = None, limits: ReadLimits = PLENTY) -> Rejected:
    with pytest.raises(Rejected) as caught:
        answer(record, body, limits)
    return caught.value


def period(start: str, end: str) -> Json:
    return {"name": "period", "valuePeriod": {"start": start, "end": end}}


def moved(resources: list[Json], suffix: str, hours: int) -> list[Json]:
    """The same trial again, hours later, under other ids."""
    built = []
    for resource in resources:
        when = str(resource["effectiveDateTime"])
        later = f"{when[:11]}{int(when[11:13]) + hours:02d}{when[13:]}"
        built.append({**resource, "id": f"{resource['id']}-{suffix}", "effectiveDateTime": later})
    return built


def test_what_is_read_from_the_record_gets_the_answer_that_the_same_data_get() -> None:
    assert (
        answer(SearchableRecord(WHOLE)).titration.advice
        == answer_request(TITRATE_PEEP, to_bytes(trial_bundle()), RequestContext(AT_S)).titration.advice
    )


def test_the_same_inputs_have_the_same_identity_however_they_came() -> None:
    assert (
        answer(SearchableRecord(WHOLE)).identity
        == answer_request(TITRATE_PEEP, to_bytes(trial_bundle()), RequestContext(AT_S)).identity
    )


def test_a_record_that_gives_one_resource_per_page_is_read_to_its_end() -> None:
    record = SearchableRecord(WHOLE, page_size=1)

    assert answer(record).identity == answer(SearchableRecord(WHOLE)).identity
    assert len(record.asked) > len(WHOLE)


def test_a_record_that_ignores_every_search_parameter_is_filtered_here() -> None:
    others: list[Json] = [
        *[
            {**trial_observation, "id": f"x{trial_observation['id']}", "subject": {"reference": "Patient/p2"}}
            for trial_observation in trial_observations()
        ],
        observation("http://loinc.org|1234-5", 3.0, identity="odd", when=at(2)),
        {"resourceType": "Encounter", "id": "e", "status": "finished"},
    ]
    record = SearchableRecord([*others, *WHOLE], deaf=True)

    found = answer(record, asks(PATIENT_NAMED, period(at(0), at(60))))

    assert found.identity == answer(SearchableRecord(WHOLE)).identity
    told = " ".join(found.request.notes)
    assert "24 resources of another patient" in told
    assert "4 resources of type Encounter" in told  # once with each search
    assert "1 resources with another code" in told


def test_nothing_before_the_period_or_after_it_is_read() -> None:
    early = observation("peep-set", 26.0, when=at(0, 30), identity="early")
    late = observation("peep-set", 8.0, when=at(59), identity="late")

    found = answer(SearchableRecord([*WHOLE, early, late]), asks(PATIENT_NAMED, period(at(1), at(30))))

    assert found.identity == answer(SearchableRecord(WHOLE)).identity


def test_without_a_period_nothing_older_than_a_day_is_read() -> None:
    with pytest.raises(Rejected) as caught:
        answer(SearchableRecord(WHOLE), at_s=AT_S + 30 * 3600.0)

    assert "No usable PEEP" in caught.value.problems[0].sentence


def test_only_the_encounter_asked_for_is_read_but_the_height_of_any() -> None:
    mine = [
        {**trial_observation, "encounter": {"reference": "Encounter/9"}} for trial_observation in trial_observations()
    ]
    other = observation("peep-set", 30.0, when=at(1), identity="other", encounter={"reference": "Encounter/8"})
    encounter: Json = {"name": "encounter", "valueId": "9"}

    found = answer(SearchableRecord([patient(), height(), *mine, other], deaf=True), asks(PATIENT_NAMED, encounter))

    assert found.request.encounter == "Encounter/9"
    assert max(step.peep_cmh2o for step in found.titration.trial.steps) == 24.0


def test_a_record_without_combo_code_is_asked_by_code() -> None:
    record = SearchableRecord(WHOLE, refused=frozenset({"combo-code"}))

    assert answer(record).identity == answer(SearchableRecord(WHOLE)).identity


@dataclass(slots=True)
class ByOneCode(SearchableRecord):
    """Has no `combo-code`, and finds by `code` what an Observation itself is of: not what stands in its components."""

    refused: frozenset[str] = frozenset({"combo-code"})

    def page(self, kind: str, query: dict[str, list[str]], text: str) -> httpx.Response:
        everything = self.resources
        if "code" in query:
            self.resources = [one for one in everything if "component" not in one]
        try:
            return SearchableRecord.page(self, kind, query, text)
        finally:
            self.resources = everything


def test_a_record_without_combo_code_is_asked_for_what_stands_in_panels_by_their_components() -> None:
    panels = [patient(), height(), *trial_panels()]

    assert answer(ByOneCode(panels)).identity == answer(SearchableRecord(panels)).identity


def test_where_a_record_cannot_be_searched_by_components_that_is_said_once() -> None:
    told = [
        note
        for note in answer(ByOneCode(WHOLE, refused=frozenset({"combo-code", "component-code"}))).request.notes
        if "components" in note
    ]

    assert told == [
        "The record made a remark on the search (it cannot be searched by components, so that readings in panels under "
        "another code were not read)."
    ]


def test_a_remark_of_the_record_is_passed_on_without_its_text() -> None:
    found = answer(SearchableRecord(WHOLE, extra=[WARNING]))

    assert "The record made a remark on the search (warning, not-supported)." in found.request.notes
    assert "Ottilie" not in " ".join(found.request.notes)


@pytest.mark.parametrize("severity", ["error", "fatal"])
def test_a_search_that_failed_in_part_is_not_used(severity: str) -> None:
    issue = {"severity": severity, "code": "exception", "diagnostics": "Ottilie Beispiel"}
    failed: Json = {"resource": {"resourceType": "OperationOutcome", "issue": [issue]}}

    refusal = refused(SearchableRecord(WHOLE, extra=[failed]))

    assert status_of(refusal.problems) == 502
    assert "Ottilie" not in str(refusal)


def test_a_version_that_two_pages_bring_is_one_input() -> None:
    plain = answer(SearchableRecord(WHOLE))

    found = answer(SearchableRecord([*WHOLE, *WHOLE[3:6]]))

    assert found.identity == plain.identity
    assert [one.code for one in found.ignored].count("duplicate") == 0


@pytest.mark.parametrize(
    "address",
    ["https://elsewhere.example/fhir?page=2", "http://record.example/fhir?page=2", "https://record.example/x"],
)
def test_a_next_page_elsewhere_is_not_called(address: str) -> None:
    record = SearchableRecord(WHOLE, next_address=address)

    refusal = refused(record)

    assert refusal.problems[0].kind is ProblemKind.RECORD_FAILED
    assert all(BASE in one for one in record.asked)


def test_a_next_page_under_a_listed_internal_name_is_read_below_the_configured_address() -> None:
    internal = "http://fhir-internal:8080/r4"
    record = SearchableRecord(WHOLE, page_size=5, named=internal)
    settings = RecordSettings(BASE, (BASE,), max_attempts=2, internal_base_urls=(internal,))

    assert answer(record, settings=settings).identity == answer(SearchableRecord(WHOLE)).identity
    assert all(f" {BASE}/" in asked for asked in record.asked)
    assert "not on the list" in str(refused(SearchableRecord(WHOLE, page_size=5, named=internal)).problems)


@pytest.mark.parametrize(("at_once", "most"), [(3, 3), (1, 1)])
def test_searches_run_side_by_side_as_far_as_the_settings_allow(at_once: int, most: int) -> None:
    class Counting(SearchableRecord):
        under_way = 0
        seen = 0

        async def later(self, request: httpx.Request) -> httpx.Response:
            Counting.under_way += 1
            Counting.seen = max(Counting.seen, Counting.under_way)
            await asyncio.sleep(0)
            await asyncio.sleep(0)
            Counting.under_way -= 1
            return self.answer(request)

        def attach(self, router: respx.MockRouter) -> None:
            router.route(url__startswith=BASE).mock(side_effect=self.later)

    limited = answer(Counting(WHOLE), settings=replace(USUAL, searches_at_once=at_once))

    assert limited.identity == answer(SearchableRecord(WHOLE)).identity
    assert Counting.seen == most


def test_a_request_whose_time_is_over_is_refused_before_anything_is_read() -> None:
    record = SearchableRecord(WHOLE)

    async def asked() -> None:
        until_s = asyncio.get_running_loop().time() - 1.0
        async with RecordClient(USUAL, waiting=Waiting(Waits(), noon)) as client:
            asked = record_query_of(asks(), base_url=BASE, at_s=AT_S)
            assert asked is not None
            await answer_from_record(TITRATE_PEEP, asked, RequestContext(AT_S), record=client, until_s=until_s)

    with respx.mock(assert_all_called=False) as router:
        record.attach(router)
        with pytest.raises(Rejected, match="took longer than 0 seconds"):
            asyncio.run(asked())
    assert record.asked == []


def test_when_the_record_wants_to_be_asked_again_is_handed_on() -> None:
    class Busy(SearchableRecord):
        def answer(self, request: httpx.Request) -> httpx.Response:
            return httpx.Response(503, headers={"Retry-After": "120"})

    assert [problem.retry_after_s for problem in refused(Busy(WHOLE)).problems] == [120.0]


def test_pages_that_lead_in_a_circle_end() -> None:
    refusal = refused(SearchableRecord(WHOLE, next_address=f"{BASE}/Observation?page=0"))

    assert "lead back" in refusal.problems[0].sentence


@pytest.mark.parametrize(
    "limits", [ReadLimits(resources=20), ReadLimits(size_bytes=2_000), ReadLimits(requests=3)], ids=str
)
def test_what_is_too_much_is_refused_not_cut(limits: ReadLimits) -> None:
    refusal = refused(SearchableRecord(WHOLE, page_size=5), limits=limits)

    assert refusal.problems[0].kind is ProblemKind.TOO_MUCH_IN_RECORD


def test_a_patient_whom_the_record_does_not_know_is_said_so() -> None:
    assert refused(SearchableRecord(WHOLE[1:])).problems[0].kind is ProblemKind.NOT_IN_RECORD


def test_a_record_that_fails_is_not_the_callers_fault() -> None:
    class Failing(SearchableRecord):
        def answer(self, request: httpx.Request) -> httpx.Response:
            return httpx.Response(500, text="Ottilie Beispiel")

    refusal = refused(Failing([]))

    assert status_of(refusal.problems) == 502
    assert "Ottilie" not in str(refusal)


def test_a_patient_resource_of_someone_else_is_not_used() -> None:
    class Confused(SearchableRecord):
        def read(self, kind: str, identity: str) -> httpx.Response:
            return httpx.Response(200, json=patient("p2"))

    assert "another resource" in refused(Confused(WHOLE)).problems[0].sentence


def test_a_device_metric_that_tells_settings_from_measurements_is_read() -> None:
    metric: Json = {"resourceType": "DeviceMetric", "id": "set", "category": "setting"}
    ambiguous = {"code": {"coding": [{"system": "http://loinc.org", "code": "76248-4"}]}}
    told = [
        {**trial_observation, **ambiguous, "device": {"reference": "DeviceMetric/set"}}
        if "peep-set" in str(trial_observation["id"])
        else trial_observation
        for trial_observation in trial_observations()
    ]

    assert answer(SearchableRecord([patient(), height(), metric, *told])).titration.trial.peep_source == "set"


def with_device(resources: list[Json], name: str) -> list[Json]:
    return [{**resource, "device": {"reference": name}} for resource in resources]


def test_two_ventilators_at_the_same_time_are_refused_by_name() -> None:
    first = with_device(trial_observations(), "Device/a")
    second = with_device(
        [
            {**trial_observation, "id": f"{trial_observation['id']}-b"}
            for trial_observation in trial_observations(peeps=[17 - n for n in range(8)])
        ],
        "Device/b",
    )

    refusal = refused(SearchableRecord([patient(), height(), *first, *second]))

    (problem,) = refusal.problems
    assert problem.kind is ProblemKind.AMBIGUOUS_TRIAL
    assert "Device/a: 8 PEEP readings, 2026-03-01T09:02:00Z to 2026-03-01T09:23:00Z" in problem.sentence
    assert "Device/b" in problem.sentence


def test_two_ventilators_one_after_the_other_are_no_puzzle() -> None:
    first = with_device(trial_observations(), "Device/a")
    second = with_device(moved(trial_observations(), "later", 1), "Device/b")

    found = answer(SearchableRecord([patient(), height(), *first, *second]), at_s=AT_S + 3600)

    used = {source for step in found.titration.trial.steps for sample in step.samples for source in sample.sources}
    assert all("later" in found.request.sources[source].reference for source in used)


def test_the_latest_trial_counts_where_no_period_was_named() -> None:
    record = SearchableRecord([*WHOLE, *moved(trial_observations(), "later", 2)])

    found = answer(record, at_s=AT_S + 3 * 3600)

    assert found.titration.trial.steps[0].start_s == datetime.fromisoformat(at(122)).timestamp()
    assert any("earlier trial" in note.lower() for note in found.request.notes)


def test_what_is_charted_hours_later_does_not_change_the_answer() -> None:
    later = [
        observation("fio2-set", 40.0, when=at(200 + minute), identity=f"fio2-{minute}", version="1")
        for minute in range(3)
    ]

    found = answer(SearchableRecord([*WHOLE, *later]), at_s=AT_S + 3 * 3600)

    assert found.identity == answer(SearchableRecord(WHOLE)).identity


def test_what_is_charted_within_an_hour_of_the_trial_belongs_to_it() -> None:
    rate = observation("respiratory-rate", 20.0, when=at(60), identity="rate", version="1")

    found = answer(SearchableRecord([*WHOLE, rate]), at_s=AT_S + 3 * 3600)

    assert "Observation/rate/_history/1" in [source.reference for source in found.request.sources]


def test_an_earlier_trial_of_the_day_is_told_though_its_readings_are_not_used() -> None:
    record = SearchableRecord([*WHOLE, *moved(trial_observations(), "later", 3)])

    found = answer(record, at_s=AT_S + 4 * 3600)

    assert any("earlier trial" in note.lower() for note in found.request.notes)
    assert all("later" in source.reference or "height" in source.reference for source in found.request.sources)


def test_a_period_that_holds_two_trials_is_refused_with_both() -> None:
    record = SearchableRecord([*WHOLE, *moved(trial_observations(), "later", 1)])

    refusal = refused(record, asks(PATIENT_NAMED, period(at(0), at(89))))

    (problem,) = refusal.problems
    assert problem.kind is ProblemKind.AMBIGUOUS_TRIAL
    assert "2026-03-01T09:02:00Z" in problem.sentence
    assert "2026-03-01T10:02:00Z" in problem.sentence


def test_codes_of_the_callers_own_map_are_searched_for() -> None:
    own: Json = {
        "resourceType": "ConceptMap",
        "status": "active",
        "group": [
            {
                "source": "https://site.example/codes",
                "target": "http://loinc.org",
                "element": [{"code": "our,peep", "target": [{"code": "20077-4", "equivalence": "equal"}]}],
            }
        ],
    }
    record = SearchableRecord(WHOLE)

    answer(record, asks(PATIENT_NAMED, {"name": "concept-map", "resource": own}))

    assert any("our%5C%2Cpeep" in one for one in record.asked)


@pytest.mark.parametrize(
    ("parameters", "kind"),
    [
        ([{"name": "patient-reference", "valueReference": {"reference": ELSEWHERE}}], "bad-parameter"),
        ([{"name": "patient-reference", "valueReference": {"reference": "Group/p1"}}], "bad-parameter"),
        ([{"name": "patient-reference", "valueReference": {"reference": "http://[::1"}}], "bad-parameter"),
        ([{"name": "patient-reference", "valueReference": {"reference": "http://xn--a/Patient/p1"}}], "bad-parameter"),
        ([{"name": "patient-reference", "valueId": "../Patient/p1"}], "bad-parameter"),
        ([{"name": "patient-reference", "valueId": "p1?_id=p2"}], "bad-parameter"),
        ([{"name": "patient-reference"}], "bad-parameter"),
        ([PATIENT_NAMED, PATIENT_NAMED], "repeated-parameter"),
        ([PATIENT_NAMED, {"name": "bundle", "resource": bundle()}], "bad-parameter"),
        ([PATIENT_NAMED, {"name": "patient", "resource": patient()}], "bad-parameter"),
        ([PATIENT_NAMED, period("2026-03-01", at(3))], "bad-parameter"),
        ([PATIENT_NAMED, period(at(3), at(2))], "bad-parameter"),
        ([PATIENT_NAMED, {"name": "encounter", "valueReference": {"reference": "Patient/p1"}}], "bad-parameter"),
    ],
)  # fmt: skip
def test_a_question_that_names_no_one_place_and_time_is_refused_before_anything_is_read(
    parameters: list[Json], kind: str
) -> None:
    record = SearchableRecord(WHOLE)

    refusal = refused(record, asks(*parameters))

    assert {problem.kind.slug for problem in refusal.problems} == {kind}
    assert record.asked == []


@pytest.mark.parametrize(
    "named", [{"valueId": "p1"}, {"valueReference": {"reference": f"{BASE}/Patient/p1"}}], ids=["id", "absolute"]
)
def test_the_patient_may_be_named_by_id_or_by_whole_address(named: Json) -> None:
    assert answer(SearchableRecord(WHOLE), asks({"name": "patient-reference", **named})).titration.advice


def test_other_parameters_go_on_to_the_reader() -> None:
    margin: Json = {"name": "margin", "valueQuantity": quantity(3)}

    assert answer(SearchableRecord(WHOLE), asks(PATIENT_NAMED, margin)).request.protocol.margin_cmh2o == 3.0


def test_without_a_record_a_patient_reference_is_refused() -> None:
    with pytest.raises(Rejected) as caught:
        asyncio.run(
            answer_from_record(
                TITRATE_PEEP,
                RecordQuery("Patient/p1", None, AT_S - 1, AT_S, False, ()),
                RequestContext(AT_S),
                record=None,
            )
        )

    assert caught.value.problems[0].kind is ProblemKind.NO_RECORD


def test_a_long_question_is_posted() -> None:
    record = SearchableRecord(WHOLE)

    async def searched() -> Found | ReadFailure:
        async with RecordClient(RecordSettings(BASE, (BASE,)), waiting=Waiting(Waits(), noon)) as client:
            query = [("patient", "Patient/p1"), ("combo-code", ",".join(["http://loinc.org|20077-4"] * 100))]
            return await search(client, "Observation", query, budget=Budget())

    with respx.mock() as router:
        record.attach(router)
        found = asyncio.run(searched())

    assert isinstance(found, Found)
    assert len(found.entries) == 8
    assert record.asked[0].startswith(f"POST {BASE}/Observation/_search patient=")


def test_no_address_that_is_asked_is_long() -> None:
    record = SearchableRecord(WHOLE)

    answer(record)

    assert max(len(one) for one in record.asked) < 2_000


@pytest.mark.parametrize("code", ["76689-9", "46098-0"])
def test_a_sex_charted_long_ago_is_found_by_its_code_with_no_further_request(code: str) -> None:
    plain, charted = SearchableRecord(WHOLE), SearchableRecord([*WHOLE, charted_sex("M", code=code)])

    found = answer(charted)

    assert found.request.known_person.sex_origin.startswith("male, from the sex")
    assert "Observation/sex/_history/1" in found.request.known_person.sex_origin
    assert len(charted.asked) == len((answer(plain), plain.asked)[1])


def test_a_sex_may_come_from_another_encounter() -> None:
    here = [
        {**trial_observation, "encounter": {"reference": "Encounter/9"}} for trial_observation in trial_observations()
    ]
    elsewhere = {**charted_sex("M"), "encounter": {"reference": "Encounter/1"}}
    asked = asks(PATIENT_NAMED, {"name": "encounter", "valueReference": {"reference": "Encounter/9"}})

    assert (
        answer(SearchableRecord([patient(), height(), *here, elsewhere]), asked).request.known_person.sex.value
        == "male"
    )


def test_two_charted_sexes_that_disagree_are_refused_from_the_record_too() -> None:
    two = [charted_sex(letter, identity=f"sex-{letter}") for letter in ("F", "M")]

    problems = refused(SearchableRecord([*WHOLE, *two])).problems

    assert [problem.kind for problem in problems] == [ProblemKind.SEX_CONFLICT] * 2


def test_where_a_record_refuses_a_search_it_is_said_which_parameter_it_names() -> None:
    with pytest.raises(Rejected) as caught:
        answer(SearchableRecord(WHOLE, refused=frozenset({"patient"})))

    (problem,) = caught.value.problems
    assert "(HTTP 400, issue not-supported, naming patient)" in problem.sentence
    assert "Hazel" not in problem.sentence


@pytest.mark.parametrize("operation", [TITRATE_PEEP, BY_SLUG["follow-trials"]], ids=lambda one: one.slug)
@pytest.mark.parametrize("peep_too", [False, True], ids=["vital signs by text", "PEEP by text"])
def test_rows_known_by_their_text_only_are_read_from_the_record_as_from_a_file(
    operation: Operation, peep_too: bool
) -> None:
    texts = [{"text": "SpO2 peripher", "means": "spo2", "source": "invented"}]
    texts += [{"text": "PEEP Einst.", "means": "peep-set", "source": "invented"}] if peep_too else []
    signed = {"version": "1", "signed_by": "Dr A. Invented", "signed_on": "2026-02-01", "texts": texts}
    code_map = with_charting(NO_CODE_MAP, "charting.json", to_bytes(signed))
    saturation = [
        observation("spo2", 80.0, unit="%", when=at(3 * step + 2), identity=f"s{step}")
        | {"code": {"text": "SpO2  peripher"}}
        for step in range(8)
    ]
    charted = [
        {**one, "code": {"text": "PEEP Einst."}} if peep_too and str(one["id"]).startswith("peep-set") else one
        for one in [*WHOLE, *saturation]
    ]
    asked = record_query_of(asks(), base_url=BASE, at_s=AT_S)
    assert asked is not None
    context = RequestContext(AT_S, code_map=code_map)

    async def from_record() -> Answer:
        async with RecordClient(USUAL, waiting=Waiting(Waits(), noon)) as client:
            return await answer_from_record(operation, asked, context, record=client)

    with respx.mock(assert_all_called=False) as router:
        SearchableRecord(charted).attach(router)
        found = asyncio.run(from_record())

    read = {(reading.quantity, reading.value) for reading in found.request.readings}
    assert (Quantity.SPO2, 80.0) in read
    assert (Quantity.PEEP_SET, 24.0) in read
    assert "known by their text only" in " ".join(found.request.notes)
    if operation is TITRATE_PEEP:
        file = answer_request(operation, to_bytes(bundle(*charted)), context)
        assert found.titration.advice == file.titration.advice


@pytest.mark.anyio
async def test_replies_are_worked_through_one_at_a_time_and_the_event_loop_stays_free() -> None:
    busy, most, seen = 0, 0, []

    def work(number: int) -> int:
        nonlocal busy, most
        busy += 1
        most = max(most, busy)
        seen.append(threading.current_thread() is threading.main_thread())
        busy -= 1
        return number

    found = await asyncio.gather(*[in_turn(work, number) for number in range(20)])

    assert found == list(range(20))
    assert (most, set(seen)) == (1, {False})
