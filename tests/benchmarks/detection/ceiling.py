"""How well could anybody do? The best answer where the generator of the lungs itself is the prior.

A reference that no method can have at a bedside: for each chart it knows how charts of this kind come about (number and
noise of the readings, rounding, what had not settled), and holds thousands of other lungs of the same generator, with
their true closing, on the same steps. It weighs each by the likelihood of the readings, the level of compliance left
open, and answers by the estimator's own losses. An exact share above it cannot be had on these lungs by any estimate
that is not tuned to single trials; what the estimator falls short of it is what knowing the generator is worth.

The likelihood is Gaussian in the logarithm of the mean compliance of a step, so that it is not quite the best where
pressures are rounded to whole numbers and vary little.

Source: posterior expectation by importance sampling from the prior, textbook.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from benchmarks.detection.charts import PLAIN_CHARTS, ChartTrial, ask_chart, conditions_of, draw_chart_trials
from benchmarks.detection.conditions import Conditions, Kind
from benchmarks.detection.families import LungCase
from benchmarks.detection.gravity_lungs import SECOND, gravity_cases
from benchmarks.detection.trials import position
from ebbmark.physiology.closing.decision import expected_losses
from ebbmark.physiology.closing.result import NO_ANSWER, Verdict
from ebbmark.physiology.readings import Quantity

Floats = NDArray[np.float64]

ONE_STAIRCASE = replace(SECOND, top_cmh2o=(24, 24), steps=(10, 10), apart_cmh2o=(2.0,))
"""The second generator, all trials from 24 cmH2O down by 2: only then can one lung stand for another."""
ALIKE = 0.002
"""Logarithm of compliance: lungs that differ by less count as alike, so that the likeliest few do not decide alone."""


@dataclass(frozen=True, slots=True)
class _Answered:
    chart: str
    truth: int
    reference: int | None
    ours: int | None


def ceiling_table(lungs: int, charts: int, *, seed: int = 0) -> str:
    """Compare the estimator with the reference, on charts of lungs that the reference does not hold.

    Args:
        lungs: that the reference holds; some 10,000 are needed for the figures to settle.
        charts: lungs that are charted, once with plateaus and once without.
        seed: other seed, other lungs.
    """
    cases = gravity_cases(lungs + charts, seed=seed, ranges=ONE_STAIRCASE)
    prior = Prior(cases[charts:])
    trials = draw_chart_trials(cases[:charts], charts=PLAIN_CHARTS, seed=seed)
    answered = [_answers(trial, prior, seed) for trial in trials if trial.knowable]
    rows = [f"{'knowable closings, answered':44}{'how many':>10}{'exact':>8}{'too low':>9}{'too high':>9}"]
    for chart in PLAIN_CHARTS:
        of_chart = [one for one in answered if one.chart == chart and one.truth > 1]
        rows.append(_row(f"{chart}: the generator as prior", [(one.truth, one.reference) for one in of_chart]))
        rows.append(_row(f"{chart}: ebbmark", [(one.truth, one.ours) for one in of_chart]))
    return "\n".join(rows)


def _row(name: str, pairs: Sequence[tuple[int, int | None]]) -> str:
    off = np.array([said - true for true, said in pairs if said is not None])
    shares = [float(np.mean(one)) if off.size else float("nan") for one in (off == 0, off > 0, off < 0)]
    return f"{name:44}{off.size:>10}{shares[0]:>8.2f}{shares[1]:>9.2f}{shares[2]:>9.2f}"


class Prior:
    """The lungs that the reference holds, as arrays [lungs x steps]; events as the estimator numbers them."""

    def __init__(self, cases: Sequence[LungCase]) -> None:
        self.peeps = np.array(cases[0].peeps_cmh2o)
        self.tops = {
            Kind.STATIC: np.array([case.plateaus_cmh2o for case in cases]),
            Kind.DYNAMIC: np.array([case.peaks_cmh2o for case in cases]),
        }
        self.volumes = np.array([case.volumes_ml for case in cases])
        self.events = np.array([_event_of(case) for case in cases])

    def events_given(self, trial: ChartTrial, how: Conditions) -> Floats:
        """Probability of each event, given the readings of a chart."""
        tops = self.tops[how.kind]
        before = np.maximum(np.arange(self.peeps.size) - 1, 0)
        late = np.mean([how.unsettled * 0.5**row for row in range(how.readings)])
        shown = tops + late * (tops[:, before] - (self.peeps[before] - self.peeps) - tops)
        centres, variance = _centres(trial, how, self.peeps)
        apart = centres - np.log(self.volumes / (shown - self.peeps))
        apart -= ((apart / variance).sum(axis=1) / (1.0 / variance).sum())[:, None]  # the level is left open
        square = (apart * apart / variance).sum(axis=1)
        weights = np.exp(-0.5 * (square - square.min()))
        counted = np.bincount(self.events, weights=weights, minlength=self.peeps.size)
        return np.asarray(counted / counted.sum())


def _centres(trial: ChartTrial, how: Conditions, peeps: Floats) -> tuple[Floats, Floats]:
    """Mean logarithm of compliance of each step as charted, and its variance from what was put in."""
    lead = Quantity.PLATEAU_PRESSURE if how.kind is Kind.STATIC else Quantity.PEAK_PRESSURE
    starts = [reading.start_s for reading in trial.readings if reading.quantity is Quantity.PEEP_SET]
    centres, driving = [], []
    for start_s, end_s, peep in zip(starts, [*starts[1:], float("inf")], peeps.tolist(), strict=True):
        of_step = [reading for reading in trial.readings if start_s <= reading.start_s < end_s]
        tops = np.array([one.value for one in of_step if one.quantity is lead])
        volumes = np.array([one.value for one in of_step if one.quantity is Quantity.TIDAL_VOLUME_EXPIRED])
        centres.append(float(np.log(volumes / (tops - peep)).mean()))
        driving.append(float(tops.mean()) - peep)
    noise, unit = how.pressure_noise_cmh2o, how.pressure_unit_cmh2o
    # As far as noise does not shake readings from one mark of the scale to the next, rounding is the same in all.
    stuck = np.exp(-2.0 * np.pi**2 * noise**2 / unit**2)
    square = np.array(driving) ** 2
    single = how.volume_noise**2 + (noise**2 + unit**2 / 12.0 * (1.0 - stuck)) / square
    return np.array(centres), single / how.readings + stuck * unit**2 / 12.0 / square + ALIKE**2


def _answers(trial: ChartTrial, prior: Prior, seed: int) -> _Answered:
    losses = expected_losses(prior.events_given(trial, conditions_of(trial.case, trial.condition, seed)))
    reference = int(np.argmin(losses)) if losses.min() <= NO_ANSWER else None
    ours = ask_chart(trial)
    said = 0 if ours.verdict is Verdict.NOT_REACHED else position(ours.verdict, ours.step)
    return _Answered(trial.condition, _event_of(trial.case), reference, said)


def _event_of(case: LungCase) -> int:
    return position(case.truth.verdict, case.truth.step) or 0
