"""The deadline of a whole request, where the record is read for it: what came in time, or that it did not."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable
from typing import TypeVar

from ebbmark.fhir.problems import Problem, ProblemKind
from ebbmark.record.search import PATIENT, ReadFailure

__all__ = ["in_time", "took_too_long"]

R = TypeVar("R")


async def in_time(reading: Awaitable[R], until_s: float) -> R | ReadFailure:
    """What a reading gives, or that the time of the whole request was over first.

    Args:
        reading: of the record.
        until_s: when the whole request must be answered, by the clock of the event loop [s].
    """
    try:
        async with asyncio.timeout_at(until_s):
            return await reading
    except TimeoutError:
        return ReadFailure("the record did not answer within the time of the request", None)


def took_too_long(most_s: float) -> Problem:
    """The record did not give everything within this time [s]."""
    found, accepted = f"reading took longer than {most_s:g} s", "a record that answers in time"
    sentence = f"Reading from the record took longer than {most_s:g} seconds. Name a shorter period, or ask later."
    return Problem(ProblemKind.RECORD_FAILED, PATIENT, found, accepted, sentence)
