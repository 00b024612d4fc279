"""A trial as a chart holds it: rows of readings, put to the service's own way from readings to closing.

A row has time, set PEEP, an expired volume and a plateau or a peak pressure. What goes wrong at a bedside goes wrong
here by rows: odd breaths, another unit, a row charted twice, a row missing. Total PEEP is never charted.
"""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import product

import numpy as np

from benchmarks.detection.conditions import Conditions, Kind
from benchmarks.detection.families import LungCase
from benchmarks.detection.knowable import is_knowable
from benchmarks.detection.measuring import standard_errors
from benchmarks.detection.trials import Outcome, Trial
from ebbmark.physiology.closing.estimator import closing_of, curve_of
from ebbmark.physiology.closing.result import Closing, Verdict
from ebbmark.physiology.protocols import DEFAULT_PROTOCOL
from ebbmark.physiology.readings import Quantity, Reading
from ebbmark.physiology.trial.reading import read_trial
from ebbmark.physiology.trial.steps import Trial as ReadTrial

START_S = 1_700_000_000.0
STEP_S = 240.0
HOLDS_APART_S = 6.0
FIRST_READING_S = 75.0
"""By then most of a step has settled: mechanics settle within a minute or two."""


@dataclass(frozen=True, slots=True)
class Chart:
    """How charts of one kind are kept.

    Attributes:
        kinds: of pressure that may be charted.
        odd_rows: probability that a row is an odd breath: volume off by 12 to 40 %, three in four times downwards.
        wrong_unit: probability that the volume of a row is in litres under the unit mL.
        doubled: probability that a row is charted twice.
        missing: probability that a row is missing; one per step remains.
        shuffled: whether rows come in any order.
        apart_s: largest distance in time of the volume of a row, which another device charts.
        peep_slip: whether PEEP is measured as well, and 4 cmH2O too high in one row of the chart.
        bare_steps: probability that a step has peak pressures where the others have plateaus.
        opened: whether the circuit is open for two readings of the second step: measured PEEP and volume near zero.
        most_holds: in a row, of which each gives a plateau of its own beside one volume.
    """

    kinds: tuple[Kind, ...]
    odd_rows: float = 0.0
    wrong_unit: float = 0.0
    doubled: float = 0.0
    missing: float = 0.0
    shuffled: bool = False
    apart_s: float = 0.0
    peep_slip: bool = False
    bare_steps: float = 0.0
    opened: bool = False
    most_holds: int = 1


CHARTS = {
    "plateau charted": Chart((Kind.STATIC,)),
    "dynamic only": Chart((Kind.DYNAMIC,)),
    "one odd row in ten": Chart((Kind.STATIC, Kind.DYNAMIC), odd_rows=0.10),
    "one odd row in five": Chart((Kind.STATIC, Kind.DYNAMIC), odd_rows=0.20),
    "unit slip in one row of ten": Chart((Kind.STATIC, Kind.DYNAMIC), wrong_unit=0.10),
    "odd, slipped, missing or doubled, one row in ten": Chart(
        (Kind.STATIC, Kind.DYNAMIC), odd_rows=0.025, wrong_unit=0.025, doubled=0.025, missing=0.025
    ),
    "rows in any order": Chart((Kind.STATIC, Kind.DYNAMIC), shuffled=True),
    "two devices, seconds apart": Chart((Kind.STATIC, Kind.DYNAMIC), apart_s=8.0),
    "measured PEEP disagrees in one row": Chart((Kind.STATIC, Kind.DYNAMIC), peep_slip=True),
    "one step in ten without plateau": Chart((Kind.STATIC,), bare_steps=0.1),
    "circuit opened": Chart((Kind.STATIC, Kind.DYNAMIC), opened=True),
    # Last, so that charts of the other kinds stay as they were drawn.
    "plateau holds repeated": Chart((Kind.STATIC,), most_holds=3),
}
PLAIN_CHARTS = ("plateau charted", "dynamic only")
VOID_CHART = "circuit opened"


