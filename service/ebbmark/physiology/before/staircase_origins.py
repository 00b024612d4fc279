"""Where does each number of a planned staircase come from?

Source: the protocol's own cells.
"""

from __future__ import annotations

from ebbmark.physiology.before.staircase import StaircaseRules, named_cells
from ebbmark.physiology.before.traced_cells import origin_words

__all__ = ["origins_of"]


def origins_of(rules: StaircaseRules, *, with_recruitment: bool, rise_cmh2o: float | None = None) -> str:
    """Say of each number of a staircase where it was read, or who chose it.

    Args:
        rules: the staircase.
        with_recruitment: whether its way up was chosen too.
        rise_cmh2o: size of the PEEP steps up where it was asked for [cmH2O].

    Source: the protocol's own cells.
    """
    told = [
        f"{words} {_bound(name, with_recruitment)}{cell.value:g} {_unit(name)} ({origin_words(cell)})"
        for name, words, cell in named_cells(rules, with_recruitment=with_recruitment)
        if cell.value is not None and not (name == "peep_rise_cmh2o" and rise_cmh2o is not None)
    ]
    if with_recruitment and rise_cmh2o is not None:
        told.append(f"size of the PEEP steps up {rise_cmh2o:g} cmH2O (asked for)")
    margin = rules.margin_cmh2o
    if margin.value is not None:
        told.append(f"margin on the {rules.margin_on} level {margin.value:g} cmH2O ({origin_words(margin)})")
    unread = with_recruitment and rules.reopens is None
    rest = (
        " Whether the lung is opened again before PEEP is set was not read; no such step is laid out." if unread else ""
    )
    return f"Numbers of {rules.title}: {'; '.join(told)}.{rest}"


def _bound(name: str, with_recruitment: bool) -> str:
    """Without recruitment the way down starts no higher than the plateau limit allows."""
    return "at most " if name == "start_cmh2o" and not with_recruitment else ""


def _unit(name: str) -> str:
    return "s" if name.endswith("_s") else "cmH2O"
