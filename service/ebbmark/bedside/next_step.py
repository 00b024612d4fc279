"""During the trial: go on, read once more, or stop lowering? The answer after each step, with every stop criterion.

A trial that stands still for an hour is not in progress, and a record in which two devices set PEEP in turns cannot be
read as one trial: both are refused rather than guessed at.
"""

from __future__ import annotations

from datetime import UTC, datetime
from itertools import pairwise

from ebbmark.bedside.said import answered, missing, rule_of, rule_of_limits, sentences
from ebbmark.fhir.bedside.answer import Amount, Answer, Coded, Statement, Truth, Warned, Whole
from ebbmark.fhir.bedside.received import BedsideRequest
from ebbmark.fhir.bedside.site import Site
from ebbmark.fhir.problems import Problem, ProblemKind, Rejected
from ebbmark.fhir.writing.quantities import PRESSURE, PROBABILITY
from ebbmark.physiology.before.staircase import StaircaseRules
from ebbmark.physiology.during.call_rule import DEFAULT_CALL_RULE, CallRule, StepSoFar
from ebbmark.physiology.during.next_move import Action, Move, next_move
from ebbmark.physiology.during.running import RunningTrial, plateaus_of, running_trial
from ebbmark.physiology.during.safety import StopAnswer, check_stop
from ebbmark.physiology.during.stop_criteria import StopCriterion, stop_words
from ebbmark.physiology.readings import Reading
from ebbmark.physiology.trial.steps import Step

__all__ = ["next_step"]

OPERATION = "next-step"


def next_step(request: BedsideRequest, site: Site) -> Answer:
    """Say what the trial so far allows.

    Args:
        request: the readings of a trial in progress.
        site: staircases and stop limits.

    Raises:
        Rejected: no PEEP was sent, the readings are too old for a trial in progress, or PEEP jumps between two levels.
    """
    staircase = request.asked.staircase or site.default_staircase
    decrement, lowest = staircase.decrement_cmh2o.value, staircase.lowest_cmh2o.value
    if decrement is None or lowest is None:
        sentence = (
            f"{staircase.title} has no verified size of its steps down, or no verified lowest PEEP, so no next step "
            "can be named from it. Ask with another staircase, or add the numbers as a protocol of the site."
        )
        problem = Problem(ProblemKind.BAD_PARAMETER, "", staircase.slug, "a staircase with verified steps", sentence)
        raise Rejected((problem,), request.ignored)
    running = running_trial(request.readings, request.protocol)
    _refuse_unless_in_progress(request, running)
    began_s = request.asked.trial_started_s if request.asked.trial_started_s is not None else running.began_s
    stops = check_stop(request.readings, site.stop_limits, since_s=began_s)
    rule = DEFAULT_CALL_RULE
    move = next_move(running.steps, decrement_cmh2o=decrement, lowest_cmh2o=lowest, stops=stops, rule=rule)
    last_s = max(reading.end_s for reading in request.readings)
    steps = _steps(running)
    return answered(
        OPERATION,
        request,
        said=_said(move, running, stops, began_s),
        statements=[_move(move, running, staircase, rule, steps), *steps, _criteria(stops, site, running)],
        warnings=_warnings(stops),
        rules=(rule_of(request.protocol), rule_of(staircase), rule_of_limits(site.stop_limits)),
        values=(request.protocol, staircase, site.stop_limits, rule),
        span_s=(min(began_s, last_s), last_s),
        dated=False,
        more_would_help=bool(stops.not_checked),
    )


def _refuse_unless_in_progress(request: BedsideRequest, running: RunningTrial) -> None:
    if running.now_cmh2o is None:
        accepted = "PEEP at each step, as it is set (LOINC 20077-4) or measured (76248-4), each with a time"
        raise missing(request, "no PEEP", accepted, f"No usable PEEP was sent: needed is {accepted}.")
    longest_s = request.protocol.longest_step_s
    age_s = request.as_of_s - max(reading.end_s for reading in request.readings)
    if age_s > longest_s:
        sentence = (
            f"The latest reading is {age_s / 3600:.1f} h old, so this is no trial in progress: what holds now is not "
            "among the readings. Send the newest ones; a trial that has ended is read by $titrate-peep."
        )
        accepted = f"a reading of the last {longest_s / 60:g} minutes"
        raise Rejected((Problem(ProblemKind.NO_TRIAL, "", "old readings", accepted, sentence),), request.ignored)
    if _jumps(request.readings, request.protocol.largest_decrement_cmh2o):
        sentence = (
            "PEEP goes up and down in turns, as where two trials or two devices are charted into one another. Which of "
            "them is in progress cannot be told; send the readings of one trial only."
        )
        problem = Problem(ProblemKind.NO_TRIAL, "", "two levels of PEEP in turns", "one trial", sentence)
        raise Rejected((problem,), request.ignored)


