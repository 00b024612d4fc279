"""Checks of a suggested PEEP against the vital signs of the steps: whether it, or a higher one, was tolerated."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

from ebbmark.physiology.findings import COMMON_PRACTICE, OWN_CHOICE, SOURCES, Finding, Message, Value, Weight, message
from ebbmark.physiology.patient.context import QuantitySeen, StepSeen, TrialContext, VitalLimits
from ebbmark.physiology.readings import Quantity, UnusableReading

SAME_PEEP_CMH2O: Final = 0.25
"""A step this near to a PEEP is the step of that PEEP: units were converted. This project's choice."""


@dataclass(frozen=True, slots=True)
class _Vital:
    """One vital sign with a limit: which, on which side, from where, and whether a high PEEP makes it worse."""

    slug: str
    quantity: Quantity
    unit: str
    field: str
    sign: int  # 1: beyond is below the limit; -1: beyond is above it
    source: str
    worse_with_peep: bool

    def limit(self, limits: VitalLimits) -> float:
        value: float = getattr(limits, self.field)
        return value

    @property
    def words(self) -> Message:
        """Its name."""
        return message(f"vital.{self.quantity.slug}")

    def beyond(self, value: float, limits: VitalLimits) -> bool:
        return self.sign * value < self.sign * self.limit(limits)


