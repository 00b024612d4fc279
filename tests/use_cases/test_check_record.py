"""The check of a record: what it says of good ones and of bad ones, and that a dry run leaves nothing behind."""

from __future__ import annotations

import asyncio
import json
import time
from collections.abc import Collection

import httpx
import pytest
import respx

from authorization_server import authorization_server
from ebbmark.fhir.naming import WRITTEN_TYPES
from ebbmark.record.client import RecordClient
from ebbmark.record.connection import RecordSettings
from ebbmark.use_cases.check_record import Asking, Report, Verdict, check_reading, not_granted, summary
from ebbmark.use_cases.check_writing import check_writing
from record.keeping_record import BASE, Json, KeepingRecord
from record.signing_in import SCOPE as GRANTED
from record.signing_in import published, ring, signed_in

SCOPE = "system/Patient.rs system/Observation.crus system/List.crus"
HAZEL = {"Patient/hazel": {"resourceType": "Patient", "id": "hazel", "meta": {"versionId": "1"}}}


def checked(
    record: KeepingRecord, patient: str = "Patient/hazel", *, write: bool = True, writes: Collection[str] = ()
) -> Report:
    report = Report(BASE)

    async def check() -> None:
        async with RecordClient(RecordSettings(BASE, (BASE,), max_attempts=1)) as client:
            asking = Asking(client, report, time.monotonic, time.time)
            if await check_reading(asking, scope=SCOPE) and write:
                await check_writing(asking, patient, recorded="2026-03-02T12:00:00Z", key="one", writes=writes)

    with respx.mock(assert_all_called=False) as router:
        record.attach(router)
        asyncio.run(check())
    return report


def verdicts(report: Report, part: str) -> set[Verdict]:
    return {finding.verdict for finding in report.findings if finding.part == part}


def test_a_record_that_does_everything_is_told_so_and_holds_nothing_of_the_check_afterwards() -> None:
    record = KeepingRecord(held=dict(HAZEL))

    report = checked(record)

    assert not report.fails
    assert {finding.verdict for finding in report.findings} <= {Verdict.WORKS, Verdict.NOT_CHECKED}
    assert record.held == HAZEL
    assert report.left_behind == []
    assert "The record's clock agrees with ours within a second" in summary(report)


def test_everything_that_a_check_writes_says_that_it_is_no_result() -> None:
    seen: list[Json] = []

    class Seeing(KeepingRecord):
        def transact(self, bundle: Json) -> httpx.Response:
            seen.extend(entry["resource"] for entry in bundle["entry"])
            return KeepingRecord.transact(self, bundle)

    checked(Seeing(held=dict(HAZEL)))

    assert {one["resourceType"] for one in seen} == set(WRITTEN_TYPES)
    assert all("not a result" in str(one) for one in seen)
    assert {one.get("status") for one in seen if one["resourceType"] != "Provenance"} == {"entered-in-error"}


def test_a_record_that_ignores_every_search_parameter_is_told_as_limited() -> None:
    report = checked(KeepingRecord(held=dict(HAZEL), deaf=True))

    assert verdicts(report, "Search") == {Verdict.LIMITED}
    assert not report.fails


def test_a_record_that_refuses_searches_fails_what_needs_them() -> None:
    report = checked(KeepingRecord(held=dict(HAZEL), search_status=400))

    assert report.fails
    assert "What will not work\n  - reading a trial from the record" in summary(report)


def test_a_record_that_doubles_and_ignores_versions_is_told_so_and_still_cleaned() -> None:
    record = KeepingRecord(held=dict(HAZEL), heeds_conditions=False, heeds_versions=False)

    report = checked(record)

    assert verdicts(report, "Once") == verdicts(report, "Versions") == {Verdict.LIMITED}
    assert record.held == HAZEL


