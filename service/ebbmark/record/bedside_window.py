"""Which time of the record is read for a question at the bedside?

How far back, where no period is named, stands with each operation (`Operation.hours_back`). Where the caller says when
the trial began or when PEEP was set after it, the time begins six hours before that, if it would begin later otherwise:
what is compared with lies before.
"""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from dataclasses import replace

import msgspec

from ebbmark.fhir.operations import Operation
from ebbmark.fhir.problems import ProblemKind, Rejected
from ebbmark.fhir.reading.times import seconds
from ebbmark.record.asked import Asked
from ebbmark.record.fetch_bedside import BedsideFetched
from ebbmark.record.from_record import ReadLimits
from ebbmark.record.searching import Budget

__all__ = ["BEFORE_S", "as_far_back_as_needed", "as_much_as_may_be", "moments_of"]

BEFORE_S = 6 * 3600.0
"""What lies this long before the trial may be what is compared with [s]; our choice."""

_MOMENTS = frozenset({"trial-started", "titrated-at"})


class _Moment(msgspec.Struct):
    name: str = ""
    valueInstant: str = ""
    valueDateTime: str = ""


def as_far_back_as_needed(asked: Asked, operation: Operation) -> Asked:
    """The same, with the question's own time where the caller named none.

    Args:
        asked: as the caller asked.
        operation: the question.
    """
    if asked.period_given:
        return asked
    start_s = asked.end_s - operation.hours_back * 3600.0
    return replace(asked, start_s=min([start_s, *[one - BEFORE_S for one in moments_of(asked).values()]]))


def moments_of(asked: Asked) -> dict[str, float]:
    """When the caller says the trial began or ended, by parameter; the reader refuses what is no instant.

    Args:
        asked: with all other parameters.
    """
    found = {}
    for raw in asked.rest:
        try:
            given = msgspec.json.decode(raw, type=_Moment)
        except msgspec.DecodeError:
            continue
        at_s = seconds(given.valueInstant or given.valueDateTime) if given.name in _MOMENTS else None
        if isinstance(at_s, float):
            found[given.name] = at_s
    return found


async def as_much_as_may_be(
    asked: Asked, operation: Operation, fetch: Callable[..., Awaitable[BedsideFetched]], limits: ReadLimits
) -> tuple[Asked, BedsideFetched]:
    """What the record holds of the time, or of half of it, and again, where it holds more than may be read.

    Only for questions about how things are now, and only where the caller has named no time; the answer says so.

    Args:
        asked: with the time that is wanted.
        operation: the question.
        fetch: reads what was asked.
        limits: how much is read.

    Raises:
        Rejected: as `fetch` does.
    """
    least_s = 3600.0 * operation.least_hours
    whole_s = asked.end_s - asked.start_s
    while True:
        try:
            fetched = await fetch(asked, budget=Budget(limits.requests, limits.resources, limits.size_bytes))
        except Rejected as rejected:
            half_s = 0.5 * (asked.end_s - asked.start_s)
            too_much = rejected.problems[0].kind is ProblemKind.TOO_MUCH_IN_RECORD
            if not too_much or asked.period_given or moments_of(asked) or half_s < least_s:
                raise
            asked = replace(asked, start_s=asked.end_s - half_s)
            continue
        read_s = asked.end_s - asked.start_s
        if read_s == whole_s:
            return asked, fetched
        sentence = (
            f"The record holds more than may be read of the last {whole_s / 3600:g} hours; the last "
            f"{read_s / 3600:g} were read, and what was charted before is not known here."
        )
        return asked, replace(fetched, notes=(sentence, *fetched.notes))
