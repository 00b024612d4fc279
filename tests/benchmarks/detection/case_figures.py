"""What did the estimator see, and say, in single trials? Compliance against PEEP, a dozen on a page."""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Sequence
from pathlib import Path

import matplotlib.pyplot as plt
import numpy as np
from matplotlib.axes import Axes
from matplotlib.ticker import MaxNLocator

from benchmarks.detection.look import INK, LOOK, MUTED, SAND, TEAL, WARM
from benchmarks.detection.trials import Outcome, Trial
from ebbmark.physiology.closing.result import Closing, Verdict

MARGIN_CMH2O = 2.0
"""Margin of the suggested PEEP that is drawn: common practice, 2 to 4."""

KEY = (
    "Circles: readings (×: off the scale). Line and band: estimated compliance, 90 %. Dashes: true static one. "
    "▼ true closing. ■ closing as named, with its 90 % interval. ◇ named + 2 cmH2O.\n"
    "Columns below: probability that closing started at the step; hatched, left: falling from the first step; "
    "hatched, right: not reached."
)

SAID = {
    Verdict.FOUND: "found",
    Verdict.NOT_REACHED: "not reached",
    Verdict.FALLING_FROM_FIRST_STEP: "falling from first step",
    Verdict.INDETERMINATE: "indeterminate",
}