@dataclass(frozen=True, slots=True)
class ChartTrial(Trial):
    """A trial with its rows.

    Attributes:
        readings: of the whole chart.
    """

    readings: tuple[Reading, ...] = ()


def draw_chart_trials(
    cases: Sequence[LungCase], *, charts: Sequence[str] = tuple(CHARTS), seed: int = 0
) -> tuple[ChartTrial, ...]:
    """Chart each limb once in each kind of chart.

    Noise of expired volume 2 to 8 %, of pressures 0.2 to 0.5 cmH2O; 1 to 6 rows a step; pressures in whole numbers in
    two charts of three; up to a third of the change not settled at the first row.

    Args:
        cases: noise-free limbs.
        charts: keys of CHARTS.
        seed: another seed, another chart of the same limb.
    """
    trials = []
    for case, name in product(cases, charts):
        rng = _rng_of(case, name, seed)
        how = _drawn_conditions(rng, CHARTS[name])
        trials.append(
            ChartTrial(
                case=case,
                condition=name,
                steps=(),
                knowable=is_knowable(case, how),
                noise=max(standard_errors(case, how)),
                readings=_rows(rng, case, how, CHARTS[name]),
            )
        )
    return tuple(trials)


def conditions_of(case: LungCase, chart: str, seed: int) -> Conditions:
    """How a limb was read for its chart: what `draw_chart_trials` drew."""
    return _drawn_conditions(_rng_of(case, chart, seed), CHARTS[chart])


def _rng_of(case: LungCase, chart: str, seed: int) -> np.random.Generator:
    return np.random.default_rng([case.seed, seed, 17, list(CHARTS).index(chart)])


def _drawn_conditions(rng: np.random.Generator, chart: Chart) -> Conditions:
    return Conditions(
        readings=int(rng.choice([1, 2, 3, 3, 4, 6])),
        volume_noise=float(rng.uniform(0.02, 0.08)),
        pressure_noise_cmh2o=float(rng.uniform(0.2, 0.5)),
        kind=chart.kinds[int(rng.integers(len(chart.kinds)))],
        pressure_unit_cmh2o=float(rng.choice([1.0, 1.0, 0.1])),
        volume_unit_ml=float(rng.choice([1.0, 1.0, 10.0])),
        unsettled=float(rng.uniform(0.0, 1.0 / 3.0)),
    )