_VITALS: Final = (
    _Vital("mean-arterial-pressure", Quantity.MEAN_ARTERIAL_PRESSURE, "mmHg",
           "mean_arterial_pressure_below_mmhg", 1, OWN_CHOICE, True),
    _Vital("systolic-pressure", Quantity.SYSTOLIC_ARTERIAL_PRESSURE, "mmHg",
           "systolic_arterial_pressure_below_mmhg", 1, SOURCES["cairo-13"], True),
    _Vital("saturation", Quantity.SPO2, "%", "spo2_below_percent", 1, SOURCES["cairo-13"], False),
    _Vital("heart-rate-high", Quantity.HEART_RATE, "/min", "heart_rate_above_per_min", -1, OWN_CHOICE, True),
    _Vital("heart-rate-low", Quantity.HEART_RATE, "/min", "heart_rate_below_per_min", 1, OWN_CHOICE, True),
)  # fmt: skip
_LOST = (
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
        met = [row for row in context.seen if _met(row, vital, limits)]
        if not met:
            continue
        at = [row for row in met if row in there]
        above = [row for row in met if row.peep_cmh2o > suggested_cmh2o + SAME_PEEP_CMH2O and row not in there]
        as_before = vital.quantity in before and vital.beyond(before[vital.quantity], limits)
        if at:
            heart = vital.quantity is Quantity.HEART_RATE
            weight = Weight.HIGH if heart and as_before else Weight.LOOK_FIRST
            yield _finding("stop-limit-at-suggestion", weight, vital, at, context, suggested_cmh2o, before)
        elif above:
            weight = Weight.HIGH if vital.worse_with_peep and not as_before else Weight.MODERATE
            yield _finding("stop-limit-above-suggestion", weight, vital, above, context, suggested_cmh2o, before)
        else:
            # The trial went on although it was to be stopped: whoever reads the number reads that, too.
            yield _finding("stop-limit-below-suggestion", Weight.HIGH, vital, met, context, suggested_cmh2o, before)


def limits_met_at(context: TrialContext, peep_cmh2o: float) -> tuple[Finding, ...]:
    """Stop limits that were met at one PEEP, for a table of several."""
    rows = _rows_at(context.seen, peep_cmh2o)
    limits = context.limits.vital
    met = [(vital, at) for vital in _VITALS if (at := [row for row in rows if _met(row, vital, limits)])]
    return (
        *[_finding("stop-limit-met", Weight.HIGH, vital, at, context, peep_cmh2o, {}) for vital, at in met],
        *_peak_at(context, rows, peep_cmh2o, "stop-limit-met", Weight.HIGH),
    )


def limits_met_in_trial(context: TrialContext) -> Iterator[Finding]:
    """Stop limits met in a trial without a suggestion: the latest step that met any, with all that was met there."""
    limits = context.limits.vital
    rows = [(row, met) for row in reversed(context.seen) if (met := [one for one in _VITALS if _met(row, one, limits)])]
    if not rows:
        return
    row, met = rows[0]
    values: dict[str, Value] = {
        "place": message("vital.at-the-last-step" if row is context.seen[-1] else "vital.at-a-step"),
        "words": tuple(_beyond(row, vital, limits) for vital in met),
        "peep_cmh2o": row.peep_cmh2o,
        "before_it": "",
    }
    earlier = []
    for vital in _VITALS:
        places = [one for one, at in rows if vital in at]
        worst = min(places, key=lambda one: vital.sign * _worse(one.by_quantity[vital.quantity], vital), default=row)
        if worst is not row:
            beyond = _beyond(worst, vital, limits)
            earlier.append(message("vital.beyond-at", beyond=beyond, peep_cmh2o=worst.peep_cmh2o))
    if earlier:
        values["before_it"] = message("vital.earlier", listed=tuple(earlier))
    sources = tuple(dict.fromkeys(src for one, at in rows for vital in at for src in one.sources(vital.quantity)))
    at_s = max(row.by_quantity[vital.quantity].at_s for vital in met)
    peeps = tuple(one.peep_cmh2o for one, _ in reversed(rows))
    yield Finding("stop-limit-in-trial", Weight.LOOK_FIRST, values, peeps, at_s, sources, met[0].source)


def doubtful_pressure(context: TrialContext) -> Iterator[Finding]:
    """A single impossible blood pressure between possible ones: the transducer."""
    for vital in _VITALS:
        for row in context.seen:
            seen = row.by_quantity.get(vital.quantity)
            if seen is not None and seen.doubtful is not None:
                values: dict[str, Value] = {"words": vital.words, "value": seen.doubtful, "least": seen.least}
                yield Finding(
                    "blood-pressure-doubtful",
                    Weight.MODERATE,
                    values,
                    (row.peep_cmh2o,),
                    seen.at_s,
                    seen.sources,
                    OWN_CHOICE,
                )
                return


def acidosis(context: TrialContext) -> Iterator[Finding]:
    """The lowest pH of the trial, where it lies below the limit of a published protocol."""
    rows = [(row, value) for row in context.seen if (value := row.last(Quantity.PH)) is not None]
    row, value = min(rows, key=lambda pair: pair[1], default=(None, 14.0))
    if row is not None and value < context.limits.acidosis_ph:
        seen = row.by_quantity[Quantity.PH]
        yield Finding(
            "acidosis",
            Weight.HIGH,
            {"value": f"{value:.2f}"},
            (row.peep_cmh2o,),
            seen.at_s,
            seen.sources,
            SOURCES["ards-network-protocol"],
        )


def worse_than_best(context: TrialContext, suggested_cmh2o: float) -> Iterator[Finding]:
    """Saturation or blood pressure clearly worse at the suggestion than at the best step, by their middle values."""
    there = _rows_at(context.seen, suggested_cmh2o)
    for quantity, unit, field, source in _LOST:
        known = [(row, value) for row in context.seen if (value := row.middle(quantity)) is not None]
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
        beyond = greatest - value >= limit if quantity is Quantity.SPO2 else greatest - value > limit
        if beyond:
            values: dict[str, Value] = {
                "words": message(f"vital.{quantity.slug}"),
                "unit": unit,
                "value": value,
                "best": greatest,
                "best_peep_cmh2o": best.peep_cmh2o,
                "suggested_cmh2o": suggested_cmh2o,
            }
            sources = tuple(one for row in there for one in row.sources(quantity))
            yield Finding(
                "worse-than-best",
                Weight.HIGH,
                values,
                tuple(row.peep_cmh2o for row in there),
                sources=sources,
                source=source,
            )


def _less_oxygen(there: Sequence[StepSeen], best: StepSeen, change: float) -> bool:
    then = best.last(Quantity.FIO2_SET) or best.last(Quantity.FIO2_MEASURED)
    now = [value for row in there if (value := row.last(Quantity.FIO2_SET) or row.last(Quantity.FIO2_MEASURED))]
    return then is not None and bool(now) and min(now) < then - change


def unseen_vital_signs(
    context: TrialContext, suggested_cmh2o: float, charted: frozenset[Quantity]
) -> Iterator[Finding]:
    """Whether nobody can say how the suggestion was tolerated."""
    there = _rows_at(context.seen, suggested_cmh2o)
    pressures = (Quantity.MEAN_ARTERIAL_PRESSURE, Quantity.SYSTOLIC_ARTERIAL_PRESSURE)
    missing: list[str] = []
    elsewhere: list[str] = []
    values: dict[str, Value]
    for words, quantities in (("SpO2", (Quantity.SPO2,)), ("blood pressure", pressures)):
        if any(row.last(quantity) is not None for row in there for quantity in quantities):
            continue
        unusable = _unusable_at(context, there, quantities)
        if unusable is not None:
            values = {
                "words": words,
                "shown": unusable.shown or "a value",
                "why": unusable.why,
                "suggested_cmh2o": suggested_cmh2o,
            }
            yield Finding("vital-signs-unusable", Weight.MODERATE, values, at_s=unusable.at_s, source=OWN_CHOICE)
            continue
        seen_at_all = any(row.last(quantity) is not None for row in context.seen for quantity in quantities)
        (elsewhere if not seen_at_all and charted & set(quantities) else missing).append(words)
    if elsewhere:
        values = {"words": " or ".join(elsewhere), "suggested_cmh2o": suggested_cmh2o}
        yield Finding("vital-signs-outside-limb", Weight.MODERATE, values, source=OWN_CHOICE)
    if missing:
        values = {"words": " or ".join(missing), "suggested_cmh2o": suggested_cmh2o}
        yield Finding("vital-signs-not-charted", Weight.MODERATE, values, source=COMMON_PRACTICE)


def _unusable_at(
    context: TrialContext, there: Sequence[StepSeen], quantities: Sequence[Quantity]
) -> UnusableReading | None:
    """The latest reading of these quantities that was sent for these steps and cannot be used."""
    for one in reversed(context.doubts):
        at_s = one.at_s
        if one.quantity in quantities and at_s is not None and any(row.start_s <= at_s < row.until_s for row in there):
            return one
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


def _met(row: StepSeen, vital: _Vital, limits: VitalLimits) -> bool:
    """Whether any charted reading of a step was beyond its limit."""
    seen = row.by_quantity.get(vital.quantity)
    return seen is not None and vital.beyond(_worse(seen, vital), limits)


def _finding(
    slug: str,
    weight: Weight,
    vital: _Vital,
    rows: Sequence[StepSeen],
    context: TrialContext,
    peep_cmh2o: float,
    before: Mapping[Quantity, float],
) -> Finding:
    extremes = [(row, row.by_quantity[vital.quantity]) for row in rows]
    worst_row, worst = min(extremes, key=lambda pair: vital.sign * _worse(pair[1], vital))
    value = _worse(worst, vital)
    values: dict[str, Value] = {
        "words": vital.words,
        "unit": vital.unit,
        "vital": vital.slug,
        "value": value,
        "limit": vital.limit(context.limits.vital),
        "side": message("vital.below" if vital.sign > 0 else "vital.above"),
        "peep_cmh2o": worst_row.peep_cmh2o,
        "suggested_cmh2o": peep_cmh2o,
    }
    recovered = next(
        (
            row
            for row in context.seen
            if row.peep_cmh2o < worst_row.peep_cmh2o
            and (last := row.last(vital.quantity)) is not None
            and not vital.beyond(last, context.limits.vital)
        ),
        None,
    )
    if recovered is not None:
        values |= {"then_value": recovered.last(vital.quantity) or 0.0, "then_peep_cmh2o": recovered.peep_cmh2o}
    if vital.quantity in before:
        values["before"] = before[vital.quantity]
    sources = tuple(dict.fromkeys(one for row in rows for one in row.sources(vital.quantity)))
    peeps = tuple(row.peep_cmh2o for row in rows)
    return Finding(slug, weight, values, peeps, worst.at_s, sources, context.limits.vital.source or vital.source)


def _peak_at(
    context: TrialContext, rows: Sequence[StepSeen], peep_cmh2o: float, slug: str, weight: Weight
) -> Iterator[Finding]:
    """Peak pressure beyond its stop limit at these steps."""
    limit, levels = context.limits.vital.peak_pressure_above_cmh2o, [row.peep_cmh2o for row in rows]
    met = [one for one in context.steps if one.peep_cmh2o in levels and (one.peak_cmh2o or 0.0) > limit]
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
        peeps, sources = tuple(one.peep_cmh2o for one in met), tuple(one for step in met for one in step.sources)
        yield Finding(slug, weight, values, peeps, met[0].start_s, sources, OWN_CHOICE)


def _beyond(row: StepSeen, vital: _Vital, limits: VitalLimits) -> Message:
    value, limit = round(_worse(row.by_quantity[vital.quantity], vital)), round(vital.limit(limits))
    return message("vital.beyond", name=vital.words, value=value, unit=vital.unit, limit=limit)


def _worse(seen: QuantitySeen, vital: _Vital) -> float:
    """The worst charted reading of a step."""
    return seen.least if vital.sign > 0 else seen.greatest