def typical(outcomes: Sequence[Outcome], count: int = 12) -> list[Outcome]:
    """Take trials in turn from all families and conditions, without looking at the answers."""
    families = list(dict.fromkeys(o.trial.case.family for o in outcomes))
    conditions = list(dict.fromkeys(o.trial.condition for o in outcomes))
    chosen = []
    for i in range(count):
        family, condition = families[i % len(families)], conditions[i % len(conditions)]
        some = [o for o in outcomes if o.trial.case.family == family and o.trial.condition == condition]
        chosen.append(some[i // len(families) % len(some)])
    return chosen


def worst(outcomes: Sequence[Outcome], count: int = 12) -> list[Outcome]:
    """Take the surest of the answers that were wrong by more than one step, or of another verdict.

    Answers on knowable trials come first; if they are too few, the others follow.
    """
    wrong = [o for o in outcomes if o.answered and not o.within_one]
    return sorted(wrong, key=lambda o: (not o.trial.knowable, -o.confidence))[:count]


def draw_cases(
    outcomes: Sequence[Outcome], estimate: Callable[[Trial], Closing | None], title: str, path: Path
) -> None:
    """Draw up to twelve trials and write the page.

    Args:
        outcomes: answers, best twelve.
        estimate: asked again, in the way in which the trial was judged, for the fitted curve.
        title: heading of the page.
        path: file to write.
    """
    with plt.rc_context(LOOK):  # type: ignore[arg-type]
        figure = plt.figure(figsize=(13.5, 11.0))
        grid = figure.add_gridspec(3, 4, hspace=0.48, wspace=0.24, top=0.87)
        for i, outcome in enumerate(outcomes[:12]):
            inner = grid[i // 4, i % 4].subgridspec(2, 1, height_ratios=(4.2, 1.0), hspace=0.10)
            upper = figure.add_subplot(inner[0])
            lower = figure.add_subplot(inner[1], sharex=upper)
            closing = estimate(outcome.trial)
            if closing is None:
                continue
            _draw_curve(upper, outcome.trial, closing)
            _draw_chances(lower, closing)
        figure.text(0.125, 0.965, title, fontsize=11.0)
        figure.text(0.125, 0.925, KEY, fontsize=8.0, color=MUTED, linespacing=1.4)
        figure.savefig(path)
        plt.close(figure)


def _draw_curve(axes: Axes, trial: Trial, closing: Closing) -> None:
    peeps = np.array([step.peep_cmh2o for step in trial.steps])
    rows = [(s.fitted_ml_per_cmh2o, s.fitted_low_ml_per_cmh2o, s.fitted_high_ml_per_cmh2o) for s in closing.steps]
    fitted, low, high = np.array(rows).T
    axes.fill_between(peeps, low, high, color=SAND, alpha=0.75, lw=0, zorder=1)
    axes.plot(peeps, fitted, "-", color=TEAL, lw=1.4, zorder=3)
    true = np.array(trial.case.compliances_ml_per_cmh2o)
    axes.plot(trial.case.peeps_cmh2o, true, "--", color=WARM, lw=0.9, zorder=3)
    readings = np.array([y for step in trial.steps for y in step.compliances_ml_per_cmh2o])
    centre, reach = float(np.median(true)), 1.2 * float(max(high.max(), true.max()) - min(low.min(), true.min()))
    shown = readings[np.abs(readings - centre) <= reach]
    floor = float(min(low.min(), true.min(), shown.min(initial=centre)))
    ceiling = float(max(high.max(), true.max(), shown.max(initial=centre)))
    room = ceiling - floor
    axes.set_ylim(floor - 0.22 * room, ceiling + 0.12 * room)
    _draw_readings(axes, trial, floor - 0.03 * room, ceiling + 0.06 * room)
    if trial.case.truth.verdict is Verdict.FOUND and trial.case.truth.step is not None:
        step_index = trial.case.truth.step
        axes.plot(trial.case.peeps_cmh2o[step_index], true[step_index] + 0.10 * room, "v", color=WARM, ms=5.5, zorder=5)
    if closing.peep_cmh2o is not None:
        y = floor - 0.13 * room
        if closing.interval_cmh2o is not None:
            axes.plot(closing.interval_cmh2o, (y, y), "-", color=TEAL, lw=1.6, solid_capstyle="butt")
        axes.plot(closing.peep_cmh2o, y, "s", color=TEAL, ms=4.5)
        axes.plot(closing.peep_cmh2o + MARGIN_CMH2O, y, "D", mfc="white", mec=TEAL, mew=0.9, ms=4.5)
    axes.set_title(_heading(trial, closing), loc="left", linespacing=1.35)
    axes.yaxis.set_major_locator(MaxNLocator(4))
    axes.tick_params(labelbottom=False)
    axes.set_ylabel("mL/cmH2O")


def _draw_readings(axes: Axes, trial: Trial, bottom: float, top: float) -> None:
    for step in trial.steps:
        y = np.array(step.compliances_ml_per_cmh2o)
        x = step.peep_cmh2o + (np.arange(len(y)) - (len(y) - 1) / 2) * min(0.9 / len(y), 0.25)
        off = (y < bottom) | (y > top)
        axes.plot(x[~off], y[~off], "o", ms=2.6, mfc="none", mec=INK, mew=0.5, alpha=0.75, zorder=2)
        axes.plot(x[off], np.clip(y[off], bottom, top), "x", ms=4.0, color=INK, mew=0.8, zorder=2)


_WIDEST = 42
"""Letters of a heading that fit above one of four figures."""


def _heading(trial: Trial, closing: Closing) -> str:
    said = SAID[closing.verdict]
    if closing.peep_cmh2o is not None and closing.interval_cmh2o is not None:
        low, high = closing.interval_cmh2o
        said += f" {closing.peep_cmh2o:g} ({low:g} to {high:g})"
    truth = SAID[trial.case.truth.verdict]
    if trial.case.truth.verdict is Verdict.FOUND and trial.case.truth.step is not None:
        truth = f"{trial.case.peeps_cmh2o[trial.case.truth.step]:g}"
    known = "" if trial.knowable else " (not knowable)"
    which = textwrap.shorten(f"{trial.case.family} · {trial.condition}", _WIDEST, placeholder=" ...")
    return f"{which}\nsaid: {said}; p {closing.probability:.2f}\ntrue: {truth}{known}"


def _draw_chances(axes: Axes, closing: Closing) -> None:
    peeps = [step.peep_cmh2o for step in closing.steps]
    gap = 0.11 * (peeps[0] - peeps[-1]) + 0.8
    width = 0.5 * gap
    axes.bar(peeps, [step.probability for step in closing.steps], width=width, color=TEAL, lw=0)
    for place, chance, name in (
        (peeps[0] + gap, closing.falling_from_first_step, "falling"),
        (peeps[-1] - gap, closing.not_reached, "not reached"),
    ):
        axes.bar(place, chance, width=width, color="white", edgecolor=MUTED, hatch="////", lw=0.6)
        axes.text(place, chance + 0.08, name, ha="center", va="bottom", fontsize=6.0, color=MUTED)
    axes.set_ylim(0.0, 1.45)
    axes.set_yticks((0.0, 1.0))
    axes.xaxis.set_major_locator(MaxNLocator(6, integer=True))
    axes.set_xlim(peeps[0] + 2.0 * gap, peeps[-1] - 2.0 * gap)
    axes.set_xlabel("set PEEP, lowered from left to right (cmH2O)", fontsize=7.0)
