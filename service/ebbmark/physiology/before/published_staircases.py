"""The staircases that are known by name, from `data/staircases.toml`: each number with how far it was traced."""

from __future__ import annotations

from dataclasses import fields
from typing import Any, Final

from ebbmark.physiology.before.staircase import STAIRCASE_TABLE, Cell, Marker, RecruitmentRules, StaircaseRules, Traced

__all__ = ["COMMON_PRACTICE", "STAIRCASES", "staircase_for"]

_USUAL_SOURCE: Final = "common practice, no published source"
_TEXTS: Final = ("slug", "version", "title", "citation", "rule", "margin_on", "remark")


def _cell(row: dict[str, Any]) -> Cell | None:
    if row.get("as_now"):
        return None
    traced = Traced(row["traced"])
    return Cell(row.get("value"), traced, _USUAL_SOURCE if traced is Traced.COMMON_PRACTICE else row["source"])


def _cells(row: dict[str, Any], kind: type) -> dict[str, Any]:
    names = {field.name for field in fields(kind)}
    return {name: _cell(value) for name, value in row.items() if name in names and isinstance(value, dict)}


def _staircase(row: dict[str, Any]) -> StaircaseRules:
    row = dict(row)
    recruitment = row.pop("recruitment", None)
    return StaircaseRules(
        **{name: row[name] for name in _TEXTS if name in row},
        **_cells(row, StaircaseRules),
        marker=Marker(row["marker"]),
        reopens=row.get("reopens"),
        recruitment=None if recruitment is None else RecruitmentRules(**_cells(recruitment, RecruitmentRules)),
    )


STAIRCASES: Final = tuple(map(_staircase, STAIRCASE_TABLE["staircase"]))
_BY_SLUG: Final = {rules.slug: rules for rules in STAIRCASES}
COMMON_PRACTICE: Final = _BY_SLUG["common-practice"]


def staircase_for(slug: str) -> StaircaseRules | None:
    """Find one protocol by its name; None where there is none.

    Args:
        slug: stable name.
    """
    return _BY_SLUG.get(slug)
