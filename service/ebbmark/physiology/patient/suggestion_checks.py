"""Checks of a suggested PEEP against the vital signs of the steps: whether it, or a higher one, was tolerated."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import inf
from typing import Final

from ebbmark.physiology.findings import COMMON_PRACTICE, OWN_CHOICE, SOURCES, Finding, Message, Value, Weight, message
from ebbmark.physiology.patient.context import StepSeen, TrialContext
from ebbmark.physiology.readings import Quantity, Reading, UnusableReading
from ebbmark.physiology.stop.criteria import CRITERIA, Criterion, StopCriterion
from ebbmark.physiology.stop.limits import StopLimits

SAME_PEEP_CMH2O: Final = 0.25
"""A step this near to a PEEP is the step of that PEEP: units were converted. This project's choice."""


@dataclass(frozen=True, slots=True)
class _Vital:
    """One vital sign with a stop limit."""

    slug: str
    row: Criterion
    source: str
    worse_with_peep: bool

    @property
    def quantity(self) -> Quantity:
        """What it is a limit of."""
        return self.row.quantity

    def limit(self, limits: StopLimits) -> float:
        """Its limit; one that a site has not signed is never met."""
        limit = self.row.limit_of(limits)
        return -self.row.sign * inf if limit is None else limit.value

    @property
    def words(self) -> Message:
        """Its name."""
        return message(f"vital.{self.quantity.slug}")

    @property
    def side(self) -> Message:
        """On which side of its limit it is beyond."""
        return message("vital.below" if self.row.sign > 0 else "vital.above")

    def beyond(self, value: float, limits: StopLimits) -> bool:
        return self.row.passed_by(value, self.limit(limits)) > 0

    def worst(self, row: StepSeen) -> float:
        """Its worst charted reading of a step at which it was charted."""
        seen = row.by_quantity[self.quantity]
        return seen.least if self.row.sign > 0 else seen.greatest

    def met(self, context: TrialContext) -> list[StepSeen]:
        """The steps at which any charted reading was beyond its limit."""
        limits = context.limits.vital
        return [row for row, _ in context.charted.get(self.quantity, ()) if self.beyond(self.worst(row), limits)]


_VITALS: Final = tuple(
    _Vital(slug, CRITERIA[criterion], source, worse_with_peep)
    for slug, criterion, source, worse_with_peep in (
        ("mean-arterial-pressure", StopCriterion.MEAN_ARTERIAL_PRESSURE, OWN_CHOICE, True),
        ("systolic-pressure", StopCriterion.SYSTOLIC_PRESSURE, SOURCES["cairo-13"], True),
        ("saturation", StopCriterion.SATURATION, SOURCES["cairo-13"], False),
        ("heart-rate-high", StopCriterion.HEART_RATE_HIGH, OWN_CHOICE, True),
        ("heart-rate-low", StopCriterion.HEART_RATE_LOW, OWN_CHOICE, True),
    )
)
_LOST: Final = (
    (Quantity.SPO2, "%", "saturation_loss_percent", OWN_CHOICE),
    (Quantity.PAO2, "mmHg", "arterial_oxygen_loss_mmhg", OWN_CHOICE),
    (Quantity.MEAN_ARTERIAL_PRESSURE, "mmHg", "mean_pressure_loss_mmhg", OWN_CHOICE),
    (Quantity.SYSTOLIC_ARTERIAL_PRESSURE, "mmHg", "systolic_pressure_loss_mmhg", SOURCES["cairo-13"]),
)


