"""What a record does not take as resources is carried inside one that it takes: nothing of an answer is lost.

Checked against what the whole answer gives on a record that takes everything: the same normal form (which signature and
replay rest on), the same superseding.
"""

from __future__ import annotations

import asyncio
from base64 import b64decode, b64encode
from collections.abc import Coroutine
from dataclasses import dataclass
from typing import Any, TypeVar, get_args

import httpx
import pytest
import respx

from audit.test_signature import KEY, PUBLISHED
from ebbmark.audit.signature import Verified, sign, verify
from ebbmark.audit.stored_answer import stored_answer
from ebbmark.fhir.answer import Answer
from ebbmark.fhir.naming import ACCEPTS_EVERYTHING, WRITTEN_TYPES, AcceptedWrites
from ebbmark.fhir.writing.normal_form import NormalForm, normal_form, resources_of
from ebbmark.fhir.writing.supersession import superseded_by
from ebbmark.fhir.writing.transaction import as_transaction, embedded_in, with_embedded
from ebbmark.fhir.writing.validate import validate
from ebbmark.fhir.writing.write import write_bundle
from ebbmark.record.client import RecordClient
from ebbmark.record.connection import RecordSettings
from ebbmark.record.retry import Waiting
from ebbmark.record.stored_answers import answer_in_record, where_recorded
from ebbmark.record.supersede import write_current
from ebbmark.record.write_back import WriteOutcome, WriteState
from ebbmark.settings import WrittenType
from recommendations import RECORDED_S
from record.keeping_record import BASE, KeepingRecord
from record.test_supersede import NEW, OLD
from record.waits import Waits, noon

Json = dict[str, Any]
T = TypeVar("T")

ONLY_OBSERVATIONS = AcceptedWrites(frozenset({"Observation"}))
RECORDS = {
    "Observation alone": ONLY_OBSERVATIONS,
    "Observation, DiagnosticReport": AcceptedWrites(frozenset({"Observation", "DiagnosticReport", "List"})),
    "no Provenance": AcceptedWrites(frozenset(WRITTEN_TYPES) - {"Provenance"}),
    "no Device": AcceptedWrites(frozenset(WRITTEN_TYPES) - {"Device"}),
    "no GuidanceResponse, no DetectedIssue": AcceptedWrites(
        frozenset(WRITTEN_TYPES) - {"GuidanceResponse", "DetectedIssue"}
    ),
    "8 creates at once": AcceptedWrites(most_creates=8),
    "8 entries at once": AcceptedWrites(frozenset(WRITTEN_TYPES), 3),
    "one Observation at once": AcceptedWrites(frozenset({"Observation", "List"}), 1),
}
every_record = pytest.mark.parametrize("accepts", RECORDS.values(), ids=RECORDS)


@dataclass(slots=True)
class Narrow(KeepingRecord):
    """A record that refuses what it does not take, types and searches for them alike."""

    accepts: AcceptedWrites = ACCEPTS_EVERYTHING

    def __post_init__(self) -> None:
        self.refused_types = frozenset(WRITTEN_TYPES) - self.accepts.types
        self.failing = self.refused_types

    def transact(self, bundle: Json) -> httpx.Response:
        most = self.accepts.most_creates
        if most is not None and len(bundle["entry"]) > max(2 * most + 1, 3):
            return httpx.Response(400, json={"resourceType": "OperationOutcome", "issue": []})
        return KeepingRecord.transact(self, bundle)


def within(record: Narrow, work: Coroutine[Any, Any, T]) -> T:
    with respx.mock(assert_all_called=False) as router:
        record.attach(router)
        return asyncio.run(work)


def client_of(record: Narrow) -> RecordClient:
    return RecordClient(RecordSettings(BASE, (BASE,), accepts=record.accepts), waiting=Waiting(Waits(), noon))


def transaction_of(answer: Answer, pdf: bytes | None = None) -> Json:
    bundle = write_bundle(answer, recorded_s=RECORDED_S, report_pdf=pdf)
    return as_transaction(sign(bundle, key=KEY), answer.request.subject)


def write(record: Narrow, answer: Answer, pdf: bytes | None = None, *, make_current: bool = False) -> WriteOutcome:
    async def work() -> WriteOutcome:
        async with client_of(record) as client:
            return await write_current(transaction_of(answer, pdf), record=client, make_current=make_current)

    return within(record, work())


def read(record: Narrow, answer: Answer) -> list[tuple[str, Json]]:
    async def work() -> list[tuple[str, Json]]:
        async with client_of(record) as client:
            found = await answer_in_record(answer.identity, record=client)
        assert isinstance(found, list), found
        return found

    return within(record, work())


