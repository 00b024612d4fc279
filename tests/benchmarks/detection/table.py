"""How are the figures written down for a reader? Plain text, fixed width."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from benchmarks.detection.calibration import RiskPoint
from benchmarks.detection.goals import Goal
from benchmarks.detection.scoring import Scores, coverage, mean_width_cmh2o
from benchmarks.detection.sequential import OperatingPoint
from benchmarks.detection.trials import Outcome

COLUMNS = (
    ("trials", "trials", 7),
    ("exact", "exact", 7),
    ("within_one", "+/-1", 7),
    ("mae_cmh2o", "MAE", 7),
    ("too_low", "too low", 9),
    ("false_found_knowable", "false kn.", 11),
    ("false_found", "false all", 11),
    ("falling_called_found", "falling", 9),
    ("missed", "missed", 8),
    ("missed_confirmable", "but last", 10),
    ("abstained_knowable", "no answer kn.", 15),
    ("abstained", "no answer", 11),
    ("wrong_unknowable", "wrong unkn.", 13),
    ("microseconds", "us", 9),
)


def score_table(rows: Mapping[str, Scores], *, first: str) -> str:
    """Write one line per row; see `Scores` for what each column is a share of."""
    width = max(len(first), *(len(name) for name in rows))
    lines = [first.ljust(width) + "".join(title.rjust(wide) for _, title, wide in COLUMNS)]
    for name, scores in rows.items():
        cells = (_cell(getattr(scores, field)).rjust(wide) for field, _, wide in COLUMNS)
        lines.append(name.ljust(width) + "".join(cells))
    return "\n".join(lines)


def goal_table(goals: Sequence[Goal]) -> str:
    """Write each goal, the value, its limits and whether it was met."""
    width = max(len(goal.name) for goal in goals)
    lines = []
    for goal in goals:
        low = "" if goal.at_least is None else f">= {goal.at_least:g}"
        high = "" if goal.at_most is None else f"<= {goal.at_most:g}"
        lines.append(
            f"{goal.name.ljust(width)}  {_cell(goal.value):>7}  {f'{low} {high}'.strip():<16}  "
            + ("for information" if not low and not high else "met" if goal.met else "NOT MET")
        )
    return "\n".join(lines)


def goals_side_by_side(measured: Mapping[str, Sequence[Goal]]) -> str:
    """Write each goal once, and beside it what was measured on each kind of lung, met or not."""
    columns = list(measured.values())
    width = max(len(goal.name) for goal in columns[0])
    lines = ["".ljust(width + 20) + "".join(name.rjust(24) for name in measured)]
    for row in zip(*columns, strict=True):
        goal = row[0]
        low = "" if goal.at_least is None else f">= {goal.at_least:g}"
        high = "" if goal.at_most is None else f"<= {goal.at_most:g}"
        cells = (
            f"{_cell(each.value)} {'' if not low and not high else 'met' if each.met else 'NOT MET':<7}" for each in row
        )
        lines.append(f"{goal.name.ljust(width)}  {f'{low} {high}'.strip():<18}" + "".join(c.rjust(24) for c in cells))
    return "\n".join(lines)


def risk_table(measured: Mapping[str, Sequence[RiskPoint]]) -> str:
    """Write how often the likeliest hypothesis is wrong if only the surest share of all trials is answered."""
    width = 8 + max(len(name) for name in measured)
    lines = [
        "SUREST SHARE ANSWERED: not exact, more than one step off",
        " " * 8 + "".join(n.rjust(width) for n in measured),
    ]
    for row in zip(*measured.values(), strict=True):
        cells = (f"{point.not_exact:.3f}  {point.not_within_one:.3f}".rjust(width) for point in row)
        lines.append(f"{row[0].answered:8.2f}" + "".join(cells))
    return "\n".join(lines)


def interval_table(groups: Mapping[str, Sequence[Outcome]]) -> str:
    """Write count, coverage and mean width of the 90 % intervals of each group."""
    width = max(len(name) for name in groups)
    lines = [f"{'90 % intervals'.ljust(width)}  count  covered  width cmH2O"]
    for name, outcomes in groups.items():
        count, share = coverage(outcomes)
        lines.append(f"{name.ljust(width)}  {count:5d}  {_cell(share):>7}  {_cell(mean_width_cmh2o(outcomes)):>11}")
    return "\n".join(lines)


def sequential_table(points: Sequence[OperatingPoint]) -> str:
    """Write the operating curve of the call to stop lowering."""
    lines = ["stop at P(passed) >=   steps in a row   false calls   never called   delay, steps"]
    lines += [
        f"{p.limit:19.3f}   {p.in_a_row:14d}   {_cell(p.false_calls):>11}   {_cell(p.never_called):>12}"
        f"   {_cell(p.delay_steps):>12}"
        for p in points
    ]
    return "\n".join(lines)


def _cell(value: float) -> str:
    if isinstance(value, int):
        return str(value)
    if math.isnan(value):
        return "-"
    return f"{value:.3f}" if abs(value) < 10.0 else f"{value:.0f}"
