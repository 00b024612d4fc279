"""During the trial: the steps so far and every stop criterion, as statements of the answer."""

from __future__ import annotations

from ebbmark.fhir.answer import Amount, Coded, Statement, Truth, Warned, Whole
from ebbmark.fhir.bedside.site import Site
from ebbmark.fhir.quantities import PRESSURE, PROBABILITY
from ebbmark.physiology.during.call_rule import StepSoFar
from ebbmark.physiology.during.running import RunningTrial
from ebbmark.physiology.stop.criteria import StopAnswer, StopCriterion
from ebbmark.physiology.trial.steps import Step
from ebbmark.use_cases.said import sentences
from ebbmark.words.stopping import held_words, met_words, not_checked_words, oldest_words, stop_words

__all__ = ["criteria_statement", "sources_of_step", "step_statements", "stop_warnings"]


def step_statements(running: RunningTrial) -> list[Statement]:
    """One statement per step of the way down.

    Args:
        running: the trial as it stands.
    """
    read = {step.peep_cmh2o: step for step in running.trial.steps} if running.trial else {}
    return [_step(number, one, read.get(one.peep_cmh2o)) for number, one in enumerate(running.steps, start=1)]


def _step(number: int, one: StepSoFar, read: Step | None) -> Statement:
    passed = Amount(one.passed, PROBABILITY) if one.passed is not None else None
    note = "" if one.readings else "No settled reading yet."
    return Statement(
        kind=f"running-step-{number}",
        code="running-step",
        value=Amount(one.peep_cmh2o, PRESSURE),
        note=note,
        sources=sources_of_step(read) if read else (),
        parts=(("readings-used", Whole(one.readings)), ("closing-passed-probability", passed)),
        span_s=(read.start_s, read.end_s) if read else None,
    )


def sources_of_step(step: Step) -> tuple[int, ...]:
    """Indices of the inputs that a step rests on.

    Args:
        step: which.
    """
    return tuple(sorted({source for sample in step.samples for source in sample.sources}))


def criteria_statement(stops: StopAnswer, site: Site) -> Statement:
    """Every stop criterion: met, not met, or not checked and why.

    Args:
        stops: what was checked.
        site: the limits in force.
    """
    met, held = {one.criterion for one in stops.met}, {one.criterion for one in stops.held}
    parts = [
        (
            one.value,
            Coded("criterion-met" if one in met else "criterion-held" if one in held else "criterion-not-checked"),
        )
        for one in StopCriterion
    ]
    shown = "; ".join(dict.fromkeys(held_words(one, stops) for one in stops.held))
    return Statement(
        kind="stop-criteria",
        code="stop-criteria",
        # Where nothing could be checked, false would say more than is known.
        value=Truth(bool(met)) if met or held else None,
        note=sentences(
            *[met_words(one, stops) for one in stops.met],
            f"Not met: {shown}." if shown else "",
            *[not_checked_words(one, stops) for one in stops.not_checked],
        ),
        method=sentences(*stop_words(site.stop_limits), oldest_words(site.stop_limits), site.stop_limits.signature),
        sources=tuple(sorted({*[one.source for one in stops.met], *[one.source for one in stops.held]})),
        parts=tuple(parts),
    )


def stop_warnings(stops: StopAnswer) -> list[Warned]:
    """Criteria that were met, those that still are first.

    Args:
        stops: what was checked.
    """
    return [
        Warned(
            kind=f"stop-{one.criterion.value}",
            code=one.criterion.value,
            severity="high" if one.pressing(stops.at_s) else "moderate",
            text=met_words(one, stops),
            sources=(one.source,),
            span_s=(one.first_s, one.last_s),
        )
        for one in sorted(stops.met, key=lambda one: not one.still)
    ]
