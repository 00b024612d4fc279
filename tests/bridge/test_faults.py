"""Killed at any point: nothing that was acknowledged is lost, nothing is doubled.

A sender keeps each message until it gets AA and sends it again otherwise. The bridge is killed at a drawn step, before,
between or after the record's own steps: its task is cancelled and everything that it remembers is gone. The record may
also commit and then lose its reply.
"""

from __future__ import annotations

import asyncio
from random import Random

import httpx
import pytest
import respx

from bridge.conftest import new_bridge
from bridge.device_messages import PATIENT, codes_of, device, header, message, number
from record.keeping_record import BASE, KeepingRecord

pytestmark = pytest.mark.anyio

MESSAGES = 60
CM = "266048^MDC_DIM_CM_H2O^MDC"


def feed() -> list[bytes]:
    return [
        message(
            device(),
            number("152424^^MDC", f"{20 + one % 7}", CM, at=f"2026030212{one // 60:02d}{one % 60:02d}+0000"),
            number(
                "151976^^MDC", f"{8 + one % 5}", CM, at=f"2026030212{one // 60:02d}{one % 60:02d}+0000", method="MSET"
            ),
            head=header(f"M{one}"),
        )
        for one in range(MESSAGES)
    ]


async def killed_after(steps: int, work: asyncio.Task[list[bytes] | None]) -> list[bytes]:
    """Let it take so many steps of the event loop, then kill it; nothing where that came before its answer."""
    for _ in range(steps):
        if work.done():
            break
        await asyncio.sleep(0)
    work.cancel()
    await asyncio.wait([work])
    return [] if work.cancelled() else work.result() or []


async def test_nothing_acknowledged_is_lost_and_nothing_is_doubled_wherever_it_is_killed() -> None:
    draw, record = Random(1), KeepingRecord({"Patient/1": {**PATIENT, "meta": {"versionId": "1"}}})
    counts = {"killed": 0, "reply lost": 0, "sent": 0}

    async def answer(request: httpx.Request) -> httpx.Response:
        for _ in range(draw.randrange(10)):
            await asyncio.sleep(0)
        reply = record.answer(request)
        for _ in range(draw.randrange(10)):
            await asyncio.sleep(0)
        if request.method == "POST" and draw.random() < 0.25:
            counts["reply lost"] += 1
            raise httpx.ReadError("cut after commit")
        return reply

    with respx.mock() as router:
        router.route(url__startswith=BASE).mock(side_effect=answer)
        acknowledged = await carried(draw, counts)

    kept = [one for one in record.held.values() if one["resourceType"] == "Observation"]
    assert len(acknowledged) == MESSAGES
    assert len(kept) == 2 * MESSAGES
    assert len({one["identifier"][0]["value"] for one in kept}) == len(kept)
    # The run was one with faults.
    assert min(counts["killed"], counts["reply lost"]) >= 10


async def carried(draw: Random, counts: dict[str, int]) -> set[str]:
    """Send every message until it is acknowledged."""
    acknowledged: set[str] = set()
    bridge = new_bridge()
    for one in feed():
        before = len(acknowledged)
        while len(acknowledged) == before:
            counts["sent"] += 1
            work = asyncio.create_task(bridge.answer(one))
            replies = await killed_after(draw.randrange(40), work) if draw.random() < 0.7 else await work
            if not replies:
                counts["killed"] += 1
                bridge = new_bridge()
            for code, control in codes_of(replies):
                assert code in ("AA", "AE")
                acknowledged |= {control} if code == "AA" else set()
    return acknowledged
