from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator

import httpx
import pytest
import respx

from ebbmark.record.client import RecordClient
from ebbmark.record.connection import RecordSettings, ReplyHolder, ReplyMemory, holding_replies
from ebbmark.record.retry import CallFailure, Reply
from record.keeping_record import BASE

PIECE = 10_000
PIECES = 10


async def taken(memory: ReplyMemory, holder: ReplyHolder, size_bytes: int) -> None:
    async with asyncio.timeout(None) as limit:
        await memory.take(holder, size_bytes, limit)


async def steps(count: int = 20) -> None:
    for _ in range(count):
        await asyncio.sleep(0)


async def in_pieces() -> AsyncIterator[bytes]:
    for _ in range(PIECES):
        await asyncio.sleep(0)
        yield b"x" * PIECE


@pytest.mark.anyio
async def test_a_request_waits_until_another_gives_back_what_it_holds() -> None:
    memory, first, second = ReplyMemory(100), ReplyHolder(), ReplyHolder()
    await taken(memory, first, 80)
    waiting = asyncio.create_task(taken(memory, second, 30))
    await steps()
    assert not waiting.done()

    first.release()
    await waiting

    assert memory.held_bytes == 30


@pytest.mark.anyio
async def test_the_one_that_holds_for_longest_never_waits_so_that_no_two_wait_for_one_another() -> None:
    memory, first, second = ReplyMemory(100), ReplyHolder(), ReplyHolder()
    await taken(memory, first, 50)
    await taken(memory, second, 50)
    waiting = asyncio.create_task(taken(memory, second, 50))
    await steps()

    await taken(memory, first, 50)

    assert not waiting.done()
    first.release()
    await waiting
    assert memory.held_bytes == 100


@pytest.mark.anyio
async def test_the_limit_of_an_attempt_stands_still_while_it_waits_for_others() -> None:
    memory, first = ReplyMemory(100), ReplyHolder()
    await taken(memory, first, 100)

    async def second() -> tuple[float | None, float | None]:
        async with asyncio.timeout(60.0) as limit:
            waiting = asyncio.create_task(memory.take(ReplyHolder(), 1, limit))
            await steps()
            meanwhile = limit.when()
            first.release()
            await waiting
            return meanwhile, limit.when()

    meanwhile, afterwards = await second()

    assert meanwhile is None
    assert afterwards is not None


@pytest.mark.anyio
async def test_many_requests_at_once_hold_no_more_than_the_bound_and_what_one_may_read() -> None:
    memory = ReplyMemory(3 * PIECES * PIECE)
    held: list[int] = []

    async def one(client: RecordClient) -> None:
        with holding_replies():
            reply = await client.send("GET", "Observation?patient=p1")
            assert isinstance(reply, Reply)
            assert len(reply.body) == PIECES * PIECE
            held.append(memory.held_bytes)
            await steps(5)

    with respx.mock() as router:
        router.get(url__startswith=BASE).mock(side_effect=lambda _: httpx.Response(200, content=in_pieces()))
        async with RecordClient(RecordSettings(BASE, (BASE,), memory=memory)) as client:
            await asyncio.gather(*[one(client) for _ in range(20)])

    assert len(held) == 20
    assert 2 * PIECES * PIECE < max(held) <= memory.most_bytes + PIECES * PIECE
    assert memory.held_bytes == 0


@pytest.mark.anyio
async def test_outside_of_a_request_a_reply_is_counted_while_it_is_read() -> None:
    memory = ReplyMemory(5 * PIECE)
    with respx.mock() as router:
        router.get(url__startswith=BASE).mock(return_value=httpx.Response(200, content=b"x" * 3 * PIECE))
        async with RecordClient(RecordSettings(BASE, (BASE,), memory=memory)) as client:
            for _ in range(3):
                assert not isinstance(await client.send("GET", "metadata"), CallFailure)

    assert memory.held_bytes == 0


@pytest.mark.anyio
async def test_a_reply_that_is_too_long_gives_back_what_was_taken_for_it() -> None:
    memory = ReplyMemory(1_000_000)
    settings = RecordSettings(BASE, (BASE,), memory=memory, max_response_bytes=3 * PIECE)
    with respx.mock() as router:
        router.get(url__startswith=BASE).mock(side_effect=lambda _: httpx.Response(200, content=in_pieces()))
        async with RecordClient(settings) as client:
            with holding_replies():
                reply = await client.send("GET", "metadata")
                assert isinstance(reply, Reply)
                assert reply.lost is CallFailure.TOO_LARGE
                assert memory.held_bytes == 3 * PIECE

    assert memory.held_bytes == 0
