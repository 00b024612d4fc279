"""How far and how long a body is read."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator

import pytest
from starlette.requests import ClientDisconnect

from ebbmark.fhir.problems import ProblemKind, Rejected
from ebbmark.web.body import read_body


async def pieces(*sent: bytes) -> AsyncIterator[bytes]:
    for piece in sent:
        yield piece


async def never_ending() -> AsyncIterator[bytes]:
    yield b"{"
    await asyncio.sleep(60)
    yield b"}"


async def broken_off() -> AsyncIterator[bytes]:
    yield b"{"
    raise ClientDisconnect


def refused(stream: AsyncIterator[bytes]) -> ProblemKind:
    with pytest.raises(Rejected) as refusal:
        asyncio.run(read_body(stream, 10, longest_wait_s=0.05))
    return refusal.value.problems[0].kind


def test_the_pieces_of_a_body_are_put_together() -> None:
    assert asyncio.run(read_body(pieces(b"{", b"}"), 10)) == b"{}"


def test_a_body_over_the_limit_is_refused() -> None:
    assert refused(pieces(b"12345678", b"90123")) is ProblemKind.TOO_LARGE


def test_a_body_that_does_not_arrive_in_time_is_given_up() -> None:
    assert refused(never_ending()) is ProblemKind.BODY_LATE


def test_a_caller_who_leaves_is_not_a_fault_of_the_service() -> None:
    assert refused(broken_off()) is ProblemKind.BODY_LATE