def stop_limits(context: TrialContext, suggested_cmh2o: float, before: Mapping[Quantity, float]) -> Iterator[Finding]:
    """Stop limits met at the suggestion, above it, or below it."""
    there = _rows_at(context.seen, suggested_cmh2o)
    limits = context.limits.vital
    yield from _peak_at(context, there, suggested_cmh2o, "stop-limit-at-suggestion", Weight.LOOK_FIRST)
    for vital in _VITALS:
        rows = vital.met(context)
        at = [row for row in rows if row in there]
        above = [row for row in rows if row.peep_cmh2o > suggested_cmh2o + SAME_PEEP_CMH2O and row not in there]
        as_before = vital.quantity in before and vital.beyond(before[vital.quantity], limits)
        if at:
            heart = vital.quantity is Quantity.HEART_RATE
            slug, weight = "at", Weight.HIGH if heart and as_before else Weight.LOOK_FIRST
        elif above:
            slug, weight = "above", Weight.HIGH if vital.worse_with_peep and not as_before else Weight.MODERATE
        else:
            # The trial went on although it was to be stopped: whoever reads the number reads that, too.
            slug, weight = "below", Weight.HIGH
        if rows:
            slug = f"stop-limit-{slug}-suggestion"
            yield _limit_met(slug, weight, vital, at or above or rows, context, suggested_cmh2o, before)


def limits_met_at(context: TrialContext, peep_cmh2o: float) -> tuple[Finding, ...]:
    """Stop limits that were met at one PEEP, for a table of several."""
    rows = _rows_at(context.seen, peep_cmh2o)
    met = [(vital, at) for vital in _VITALS if (at := [row for row in vital.met(context) if row in rows])]
    return (
        *[_limit_met("stop-limit-met", Weight.HIGH, vital, at, context, peep_cmh2o, {}) for vital, at in met],
        *_peak_at(context, rows, peep_cmh2o, "stop-limit-met", Weight.HIGH),
    )


def limits_met_in_trial(context: TrialContext) -> Iterator[Finding]:
    """Stop limits met in a trial without a suggestion: the latest step that met any, with all that was met there."""
    limits = context.limits.vital
    beyond = {vital.slug: vital.met(context) for vital in _VITALS}
    rows = [
        (row, met) for row in reversed(context.seen) if (met := [one for one in _VITALS if row in beyond[one.slug]])
    ]
    if not rows:
        return
    row, met = rows[0]
    earlier = []
    for vital in _VITALS:
        places = [one for one, at in rows if vital in at]
        worst = min(places, key=lambda one: vital.row.sign * vital.worst(one), default=row)
        if worst is not row:
            told = _beyond(worst, vital, limits)
            earlier.append(message("vital.beyond-at", beyond=told, peep_cmh2o=worst.peep_cmh2o))
    values: dict[str, Value] = {
        "place": message("vital.at-the-last-step" if row is context.seen[-1] else "vital.at-a-step"),
        "words": tuple(_beyond(row, vital, limits) for vital in met),
        "peep_cmh2o": row.peep_cmh2o,
        "before_it": message("vital.earlier", listed=tuple(earlier)) if earlier else "",
    }
    sources = tuple(dict.fromkeys(src for one, at in rows for vital in at for src in one.sources(vital.quantity)))
    at_s = max(row.by_quantity[vital.quantity].at_s for vital in met)
    peeps = tuple(one.peep_cmh2o for one, _ in reversed(rows))
    yield Finding("stop-limit-in-trial", Weight.LOOK_FIRST, values, peeps, at_s, sources, met[0].source)


def _beyond(row: StepSeen, vital: _Vital, limits: StopLimits) -> Message:
    value, limit = round(vital.worst(row)), round(vital.limit(limits))
    return message("vital.beyond", name=vital.words, value=value, unit=vital.row.unit, limit=limit)


def doubtful_pressure(context: TrialContext) -> Iterator[Finding]:
    """A single impossible blood pressure between possible ones: the transducer."""
    for vital in _VITALS:
        for row, seen in context.charted.get(vital.quantity, ()):
            if seen.doubtful is not None:
                values: dict[str, Value] = {"words": vital.words, "value": seen.doubtful, "least": seen.least}
                peeps = (row.peep_cmh2o,)
                yield Finding(
                    "blood-pressure-doubtful", Weight.MODERATE, values, peeps, seen.at_s, seen.sources, OWN_CHOICE
                )
                return


