"""Which shapes can the true compliance of a decremental limb have, and where does each of them close?

The family is a fixed lattice. Going down from the highest PEEP, the logarithm of compliance is the sum of

* relief of overdistension: compliance rises by a constant share per cmH2O, everywhere or only above a bend;
* closing: units close around a midpoint, normally distributed with a width, and take a share (the depth) of
  compliance with them.

The closing step of each curve follows from the definition alone (`closing_events`), so that a probability over
curves is a probability over closing steps.

Source: closing pressures roughly normal in patients (Crotti et al., Am J Respir Crit Care Med 2001;164:131-40);
loss of units and relief of overdistension together shape compliance on the way down (Hickling, Am J Respir Crit
Care Med 2001;163:69-78). The lattice's ranges are the project's choice.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

__all__ = ["FALLING", "NOT_REACHED", "CurveFamily", "closing_events", "curve_family"]

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

NOT_REACHED = 0
"""Event: compliance never falls for good within the limb."""

FALLING = 1
"""Event: it has fallen for good at the second step, so that there is no better step above. Since nothing can
have fallen at the first step, the events 2, 3 … are closing at exactly that step (counted from 0)."""

_DRAWS = 16000
_PER_EVENT = 200

_PRIOR_NOT_REACHED = 0.25
_PRIOR_FALLING = 0.08


@dataclass(frozen=True, slots=True)
class CurveFamily:
    """Candidate curves on one set of PEEP steps, sorted by event.

    Attributes:
        shapes: logarithm of compliance of each curve at each step, each with mean zero [curves x steps].
        prior: probability of each curve [curves].
        event_starts: first curve of each event that has any [events present].
        event_numbers: those events [events present].
        abrupt: 1 where at least half of the curve's whole fall happens in the closing step [curves].
    """

    shapes: Floats
    prior: Floats
    event_starts: Integers
    event_numbers: Integers
    abrupt: Floats


def closing_events(compliance: Floats, fall: float) -> Integers:
    """Find the step of lasting fall on noise-free curves.

    The closing step is the first, going down, that lies at least `fall` below the maximum so far and does not
    recover at the next step. At the last step there is no next one: the fall counts.

    Args:
        compliance: [curves x steps], highest PEEP first.
        fall: relative fall that counts.

    Returns:
        Index of the closing step, `FALLING` (1) or `NOT_REACHED` (0) per curve [curves].

    Source: the definition is the project's own.
    """
    maximum = np.maximum.accumulate(compliance, axis=1)
    low = compliance <= (1.0 - fall) * maximum
    stays = low.copy()
    stays[:, :-1] &= low[:, 1:]
    return np.where(stays.any(axis=1), stays.argmax(axis=1), NOT_REACHED).astype(np.int64)


@lru_cache(maxsize=64)
def curve_family(peeps_cmh2o: tuple[float, ...], fall: float) -> CurveFamily:
    """Build the family for one set of steps.

    Prior: curves that share an event share its probability in proportion to how often the lattice draws their
    shape; *not reached* and *falling from the first step* have a fixed probability, the other steps the rest in
    equal parts.

    Args:
        peeps_cmh2o: strictly falling.
        fall: relative fall that counts as closing.

    Source: the ranges are the project's choice; see the module's docstring for the form.
    """
    peep = np.array(peeps_cmh2o)
    shapes = _draw_curves(peep)
    events = closing_events(np.exp(shapes), fall)
    kept = _thin(events, peep.size)
    shapes, events = shapes[kept] - shapes[kept].mean(axis=1, keepdims=True), events[kept]
    prior = _event_weights(events, np.ones(events.size), peep.size)
    numbers, starts = np.unique(events, return_index=True)
    return CurveFamily(shapes, prior / prior.sum(), starts, numbers, _abruptness(np.exp(shapes), events))


def _draw_curves(peep: Floats) -> Floats:
    """Draw the logarithm of compliance of many curves at the steps [draws x steps]."""
    top, bottom = peep[0], peep[-1]
    place = _even_points(_DRAWS, 8)
    slope = 0.16 * place[:, 0] ** 2
    bend = bottom - 4.0 + place[:, 1] * (top - bottom + 4.0)
    softness = 0.5 + 3.5 * place[:, 2]
    relief = -_softplus(peep, bend, softness) * slope[:, None]

    midpoint = bottom - 8.0 + place[:, 3] * (top - bottom + 16.0)
    width = 0.12 * 25.0 ** place[:, 4]
    depth = 0.03 + 0.7 * place[:, 5] ** 1.5
    early = _closed(peep, midpoint, width) * depth[:, None]
    second = midpoint - 8.0 + 12.0 * place[:, 6]
    share = 0.5 * np.maximum(place[:, 7] - 0.4, 0.0) / 0.6
    late = _closed(peep, second, np.maximum(width, 1.5)) * share[:, None]
    return relief + np.log1p(-early) + np.log1p(-late)


def _even_points(count: int, dimensions: int) -> Floats:
    """Spread points evenly over the unit cube, without chance (an additive recurrence)."""
    ratio = 2.0
    for _ in range(60):
        ratio = (1.0 + ratio) ** (1.0 / (dimensions + 1))
    steps = ratio ** -np.arange(1.0, dimensions + 1.0)
    return (0.5 + np.arange(1, count + 1)[:, None] * steps) % 1.0


def _softplus(peep: Floats, bend: Floats, softness: Floats) -> Floats:
    return softness[:, None] * np.logaddexp(0.0, (peep - bend[:, None]) / softness[:, None])


def _closed(peep: Floats, midpoint: Floats, width: Floats) -> Floats:
    return 0.5 * (1.0 + np.tanh((midpoint[:, None] - peep) / (2.0 * width[:, None])))


def _thin(events: Integers, steps: int) -> Integers:
    """Keep equally many curves of each step, and more of *not reached*, which takes more shapes."""
    kept = [
        np.flatnonzero(events == event)[: _PER_EVENT * (3 if event == NOT_REACHED else 1)]
        for event in range(steps)
    ]
    return np.concatenate(kept)


def _event_weights(events: Integers, weight: Floats, steps: int) -> Floats:
    inner = (1.0 - _PRIOR_NOT_REACHED - _PRIOR_FALLING) / max(steps - 2, 1)
    wanted = np.full(steps, inner)
    wanted[NOT_REACHED] = _PRIOR_NOT_REACHED
    if steps > FALLING:
        wanted[FALLING] = _PRIOR_FALLING
    present = np.bincount(events, weights=weight, minlength=steps)
    factors = np.divide(wanted, present, out=np.zeros(steps), where=present > 0)
    return factors[events]


def _abruptness(compliance: Floats, events: Integers) -> Floats:
    rows = np.arange(events.size)
    last_good = compliance[rows, np.maximum(events - 1, 0)]
    drop = last_good - compliance[rows, events]
    whole = compliance.max(axis=1) - compliance[:, -1]
    return ((events > FALLING) & (drop >= 0.5 * whole)).astype(np.float64)
