"""Which rule set of a staircase must not be used, and why? Outside these ranges a slip is likelier than a choice."""

from __future__ import annotations

from math import isfinite
from typing import Final

from ebbmark.physiology.before.staircase import StaircaseRules, Traced, named_cells

__all__ = ["faults_of_rules"]

_RANGES: Final = {
    "start_cmh2o": (8.0, 30.0),
    "decrement_cmh2o": (1.0, 5.0),
    "lowest_cmh2o": (0.0, 20.0),
    "dwell_s": (30.0, 1800.0),
    "peep_rise_cmh2o": (1.0, 10.0),
    "peep_top_cmh2o": (8.0, 45.0),
    "pressure_above_peep_cmh2o": (5.0, 25.0),
    "pressure_rise_cmh2o": (0.0, 10.0),
    "peak_top_cmh2o": (20.0, 60.0),
    "hold_s": (10.0, 600.0),
}
"""What a site may write at all: the published protocols lie within. This project's choice."""


_MARGIN_RANGE: Final = (0.0, 6.0)  # as for rules of reading; a protocol without a margin is laid out all the same


def faults_of_rules(rules: StaircaseRules) -> tuple[str, ...]:
    """What a rule set must not contain, one plain sentence each; empty where it may be used.

    Args:
        rules: the protocol, for example one of a site's own.

    Source: the accepted ranges are this project's own choice.
    """
    faults = [
        f"The rule set has no {name}." for name in ("slug", "version", "title", "citation") if not _text(rules, name)
    ]
    if rules.margin_on not in ("closing", "best"):
        faults.append(f"The margin is added to {rules.margin_on!r}; accepted is closing or best.")
    for name, words, cell in named_cells(rules, with_recruitment=True):
        lowest, highest = _RANGES[name]
        if (cell.value is None) != (cell.traced is Traced.NOT_VERIFIED):
            faults.append(f"The {words} must have a value exactly where it is not marked as not verified.")
        elif cell.value is not None and not (isfinite(cell.value) and lowest <= cell.value <= highest):
            faults.append(f"The {words} is {cell.value:g}; accepted is {lowest:g} to {highest:g}.")
        if not cell.source.strip():
            faults.append(f"The {words} names no source.")
    margin = rules.margin_cmh2o.value
    if margin is not None and not (isfinite(margin) and _MARGIN_RANGE[0] <= margin <= _MARGIN_RANGE[1]):
        low, high = _MARGIN_RANGE
        faults.append(f"The margin is {margin:g}; accepted is {low:g} to {high:g}.")
    start, lowest_peep = rules.start_cmh2o.value, rules.lowest_cmh2o.value
    if start is not None and lowest_peep is not None and start <= lowest_peep:
        faults.append("The way down does not lead down: its start is not above its lowest PEEP.")
    return tuple(faults)


def _text(rules: StaircaseRules, name: str) -> str:
    value: str = getattr(rules, name)
    return value.strip()
