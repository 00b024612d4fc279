"""Run the benchmark: print the tables, write the figures.

    PYTHONPATH=tests python -m benchmarks.detection            a few minutes on one core
    PYTHONPATH=tests python -m benchmarks.detection --quick    less than a minute
    PYTHONPATH=tests python -m benchmarks.detection --charts 900    trials as charts hold them, on lungs of three kinds
    PYTHONPATH=tests python -m benchmarks.detection --ceiling 12000    what could be had on the second generator at all

Figures and the printed tables go to out/detection/. Options: see --help.
"""

from __future__ import annotations

import argparse
import random
import sys
import time
from collections.abc import Mapping, Sequence
from pathlib import Path

from benchmarks.detection import figures
from benchmarks.detection.calibration import risk_coverage
from benchmarks.detection.case_figures import draw_cases, typical, worst
from benchmarks.detection.ceiling import ceiling_table
from benchmarks.detection.chart_goals import chart_goals
from benchmarks.detection.charts import ChartTrial, ask_chart, draw_chart_trials, estimate_chart, shown
from benchmarks.detection.competitors import COMPETITORS
from benchmarks.detection.conditions import CONDITIONS, PLAIN, Kind
from benchmarks.detection.families import FAMILIES, LungCase, cases
from benchmarks.detection.goals import goals, unbeaten
from benchmarks.detection.gravity_lungs import HOLD_OUT, gravity_cases
from benchmarks.detection.invented_lungs import Purpose
from benchmarks.detection.scoring import score
from benchmarks.detection.sequential import operating_curve, passed_by_step
from benchmarks.detection.table import (
    goal_table,
    goals_side_by_side,
    interval_table,
    risk_table,
    score_table,
    sequential_table,
)
from benchmarks.detection.trials import Outcome, Trial, ask_estimator, ask_rule, draw_trials, estimate_trial
from ebbmark.physiology.closing.estimator import estimate_closing

OURS = "ebbmark"
SHARES = 8
"""Points of the printed curve of error against share answered."""


