"""The ordered table of checks that decide: a number, a number with a high caution, or no number and a look first.

`judge_curve` comes before the advice and may take an estimate back; `judge_suggestion` comes after it and may withhold
the suggested PEEP. Neither ever names another PEEP. Here too: the checks of what is charted beside readings,
Conditions, the Patient itself, position, mode and vasopressors.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Final

from ebbmark.physiology.closing.result import Closing, Evidence, Verdict
from ebbmark.physiology.findings import OWN_CHOICE, ChangeKind, Finding, Value, Weight, message
from ebbmark.physiology.patient.breathing_checks import (
    clocks_differ,
    effort,
    impossible_plateaus,
    measured_peep_off,
    missing_hold,
    narrowed_airway,
    trapped_air,
)
from ebbmark.physiology.patient.circulation_checks import (
    carbon_dioxide_halved,
    circulation_fails,
    lost_carbon_dioxide,
    poor_throughout,
)
from ebbmark.physiology.patient.context import StepSeen, TrialContext
from ebbmark.physiology.patient.leak_checks import uneven_leak
from ebbmark.physiology.patient.lung_checks import (
    changed_setting,
    circuit_opened,
    no_lasting_fall,
    sudden_fall,
    sudden_rise,
    unsettled,
)
from ebbmark.physiology.patient.suggestion_checks import (
    acidosis,
    doubtful_pressure,
    stop_limits,
    unseen_vital_signs,
    worse_than_best,
)
from ebbmark.physiology.readings import Quantity
from ebbmark.physiology.timeline import Rise, rises


def conditions_present(context: TrialContext) -> Iterator[Finding]:
    """Conditions that forbid a number, question it, or change what it means."""
    for one in context.conditions:
        yield Finding(
            f"condition-{one.slug}",
            one.weight,
            {"words": one.words, "says": one.says},
            sources=() if one.source is None else (one.source,),
            source=one.citation,
        )


def patient_in_use(context: TrialContext) -> Iterator[Finding]:
    """A patient who had died, or whose record is no longer used: the readings may be of somebody else."""
    status, end_s = context.status, context.steps[-1].end_s
    if status.died:
        before = status.died_s is not None and status.died_s <= end_s
        weight = Weight.LOOK_FIRST if before or status.dead else Weight.HIGH
        yield Finding("died-before-trial" if before else "patient-died", weight, source=OWN_CHOICE)
    if status.inactive:
        yield Finding("patient-inactive", Weight.HIGH, source=OWN_CHOICE)


def changed_during_limb(context: TrialContext) -> Iterator[Finding]:
    """Position or ventilator mode changed while PEEP was being lowered: two lungs in one curve."""
    start_s, end_s = context.steps[0].end_s, context.steps[-1].end_s
    for one in context.changes:
        if start_s <= one.at_s <= end_s and not one.first:
            slug = "position-changed-in-trial" if one.kind is ChangeKind.POSITION else "mode-changed-in-trial"
            at = next((row.peep_cmh2o for row in context.seen if row.start_s <= one.at_s < row.until_s), None)
            values: dict[str, Value] = {"words": one.words}
            if at is not None:
                values["peep_cmh2o"] = at
            peeps = () if at is None else (at,)
            yield Finding(slug, Weight.LOOK_FIRST, values, peeps, one.at_s, (one.source,), OWN_CHOICE, of_curve=True)


def done_prone(context: TrialContext) -> Iterator[Finding]:
    """A trial done in prone position holds for that position."""
    start_s, end_s = context.steps[0].end_s, context.steps[-1].end_s
    before = [
        one
        for one in context.changes
        if one.kind is ChangeKind.POSITION and one.at_s < (end_s if one.first else start_s)
    ]
    latest = max(before, key=lambda one: one.at_s, default=None)
    if latest is not None and "prone" in latest.words.casefold():
        # A first value that was charted on the way down does not say since when: two lungs may lie in one curve.
        slug, weight = ("prone-since-when", Weight.HIGH) if latest.at_s > start_s else ("done-prone", Weight.LOW)
        yield Finding(slug, weight, {}, (), latest.at_s, (latest.source,), OWN_CHOICE, of_curve=weight is Weight.HIGH)


def vasopressor_raised(context: TrialContext) -> Iterator[Finding]:
    """A vasopressor begun or raised during the limb: pressures after it say less of how PEEP was tolerated."""
    found: dict[str, list[tuple[int, Rise]]] = {}
    for one in rises(context.infusions, context.seen[0].start_s, context.steps[-1].end_s):
        index = next((place for place, row in enumerate(context.seen) if row.start_s <= one.at_s < row.until_s), None)
        if index is not None:
            found.setdefault(one.drug, []).append((index, one))
    words = {True: message("vasopressor-raised.needed"), None: message("vasopressor-raised.need-not-charted")}
    for drug, rising in found.items():
        needs = [_pressure_needed_it(context, index) for index, _ in rising]
        needed = True if True in needs else None if None in needs else False
        (_, first), (_, last) = rising[0], rising[-1]
        how = "raised" if first.before else "begun"
        rates = message(f"vasopressor-raised.{how}{'-to' if last.now else ''}", before=first.before, now=last.now)
        values: dict[str, Value] = {"drug": drug, "how": rates, "needed": words.get(needed, "")}
        weight = Weight.MODERATE if needed is False else Weight.HIGH
        peeps = tuple(dict.fromkeys(context.seen[index].peep_cmh2o for index, _ in rising))
        sources = tuple(dict.fromkeys(source for _, one in rising for source in one.sources))
        yield Finding("vasopressor-raised", weight, values, peeps, first.at_s, sources, OWN_CHOICE)


def _pressure_needed_it(context: TrialContext, index: int) -> bool | None:
    """Whether arterial pressure was low, or had fallen, at a step or the one before; None where it is not known."""
    limits, known = context.limits, False
    for quantity, low, fall in (
        (
            Quantity.MEAN_ARTERIAL_PRESSURE,
            limits.vital.mean_arterial_pressure_below_mmhg,
            limits.mean_pressure_with_fall_mmhg,
        ),
        (
            Quantity.SYSTOLIC_ARTERIAL_PRESSURE,
            limits.vital.systolic_arterial_pressure_below_mmhg,
            limits.systolic_pressure_loss_mmhg,
        ),
    ):
        near = _least(context.seen[max(index - 1, 0) : index + 1], quantity)
        if near is None:
            continue
        known = True
        highest = max(value for row in context.seen[: index + 1] if (value := row.middle(quantity)) is not None)
        if near < low or highest - near >= fall:
            return True
    return False if known else None


def _least(rows: Sequence[StepSeen], quantity: Quantity) -> float | None:
    return min((row.by_quantity[quantity].least for row in rows if quantity in row.by_quantity), default=None)


CURVE_CHECKS: Final[tuple[Callable[[TrialContext], Iterator[Finding]], ...]] = (
    # A patient who had died by the time of the request: no number; a death said for later, or a Patient marked
    # inactive: high.
    patient_in_use,
    # A condition that forbids raising PEEP: no number; one that questions it: high (Pilbeam, chapter 13).
    conditions_present,
    # A circuit that was open at or above closing voids the steps below (common practice).
    circuit_opened,
    # End-tidal carbon dioxide vanished: look first.
    lost_carbon_dioxide,
    # End-tidal carbon dioxide that fell by half at the same ventilation: high (common practice).
    carbon_dioxide_halved,
    # Plateau above peak at half of the steps, or at closing or the best step above it: no number.
    impossible_plateaus,
    # Support modes, a measured above the set rate, spontaneous breaths: no number (Pilbeam, chapter 1).
    effort,
    # A lasting fall of 30 % or more in one step, or pressure that rises as PEEP falls: look first.
    sudden_fall,
    # Compliance more than doubled from one step to the next: a contradiction, no number.
    sudden_rise,
    # A leak that begins, is large throughout, or lies where the curve may have its best: no number; a smaller
    # one: high.
    uneven_leak,
    # Total PEEP that does not follow set PEEP: no number; intrinsic PEEP is named (common practice).
    trapped_air,
    # Measured PEEP off its setting at half of the steps: no number.
    measured_peep_off,
    # Measured PEEP that follows or precedes its setting, or plateaus of two steps in one, at most steps: the
    # clocks differ, high.
    clocks_differ,
    # Compliance that came back at any lower step did not fall for good.
    no_lasting_fall,
    # Position or mode changed during the limb: no number.
    changed_during_limb,
    # A trial done in prone position holds for that position; since when it was so not known: high.
    done_prone,
    # Tidal volume changed during the limb: high; oxygen: named.
    changed_setting,
    # Readings before the lung had settled at closing and above it: no number; else high.
    unsettled,
    # A vasopressor begun or raised during the limb is named, high where pressure had fallen or was not charted.
    vasopressor_raised,
    # Arterial pressure that fell by a quarter while heart rate rose by a quarter: high; heart rate alone: moderate.
    circulation_fails,
    # Saturation, or pressure with a fast heart, poor at every step: high.
    poor_throughout,
    # A single impossible blood pressure is doubtful.
    doubtful_pressure,
    # pH below 7.15 in the trial: high (ARDS Network).
    acidosis,
    # Plateau that equals peak at every step of volume control: high.
    missing_hold,
    # Resistive pressure that rose along the limb: high.
    narrowed_airway,
)
"""Most dangerous first. Where no source stands beside a rule, it is this project's own choice."""


