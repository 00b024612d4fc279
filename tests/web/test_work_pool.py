"""Answers are computed beside the event loop, and nobody waits for one for ever."""

from __future__ import annotations

import asyncio
import threading
from collections import Counter

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ebbmark.web.limits import CALLER, Load, Refused, WorkPool


def test_what_the_work_returns_is_returned() -> None:
    assert asyncio.run(WorkPool(20.0).run(divmod, 7, 2)) == (3, 1)


def test_what_the_work_raises_is_raised() -> None:
    with pytest.raises(ZeroDivisionError):
        asyncio.run(WorkPool(20.0).run(divmod, 7, 0))


def test_the_event_loop_goes_on_while_the_work_waits_for_it() -> None:
    happened = threading.Event()

    async def meanwhile() -> bool:
        working = asyncio.create_task(WorkPool(20.0).run(happened.wait, 20.0))
        await asyncio.sleep(0)
        happened.set()
        return await working

    assert asyncio.run(meanwhile())


def test_work_that_outlives_its_deadline_is_refused_with_the_time_to_come_back() -> None:
    go_on = threading.Event()

    with pytest.raises(Refused) as refused:
        asyncio.run(WorkPool(0.05).run(go_on.wait, 20.0))
    go_on.set()

    assert refused.value.problems[0].kind.status == 503
    assert refused.value.headers == {"Retry-After": "2"}


def test_work_for_a_request_whose_time_ends_sooner_is_refused_then() -> None:
    go_on = threading.Event()

    async def sooner() -> None:
        until_s = asyncio.get_running_loop().time() + 0.05
        await WorkPool(20.0).run_until(until_s, go_on.wait, 20.0)

    with pytest.raises(Refused) as refused:
        asyncio.run(sooner())
    go_on.set()

    assert refused.value.problems[0].kind.status == 503


def test_work_that_has_not_begun_by_its_deadline_is_never_begun() -> None:
    go_on, begun = threading.Event(), threading.Event()
    pool = WorkPool(0.05)

    async def two() -> None:
        results = await asyncio.gather(pool.run(go_on.wait, 20.0), pool.run(begun.set), return_exceptions=True)
        assert all(isinstance(result, Refused) for result in results)

    asyncio.run(two())
    go_on.set()
    pool.close()

    assert not begun.is_set()


def test_a_caller_of_one_request_waits_for_one_of_anothers_and_not_for_all() -> None:
    done: list[str] = []
    pool, go_on = WorkPool(20.0), threading.Event()

    async def asked(caller: str, number: int) -> None:
        CALLER.set(caller)
        await pool.run(done.append, f"{caller}{number}")

    async def all_at_once() -> None:
        busy = asyncio.create_task(pool.run(go_on.wait, 20.0))
        await asyncio.sleep(0)
        asking = [asyncio.create_task(asked("a", number)) for number in range(4)]
        asking.append(asyncio.create_task(asked("b", 0)))
        await asyncio.sleep(0)
        go_on.set()
        await asyncio.gather(busy, *asking)

    asyncio.run(all_at_once())

    assert done == ["a0", "b0", "a1", "a2", "a3"]


def test_more_of_one_caller_than_its_share_is_told_to_come_back_and_others_are_not() -> None:
    pool, go_on = WorkPool(20.0, most_of_one=2), threading.Event()

    async def asked(caller: str) -> str:
        CALLER.set(caller)
        try:
            return str(await pool.run(str, "done"))
        except Refused as refused:
            return f"{refused.problems[0].kind.status} {refused.headers['Retry-After']}"

    async def all_at_once() -> list[str]:
        busy = asyncio.create_task(pool.run(go_on.wait, 20.0))
        await asyncio.sleep(0)
        asking = [asyncio.create_task(asked(caller)) for caller in "aaab"]
        await asyncio.sleep(0)
        go_on.set()
        await busy
        return list(await asyncio.gather(*asking))

    assert asyncio.run(all_at_once()) == ["done", "done", "503 2", "done"]


@given(st.integers(1, 100), st.lists(st.tuples(st.integers(0, 3), st.integers(0, 60)), max_size=60))
def test_bodies_never_hold_more_than_the_bound_unless_one_is_alone(most: int, pieces: list[tuple[int, int]]) -> None:
    load, own = Load(most_bytes=most), Counter[int]()

    for body, size in pieces:
        try:
            load.take(size, own_bytes=own[body])
            own[body] += size
        except Refused:
            pass

        assert load.held_bytes == own.total()
        assert load.held_bytes <= most or sum(held > 0 for held in own.values()) == 1