def acidosis(context: TrialContext) -> Iterator[Finding]:
    """The lowest pH of the trial, where it lies below the limit of a published protocol."""
    row, value = min(context.lasts(Quantity.PH), key=lambda pair: pair[1], default=(None, 14.0))
    if row is not None and value < context.limits.acidosis_ph:
        seen, peeps, source = row.by_quantity[Quantity.PH], (row.peep_cmh2o,), SOURCES["ards-network-protocol"]
        yield Finding("acidosis", Weight.HIGH, {"value": f"{value:.2f}"}, peeps, seen.at_s, seen.sources, source)


def worse_than_best(context: TrialContext, suggested_cmh2o: float) -> Iterator[Finding]:
    """Saturation or blood pressure clearly worse at the suggestion than at the best step, by their middle values."""
    there = _rows_at(context.seen, suggested_cmh2o)
    for quantity, unit, field, source in _LOST:
        known = context.middles(quantity)
        here = [value for row, value in known if row in there]
        if not here:
            continue
        best, greatest = max(known, key=lambda pair: pair[1])
        value = min(here)
        limit: float = getattr(context.limits, field)
        if quantity is Quantity.PAO2 and value > context.limits.arterial_oxygen_low_mmhg:
            continue
        if quantity in (Quantity.SPO2, Quantity.PAO2) and _less_oxygen(there, best, context.limits.oxygen_change):
            continue  # the fall of saturation has another cause, and the change of oxygen is named
        # Textbook and choice speak of more than 20 mmHg; saturation is charted in whole per cent, so that 5 counts.
        if greatest - value > limit or (quantity is Quantity.SPO2 and greatest - value == limit):
            values: dict[str, Value] = {
                "words": message(f"vital.{quantity.slug}"),
                "unit": unit,
                "value": value,
                "best": greatest,
                "best_peep_cmh2o": best.peep_cmh2o,
                "suggested_cmh2o": suggested_cmh2o,
            }
            sources = tuple(source for row in there for source in row.sources(quantity))
            peeps = tuple(row.peep_cmh2o for row in there)
            yield Finding("worse-than-best", Weight.HIGH, values, peeps, sources=sources, source=source)


def _less_oxygen(there: Sequence[StepSeen], best: StepSeen, change: float) -> bool:
    then, *now = (row.last(Quantity.FIO2_SET) or row.last(Quantity.FIO2_MEASURED) for row in (best, *there))
    return then is not None and min((one for one in now if one), default=then) < then - change


def unseen_vital_signs(context: TrialContext, suggested_cmh2o: float, readings: Sequence[Reading]) -> Iterator[Finding]:
    """Whether nobody can say how the suggestion was tolerated."""
    there = _rows_at(context.seen, suggested_cmh2o)
    pressures = (Quantity.MEAN_ARTERIAL_PRESSURE, Quantity.SYSTOLIC_ARTERIAL_PRESSURE)
    missing: list[str] = []
    elsewhere: list[str] = []
    for words, quantities in (("SpO2", (Quantity.SPO2,)), ("blood pressure", pressures)):
        if any(quantity in row.by_quantity for row in there for quantity in quantities):
            continue
        unusable = _unusable_at(context, there, quantities)
        if unusable is not None:
            values: dict[str, Value] = {
                "words": words,
                "shown": unusable.shown or "a value",
                "why": unusable.why,
                "suggested_cmh2o": suggested_cmh2o,
            }
            yield Finding("vital-signs-unusable", Weight.MODERATE, values, at_s=unusable.at_s, source=OWN_CHOICE)
            continue
        seen_at_all = any(quantity in context.charted for quantity in quantities)
        outside = not seen_at_all and any(reading.quantity in quantities for reading in readings)
        (elsewhere if outside else missing).append(words)
    for slug, of_it, source in (
        ("vital-signs-outside-limb", elsewhere, OWN_CHOICE),
        ("vital-signs-not-charted", missing, COMMON_PRACTICE),
    ):
        if of_it:
            values = {"words": " or ".join(of_it), "suggested_cmh2o": suggested_cmh2o}
            yield Finding(slug, Weight.MODERATE, values, source=source)