def _jumps(readings: tuple[Reading, ...], largest_cmh2o: float) -> bool:
    """Whether PEEP last went up and down in turns: four times, or three times by more than a step of a trial does."""
    changes = [b.peep_cmh2o - a.peep_cmh2o for a, b in pairwise(plateaus_of(readings)[-5:])]
    leaps = [change for change in changes if abs(change) >= largest_cmh2o]
    return _alternate(changes, 4) or _alternate(leaps, 3)


def _alternate(changes: list[float], fewest: int) -> bool:
    return len(changes) >= fewest and all(a * b < 0 for a, b in pairwise(changes))


def _said(move: Move, running: RunningTrial, stops: StopAnswer, began_s: float) -> list[str]:
    said = [move.reason]
    if move.action is Action.NOT_STARTED and running.now_cmh2o is not None:
        said.append(
            f"PEEP is {running.now_cmh2o:g} cmH2O and was not lowered last. A way down that ended before is read by "
            "$titrate-peep."
        )
    if move.action is not Action.STOP:
        said.append(stops.sentence)
    when = datetime.fromtimestamp(began_s, UTC)
    said.append(
        f"Stop criteria are checked from {when:%Y-%m-%d %H:%M} UTC on, when PEEP was first moved for this trial."
    )
    return said


def _move(
    move: Move, running: RunningTrial, staircase: StaircaseRules, rule: CallRule, steps: list[Statement]
) -> Statement:
    passed = move.passed
    parts = [
        ("next-peep", Amount(move.next_peep_cmh2o, PRESSURE) if move.next_peep_cmh2o is not None else None),
        ("closing-passed-probability", Amount(passed, PROBABILITY) if passed is not None else None),
        ("lowering-is-useful", Truth(move.lowering_is_useful)),
    ]
    readings = "reading" if rule.fewest_readings == 1 else "readings"
    row = "" if rule.steps_in_a_row == 1 else f", at {rule.steps_in_a_row} steps in a row"
    return Statement(
        kind="next-step",
        code="next-step",
        value=Coded(move.action.value),
        note=move.reason,
        method=(
            f"Closing is called at a probability of at least {rule.call_at:g} on at least {rule.fewest_readings} "
            f"{readings} of the step{row}: this project's choice between a late and a false call. Staircase "
            f"{staircase.slug} version {staircase.version}"
        ),
        sources=_sources(running.trial.steps[-1]) if running.trial else (),
        members=(*[one.kind for one in steps], "stop-criteria"),
        parts=tuple(parts),
    )


def _steps(running: RunningTrial) -> list[Statement]:
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
        sources=_sources(read) if read else (),
        parts=(("readings-used", Whole(one.readings)), ("closing-passed-probability", passed)),
        span_s=(read.start_s, read.end_s) if read else None,
    )


def _sources(step: Step) -> tuple[int, ...]:
    return tuple(sorted({source for sample in step.samples for source in sample.sources}))


def _criteria(stops: StopAnswer, site: Site, running: RunningTrial) -> Statement:
    met, held = {one.criterion for one in stops.met}, set(stops.held)
    parts = [
        (
            one.value,
            Coded("criterion-met" if one in met else "criterion-held" if one in held else "criterion-not-checked"),
        )
        for one in StopCriterion
    ]
    return Statement(
        kind="stop-criteria",
        code="stop-criteria",
        value=Truth(bool(met)),
        note=sentences(*[one.sentence for one in stops.met], *[one.sentence for one in stops.not_checked]),
        method=sentences(*stop_words(site.stop_limits), stops.signature),
        sources=tuple(sorted({one.source for one in stops.met})),
        parts=tuple(parts),
    )


def _warnings(stops: StopAnswer) -> list[Warned]:
    return [
        Warned(
            kind=f"stop-{one.criterion.value}",
            code=one.criterion.value,
            severity="high",
            text=one.sentence,
            sources=(one.source,),
            span_s=(one.first_s, one.last_s),
        )
        for one in sorted(stops.met, key=lambda one: not one.still)
    ]
