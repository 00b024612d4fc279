"""The records that callers name: which may be asked, where their names may lead, and whose token is sent."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence

import httpx
import pytest
import respx

from ebbmark.record.client import CallerRecords
from ebbmark.record.connection import Patience
from ebbmark.record.retry import CallFailure, Reply
from record.local_record import local_record

BASE = "https://record.example/fhir"
PATIENCE = Patience(1.0, 1.0, 2.0)


async def inside(_: str, __: int) -> Sequence[str]:
    return ("10.20.30.40",)


def read(guests: CallerRecords, base_url: str, token: str = "theirs") -> Reply | CallFailure:  # noqa: S107 - invented
    async def reading() -> Reply | CallFailure:
        answer = await guests.record(base_url, token).send("GET", "Patient/p1")
        await guests.aclose()
        return answer

    return asyncio.run(reading())


@pytest.mark.parametrize("base_url", [BASE, f"{BASE}/", f"{BASE}/tenant-7"])
def test_a_listed_record_and_what_lies_below_it_may_be_asked(base_url: str) -> None:
    assert CallerRecords((BASE,), patience=PATIENCE).refusal(base_url) == ""


@pytest.mark.parametrize(
    "base_url", ["", "https://record.example", "https://elsewhere.example/fhir", "ftp://record.example"]
)
def test_any_other_may_not(base_url: str) -> None:
    assert CallerRecords((BASE,), patience=PATIENCE).refusal(base_url).startswith("the fhirServer ")


def test_where_none_is_listed_none_may_be_asked() -> None:
    assert CallerRecords((), patience=PATIENCE).refusal(BASE) == "the fhirServer is not under an allowed base address"


def test_the_callers_own_token_is_sent_and_each_callers_own() -> None:
    guests, shown = CallerRecords((BASE,), patience=PATIENCE), []

    async def both() -> None:
        for token in ("one", "two"):
            await guests.record(BASE, token).send("GET", "Patient/p1")

    with respx.mock() as router:
        router.get(f"{BASE}/Patient/p1").mock(
            side_effect=lambda request: (
                shown.append(request.headers["authorization"]) or httpx.Response(200, json={})  # type: ignore[func-returns-value]
            )
        )
        asyncio.run(both())

    assert shown == ["Bearer one", "Bearer two"]


def test_a_listed_name_that_leads_inside_is_not_called() -> None:
    guests = CallerRecords((BASE,), patience=PATIENCE, resolve=inside)

    assert read(guests, BASE) == CallFailure.SURPRISING_ADDRESS


def test_connections_outlive_the_question() -> None:
    with local_record() as record:
        guests = CallerRecords((record.base_url,), patience=PATIENCE)

        async def twice() -> list[Reply | CallFailure]:
            answers = []
            for _ in range(2):
                async with guests.record(record.base_url, "theirs") as client:
                    answers.append(await client.send("GET", "Patient/p1"))
            await guests.aclose()
            return answers

        assert all(isinstance(answer, Reply) and answer.status == 200 for answer in asyncio.run(twice()))