def _unusable_at(
    context: TrialContext, there: Sequence[StepSeen], quantities: Sequence[Quantity]
) -> UnusableReading | None:
    """The latest reading of these quantities that was sent for these steps and cannot be used."""
    for doubt in reversed(context.patient.doubts):
        at_s = doubt.at_s
        if (
            doubt.quantity in quantities
            and at_s is not None
            and any(row.start_s <= at_s < row.until_s for row in there)
        ):
            return doubt
    return None


def _rows_at(seen: Sequence[StepSeen], peep_cmh2o: float) -> list[StepSeen]:
    """The step of that PEEP or, between two steps, both."""
    exact = [row for row in seen if abs(row.peep_cmh2o - peep_cmh2o) <= SAME_PEEP_CMH2O]
    if exact:
        return exact
    for above, below in pairwise(seen):
        if above.peep_cmh2o > peep_cmh2o > below.peep_cmh2o:
            return [above, below]
    return []


def _limit_met(
    slug: str,
    weight: Weight,
    vital: _Vital,
    rows: Sequence[StepSeen],
    context: TrialContext,
    peep_cmh2o: float,
    before: Mapping[Quantity, float],
) -> Finding:
    limits, quantity = context.limits.vital, vital.quantity
    worst = min(rows, key=lambda row: vital.row.sign * vital.worst(row))
    values: dict[str, Value] = {
        "words": vital.words,
        "unit": vital.row.unit,
        "vital": vital.slug,
        "value": vital.worst(worst),
        "limit": vital.limit(limits),
        "side": vital.side,
        "peep_cmh2o": worst.peep_cmh2o,
        "suggested_cmh2o": peep_cmh2o,
    }
    for row, last in context.lasts(quantity):
        if row.peep_cmh2o < worst.peep_cmh2o and not vital.beyond(last, limits):
            values |= {"then_value": last, "then_peep_cmh2o": row.peep_cmh2o}
            break
    if quantity in before:
        values["before"] = before[quantity]
    sources = tuple(dict.fromkeys(source for row in rows for source in row.sources(quantity)))
    peeps, at_s = tuple(row.peep_cmh2o for row in rows), worst.by_quantity[quantity].at_s
    return Finding(slug, weight, values, peeps, at_s, sources, limits.source or vital.source)


def _peak_at(
    context: TrialContext, rows: Sequence[StepSeen], peep_cmh2o: float, slug: str, weight: Weight
) -> Iterator[Finding]:
    """Peak pressure beyond its stop limit at these steps."""
    signed, levels = context.limits.vital.peak_pressure_above_cmh2o, [row.peep_cmh2o for row in rows]
    limit = inf if signed is None else signed.value
    met = [step for step in context.steps if step.peep_cmh2o in levels and (step.peak_cmh2o or 0.0) > limit]
    if met:
        values: dict[str, Value] = {
            "words": message("vital.peak-pressure"),
            "unit": "cmH2O",
            "vital": "peak-pressure",
            "value": max(one.peak_cmh2o or 0.0 for one in met),
            "limit": limit,
            "side": message("vital.above"),
            "peep_cmh2o": met[0].peep_cmh2o,
            "suggested_cmh2o": peep_cmh2o,
        }
        peeps, sources = tuple(one.peep_cmh2o for one in met), tuple(source for step in met for source in step.sources)
        yield Finding(slug, weight, values, peeps, met[0].start_s, sources, OWN_CHOICE)
