"""One search for Observations by one parameter: sent, or taken from what the same view has searched for already.

A search of a longer time holds all of a shorter one; of it is given what the record would have sent for the shorter: an
Observation that overlaps with it (FHIR R4 search.html#date), and one whose time cannot be read. A longer search that
fails for what the record sent of it says nothing about the shorter, which is then sent by itself.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

from ebbmark.fhir.writing.instants import instant
from ebbmark.record.asked import Asked
from ebbmark.record.client import RecordClient
from ebbmark.record.reading import ReadFailure, Waiting
from ebbmark.record.searching import Budget, Found, TooMuch, search
from ebbmark.record.sieve import moment_of

__all__ = ["PAGE_SIZE", "limits_of", "searched_once"]

PAGE_SIZE = 200

_OK: Final = 200
"""With this status a failure lies in what was sent, not in the network or the record."""

_TOGETHER = Budget(requests=150, resources=12_000, size_bytes=40_000_000)
"""What may be read together; each question counts what it gets of it."""


def limits_of(asked: Asked) -> list[tuple[str, str]]:
    """Time and encounter as search parameters."""
    limits = [("date", f"ge{instant(asked.start_s)}"), ("date", f"le{instant(asked.end_s)}")]
    if asked.encounter is not None:
        limits.append(("encounter", asked.encounter))
    return limits


async def searched_once(
    record: RecordClient,
    asked: Asked,
    limits: Sequence[tuple[str, str]],
    code: tuple[str, str],
    *,
    budget: Budget,
    waiting: Waiting,
    together: bool = True,
) -> Found | ReadFailure | TooMuch:
    """Search, or share a search of the same view.

    Args:
        record: the client, with its shelf where a view reads together.
        asked: whose, and of which time.
        limits: further search parameters; of time and encounter as `limits_of` gives them, or none.
        code: search parameter of the codes, and its value.
        budget: what may be read; is counted down.
        waiting: how time passes between attempts.
        together: whether a longer time may be read in its place, for other questions of the same view.
    """

    async def sent(more: Sequence[tuple[str, str]], own: Budget) -> Found | ReadFailure | TooMuch:
        query = [("patient", asked.patient), code, *more, ("_count", str(PAGE_SIZE))]
        return await search(record, "Observation", query, budget=own, waiting=waiting)

    shelf = record.shelf
    if shelf is None:
        return await sent(limits, budget)
    timed = list(limits) == limits_of(asked)
    reach_s = shelf.reach_s if timed and together else 0.0
    wide = limits_of(replace(asked, start_s=min(asked.start_s, asked.end_s - reach_s))) if timed else list(limits)
    found = await shelf.once((asked.patient, code, *wide), lambda: sent(wide, replace(_TOGETHER)))
    if isinstance(found, TooMuch):
        return await sent(limits, budget)
    if isinstance(found, ReadFailure):
        longer_is_broken = found.status == _OK and wide != list(limits)
        return await sent(limits, budget) if longer_is_broken else found
    mine = replace(found, entries=[one for one in found.entries if not timed or _overlaps(one.resource, asked)])
    # Pages of the time that others asked for are not counted: a question alone would not have read them.
    budget.requests -= min(mine.pages, 1 + len(mine.entries) // PAGE_SIZE)
    budget.resources -= len(mine.entries)
    budget.size_bytes -= sum(len(one.resource) for one in mine.entries)
    if budget.resources < 0 or budget.size_bytes < 0:
        return TooMuch("more resources, or longer ones, than may be read")
    return mine


def _overlaps(resource: bytes, asked: Asked) -> bool:
    moment = moment_of(resource)
    return moment is None or (moment[1] >= asked.start_s and moment[0] <= asked.end_s)