def _rows(rng: np.random.Generator, case: LungCase, how: Conditions, chart: Chart) -> tuple[Reading, ...]:
    readings: list[Reading] = []
    source = 0
    slipped = int(rng.integers(len(case.peeps_cmh2o))) if chart.peep_slip else -1
    for step, peep in enumerate(case.peeps_cmh2o):
        plateau = how.kind is Kind.STATIC and not (chart.bare_steps and rng.random() < chart.bare_steps)
        tops = case.plateaus_cmh2o if plateau else case.peaks_cmh2o
        lead = Quantity.PLATEAU_PRESSURE if plateau else Quantity.PEAK_PRESSURE
        at_s = START_S + STEP_S * step
        readings.append(Reading(Quantity.PEEP_SET, peep, at_s, at_s, source))
        source += 1
        shown = [row for row in range(how.readings) if rng.random() >= chart.missing] or [0]
        for row in shown:
            late = how.unsettled * 0.5**row
            top = tops[step] + late * (
                tops[max(step - 1, 0)] - (case.peeps_cmh2o[max(step - 1, 0)] - peep) - tops[step]
            )
            volume = case.volumes_ml[step] * (1.0 + how.volume_noise * float(rng.standard_normal()))
            if rng.random() < chart.odd_rows:
                volume *= 1.0 + float(rng.uniform(0.12, 0.40)) * (-1.0 if rng.random() < 0.75 else 1.0)
            pressure = top + how.pressure_noise_cmh2o * float(rng.standard_normal())
            volume = round(volume / how.volume_unit_ml) * how.volume_unit_ml
            if rng.random() < chart.wrong_unit:
                volume /= 1000.0
            pressure = round(round(pressure / how.pressure_unit_cmh2o) * how.pressure_unit_cmh2o, 3)
            when = at_s + FIRST_READING_S + row * (STEP_S - FIRST_READING_S) / how.readings
            for _ in range(2 if rng.random() < chart.doubled else 1):
                readings.append(Reading(lead, pressure, when, when, source))
                source += chart.apart_s > 0.0
                later = when + (float(rng.uniform(1.0, chart.apart_s)) if chart.apart_s else 0.0)
                readings.append(Reading(Quantity.TIDAL_VOLUME_EXPIRED, volume, later, later, source))
                if chart.peep_slip:
                    seen = peep + (4.0 if step == slipped and row == shown[0] else 0.0)
                    readings.append(Reading(Quantity.PEEP_MEASURED, seen, when, when, source))
                source += 1
            for hold in range(1, int(rng.integers(1, chart.most_holds + 1)) if chart.most_holds > 1 else 1):
                again = top + how.pressure_noise_cmh2o * float(rng.standard_normal())
                again = round(round(again / how.pressure_unit_cmh2o) * how.pressure_unit_cmh2o, 3)
                at = when + HOLDS_APART_S * hold
                readings.append(Reading(lead, again, at, at, source))
                source += 1
        if chart.opened and step == 1:
            for when in (at_s + 100.0, at_s + 115.0):
                readings.append(Reading(Quantity.PEEP_MEASURED, 0.5, when, when, source))
                readings.append(Reading(Quantity.TIDAL_VOLUME_EXPIRED, 8.0, when, when, source))
                source += 1
    if chart.shuffled:
        rng.shuffle(readings)
    return tuple(readings)


def estimate_chart(trial: Trial) -> Closing | None:
    """Take a chart the service's own way; None where no trial is read."""
    assert isinstance(trial, ChartTrial)
    read = read_trial(trial.readings, DEFAULT_PROTOCOL)
    return closing_of(read, DEFAULT_PROTOCOL) if isinstance(read, ReadTrial) else None


def open_circuit_seen(trial: Trial) -> bool:
    """Whether an open circuit is named, on which no number is given (a check of the patient, not of the estimate)."""
    assert isinstance(trial, ChartTrial)
    read = read_trial(trial.readings, DEFAULT_PROTOCOL)
    return isinstance(read, ReadTrial) and any(seen.slug == "disconnection" for seen in read.observed)


def ask_chart(trial: ChartTrial) -> Outcome:
    """Put one chart to the service's own way from readings to closing."""
    peeps = trial.case.peeps_cmh2o
    start = time.perf_counter()
    closing = estimate_chart(trial)
    seconds = time.perf_counter() - start
    if closing is None:
        return Outcome(trial, Verdict.INDETERMINATE, None, None, (1.0 / len(peeps),) * (len(peeps) + 1), seconds)
    chances = dict.fromkeys(peeps, 0.0)
    for step in closing.steps:
        chances[step.peep_cmh2o] += step.probability
    if len(closing.steps) > 1:
        chances[closing.steps[1].peep_cmh2o] += closing.falling_from_first_step
    return Outcome(
        trial=trial,
        verdict=closing.verdict,
        step=None if closing.peep_cmh2o is None else peeps.index(closing.peep_cmh2o),
        interval_cmh2o=closing.interval_cmh2o,
        chances=(*chances.values(), closing.not_reached),
        seconds=seconds,
    )


def shown(outcome: Outcome) -> Outcome:
    """The same outcome with the steps as the estimate saw them, for drawing."""
    trial = outcome.trial
    read = read_trial(trial.readings, DEFAULT_PROTOCOL) if isinstance(trial, ChartTrial) else None
    return replace(outcome, trial=replace(trial, steps=curve_of(read))) if isinstance(read, ReadTrial) else outcome