def judge_curve(context: TrialContext) -> tuple[Closing, tuple[Finding, ...]]:
    """Look at everything beside the curve.

    Returns:
        The estimate: INDETERMINATE without a reason in words where a finding forbids it, else with a certainty that
        follows from the whole; and the findings, gravest first, otherwise in the order of the table.
    """
    found = [finding for check in CURVE_CHECKS for finding in check(context)]
    found.sort(key=lambda one: list(Weight).index(one.weight))
    closing = context.closing
    if any(one.weight is Weight.LOOK_FIRST for one in found):
        closing = replace(closing.taken_back(""), would_help=None)
    return _with_certainty(closing, context, found), tuple(found)


def judge_suggestion(
    context: TrialContext,
    suggested_cmh2o: float,
    *,
    before: Mapping[Quantity, float],
    charted: frozenset[Quantity],
) -> tuple[Finding, ...]:
    """Look at how the suggested PEEP was tolerated.

    Returns:
        Findings, gravest first; with a LOOK_FIRST among them no PEEP may be suggested.
    """
    found = [
        *stop_limits(context, suggested_cmh2o, before),
        *worse_than_best(context, suggested_cmh2o),
        *unseen_vital_signs(context, suggested_cmh2o, charted),
    ]
    if any(one.weight is Weight.LOOK_FIRST for one in found):
        # Without a suggestion nothing lies above or below it.
        found = [
            replace(one, slug="stop-limit-met") if one.slug in _BESIDE else one
            for one in found
            if one.slug != "worse-than-best"
        ]
    return tuple(sorted(found, key=lambda one: list(Weight).index(one.weight)))


