"""Outliers: how credible it is that all that was read of a step is wrong (suction, a leak, an effort, a slip).

A step is *confirmed* where at least two of its readings, and more than half of them, agree, and where they were taken
over 30 s or more (or nobody knows when). What spoils one reading is mostly gone by the next, so that a confirmed step
is seldom spoiled as a whole. What lasts that long, such as a leak or secretions, reads too high as often as too low,
and by a little far more often than by a lot: its size is spread about the steps around it as a Cauchy density, so that
a confirmed fall gains belief as it grows, until it is larger than any lung's. A step that is not confirmed may be
spoiled by any amount: its density is the same everywhere.

Source: the project's choice; no published figure was found for how often a step of a PEEP trial is spoiled.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from math import pi

import numpy as np
from numpy.typing import NDArray

from ebbmark.physiology.closing.arithmetic import Floats, Integers, log
from ebbmark.physiology.closing.noise import StepCentres

__all__ = ["log_spoiled_odds"]

_SPOILED = 0.03
_SPOILED_DENSITY = 1.0
_SPOILED_IF_CONFIRMED = 0.001
_SIZE_IF_CONFIRMED = 0.10
_LOG_SINGLE, _LOG_CONFIRMED = log(
    np.array(
        [
            _SPOILED / (1.0 - _SPOILED) * _SPOILED_DENSITY,
            _SPOILED_IF_CONFIRMED / (1.0 - _SPOILED_IF_CONFIRMED) / (pi * _SIZE_IF_CONFIRMED),
        ]
    )
).tolist()

_AGREE_WITHIN, _AGREE_SHARE = 0.05, 0.5
_SHORTEST_SPAN_S = 30.0
_STEPS_AROUND = 4
_DECIMALS = 9
"""To which distances are rounded before a limit is applied, so that no last bit decides."""


def log_spoiled_odds(data: StepCentres, spans_s: Sequence[float | None]) -> Floats:
    """Give the logarithm of the odds that each step is spoiled, times the density of what was then read [steps].

    Args:
        data: the condensed readings.
        spans_s: time between the first and the last reading of each step [s]; None where not known.

    Source: see the module.
    """
    size = _distances(data.centres)
    confirmed = _LOG_CONFIRMED - log(1.0 + (size / _SIZE_IF_CONFIRMED) ** 2)
    return np.asarray(np.where(_confirmed(data, size, spans_s), confirmed, _LOG_SINGLE), dtype=np.float64)


def _confirmed(data: StepCentres, size: Floats, spans_s: Sequence[float | None]) -> NDArray[np.bool_]:
    """Whether the readings of each step confirm one another.

    They agree where they lie within 5 % of their centre, or nearer to it than to where the steps around lie: readings
    that all lie far below confirm a fall, however they scatter.
    """
    if not data.freedom:
        return np.zeros(size.size, dtype=np.bool_)
    limit = np.maximum(_AGREE_WITHIN, _AGREE_SHARE * size)
    apart = np.abs(data.values - np.repeat(data.centres, data.counts))
    close = np.round(apart - np.repeat(limit, data.counts), _DECIMALS) <= 0.0
    agreeing = np.add.reduceat(close.astype(np.int64), np.cumsum(data.counts) - data.counts)
    lasting = np.array([span is None or span >= _SHORTEST_SPAN_S for span in spans_s])
    confirmed: NDArray[np.bool_] = (agreeing > 1) & (2 * agreeing > data.counts) & lasting
    return confirmed


def _distances(centres: Floats) -> Floats:
    """Distance of each step from the median of the four steps around it."""
    around = np.sort(centres[_steps_around(centres.size)], axis=1)
    last = around.shape[1] - 1
    return np.abs(centres - 0.5 * (around[:, last // 2] + around[:, (last + 1) // 2]))


@lru_cache(maxsize=32)
def _steps_around(steps: int) -> Integers:
    """For each step the four others nearest to it by number: two above and two below, at the ends all on one side."""
    rows = []
    for step in range(steps):
        first = max(0, min(step - _STEPS_AROUND // 2, steps - 1 - _STEPS_AROUND))
        rows.append([other for other in range(first, min(first + _STEPS_AROUND + 1, steps)) if other != step])
    return np.array(rows)
