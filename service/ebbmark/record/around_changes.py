"""When was PEEP changed? Only around these times can there be a trial, so that days of a record need not be read whole.

The trials of days rest on what was charted around changes of PEEP; the hours between tell nothing of them. Values are
compared as they were sent: what counts as a step is judged by the reader later.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from itertools import pairwise

import msgspec

from ebbmark.fhir.reading.codes import CodeRow
from ebbmark.physiology.readings import Quantity
from ebbmark.record.asked import Asked
from ebbmark.record.searching import FoundEntry
from ebbmark.record.sieve import moment_of

__all__ = ["BESIDE_S", "around_changes", "peep_tokens"]

BESIDE_S = 3600.0
"""What was charted this long before and after a change of PEEP may belong to a trial [s]; our choice."""

_MOVED = 0.9
"""A change that is more than what measured PEEP wanders [cmH2O, mbar]; our choice."""

_MOVED_KPA = 0.09

_PEEPS = frozenset({Quantity.PEEP_SET, Quantity.PEEP_MEASURED})
Table = Mapping[tuple[str, str], CodeRow]


class _Coding(msgspec.Struct):
    system: str = ""
    code: str = ""


class _Codeable(msgspec.Struct):
    coding: list[_Coding] = []


class _Quantity(msgspec.Struct):
    value: float | None = None
    code: str = ""
    unit: str = ""


class _Part(msgspec.Struct):
    code: _Codeable = msgspec.field(default_factory=_Codeable)
    valueQuantity: _Quantity | None = None


class _Observation(_Part):
    component: list[_Part] = []


def peep_tokens(table: Table) -> list[str]:
    """Codes of PEEP, set or measured, as search tokens.

    Args:
        table: the codes that are understood, a site's own among them.
    """
    return sorted(f"{system}|{code}" for (system, code), row in table.items() if row.meaning in _PEEPS)


def around_changes(entries: Iterable[FoundEntry], table: Table, asked: Asked) -> list[tuple[float, float]]:
    """Stretches of time around every change of PEEP, in order and apart [s since 1970-01-01T00:00:00Z].

    Args:
        entries: Observations of PEEP as the record sent them.
        table: the codes that are understood, a site's own among them.
        asked: the time that is looked at.
    """
    by_quantity: dict[Quantity, list[tuple[float, float, float]]] = {}
    for entry in entries:
        moment = moment_of(entry.resource)
        for quantity, value, moved in _values(entry.resource, table):
            if moment is not None and asked.start_s <= moment[0] <= asked.end_s:
                by_quantity.setdefault(quantity, []).append((moment[0], value, moved))
    changed_s = sorted(
        at_s
        for values in by_quantity.values()
        for (_, before, _), (at_s, after, moved) in pairwise(sorted(values))
        if abs(after - before) >= moved
    )
    stretches: list[tuple[float, float]] = []
    for at_s in changed_s:
        start_s, end_s = max(asked.start_s, at_s - BESIDE_S), min(asked.end_s, at_s + BESIDE_S)
        if stretches and start_s <= stretches[-1][1]:
            stretches[-1] = (stretches[-1][0], end_s)
        else:
            stretches.append((start_s, end_s))
    return stretches


def _values(resource: bytes, table: Table) -> Iterator[tuple[Quantity, float, float]]:
    """Every PEEP in an Observation: what it is, its value, and how large a change of it counts."""
    try:
        observation = msgspec.json.decode(resource, type=_Observation)
    except msgspec.DecodeError:
        return  # the reader names what is wrong with it
    for part in (observation, *observation.component):
        meanings = {row.meaning for one in part.code.coding if (row := table.get((one.system, one.code))) is not None}
        quantity = part.valueQuantity
        if quantity is not None and quantity.value is not None:
            moved = _MOVED_KPA if "pa" in (quantity.code or quantity.unit).lower() else _MOVED
            for meaning in meanings:
                if isinstance(meaning, Quantity) and meaning in _PEEPS:
                    yield meaning, quantity.value, moved