def form_of(record: Narrow, answer: Answer) -> NormalForm:
    return stored_answer(read(record, answer)).form


def whole(answer: Answer, pdf: bytes | None = None) -> NormalForm:
    return normal_form(resources_of(transaction_of(answer, pdf)))


def test_the_types_of_the_setting_are_those_that_are_written() -> None:
    assert get_args(WrittenType) == WRITTEN_TYPES


@every_record
def test_an_answer_is_read_back_whole_and_its_signature_holds(accepts: AcceptedWrites) -> None:
    record = Narrow(accepts=accepts)

    outcome = write(record, OLD)

    assert outcome.state is WriteState.WRITTEN, outcome.sentence
    assert form_of(record, OLD) == whole(OLD)
    assert verify(read(record, OLD), PUBLISHED).verified is Verified.VALID


@every_record
def test_what_is_sent_keeps_the_rules_of_fhir(accepts: AcceptedWrites) -> None:
    assert validate(with_embedded(transaction_of(OLD, b"%PDF"), accepts)) == ()


@every_record
def test_a_repeat_writes_nothing(accepts: AcceptedWrites) -> None:
    record = Narrow(accepts=accepts)
    write(record, OLD)
    before = dict(record.held)

    assert write(record, OLD).state is WriteState.ALREADY_THERE
    assert record.held == before


@every_record
def test_a_newer_answer_supersedes_and_the_older_one_can_be_made_current_again(accepts: AcceptedWrites) -> None:
    record = Narrow(accepts=accepts)
    write(record, OLD)

    assert write(record, NEW).state is WriteState.WRITTEN
    (old, new) = record.of("closing-pressure")
    assert superseded_by(old) == NEW.identity
    assert not superseded_by(new)
    assert form_of(record, OLD) == whole(OLD)
    assert form_of(record, NEW) == whole(NEW)
    assert write(record, OLD).state is WriteState.SUPERSEDED


@every_record
def test_the_provenance_of_superseding_is_kept(accepts: AcceptedWrites) -> None:
    record = Narrow(accepts=accepts)
    write(record, OLD)
    write(record, NEW)

    everything = [
        *record.held.values(),
        *[one for held in record.held.values() for _, one in embedded_in(held).entries],
    ]
    told = [one for one in everything if f":over:{OLD.identity}:" in str(one.get("meta", {}).get("tag"))]

    assert [one["resourceType"] for one in told] == ["Provenance"]


@pytest.mark.parametrize("later", [False, True], ids=["written together", "joined later"])
@pytest.mark.parametrize("name", ["Observation, DiagnosticReport", "no Provenance", "8 entries at once"])
def test_a_report_is_read_back_with_its_provenance(name: str, later: bool) -> None:
    record = Narrow(accepts=RECORDS[name])
    if later:
        write(record, OLD)

    assert write(record, OLD, b"%PDF").state is WriteState.WRITTEN
    assert form_of(record, OLD) == whole(OLD, b"%PDF")


def test_a_report_that_is_not_taken_is_left_out_and_the_rest_is_whole() -> None:
    record = Narrow(accepts=ONLY_OBSERVATIONS)

    write(record, OLD, b"%PDF")

    assert form_of(record, OLD) == whole(OLD)


def test_a_record_that_takes_more_than_before_does_not_double_what_is_carried() -> None:
    record = Narrow(accepts=ONLY_OBSERVATIONS)
    write(record, OLD)
    record.accepts, record.refused_types, record.failing = ACCEPTS_EVERYTHING, frozenset(), frozenset()

    assert write(record, OLD).state is WriteState.ALREADY_THERE
    assert {result["resourceType"] for result in record.results().values()} == {"Observation"}


def test_what_is_carried_is_found_altered() -> None:
    record = Narrow(accepts=ONLY_OBSERVATIONS)
    write(record, OLD)
    (place,) = [place for place, one in record.held.items() if "contained" in one]
    attachment = record.held[place]["contained"][0]["content"][0]["attachment"]
    told = b64decode(attachment["data"])
    attachment["data"] = b64encode(told.replace(b"Plateau pressure above", b"Plateau pressure below")).decode()

    stored = read(record, OLD)

    assert b64encode(told).decode() != attachment["data"]
    assert verify(stored, PUBLISHED).verified is Verified.BROKEN


def test_the_place_of_an_answer_is_that_of_what_carries_it() -> None:
    record = Narrow(accepts=ONLY_OBSERVATIONS)
    write(record, OLD)

    async def work() -> str | None:
        async with client_of(record) as client:
            return await where_recorded(OLD.identity, record=client)

    place = within(record, work())

    assert place is not None
    assert "contained" in record.held[place.partition("/_history/")[0]]
