"""What one view shares of what it reads: each gets what the record would have sent for its own time, and no more."""

from __future__ import annotations

import asyncio
from dataclasses import dataclass, replace
from datetime import datetime

import httpx
import pytest
import respx

from ebbmark.fhir.problems import ProblemKind, Rejected
from ebbmark.record.client import RecordClient, ViewCache
from ebbmark.record.clinical_resources import RecordSearch, search_observations
from ebbmark.record.connection import RecordSettings
from ebbmark.record.record_query import RecordQuery
from ebbmark.record.retry import Waiting
from ebbmark.record.search import Budget, read_one
from fhir_builders import Json, at, observation, patient
from record.searchable_record import BASE, SearchableRecord
from record.waits import Waits, noon

MINUTES = 40
PEEPS: list[Json] = [observation("peep-set", 10.0, when=at(minute), identity=f"m{minute}") for minute in range(MINUTES)]
END_S = datetime.fromisoformat(at(MINUTES - 1)).timestamp()
WHOLE = RecordQuery("Patient/p1", None, END_S - 3600.0, END_S, period_given=False, rest=())
LATEST = replace(WHOLE, start_s=END_S - 240.0)
IN_LATEST = 5


@dataclass(slots=True)
class Dated(SearchableRecord):
    """Gives what lies after the earliest date that was asked for."""

    def page(self, kind: str, query: dict[str, list[str]], text: str) -> httpx.Response:
        since_s = datetime.fromisoformat(query["date"][0].removeprefix("ge")).timestamp()
        everything = self.resources
        self.resources = [
            one for one in everything if datetime.fromisoformat(str(one["effectiveDateTime"])).timestamp() >= since_s
        ]
        try:
            return SearchableRecord.page(self, kind, query, text)
        finally:
            self.resources = everything


def read_by(
    record: SearchableRecord,
    *questions: RecordQuery,
    reach_s: float = 0.0,
    resources: int = 5_000,
    together: bool = True,
) -> list[int | ProblemKind]:
    """How many Observations each question of one view gets, or why none."""

    async def one(question: RecordQuery, client: RecordClient) -> int | ProblemKind:
        try:
            reading = RecordSearch(question, client, Budget(resources=resources), {})
            found = await search_observations(reading, ["http://loinc.org|20077-4"], together=together)
        except Rejected as rejected:
            return rejected.problems[0].kind
        return sum(len(page.entries) for page in found)

    async def view() -> list[int | ProblemKind]:
        view_cache = ViewCache()
        view_cache.reach_s = reach_s
        async with RecordClient(
            RecordSettings(base_url=BASE, allowed_base_urls=(BASE,)),
            view_cache=view_cache,
            waiting=Waiting(Waits(), noon),
        ) as client:
            return list(await asyncio.gather(*[one(question, client) for question in questions]))

    with respx.mock(assert_all_called=False) as router:
        record.attach(router)
        return asyncio.run(view())


def test_the_same_is_searched_for_once() -> None:
    record = Dated(PEEPS)

    assert read_by(record, WHOLE, WHOLE) == [MINUTES, MINUTES]
    assert len(record.asked) == 1


@pytest.mark.parametrize("questions", [(WHOLE, LATEST), (LATEST, WHOLE)], ids=["longer first", "shorter first"])
def test_a_shorter_time_is_taken_from_the_longer_one(questions: tuple[RecordQuery, RecordQuery]) -> None:
    record = Dated(PEEPS)

    counts = read_by(record, *questions, reach_s=3600.0)

    assert counts == [MINUTES if question is WHOLE else IN_LATEST for question in questions]
    assert len(record.asked) == 1


def test_a_short_time_that_is_short_on_purpose_is_read_by_itself() -> None:
    record = Dated(PEEPS)

    assert read_by(record, WHOLE, LATEST, reach_s=3600.0, together=False) == [MINUTES, IN_LATEST]
    assert len(record.asked) == 2


def test_a_question_gets_no_more_than_it_may_read() -> None:
    counts = read_by(Dated(PEEPS), WHOLE, LATEST, reach_s=3600.0, resources=10)

    assert counts == [ProblemKind.TOO_MUCH_IN_RECORD, IN_LATEST]