_BESIDE: Final = frozenset({"stop-limit-above-suggestion", "stop-limit-below-suggestion"})


def _with_certainty(closing: Closing, context: TrialContext, found: Sequence[Finding]) -> Closing:
    """Words of certainty follow from the whole: a grave doubt leaves weak evidence, any doubt leaves no strong one."""
    doubts = [one for one in found if one.of_curve and one.weight is not Weight.LOW]
    if any(one.weight in (Weight.LOOK_FIRST, Weight.HIGH) for one in doubts):
        return replace(closing, evidence=Evidence.WEAK)
    # A high caution about the patient's readings is a doubt of quality; what the record says beside them is none.
    doubts += [one for one in found if one.weight is Weight.HIGH and not one.slug.startswith(_NO_QUALITY)]
    last = closing.verdict is Verdict.FOUND and closing.peep_cmh2o == context.steps[-1].peep_cmh2o
    if closing.evidence is Evidence.STRONG and (doubts or last or _doubtful(context)):
        return replace(closing, evidence=Evidence.MODERATE)
    return closing


def _doubtful(context: TrialContext) -> bool:
    """Whether the readings themselves leave a doubt of quality that is not a finding of these checks."""
    return not context.trial.kind.static or any(seen.slug in _QUALITY for seen in context.trial.observed)


_NO_QUALITY: Final = "condition-"

_QUALITY: Final = frozenset(
    {
        "charted-compliance-differs",
        "charted-driving-pressure-differs",
        "compliance-as-charted",
        "driving-pressure-as-charted",
        "leak-likely",
        "plateau-above-peak",
        "short-trial",
        "step-without-compliance",
        "tidal-volume-as-set",
        "tidal-volume-varies",
        "total-peep-below-set",
        "unsettled-steps",
    }
)
"""Remarks about a limb after which its evidence is not called strong. This project's choice."""
