"""How does a site write down one number of a staircase? With its value, and where it was read or decided."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import fields

import msgspec

from ebbmark.fhir.bedside.site import Misread
from ebbmark.physiology.before.staircase import Cell, RecruitmentRules, Traced

__all__ = ["CELLS", "CLIMB", "Value", "cell_of", "known"]

CELLS = ("start_cmh2o", "decrement_cmh2o", "lowest_cmh2o", "dwell_s", "margin_cmh2o")
CLIMB = tuple(field.name for field in fields(RecruitmentRules))
_UNREAD = Cell(None, Traced.NOT_VERIFIED, "left out by the site")


class Value(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """One number, or several, and where it comes from.

    Attributes:
        value: one number; a list only where a rule is one.
        source: page, table, or who decided.
    """

    value: float | list[float]
    source: str


def cell_of(cells: Mapping[str, Value] | None, name: str, path: str) -> Cell:
    """The cell of that name; not verified where it was left out.

    Args:
        cells: as the site wrote them.
        name: of the cell.
        path: for messages.

    Raises:
        Misread: a list instead of one number.
    """
    one = (cells or {}).get(name)
    if one is None:
        return _UNREAD
    if isinstance(one.value, list):
        raise Misread(f"{path}: {name} must be one number")
    return Cell(one.value, Traced.SITE, one.source)


def known(given: Mapping[str, Value], names: Iterable[str], path: str) -> None:
    """Refuse a name that there is not, and a value that names no source.

    Args:
        given: as the site wrote them.
        names: accepted.
        path: for messages.

    Raises:
        Misread: names the value.
    """
    accepted = tuple(names)
    for name, one in given.items():
        if name not in accepted:
            raise Misread(f"{path} has no value {name!r}; accepted: {', '.join(accepted)}")
        if not one.source.strip():
            raise Misread(f"{path}.{name} names no source")