def test_where_it_is_too_much_together_each_reads_its_own_time() -> None:
    many = [
        observation("peep-set", 10.0, when=at(part // 10, part % 10 * 6), identity=f"m{part}")
        for part in range(10 * MINUTES)
    ]

    counts = read_by(Dated(many, page_size=1), WHOLE, LATEST, reach_s=3600.0)

    assert counts[0] is ProblemKind.TOO_MUCH_IN_RECORD
    assert isinstance(counts[1], int)
    assert IN_LATEST <= counts[1] <= 60


def test_one_resource_is_read_once_in_a_view_and_anew_in_the_next() -> None:
    record = SearchableRecord([patient()])

    async def view() -> None:
        async with RecordClient(
            RecordSettings(base_url=BASE, allowed_base_urls=(BASE,)),
            view_cache=ViewCache(),
            waiting=Waiting(Waits(), noon),
        ) as client:
            read = [read_one("Patient/p1", record=client, budget=Budget()) for _ in range(3)]
            assert len({str(one) for one in await asyncio.gather(*read)}) == 1

    with respx.mock(assert_all_called=False) as router:
        record.attach(router)
        asyncio.run(view())
        asyncio.run(view())

    assert len(record.asked) == 2


def test_pages_of_a_longer_time_that_others_asked_for_are_not_counted_against_a_short_question() -> None:
    budget = Budget(requests=3)
    record = Dated(PEEPS, page_size=4)

    async def view() -> None:
        view_cache = ViewCache()
        view_cache.reach_s = 3600.0
        async with RecordClient(
            RecordSettings(base_url=BASE, allowed_base_urls=(BASE,)),
            view_cache=view_cache,
            waiting=Waiting(Waits(), noon),
        ) as client:
            await search_observations(RecordSearch(LATEST, client, budget, {}), ["http://loinc.org|20077-4"])

    with respx.mock(assert_all_called=False) as router:
        record.attach(router)
        asyncio.run(view())

    assert len(record.asked) == MINUTES // 4
    assert budget.requests == 2


def test_what_is_broken_long_ago_does_not_break_a_question_about_now() -> None:
    broken: Json = {"id": "broken", "effectiveDateTime": at(0), "subject": {"reference": "Patient/p1"}}
    record = Dated([{**broken, "resourceType": "Observation", "meta": "20077-4"}, *PEEPS])

    assert read_by(record, WHOLE, LATEST, reach_s=3600.0) == [ProblemKind.RECORD_FAILED, IN_LATEST]


def test_a_question_that_gives_up_leaves_the_reading_to_those_who_wait() -> None:
    told, begun = asyncio.run(waited_for(patient_ones=1))

    assert told == ["read"]
    assert begun == 1


def test_a_reading_that_nobody_waits_for_is_ended_and_begun_anew_for_the_next() -> None:
    told, begun = asyncio.run(waited_for(patient_ones=0))

    assert told == ["ended", "read"]
    assert begun == 2


async def waited_for(patient_ones: int) -> tuple[list[str], int]:
    """How readings of one view ended, and how many were begun: one question gives up, then others still wait, or not.

    Where none waits, one more asks afterwards.
    """
    view_cache, goes_on = ViewCache(), asyncio.Event()
    told: list[str] = []
    begun = 0

    async def read() -> None:
        nonlocal begun
        begun += 1
        try:
            await goes_on.wait()
        except asyncio.CancelledError:
            told.append("ended")
            raise
        told.append("read")

    questions = [asyncio.ensure_future(view_cache.once("the same", read)) for _ in range(1 + patient_ones)]
    await asyncio.sleep(0)
    await asyncio.sleep(0)
    questions[0].cancel()
    await asyncio.wait(questions[:1])
    await asyncio.sleep(0)
    goes_on.set()
    if patient_ones == 0:
        questions.append(asyncio.ensure_future(view_cache.once("the same", read)))
    await asyncio.gather(*questions[1:])
    return told, begun