def test_a_record_that_carries_out_half_a_transaction_is_told_so_and_still_cleaned() -> None:
    class Batching(KeepingRecord):
        def transact(self, bundle: Json) -> httpx.Response:
            stale = [one for one in bundle["entry"] if "ifMatch" in one["request"]]
            done = KeepingRecord.transact(self, {**bundle, "entry": [x for x in bundle["entry"] if x not in stale]})
            replies = [*done.json()["entry"], *[{"response": {"status": "412"}} for _ in stale]]
            return httpx.Response(200, json={**done.json(), "entry": replies})

    record = Batching(held=dict(HAZEL))

    report = checked(record)

    assert verdicts(report, "Whole") == verdicts(report, "Versions") == {Verdict.LIMITED}
    assert "an answer may be written in part" in summary(report).replace("\n                          ", " ")
    assert record.held == HAZEL


def test_writing_is_said_to_work_only_where_a_write_was_tried() -> None:
    read, written = (summary(checked(KeepingRecord(held=dict(HAZEL)), write=one)) for one in (False, True))

    assert "  - writing answers back\n" not in read
    assert "  - writing answers back\n" in written
    assert written.count("  - recording a plan\n") == 1


def test_what_the_settings_name_already_is_not_proposed_again() -> None:
    record = KeepingRecord(held=dict(HAZEL), refused_types=frozenset({"List"}))

    assert (
        "EBBMARK_RECORD_WRITES" not in checked(record, writes=[one for one in WRITTEN_TYPES if one != "List"]).proposed
    )


def test_a_type_that_is_refused_is_named() -> None:
    report = checked(KeepingRecord(held=dict(HAZEL), refused_types=frozenset({"DetectedIssue", "List"})))

    named = [
        finding.sentence
        for finding in report.findings
        if finding.part == "Create" and finding.verdict is not Verdict.WORKS
    ]
    assert [sentence.split(":")[0] for sentence in named] == ["DetectedIssue", "List"]
    page = summary(report)
    assert not report.fails
    assert "  - writing answers back\n" in page.partition("What will work with limits, see above\n")[2]
    assert json.loads(report.proposed["EBBMARK_RECORD_WRITES"]) == [
        kind for kind in WRITTEN_TYPES if kind not in ("DetectedIssue", "List")
    ]
    assert page.count("one current answer for each trial") == 1


@pytest.mark.parametrize(("taken", "verdict"), [("CarePlan", Verdict.LIMITED), ("", Verdict.FAILS)])
def test_a_plan_is_recorded_where_one_part_of_it_is_taken(taken: str, verdict: Verdict) -> None:
    parts = {"CarePlan", "RequestGroup", "DeviceRequest"}
    report = checked(KeepingRecord(held=dict(HAZEL), refused_types=frozenset(parts - {taken})))

    assert report.fails is (verdict is Verdict.FAILS)
    heading = {Verdict.LIMITED: "What will work with limits, see above", Verdict.FAILS: "What will not work"}[verdict]
    assert "  - recording a plan" in summary(report).partition(heading)[2].partition("\n\n")[0]


def test_the_name_by_which_a_record_calls_itself_is_proposed_as_a_setting() -> None:
    class Renamed(KeepingRecord):
        def answer(self, request: httpx.Request) -> httpx.Response:
            reply = KeepingRecord.answer(self, request)
            page = reply.json() if reply.content else {}
            if page.get("type") != "searchset":
                return reply
            link = {"relation": "self", "url": str(request.url).replace(BASE, "http://fhir-internal:8080/r4")}
            return httpx.Response(200, json={**page, "link": [link]})

    report = checked(Renamed(held=dict(HAZEL)))

    assert verdicts(report, "Search") == {Verdict.WORKS}
    assert report.proposed == {"EBBMARK_RECORD_INTERNAL_BASE_URLS": '["http://fhir-internal:8080/r4"]'}
    assert report.fails
    page = summary(report)
    assert "What will not work\n  - reading what takes more than one page of the record\n" in page
    assert "  - reading a trial from the record\n" in page.partition("What will not work")[0]


