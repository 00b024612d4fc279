"""Statistical process control and its charts as SVG: funnel plot, run chart, small multiples of months, bars.

Limits of a funnel plot, rules of a run chart, and groups too small to show. Classes are those of the pages' stylesheet
(roles in place of colours), so that a chart follows light, dark and print. Every chart has a title for those who cannot
see it, and stands beside the table that holds its numbers.

Sources: Spiegelhalter DJ, Stat Med 2005;24:1185-202, doi 10.1002/sim.1970, appendix (exact binomial limits,
interpolated); Anhøj J, Olesen AV, PLoS One 2014;9:e113825, doi 10.1371/journal.pone.0113825 (longest run, crossings).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from html import escape
from itertools import groupby, pairwise
from math import exp, lgamma, log, log1p, log2
from statistics import fmean, median

INNER, OUTER = (0.025, 0.975), (0.001, 0.999)
"""Limits of 95 % and 99.8 %, about two and three standard deviations (Spiegelhalter 2005)."""

FEWEST_POINTS = 10
"""Useful points below which the rules of a run chart have little power (Anhøj, Olesen 2014 simulate 10 and more)."""


def funnel_limit(target: float, n: int, p: float) -> float:
    """The proportion that a unit with `n` cases and the target's chance stays below with probability `p`.

    Args:
        target: the proportion of all, 0 to 1.

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

    Source: common practice of disclosure control, no published source.
    """
    hide = [0 < count < smallest for count in counts]
    others = [place for place, count in enumerate(counts) if count and not hide[place]]
    if sum(hide) == 1 and others:
        hide[min(others, key=lambda place: counts[place])] = True
    return tuple(hide)


WIDTH, HEIGHT = 640.0, 300.0
LEFT, RIGHT, TOP, BOTTOM = 56.0, 120.0, 16.0, 40.0


def _svg(width: float, height: float, title: str, parts: Sequence[str]) -> str:
    return (
        f'<svg class="drawn" viewBox="0 0 {width:g} {height:g}" role="img" aria-label="{escape(title)}" '
        f'style="max-width:{width:g}px" font-size="12">{"".join(parts)}</svg>'
    )


def _line(points: Sequence[tuple[float, float]], role: str, width: float = 1.0, dash: str = "") -> str:
    path = " ".join(f"{x:.1f},{y:.1f}" for x, y in points)
    dashed = f' stroke-dasharray="{dash}"' if dash else ""
    return f'<polyline class="line-{role}" fill="none" stroke-width="{width:g}"{dashed} points="{path}"/>'


def _text(x: float, y: float, text: str, anchor: str = "start", role: str = "muted") -> str:
    return f'<text class="fill-{role}" x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}">{escape(text)}</text>'


def _ticks(low: float, high: float) -> list[float]:
    """A few round values from low to high."""
    step = next(
        (size for size in (0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50, 100) if (high - low) / size <= 6), high - low
    )
    first = int(low / step) * step
    return [round(first + step * place, 6) for place in range(9) if low <= first + step * place <= high + 1e-9]


def funnel(title: str, units: Sequence[tuple[str, int, int]]) -> str:
    """Share against size, with limits of 95 % and 99.8 % around the share of all.

    Args:
        units: name, how many counted, of how many; at least one.

    Source: Spiegelhalter 2005, see `control`.
    """
    target = sum(k for _, k, _ in units) / sum(n for _, _, n in units)
    largest = round(max(n for _, _, n in units) * 1.1) + 1
    sizes = sorted({max(1, round(largest * place / 80)) for place in range(1, 81)})
    limits = {p: [funnel_limit(target, n, p) for n in sizes] for p in (*INNER, *OUTER)}
    shares = [k / n for _, k, n in units]
    # Limits of tiny units reach far: the picture shows what the units need.
    low = max(0.0, min(*shares, target - 0.15) - 0.05)
    high = min(1.0, max(*shares, target + 0.15) + 0.05)

    def at(n: float, share: float) -> tuple[float, float]:
        x = LEFT + (WIDTH - LEFT - RIGHT) * n / largest
        return x, HEIGHT - BOTTOM - (HEIGHT - TOP - BOTTOM) * (min(max(share, low), high) - low) / (high - low)

    parts = []
    for value in _ticks(low, high):
        (left, y), (right, _) = at(0, value), at(largest, value)
        parts += [_line([(left, y), (right, y)], "band"), _text(LEFT - 8, y + 4, f"{100 * value:.0f} %", "end")]
    # Beyond the picture a limit is not drawn, so that its edge is not taken for one.
    drawn = {p: [(n, one) for n, one in zip(sizes, limits[p], strict=True) if low <= one <= high] for p in limits}
    for p, width, dash in ((OUTER[0], 1.2, ""), (OUTER[1], 1.2, ""), (INNER[0], 1.0, "4 3"), (INNER[1], 1.0, "4 3")):
        parts.append(_line([at(n, share) for n, share in drawn[p]], "hairline", width, dash))
    parts.append(_line([at(0, target), at(largest, target)], "muted", 1.2))
    last_x = WIDTH - RIGHT + 6
    parts.append(_text(last_x, at(0, target)[1] + 4, f"all: {100 * target:.0f} %"))
    for p, told in ((OUTER[1], "99.8 %"), (INNER[1], "95 %")):
        if drawn[p]:
            parts.append(_text(last_x, at(0, drawn[p][-1][1])[1] + 4, f"limit {told}"))
    dots, taken = [at(n, k / n) for _, k, n in units], list[tuple[float, float]]()
    for name, k, n in units:
        x, y = at(n, k / n)
        # A name that would lie on another name, or on another point, goes above or below its own.
        near = [b for a, b in dots if 0 < a - x < 60] + [b for a, b in taken if abs(a - x) < 60]
        named_y = next((one for one in (y, y - 13, y + 13) if all(abs(one - b) > 11 for b in near)), y)
        taken.append((x, named_y))
        beyond = not funnel_limit(target, n, OUTER[0]) <= k / n <= funnel_limit(target, n, OUTER[1])
        role = "closing" if beyond else "ink"
        parts += [
            f'<circle class="fill-{role}" cx="{x:.1f}" cy="{y:.1f}" r="4"/>',
            _text(x + 7, named_y + 4, name, role="ink"),
        ]
    for value in _ticks(0, largest):
        parts.append(_text(at(value, low)[0], HEIGHT - BOTTOM + 18, f"{value:g}", "middle"))
    parts.append(_text((LEFT + WIDTH - RIGHT) / 2, HEIGHT - 4, "trials that count", "middle"))
    return _svg(WIDTH, HEIGHT, title, parts)


def run_chart(title: str, points: Sequence[tuple[str, float]], runs: Runs) -> str:
    """One series over time with its centre line.

    Args:
        points: when, and the value; at least one.

    Source: Anhøj and Olesen 2014, see `control`.
    """
    width, height = WIDTH, 200.0
    values = [value for _, value in points]
    spread = max(values) - min(values) or max(abs(values[0]), 1.0) * 0.1
    low, high = min(values) - 0.1 * spread, max(values) + 0.1 * spread

    def at(place: float, value: float) -> tuple[float, float]:
        x = LEFT + (width - LEFT - RIGHT) * place / max(len(points) - 1, 1)
        return x, height - BOTTOM - (height - TOP - BOTTOM) * (value - low) / (high - low)

    role = "closing" if runs.signal else "muted"
    parts = [_text(LEFT - 8, at(0, value)[1] + 4, f"{value:g}", "end") for value in _ticks(low, high)]
    parts.append(_line([at(0, runs.centre), at(len(points) - 1, runs.centre)], role, 1.4, "6 4" if runs.signal else ""))
    parts.append(_text(width - RIGHT + 6, at(0, runs.centre)[1] + 4, f"centre {runs.centre:.3g}"))
    places = [at(place, value) for place, value in enumerate(values)]
    parts.append(_line(places, "ink", 1.2))
    parts += [f'<circle class="fill-ink" cx="{x:.1f}" cy="{y:.1f}" r="2.6"/>' for x, y in places]
    for place in sorted({0, (len(points) - 1) // 2, len(points) - 1}):
        anchor = "start" if place == 0 and len(points) > 1 else "middle"
        parts.append(_text(at(place, low)[0], height - BOTTOM + 20, points[place][0], anchor))
    return _svg(width, height, title, parts)


def small_multiples(title: str, series: Sequence[tuple[str, Sequence[tuple[str, int | None, int | None]]]]) -> str:
    """The same share by month for each unit, one small chart each, all on one scale; months too small are left open.

    Args:
        series: name of the unit; month, how many counted, of how many (None where too small).
    """
    across, width, height, gap = 3, 196.0, 96.0, 16.0
    months = sorted({month for _, points in series for month, _, _ in points})
    step = (width - 34) / max(len(months) - 1, 1)
    parts = []
    for place, (name, points) in enumerate(series):
        x0, y0 = (place % across) * (width + gap), (place // across) * (height + 60) + 30
        parts.append(_text(x0, y0 - 14, name, role="ink"))
        for share, told in ((0.0, "0"), (1.0, "100 %")):
            y = y0 + height * (1 - share)
            parts.append(_line([(x0 + 34, y), (x0 + width, y)], "band"))
            parts.append(_text(x0 + 30, y + 4, told, "end"))
        shown = {
            months.index(month): (x0 + 34 + step * months.index(month), y0 + height * (1 - k / n))
            for month, k, n in points
            if k is not None and n
        }
        # A line over a month that is not shown would show something of it.
        parts += [_line([at, shown[one + 1]], "ink", 1.2) for one, at in shown.items() if one + 1 in shown]
        parts += [f'<circle class="fill-ink" cx="{x:.1f}" cy="{y:.1f}" r="2.2"/>' for x, y in shown.values()]
        parts.append(_text(x0 + 34, y0 + height + 15, months[0]))
        parts.append(_text(x0 + width, y0 + height + 15, months[-1], "end"))
    rows = (len(series) + across - 1) // across
    return _svg(across * (width + gap), rows * (height + 60) + 10, title, parts)


def bars(title: str, counts: Sequence[tuple[str, int | None]]) -> str:
    """One bar for each row; a count that is too small to be shown has none."""
    row, left = 22.0, 230.0
    most = max((count or 0 for _, count in counts), default=0) or 1
    parts = []
    for place, (name, count) in enumerate(counts):
        y = place * row
        length = (WIDTH - left - 70) * (count or 0) / most
        parts.append(_text(left - 8, y + 15, name, "end", "ink"))
        parts.append(f'<rect class="fill-suggestion" x="{left}" y="{y + 4:.1f}" width="{length:.1f}" height="14"/>')
        parts.append(_text(left + length + 6, y + 15, "too few" if count is None else str(count)))
    return _svg(WIDTH, len(counts) * row + 6, title, parts)
