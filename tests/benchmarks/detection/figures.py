"""What do the scores look like? Reliability, risk against coverage, rivals, intervals, and the call to stop."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

import matplotlib.pyplot as plt

from benchmarks.detection.calibration import (
    expected_calibration_error,
    reliability,
    risk_coverage,
    top_stated,
)
from benchmarks.detection.look import INK, LOOK, MUTED, TEAL, WARM
from benchmarks.detection.scoring import coverage
from benchmarks.detection.sequential import OperatingPoint
from benchmarks.detection.trials import Outcome
from ebbmark.physiology.closing.result import Verdict


def draw_reliability(outcomes: Sequence[Outcome], path: Path) -> None:
    """Stated probability of the likeliest hypothesis against how often it was true."""
    table = reliability(*top_stated(outcomes))
    with plt.rc_context(LOOK):  # type: ignore[arg-type]
        figure, (upper, lower) = plt.subplots(
            2, 1, figsize=(4.2, 5.0), sharex=True, height_ratios=(4.0, 1.0), layout="constrained"
        )
        upper.plot((0.0, 1.0), (0.0, 1.0), color=MUTED, lw=0.8, ls=":")
        errors = [1.645 * (b.observed * (1.0 - b.observed) / b.count) ** 0.5 for b in table]
        stated, observed = [b.stated for b in table], [b.observed for b in table]
        upper.errorbar(stated, observed, yerr=errors, fmt="o-", ms=4.0, lw=1.2, elinewidth=0.8, color=TEAL)
        upper.set_ylim(0.0, 1.02)
        upper.set_ylabel("share that was true")
        upper.set_title(
            f"Does 80 % mean 80 %? Calibration error {expected_calibration_error(table):.3f}\n"
            f"{len(outcomes)} trials; bars: 90 % of sampling error; dots on the line are ideal",
            loc="left",
        )
        lower.bar([b.low + 0.05 for b in table], [b.count for b in table], width=0.092, color=MUTED)
        lower.set_ylabel("trials")
        lower.set_xlabel("stated probability of the likeliest answer")
        lower.set_xlim(0.0, 1.0)
        figure.savefig(path)
        plt.close(figure)


def draw_risk(outcomes: Sequence[Outcome], path: Path) -> None:
    """Error against the share of trials answered, the surest first; the point is what the verdicts do."""
    points = risk_coverage(outcomes)
    answered = [o for o in outcomes if o.answered]
    share = len(answered) / len(outcomes)
    x = [p.answered for p in points]
    with plt.rc_context(LOOK):  # type: ignore[arg-type]
        figure, axes = plt.subplots(figsize=(6.0, 3.6), layout="constrained")
        for values, style, color, marker, misses, name in (
            ([p.not_exact for p in points], "-", TEAL, "o", [not o.exact for o in answered], "not exact"),
            (
                [p.not_within_one for p in points],
                "--",
                WARM,
                "s",
                [not o.within_one for o in answered],
                "more than one step\noff, or another verdict",
            ),
        ):
            axes.plot(x, values, style, color=color, lw=1.4)
            axes.plot(share, sum(misses) / len(misses), marker, color=color, ms=6.0)
            axes.annotate(
                name, (x[-1], values[-1]), xytext=(4, 0), textcoords="offset points", va="center", color=color
            )
        axes.set_xlim(0.0, 1.0)
        axes.set_ylim(bottom=0.0)
        axes.set_xlabel("share of trials answered, surest first")
        axes.set_ylabel("share of answers that are wrong")
        axes.set_title("Error if only the surest answers are given\nMarks: where the stated rule puts us", loc="left")
        figure.savefig(path)
        plt.close(figure)


def draw_rivals(answers: Mapping[str, Sequence[Outcome]], ours: str, path: Path) -> None:
    """Exact hits against pressures named where closing was not reached, for every method; best is upper left."""
    with plt.rc_context(LOOK):  # type: ignore[arg-type]
        figure, axes = plt.subplots(figsize=(5.6, 4.2), layout="constrained")
        places = sorted(((*_place(o), name) for name, o in answers.items()), key=lambda p: -p[1])
        labels: list[tuple[float, float]] = []
        for x, y, name in places:
            # A label that would lie on another one moves down by a line.
            near = [label for at, label in labels if abs(at - x) < 0.3]
            labels.append((x, min([y, *(label - 0.036 for label in near)])))
            mine = name == ours
            axes.plot(x, y, "D" if mine else "o", color=TEAL if mine else MUTED, ms=7.0 if mine else 5.0)
            axes.annotate(
                name,
                (x, labels[-1][1]),
                xytext=(7, 0),
                textcoords="offset points",
                va="center",
                color=TEAL if mine else INK,
                weight="bold" if mine else "normal",
            )
        axes.set_xlim(0.0, 1.4 * max(x for x, _, _ in places))
        axes.set_ylim(0.0, 1.0)
        axes.set_xlabel("pressure named though closing was not reached (share of such trials)")
        axes.set_ylabel("exact step (share of all trials with closing)")
        axes.set_title("Every method on the same trials, knowable or not; up and left is better", loc="left")
        figure.savefig(path)
        plt.close(figure)


def _place(outcomes: Sequence[Outcome]) -> tuple[float, float]:
    closed = [o for o in outcomes if o.trial.case.truth.verdict is Verdict.FOUND]
    without = [o for o in outcomes if o.trial.case.truth.verdict is Verdict.NOT_REACHED]
    false = sum(o.verdict is Verdict.FOUND for o in without) / len(without)
    return false, sum(o.exact for o in closed) / len(closed)


def draw_intervals(groups: Mapping[str, Sequence[Outcome]], path: Path) -> None:
    """Coverage of the 90 % intervals of each group, with its sampling error."""
    rows = [(name, *coverage(outcomes)) for name, outcomes in groups.items()]
    rows = [row for row in rows if row[1] > 0][::-1]
    with plt.rc_context(LOOK):  # type: ignore[arg-type]
        figure, axes = plt.subplots(figsize=(5.2, 0.26 * len(rows) + 1.2), layout="constrained")
        axes.axvspan(0.88, 0.94, color=TEAL, alpha=0.12, lw=0)
        axes.axvline(0.90, color=MUTED, lw=0.8, ls=":")
        places = range(len(rows))
        shares = [share for _, _, share in rows]
        errors = [1.645 * (share * (1.0 - share) / count) ** 0.5 for _, count, share in rows]
        axes.errorbar(shares, places, xerr=errors, fmt="o", ms=4.0, elinewidth=0.8, color=TEAL)
        axes.set_yticks(places, [f"{name} ({count})" for name, count, _ in rows])
        axes.set_xlabel("share of 90 % intervals that hold the true closing pressure")
        axes.set_title("Shaded: the aim, 88 to 94 %", loc="left")
        figure.savefig(path)
        plt.close(figure)


def draw_sequential(curves: Mapping[str, Sequence[OperatingPoint]], path: Path) -> None:
    """False calls against delay of the call to stop lowering."""
    with plt.rc_context(LOOK):  # type: ignore[arg-type]
        figure, axes = plt.subplots(figsize=(4.8, 3.6), layout="constrained")
        for (name, points), color, style in zip(curves.items(), (TEAL, WARM), ("o-", "s--"), strict=False):
            axes.plot(
                [p.delay_steps for p in points],
                [p.false_calls for p in points],
                style,
                color=color,
                ms=4.0,
                lw=1.2,
                label=name,
            )
            for p in points[::2]:
                axes.annotate(
                    f"{p.limit:g}",
                    (p.delay_steps, p.false_calls),
                    xytext=(4, 4),
                    textcoords="offset points",
                    fontsize=6.5,
                    color=color,
                )
        axes.set_xlabel("mean delay of a right call (steps)")
        axes.set_ylabel("false calls (share of all trials)")
        axes.set_ylim(bottom=0.0)
        axes.set_title("When to stop lowering: numbers are the limit on P(closing passed)", loc="left")
        axes.legend()
        figure.savefig(path)
        plt.close(figure)