def test_what_fails_says_what_works_all_the_same() -> None:
    report = checked(KeepingRecord(held=dict(HAZEL), search_status=400))

    failing = [finding.sentence for finding in report.findings if finding.verdict is Verdict.FAILS]
    assert failing
    assert all("Then " in one for one in failing)
    assert "requests that bring their data are answered" in failing[0]


def test_a_record_that_bounds_its_transactions_is_told_with_the_size_that_it_takes() -> None:
    class Bounded(KeepingRecord):
        def transact(self, bundle: Json) -> httpx.Response:
            if len(bundle["entry"]) > 8:
                return httpx.Response(400, json={"resourceType": "OperationOutcome", "issue": []})
            return KeepingRecord.transact(self, bundle)

    report = checked(Bounded(held=dict(HAZEL)))

    (size,) = [finding for finding in report.findings if finding.part == "Size"]
    assert size.verdict is Verdict.LIMITED
    assert "one of 8 is taken" in size.sentence
    # 3 creates, as many results marked superseded, and the List make 7.
    assert report.proposed["EBBMARK_RECORD_MOST_CREATES"] == "3"


def test_a_record_that_takes_no_observation_takes_no_answer() -> None:
    report = checked(KeepingRecord(held=dict(HAZEL), refused_types=frozenset({"Observation"})))

    assert report.fails
    assert "EBBMARK_RECORD_WRITES" not in report.proposed


def test_nothing_is_written_to_a_patient_whom_the_record_does_not_know() -> None:
    record = KeepingRecord(held=dict(HAZEL))

    report = checked(record, "Patient/elm")

    assert record.posts == 0
    assert verdicts(report, "Test patient") == {Verdict.FAILS}


def test_a_record_that_is_not_reached_is_one_sentence() -> None:
    report = Report(BASE)

    async def check() -> bool:
        async with RecordClient(RecordSettings(BASE, (BASE,), max_attempts=1)) as client:
            return await check_reading(Asking(client, report, time.monotonic, time.time), scope=SCOPE)

    with respx.mock() as router:
        router.route(url__startswith=BASE).mock(side_effect=httpx.ConnectError("no"))
        assert not asyncio.run(check())

    assert [finding.part for finding in report.findings] == ["Connection"]
    assert report.fails


@pytest.mark.parametrize(
    ("granted", "missing"),
    [
        ("system/*.cruds", []),
        ("system/Patient.read system/Observation.rs system/List.crus", ["system/Observation.cu"]),
        ("system/Patient.rs", ["system/Observation.crus", "system/List.crus"]),
        ("user/*.*", ["system/Patient.rs", "system/Observation.crus", "system/List.crus"]),
    ],
)
def test_what_was_asked_for_and_not_granted_is_named(granted: str, missing: list[str]) -> None:
    assert not_granted(SCOPE, granted) == missing


def said_of_sign_in(asked: str, *, known: bool = True) -> tuple[Verdict, str]:
    """What the check says of signing in at a real authorization server, which knows our key or another one."""
    keys = ring("ES384")

    async def check() -> Report:
        async with signed_in(site, keys) as here:
            report = Report(site.base_url)
            await check_reading(Asking(here.record, report, time.monotonic, time.time), scope=asked)
            return report

    with authorization_server(published(keys if known else ring("ES384"))) as site:
        report = asyncio.run(check())
    (one,) = [finding for finding in report.findings if finding.part == "Sign-in"]
    return one.verdict, one.sentence


def test_a_record_that_lets_us_in_says_which_scopes_it_did_not_grant() -> None:
    everything, more = said_of_sign_in(GRANTED), said_of_sign_in(f"{GRANTED} system/Medication.d")

    assert everything == (Verdict.WORKS, "We are let in, with every scope that was asked for.")
    assert more == (
        Verdict.LIMITED,
        "We are let in. Asked for and not granted: system/Medication.d: what needs it is refused there.",
    )


def test_a_record_that_does_not_know_our_key_says_how_it_refused() -> None:
    verdict, sentence = said_of_sign_in(GRANTED, known=False)

    assert verdict is Verdict.FAILS
    assert "invalid_client" in sentence
