"""Statistical process control: limits of a funnel plot, rules of a run chart, and groups too small to show.

Sources: Spiegelhalter DJ, Stat Med 2005;24:1185-202, doi 10.1002/sim.1970, appendix (exact binomial limits,
interpolated); Anhøj J, Olesen AV, PLoS One 2014;9:e113825, doi 10.1371/journal.pone.0113825 (longest run, crossings).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby, pairwise
from math import exp, lgamma, log, log1p, log2
from statistics import fmean, median

__all__ = ["FEWEST_POINTS", "INNER", "OUTER", "Runs", "funnel_limit", "hidden", "runs_of"]

INNER, OUTER = (0.025, 0.975), (0.001, 0.999)
"""Limits of 95 % and 99.8 %, about two and three standard deviations (Spiegelhalter 2005)."""

FEWEST_POINTS = 10
"""Useful points below which the rules of a run chart have little power (Anhøj, Olesen 2014 simulate 10 and more)."""


def funnel_limit(target: float, n: int, p: float) -> float:
    """The proportion that a unit with `n` cases and the target's chance stays below with probability `p`.

    Args:
        target: the proportion of all, 0 to 1.
        n: cases of the unit, at least 1.
        p: probability, for example 0.975.

    Source: Spiegelhalter 2005, appendix: (r - alpha) / n with the smallest r for which P(R <= r) > p.
    """
    if not 0 < target < 1:
        return target
    below = 0.0
    for r in range(n + 1):
        chance = _binomial(r, n, target)
        if below + chance > p or r == n:
            return min(max((r - (below + chance - p) / chance) / n, 0.0), 1.0)
        below += chance
    raise AssertionError("unreachable: the last r always returns")


def _binomial(r: int, n: int, p: float) -> float:
    ways = lgamma(n + 1) - lgamma(r + 1) - lgamma(n - r + 1)
    return exp(ways + r * log(p) + (n - r) * log1p(-p))


@dataclass(frozen=True, slots=True)
class Runs:
    """What the rules find in one run chart.

    Attributes:
        centre: the median, or the mean where most points lie on the median.
        useful: points that are not on the centre.
        longest: longest run of useful points on one side.
        longest_allowed: more is a signal.
        crossings: of the median.
        crossings_needed: fewer is a signal.
    """

    centre: float
    useful: int
    longest: int
    longest_allowed: int
    crossings: int
    crossings_needed: int

    @property
    def enough(self) -> bool:
        """Whether there are points enough for the rules."""
        return self.useful >= FEWEST_POINTS

    @property
    def signal(self) -> bool:
        """Whether the series changes beyond chance."""
        return self.enough and (self.longest > self.longest_allowed or self.crossings < self.crossings_needed)


def runs_of(values: Sequence[float], centre: float | None = None) -> Runs:
    """Look for a shift (one long run) and for too few crossings.

    Args:
        values: in order of time, at least one.
        centre: their median where None; else that of an earlier, stable period.

    Source: Anhøj and Olesen 2014: longest run above round(log2(n) + 3), crossings below the 5th centile of the binomial
    distribution with n - 1 trials and probability one half; n counts the points that are not on the median.
    """
    if centre is None:
        centre = median(values)
        if 2 * sum(value == centre for value in values) > len(values):
            # All others may lie on one side, as with a share that mostly is 100 %: that would be no run. Our choice.
            centre = fmean(values)
    sides = [value > centre for value in values if value != centre]
    n = len(sides)
    longest = max((len(list(run)) for _, run in groupby(sides)), default=0)
    crossings = sum(one != other for one, other in pairwise(sides))
    allowed = round(log2(n) + 3) if n else 0
    return Runs(centre, n, longest, allowed, crossings, _centile_of_half(n - 1))


def _centile_of_half(n: int) -> int:
    """The smallest k with P(K <= k) >= 0.05 for a fair coin thrown n times."""
    below = 0.0
    for k in range(max(n, 0) + 1):
        below += _binomial(k, n, 0.5) if n > 0 else 1.0
        if below >= 0.05:
            return k
    return 0


def hidden(counts: Sequence[int], smallest: int) -> tuple[bool, ...]:
    """Which groups of one total are not to be shown.

    A group of fewer than `smallest`, and none at all is no group. Where one alone is hidden, the total would tell it:
    the next smallest is then hidden with it.

    Args:
        counts: size of each group.
        smallest: size from which on a group is shown.

    Source: common practice of disclosure control, no published source.
    """
    hide = [0 < count < smallest for count in counts]
    others = [place for place, count in enumerate(counts) if count and not hide[place]]
    if sum(hide) == 1 and others:
        hide[min(others, key=lambda place: counts[place])] = True
    return tuple(hide)
