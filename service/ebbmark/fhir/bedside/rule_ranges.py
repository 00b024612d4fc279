"""What may a site's rules for reading a trial contain at all? Outside these ranges a slip is likelier than a choice.

The ranges are this project's own choice; the published protocols lie within.
"""

from __future__ import annotations

from math import isfinite

from ebbmark.physiology.protocols import Protocol

__all__ = ["faults_of_protocol"]

_RANGES: dict[str, tuple[float, float]] = {
    "fall": (0.01, 0.3),
    "margin_cmh2o": (0.0, 6.0),
    "minimum_steps": (3, 20),
    "largest_decrement_cmh2o": (1.0, 10.0),
    "longest_step_s": (120.0, 7200.0),
    "settling_s": (0.0, 600.0),
    "target_ml_per_kg": (4.0, 8.0),
    "plateau_limit_cmh2o": (20.0, 35.0),
    "driving_pressure_limit_cmh2o": (10.0, 20.0),
}
_RUNGS = (4.0, 5.0, 6.0, 7.0, 8.0)


def faults_of_protocol(protocol: Protocol) -> tuple[str, ...]:
    """What a rule set must not contain, one plain sentence each; empty where it may be used.

    Args:
        protocol: for example one of a site's own.
    """
    named = ("slug", "version", "title", "citation")
    faults = [f"The rule set has no {name}." for name in named if not str(getattr(protocol, name)).strip()]
    for name, (low, high) in _RANGES.items():
        value = float(getattr(protocol, name))
        if not (isfinite(value) and low <= value <= high):
            faults.append(f"{name} is {value:g}; accepted is {low:g} to {high:g}.")
    margins = protocol.margins_cmh2o
    if not margins or any(not 0.0 <= one <= 6.0 for one in margins) or list(margins) != sorted(margins):
        faults.append("margins_cmh2o must rise, each from 0 to 6.")
    elif not margins[0] <= protocol.margin_cmh2o <= margins[-1]:
        faults.append("margin_cmh2o must lie within margins_cmh2o.")
    rungs = protocol.ladder_ml_per_kg
    if not rungs or any(one not in _RUNGS for one in rungs) or list(rungs) != sorted(set(rungs)):
        faults.append("ladder_ml_per_kg must rise, each one of 4, 5, 6, 7 and 8.")
    elif not any(one <= protocol.target_ml_per_kg for one in rungs):
        faults.append("target_ml_per_kg must not lie below the whole of ladder_ml_per_kg.")
    return tuple(faults)
