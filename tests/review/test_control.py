"""Rules of statistical process control against their published form and an independent library.

Sources: Spiegelhalter, Stat Med 2005;24:1185-202, appendix; Anhøj and Olesen, PLoS One 2014;9:e113825; the example of
13 points is that of the authors' account of the rules, sciencetrends.com, "Improving tools for quality improvement".
"""

from __future__ import annotations

from itertools import pairwise
from math import log2

import pytest
from scipy.stats import binom

from ebbmark.review.charts import funnel_limit, hidden, runs_of


@pytest.mark.parametrize(("target", "n"), [(0.1, 20), (0.5, 35), (0.93, 400), (0.02, 1500)])
@pytest.mark.parametrize("p", [0.001, 0.025, 0.975, 0.999])
def test_a_limit_of_the_funnel_is_the_interpolated_binomial_centile(target: float, n: int, p: float) -> None:
    # R's qbinom gives the smallest r with P(R <= r) >= p; equality does not occur here.
    r = binom.ppf(p, n, target)
    alpha = (binom.cdf(r, n, target) - p) / binom.pmf(r, n, target)

    assert funnel_limit(target, n, p) == pytest.approx(max((r - alpha) / n, 0.0), rel=1e-9)


def test_the_funnel_narrows_towards_the_target() -> None:
    widths = [funnel_limit(0.8, n, 0.999) - funnel_limit(0.8, n, 0.001) for n in (10, 100, 1000, 10_000)]

    assert all(wide > narrow for wide, narrow in pairwise(widths))


def test_where_all_or_none_are_counted_the_funnel_is_the_target() -> None:
    assert [funnel_limit(target, 12, 0.999) for target in (0.0, 1.0)] == [0.0, 1.0]


@pytest.mark.parametrize("n", range(10, 61))
def test_limits_of_runs_are_those_that_are_published(n: int) -> None:
    found = runs_of([(-1.0) ** place for place in range(n)]) if n % 2 == 0 else runs_of([0, *[1, -1] * (n // 2)])

    useful = n if n % 2 == 0 else n - 1
    assert found.useful == useful
    assert (found.longest_allowed, found.crossings_needed) == (
        round(log2(useful) + 3),
        binom.ppf(0.05, useful - 1, 0.5),
    )


def test_of_24_points_a_run_of_9_is_a_shift_and_a_run_of_8_is_none() -> None:
    # round(log2(24) + 3) = 8, the 5th centile of 23 throws of a coin is 8.
    around = [1, -1, 1, -1, 1, -1, 1, -1]
    eight = [*[1] * 8, *[-1, 1] * 4, *[-1] * 8]
    nine = [*[1] * 9, -1, *around[:5], *[-1] * 9]

    assert (runs_of(eight).longest, runs_of(eight).longest_allowed) == (8, 8)
    assert runs_of(nine).longest == 9
    assert runs_of(nine).signal


def test_the_authors_example_of_13_points_has_5_crossings_and_needs_3() -> None:
    # Crossings from point 3 to 4, 6 to 7, 7 to 8, 9 to 10 and 10 to 11; longest run 3; fewer than 3 would be a signal.
    found = runs_of([1, 1, 1, -1, -1, -1, 1, -1, -1, 1, -1, -1, -1], centre=0.0)

    assert (found.useful, found.longest, found.crossings, found.crossings_needed) == (13, 3, 5, 3)
    assert not found.signal


def test_a_series_that_crosses_its_median_too_seldom_is_a_signal() -> None:
    found = runs_of([*[1] * 6, *[-1] * 6, *[1] * 6, *[-1] * 6])

    assert (found.longest, found.crossings, found.crossings_needed, found.signal) == (6, 3, 8, True)


def test_points_on_the_median_do_not_count_and_few_points_give_no_signal() -> None:
    found = runs_of([1, 1, 1, 0, 0, -1, -1, -1])

    assert (found.useful, found.longest, found.crossings, found.signal) == (6, 3, 1, False)


def test_a_share_that_mostly_is_whole_and_falls_now_and_then_is_no_run() -> None:
    now_and_then = runs_of([1.0, 1.0, 0.9] * 12)
    from_some_day_on = runs_of([*[1.0] * 20, *[0.9, 0.8] * 8])

    assert (now_and_then.longest, now_and_then.signal) == (2, False)
    assert (from_some_day_on.longest, from_some_day_on.signal) == (20, True)


def test_a_small_group_is_hidden_and_never_alone() -> None:
    assert hidden([40, 3, 12], 5) == (False, True, True)
    assert hidden([40, 3, 2], 5) == (False, True, True)
    assert hidden([40, 0, 12], 5) == (False, False, False)