def main(arguments: Sequence[str] | None = None) -> int:
    """Run everything and return 0; the goals that are not met are said, not hidden."""
    options = _options(arguments)
    started = time.perf_counter()
    options.out.mkdir(parents=True, exist_ok=True)
    if options.ceiling:
        print(ceiling_table(options.ceiling, options.ceiling // 8, seed=options.seed))
        return 0
    if options.charts:
        _charts(options.charts, options.seed, options.out)
        return 0
    trials = draw_trials(
        purpose=Purpose(options.lungs),
        per_cell=6 if options.quick else options.per_cell,
        lungs=60 if options.quick else 300,
        seed=options.seed,
    )
    answers: dict[str, list[Outcome]] = {OURS: [ask_estimator(estimate_closing, trial) for trial in trials]}
    for name, rival in COMPETITORS.items():
        some = _some(trials, rival.share)
        answers[name] = [ask_rule(rival.answer, trial) for trial in some]
    few = _some([t for t in trials if t.condition in PLAIN], 0.1 if options.quick else 0.15)
    report = "\n\n".join(
        [
            f"{len(trials)} trials on {options.lungs} lungs, seed {options.seed}.",
            *_tables(answers),
            _sequential(few, options.out),
        ]
    )
    _draw(answers, options.out)
    print(report)
    (options.out / "tables.txt").write_text(report + "\n", encoding="utf-8")
    print(f"\nFigures and tables.txt in {options.out}; {time.perf_counter() - started:.0f} s.")
    return 0


def _options(arguments: Sequence[str] | None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m benchmarks.detection", description=__doc__)
    parser.add_argument("--quick", action="store_true", help="fewer trials, less than a minute")
    parser.add_argument("--per-cell", type=int, default=60, help="trials per family and condition (60)")
    parser.add_argument("--charts", type=int, default=0, help="only charts: how many limbs of each kind of lung")
    parser.add_argument("--ceiling", type=int, default=0, help="only the best that could be had: with how many lungs")
    parser.add_argument("--lungs", choices=[p.value for p in Purpose], default="report", help="which lungs (report)")
    parser.add_argument("--seed", type=int, default=0, help="other seed, other trials (0)")
    parser.add_argument("--out", type=Path, default=Path("out/detection"), help="folder to write to")
    return parser.parse_args(arguments)


def _charts(count: int, seed: int, out: Path) -> None:
    """Charts on the tuning lungs, the report lungs and those of the second generator and its hold-out, side by side."""
    sets = {purpose.value: _mixed(purpose, count, seed) for purpose in Purpose}
    sets["second generator"] = list(gravity_cases(count, seed=seed))
    sets["hold-out"] = list(gravity_cases(count, seed=seed, ranges=HOLD_OUT))
    measured, answered = {}, {}
    for name, limbs in sets.items():
        outcomes = [ask_chart(trial) for trial in draw_chart_trials(limbs, seed=seed)]
        measured[name] = chart_goals(outcomes, limbs)
        answered[name] = risk_coverage(outcomes, points=SHARES)
        figures.draw_risk(outcomes, out / f"risk-coverage-{name.replace(' ', '-')}.png")
        wrong = [o for o in worst(outcomes) if isinstance(o.trial, ChartTrial)]
        draw_cases([shown(o) for o in wrong], estimate_chart, f"Worst charts, {name}", out / f"charts-{name[:6]}.png")
    report = f"{count} limbs of each kind, seed {seed}.\n{goals_side_by_side(measured)}\n\n{risk_table(answered)}"
    print(report)
    (out / "charts.txt").write_text(report + "\n", encoding="utf-8")


def _mixed(purpose: Purpose, count: int, seed: int) -> list[LungCase]:
    """Limbs as they come, and of the families that seldom come, in turn."""
    names = ("mixed", "abrupt", "mixed", "gradual", "mixed", "not reached", "mixed", "falling", "mixed", "unequal")
    each = -(-count // len(names))
    pools = {
        name: iter(cases(name, purpose=purpose, count=each * names.count(name), seed=seed, lungs=300))
        for name in dict.fromkeys(names)
    }
    return [next(pools[names[place % len(names)]]) for place in range(count)]


def _some(trials: Sequence[Trial], share: float) -> Sequence[Trial]:
    """Draw the same random share each time; slow methods see no more."""
    if share >= 1.0:
        return trials
    chosen = sorted(random.Random(0).sample(range(len(trials)), max(round(share * len(trials)), 1)))
    return [trials[i] for i in chosen]


def _plain(outcomes: Sequence[Outcome]) -> list[Outcome]:
    return [o for o in outcomes if o.trial.condition in PLAIN]


def _by_family(outcomes: Sequence[Outcome]) -> dict[str, list[Outcome]]:
    return {name: [o for o in outcomes if o.trial.case.family == name] for name in FAMILIES}


def _by_condition(outcomes: Sequence[Outcome]) -> dict[str, list[Outcome]]:
    return {name: [o for o in outcomes if o.trial.condition == name] for name in CONDITIONS}


def _tables(answers: Mapping[str, Sequence[Outcome]]) -> list[str]:
    ours = answers[OURS]
    plain = _plain(ours)
    beaten = unbeaten({name: _plain(outcomes) for name, outcomes in answers.items()}, OURS)
    return [
        "GOALS (plain conditions unless named)\n" + goal_table(goals(ours)),
        "METHODS, plain conditions (slow ones on a random share)\n"
        + score_table({name: score(_plain(o)) for name, o in answers.items()}, first="method"),
        "BETTER THAN US in exact hits and in false found at once: " + ("; ".join(beaten) or "none"),
        "FAMILIES, plain conditions\n"
        + score_table({name: score(o) for name, o in _by_family(plain).items()}, first="family"),
        "CONDITIONS, all families\n"
        + score_table({name: score(o) for name, o in _by_condition(ours).items()}, first="condition"),
        interval_table({"plain": plain, **_by_family(plain), **_by_condition(ours)}),
    ]


def _sequential(trials: Sequence[Trial], out: Path) -> str:
    passed = [passed_by_step(trial) for trial in trials]
    once, twice = (operating_curve(trials, passed, in_a_row=n) for n in (1, 2))
    figures.draw_sequential({"one step suffices": once, "two steps in a row": twice}, out / "sequential.png")
    return f"STEP BY STEP, {len(trials)} trials\n" + sequential_table((*once, *twice))


def _draw(answers: Mapping[str, Sequence[Outcome]], out: Path) -> None:
    ours = answers[OURS]
    plain = _plain(ours)
    figures.draw_reliability(plain, out / "reliability.png")
    figures.draw_risk(plain, out / "risk-coverage.png")
    figures.draw_rivals({name: _plain(o) for name, o in answers.items()}, OURS, out / "rivals.png")
    figures.draw_intervals({**_by_family(plain), **_by_condition(ours)}, out / "intervals.png")
    draw_cases(typical(ours), estimate_trial, "Twelve trials as they come", out / "cases-typical.png")
    static = [o for o in ours if CONDITIONS[o.trial.condition].kind is Kind.STATIC]
    title = "The twelve surest wrong answers on static compliance, knowable trials first"
    draw_cases(worst(static), estimate_trial, title, out / "cases-worst.png")


if __name__ == "__main__":
    sys.exit(main())
