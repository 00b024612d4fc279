"""Are two trials, two devices or two patients charted into one another, so that none can be followed?

Three signs, all this project's choice: PEEP goes up and down in turns by whole steps; PEEP comes back three times
within minutes to the level that it had just left, as where the rows of two staircases alternate; compliance jumps to
and fro from reading to reading, or lies far apart within each of the latest steps, as where two lungs take turns under
one falling PEEP. A rescue (PEEP raised, then lowered again) comes back once or twice and is none of them.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import Final

from ebbmark.physiology.protocols import Protocol
from ebbmark.physiology.trial.limb import Plateau, same_setting

__all__ = ["interleaved"]

_LOOKED_AT: Final = 10
"""Stretches of PEEP, the latest ones; an older muddle does not keep the present trial from being read."""

_RETURNS: Final = 3
_QUICK_S: Final = 600.0

_SWINGS: Final = 5
_SWING: Final = 0.12
"""Relative difference between one reading and the next that is far beyond what readings wander."""

_SPLIT_STEPS: Final = 3
_SPLIT: Final = 0.15
"""Relative difference within a step, the same as a sudden fall between two."""


def interleaved(plateaus: Sequence[Plateau], steps: Sequence[Sequence[float]], protocol: Protocol) -> str:
    """Say, as a clause, by which sign two records lie in one another; empty where nothing shows it.

    Args:
        plateaus: stretches of unchanged PEEP, in order of time.
        steps: compliances of each step of the way down, in order of time [mL/cmH2O].
        protocol: how large a step of a trial is.

    Source: this project's choice, see the module.
    """
    latest = plateaus[-_LOOKED_AT:]
    changes = [after.peep_cmh2o - before.peep_cmh2o for before, after in pairwise(latest[-5:])]
    leaps = [change for change in changes if abs(change) >= protocol.largest_decrement_cmh2o]
    if _alternate(changes, 4) or _alternate(leaps, 3):
        return "PEEP goes up and down in turns"
    returns = sum(_comes_back(first, third) for first, third in zip(latest, latest[2:], strict=False))
    if returns >= _RETURNS:
        return f"PEEP came back {returns} times within minutes to the level that it had just left"
    compliances = [one for step in steps for one in step]
    swings = [(after - before) / max(after, before) for before, after in pairwise(compliances)]
    tail = swings[-_SWINGS:]
    if _alternate(tail, _SWINGS) and min(map(abs, tail)) >= _SWING:
        return f"compliance jumps to and fro by {100 * min(map(abs, tail)):.0f} % or more from reading to reading"
    split = [step for step in steps[-_SPLIT_STEPS:] if len(step) > 1 and min(step) <= (1.0 - _SPLIT) * max(step)]
    if len(split) == _SPLIT_STEPS:
        return f"compliance lies {100 * _SPLIT:.0f} % or more apart within each of the latest {_SPLIT_STEPS} steps"
    return ""


def _comes_back(first: Plateau, third: Plateau) -> bool:
    return same_setting(first.peep_cmh2o, third.peep_cmh2o) and third.start_s - first.start_s <= _QUICK_S


def _alternate(changes: Sequence[float], fewest: int) -> bool:
    return len(changes) >= fewest and all(before * after < 0 for before, after in pairwise(changes))
