"""What a figure shows, taken from an answer as values: the finished trial with its vital signs, a trial in progress."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil, floor, inf, log10
from typing import Final, Protocol

from ebbmark import __version__
from ebbmark.fhir.answer import Amount, Answer, Coded, Statement
from ebbmark.physiology.closing.result import Closing, StepEstimate
from ebbmark.physiology.during.next_move import Action
from ebbmark.physiology.during.running import running_trial
from ebbmark.physiology.patient.context import StepSeen
from ebbmark.physiology.stop.criteria import CRITERIA, StopCriterion
from ebbmark.physiology.stop.limits import DEFAULT_STOP_LIMITS
from ebbmark.physiology.trial.steps import Step
from ebbmark.words.messages import say


@dataclass(frozen=True, slots=True)
class VitalRow:
    """One vital sign at each step: its lowest charted value, settled ones before others; None where a step has none."""

    name: str
    unit: str
    limit: float
    lowest: tuple[float | None, ...]

    @property
    def title(self) -> str:
        """What the row shows, with its unit."""
        return f"lowest {self.name} ({self.unit})"

    @property
    def limit_words(self) -> str:
        """What is said of a value beyond the limit."""
        return f"below {self.limit:g}"

    def beyond(self, step: int) -> bool:
        """Whether the value of a step, counted from 0, lies beyond the limit."""
        value = self.lowest[step]
        return value is not None and value < self.limit

    def spelled(self, step: int) -> str | None:
        """The value of a step in whole numbers; rounding moves none across the limit. None where it has none."""
        value = self.lowest[step]
        if value is None:
            return None
        whole = f"{value:.0f}"
        return f"{floor(10 * value) / 10:.1f}" if self.beyond(step) and float(whole) >= self.limit else whole


def vital_rows_of(seen: Sequence[StepSeen]) -> tuple[VitalRow, ...]:
    """The rows of SpO2 and of mean arterial pressure, each only where it was charted.

    Systolic pressure has a row where it says what the mean does not: at a step without a mean, or beyond its limit
    where the mean is not.
    """

    def row(name: str, criterion: StopCriterion) -> VitalRow:
        stop = CRITERIA[criterion]
        limit = stop.limit_of(DEFAULT_STOP_LIMITS)
        charted = (one.by_quantity.get(stop.quantity) for one in seen)
        lowest = tuple(None if one is None else one.least for one in charted)
        return VitalRow(name, stop.unit, -inf if limit is None else limit.value, lowest)

    saturation = row("SpO2", StopCriterion.SATURATION)
    mean = row("MAP", StopCriterion.MEAN_ARTERIAL_PRESSURE)
    systolic = row("systolic", StopCriterion.SYSTOLIC_PRESSURE)
    says_more = any(
        value is not None and (mean.lowest[step] is None or (systolic.beyond(step) and not mean.beyond(step)))
        for step, value in enumerate(systolic.lowest)
    )
    rows = (saturation, mean, systolic) if says_more else (saturation, mean)
    return tuple(row for row in rows if any(value is not None for value in row.lowest))


@dataclass(frozen=True, slots=True)
class FigureStep:
    """One step of the limb.

    Attributes:
        readings_ml_per_cmh2o: one compliance per settled reading, in order of time.
        centre_ml_per_cmh2o: their median, as the step's result says it.
        expected_ml_per_cmh2o: expected true compliance and its 90 % band as (value, low, high); None without an
            estimate.
        probability: that closing started at this step, or in a trial in progress that it has been passed; None
            without an estimate.
    """

    peep_cmh2o: float
    readings_ml_per_cmh2o: tuple[float, ...]
    centre_ml_per_cmh2o: float
    expected_ml_per_cmh2o: tuple[float, float, float] | None
    probability: float | None


class Shown(Protocol):
    """What both panels need of a figure, whether the trial has ended or not."""

    @property
    def steps(self) -> tuple[FigureStep, ...]:
        """Those with readings, highest PEEP first, at least one."""

    @property
    def levels_cmh2o(self) -> tuple[float, ...]:
        """Every PEEP on the scale, highest first; one without a reading yet included."""

    @property
    def static(self) -> bool:
        """Whether the compliances are static (from plateau pressure) or dynamic."""

    @property
    def peep_source(self) -> str:
        """Either set or measured."""


@dataclass(frozen=True, slots=True)
class Margin:
    """What one margin above the closing pressure would lead to, within the tested range or not."""

    margin_cmh2o: float
    peep_cmh2o: float
    tested: bool


@dataclass(frozen=True, slots=True)
class Figure:
    """Everything drawn.

    Attributes:
        closing: the estimate, for what is said of it; its steps are not drawn, those above are.
        estimated: whether there are probabilities; without, the estimate says why.
    """

    steps: tuple[FigureStep, ...]
    static: bool
    peep_source: str
    closing: Closing
    estimated: bool
    suggested_peep_cmh2o: float | None
    margin_cmh2o: float
    margins: tuple[Margin, ...]
    vital_signs: tuple[VitalRow, ...]
    identity: str
    engine_version: str

    @property
    def levels_cmh2o(self) -> tuple[float, ...]:
        """PEEP of every step."""
        return tuple(step.peep_cmh2o for step in self.steps)


def figure_of(answer: Answer) -> Figure:
    """Take what is drawn out of an answer."""
    found = answer.titration
    closing, trial, advice = found.closing, found.trial, found.advice
    estimates: Sequence[StepEstimate | None] = closing.steps if closing.is_estimated else [None] * len(trial.steps)
    suggested = advice.suggested_peep_cmh2o
    return Figure(
        steps=tuple(
            _step(step, estimate, None if estimate is None else estimate.probability)
            for step, estimate in zip(trial.steps, estimates, strict=True)
        ),
        static=trial.kind.static,
        peep_source=trial.peep_source,
        closing=closing,
        estimated=closing.is_estimated,
        suggested_peep_cmh2o=suggested,
        margin_cmh2o=advice.margin_cmh2o,
        margins=()
        if suggested is None
        else tuple(Margin(row.margin_cmh2o, row.peep_cmh2o, row.tested) for row in advice.what_if),
        vital_signs=vital_rows_of(found.seen),
        identity=answer.identity,
        engine_version=answer.engine_version,
    )


def _step(step: Step, estimate: StepEstimate | None, probability: float | None) -> FigureStep:
    expected = None
    if estimate is not None:
        low, high = estimate.fitted_low_ml_per_cmh2o, estimate.fitted_high_ml_per_cmh2o
        expected = (estimate.fitted_ml_per_cmh2o, low, high)
    readings = tuple(sample.compliance_ml_per_cmh2o for sample in step.samples)
    return FigureStep(step.peep_cmh2o, readings, step.compliance_ml_per_cmh2o, expected, probability)


_GOES_ON: Final = frozenset(
    one.value for one in (Action.LOWER, Action.READ_AGAIN, Action.LOOK_FIRST, Action.MEASURE_FIRST)
)
"""Moves that conclude nothing; of every other one the figure says the sentence."""


@dataclass(frozen=True, slots=True)
class RunningFigure:
    """Everything drawn of a trial in progress; it changes with a reading of compliance and not with the clock."""

    steps: tuple[FigureStep, ...]
    waiting_cmh2o: float | None
    static: bool
    peep_source: str
    said: str
    until_s: float
    engine_version: str = __version__

    @property
    def levels_cmh2o(self) -> tuple[float, ...]:
        """PEEP of every step, the one that waits for its first reading included."""
        seen = tuple(step.peep_cmh2o for step in self.steps)
        return seen if self.waiting_cmh2o is None else (*seen, self.waiting_cmh2o)


def running_figure_of(answer: Answer) -> RunningFigure | None:
    """Take what is drawn out of the answer to the next-step question; None where no step has a reading yet."""
    passed = {
        statement.value.value: dict(statement.parts).get("closing-passed-probability")
        for statement in answer.statements
        if statement.code == "running-step" and isinstance(statement.value, Amount)
    }
    read = running_trial(answer.request.readings, answer.request.protocol).trial
    if read is None:
        return None
    steps = tuple(
        _step(step, None, chance.value if isinstance(chance := passed[step.peep_cmh2o], Amount) else None)
        for step in read.steps
        if step.peep_cmh2o in passed
    )
    if not steps:
        return None
    latest = min(passed)
    return RunningFigure(
        steps=steps,
        waiting_cmh2o=latest if latest < steps[-1].peep_cmh2o else None,
        static=read.kind.static,
        peep_source=read.peep_source,
        said=_said(next(statement for statement in answer.statements if statement.code == "next-step")),
        until_s=max(sample.at_s for step in read.steps for sample in step.samples),
    )


def _said(move: Statement) -> str:
    if isinstance(move.value, Coded) and move.value.code in _GOES_ON:
        return say("figure.nothing-yet")
    return first_sentence(move.note)


def first_sentence(text: str) -> str:
    """The first sentence; a full stop within a number or before a small letter ends none."""
    return re.split(r"(?<=[.?]) (?=[A-Z])", text, maxsplit=1)[0]


LEAST_SPAN = 0.25
"""Least height of the scale as a share of the highest value: small noise must not look like a fall. Our choice."""

FURTHEST = 1.0
"""How far single readings and the band may widen the scale, in spans of medians and curve; our choice. What lies
beyond stands at the edge, and the figure says so."""

_MARGIN = 0.06
_TICKS = 5


@dataclass(frozen=True, slots=True)
class Scale:
    """Ends of the scale, and between which compliances readings stand in their place [mL/cmH2O]."""

    low: float
    high: float

    def share(self, compliance: float) -> float:
        """Where between the ends a compliance lies, 0 to 1; at an end where it lies beyond it."""
        return (min(max(compliance, self.low), self.high) - self.low) / (self.high - self.low)

    def ticks(self) -> tuple[float, ...]:
        """Round numbers along the scale."""
        rough = (self.high - self.low) / _TICKS
        power: float = 10.0 ** floor(log10(rough))
        distance = next(power * step for step in (1, 2, 5, 10) if power * step >= rough)
        return tuple(distance * n for n in range(ceil(self.low / distance), floor(self.high / distance) + 1))


def scale_of(figure: Shown) -> Scale:
    """The scale that shows medians and curve in full, and readings and band as far as they are near."""
    steps = figure.steps
    core = [step.centre_ml_per_cmh2o for step in steps]
    core += [step.expected_ml_per_cmh2o[0] for step in steps if step.expected_ml_per_cmh2o]
    low, high = min(core), max(core)
    reach = FURTHEST * max(high - low, LEAST_SPAN * high)
    readings = [value for step in steps for value in step.readings_ml_per_cmh2o]
    near = [value for value in readings if low - reach <= value <= high + reach]
    bands = [end for step in steps if step.expected_ml_per_cmh2o for end in step.expected_ml_per_cmh2o[1:]]
    near += [min(max(end, low - reach), high + reach) for end in bands]
    low, high = min([low, *near]), max([high, *near])
    missing = max(0.0, LEAST_SPAN * high - (high - low)) / 2
    margin = _MARGIN * (high - low + 2 * missing)
    return Scale(max(0.0, low - missing - margin), high + missing + margin)


def beyond(figure: Shown, scale: Scale) -> tuple[float, ...]:
    """Readings that the scale does not reach, lowest first."""
    readings = (value for step in figure.steps for value in step.readings_ml_per_cmh2o)
    return tuple(sorted(value for value in readings if not scale.low <= value <= scale.high))
