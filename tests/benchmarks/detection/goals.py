"""Which figures were set as goals before anything was measured, and were they met?"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from benchmarks.detection.calibration import expected_calibration_error, reliability, top_stated
from benchmarks.detection.conditions import PLAIN
from benchmarks.detection.families import FAMILIES
from benchmarks.detection.scoring import coverage, mean_width_cmh2o, score
from benchmarks.detection.trials import Outcome
from ebbmark.physiology.closing.result import Verdict

DISTURBED = ("artefacts", "drift", "leak")
"""Conditions with a goal of their own."""

FEWEST_INTERVALS = 30
"""A family with fewer intervals has no coverage worth stating."""


@dataclass(frozen=True, slots=True)
class Goal:
    """One figure.

    Attributes:
        name: what is measured.
        value: as measured.
        at_least: lower limit, or None.
        at_most: upper limit, or None.
    """

    name: str
    value: float
    at_least: float | None = None
    at_most: float | None = None

    @property
    def met(self) -> bool:
        """Whether the value keeps its limits, if it has any; never where there is no value."""
        return (
            not math.isnan(self.value)
            and (self.at_least is None or self.value >= self.at_least)
            and (self.at_most is None or self.value <= self.at_most)
        )


def goals(outcomes: Sequence[Outcome]) -> tuple[Goal, ...]:
    """Measure the estimator's answers against all goals.

    Args:
        outcomes: answers under all conditions; overall figures use the plain ones (noise and rounding only).
    """
    plain = _where(outcomes, lambda o: o.trial.condition in PLAIN)
    every, abrupt, gradual = (score(plain), *(score(_family(plain, name)) for name in ("abrupt", "gradual")))
    quiet = score(_where(plain, _quiet))
    clear = _where(plain, lambda o: _clearance(o) >= 0.01)
    falling = score(_where(plain, lambda o: o.trial.knowable)).falling_called_found
    even = score(_where(plain, lambda o: o.trial.case.family not in ("short", "unequal")))
    by_condition = {name: score(_condition(outcomes, name)) for name in DISTURBED}
    limited = _condition(outcomes, "dynamic, marked resistance")
    covered = {name: coverage(_family(plain, name)) for name in FAMILIES}
    worst = min((share for count, share in covered.values() if count >= FEWEST_INTERVALS), default=math.nan)
    stated = expected_calibration_error(reliability(*top_stated(plain)))
    return (
        Goal("knowable, answered: within one step", every.within_one, at_least=0.95),
        Goal("knowable, answered: exact", every.exact, at_least=0.70),
        Goal("  abrupt: within one step", abrupt.within_one, at_least=0.97),
        Goal("  abrupt: exact", abrupt.exact, at_least=0.80),
        Goal("  gradual: within one step", gradual.within_one, at_least=0.93),
        Goal("  gradual: exact", gradual.exact, at_least=0.60),
        Goal("  step means known to 2 %: exact", quiet.exact, at_least=0.88),
        Goal("  and no step within 1 % of the rule's limit: exact", score(_where(clear, _quiet)).exact),
        Goal("mean absolute error, 2 cmH2O steps", even.mae_cmh2o, at_most=0.6),
        Goal("knowable, left indeterminate", every.abstained_knowable, at_most=0.10),
        Goal("more than one step too low", every.too_low, at_most=0.01),
        Goal("not reached, knowable: pressure named", every.false_found_knowable, at_most=0.02),
        Goal("not reached, all: pressure named", every.false_found, at_most=0.06),
        Goal("falling from first step: pressure named", every.falling_called_found, at_most=0.10),
        Goal("  knowable ones: pressure named", falling),
        Goal("closing called not reached", every.missed, at_most=0.03),
        Goal("  where a next step could confirm it", every.missed_confirmable),
        Goal("not knowable: wrong answer", every.wrong_unknowable, at_most=0.20),
        *(Goal(f"{name}: within one step", s.within_one, at_least=0.92) for name, s in by_condition.items()),
        Goal("dynamic, marked resistance: within one", score(limited).within_one, at_least=0.82),
        Goal("expected calibration error", stated, at_most=0.05),
        Goal("90 % interval: coverage", coverage(plain)[1], at_least=0.88, at_most=0.94),
        Goal("90 % interval: worst family", worst, at_least=0.85),
        Goal("90 % interval: mean width, cmH2O", mean_width_cmh2o(plain), at_most=2.2),
        Goal("time per trial, microseconds", every.microseconds, at_most=1000.0),
    )


def unbeaten(answers: Mapping[str, Sequence[Outcome]], ours: str) -> tuple[str, ...]:
    """List every alternative that is better in exact hits and in false *found* at once, by family.

    Both sides are judged on the same trials: exact hits over all trials with closing, an abstention being no hit;
    false *found* over all trials without closing, falling ones included. For a family that has none of the
    latter, the false *found* of all families together stands in.
    """
    beaten = []
    for name, theirs in answers.items():
        if name == ours:
            continue
        seen = {id(o.trial) for o in theirs}
        mine = [o for o in answers[ours] if id(o.trial) in seen]
        for family in FAMILIES:
            hits, our_hits = (_hits(_family(some, family)) for some in (theirs, mine))
            false, our_false = (_false_found(_family(some, family), some) for some in (theirs, mine))
            if hits > our_hits and false < our_false:
                beaten.append(
                    f"{family}: {name} {hits:.2f} exact, {false:.2f} false; ours {our_hits:.2f}, {our_false:.2f}"
                )
    return tuple(beaten)


def _hits(outcomes: Sequence[Outcome]) -> float:
    closed = _where(outcomes, lambda o: o.trial.case.truth.verdict is Verdict.FOUND)
    return sum(o.exact for o in closed) / len(closed) if closed else math.nan


def _false_found(outcomes: Sequence[Outcome], otherwise: Sequence[Outcome]) -> float:
    for some in (outcomes, otherwise):
        without = _where(some, lambda o: o.trial.case.truth.verdict is not Verdict.FOUND)
        if without:
            return sum(o.verdict is Verdict.FOUND for o in without) / len(without)
    return math.nan


def _family(outcomes: Sequence[Outcome], family: str) -> list[Outcome]:
    return _where(outcomes, lambda o: o.trial.case.family == family)


def _quiet(outcome: Outcome) -> bool:
    return outcome.trial.noise < 0.02


def _clearance(outcome: Outcome) -> float:
    """How far the closing step and the one before lie from the 5 % that decide between them (0 where none closes)."""
    step, c = outcome.trial.case.truth.step, outcome.trial.case.compliances_ml_per_cmh2o
    if step is None:
        return 0.0
    highest = max(c[:step])
    return min(0.95 - c[step] / highest, c[step - 1] / highest - 0.95)


def _condition(outcomes: Sequence[Outcome], condition: str) -> list[Outcome]:
    return _where(outcomes, lambda o: o.trial.condition == condition)


def _where(outcomes: Sequence[Outcome], holds: Callable[[Outcome], bool]) -> list[Outcome]:
    return [outcome for outcome in outcomes if holds(outcome)]
