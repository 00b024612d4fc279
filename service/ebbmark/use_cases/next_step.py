"""During the trial: go on, read once more, or stop lowering? The answer after each step, with every stop criterion.

A trial that stands still for an hour is not in progress, and a record in which two devices set PEEP in turns cannot be
read as one trial: both are refused rather than guessed at.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

from ebbmark.fhir.answer import PRESSURE, PROBABILITY, Amount, Answer, Coded, Statement, Truth
from ebbmark.fhir.problems import Rejected
from ebbmark.fhir.reading.request import Request, Site
from ebbmark.physiology.before.staircase import StaircaseRules
from ebbmark.physiology.closing.result import Closing, Verdict
from ebbmark.physiology.during.context import DEFAULT_CALL_RULE, Concern, RunningContext, RunningTrial
from ebbmark.physiology.during.next_move import Action, Decision, Move, Reason, acknowledgeable, decide, next_move
from ebbmark.physiology.during.running import closed_before, findings_along, running_trial
from ebbmark.physiology.findings import Weight
from ebbmark.physiology.patient.titration import closing_for
from ebbmark.physiology.readings import UnusableReadings
from ebbmark.physiology.stop.criteria import StopAnswer, check_stop
from ebbmark.physiology.trial.limb import peep_levels_of
from ebbmark.physiology.trial.reading import read_trial
from ebbmark.physiology.trial.steps import NoTrial, Step
from ebbmark.use_cases.answer_builder import answered, no_steps, rule_of, rule_of_limits, sentences
from ebbmark.use_cases.in_progress import (
    Follows,
    acknowledged_during,
    criteria_statement,
    how_to_acknowledge,
    idle_acknowledgements,
    refuse_slips,
    refuse_unless_in_progress,
    sources_of_step,
    step_statements,
    stop_warnings,
    what_follows,
)
from ebbmark.use_cases.trial_and_patient import patient_context_of
from ebbmark.words.messages import clock, lasting, level, say, spell
from ebbmark.words.next_step import called_before_words, condition_words, decision_words, ended_words, move_words
from ebbmark.words.next_step_in_short import next_step_in_short
from ebbmark.words.stopping import met_words, stop_answer_words, told_words
from ebbmark.words.titration import found_words, with_reason

OPERATION = "next-step"

_TOLD = frozenset(
    {
        "disconnection",
        "leak-likely",
        "plateau-above-peak",
        "total-peep-below-set",
        "step-without-compliance",
        "charted-compliance-differs",
        "tidal-volume-varies",
    }
)
"""What was seen along the way down that bears on whether its readings can be trusted."""

ENDED_S = 3600.0
"""For how long after its last step it is said that a trial has ended, and not that none has begun [s]; our choice."""

_GOES_ON = frozenset({Action.LOWER, Action.CLOSING_PASSED, Action.LOWEST_REACHED})
_WAITS_FOR_A_WORD = frozenset({Action.MEASURE_FIRST, Action.LOOK_FIRST, Action.READ_AGAIN})


def next_step(request: Request, site: Site) -> Answer:
    """Say what the trial so far allows.

    Raises:
        Rejected: no PEEP was sent, the readings are too old for a trial in progress, two trials lie in one another, or
            an acknowledgement names nothing or nobody.
    """
    refuse_slips(request)
    staircase = request.asked.staircase or site.default_staircase
    decrement, lowest = staircase.decrement_cmh2o.value, staircase.lowest_cmh2o.value
    if decrement is None or lowest is None:
        raise Rejected((no_steps(staircase),), request.ignored)
    running = running_trial(request.readings, request.protocol, at_s=request.as_of_s)
    refuse_unless_in_progress(request, running)
    started_s, now_s = request.asked.trial_started_s, request.as_of_s
    since_s = started_s if started_s is not None else running.first_moved_s
    stops = check_stop(
        request.readings,
        site.stop_limits,
        since_s=since_s,
        at_s=now_s,
        doubts=request.doubts,
        rhythms=request.rhythms.read,
    )
    rule = DEFAULT_CALL_RULE
    given = request.asked.acknowledged
    patient = patient_context_of(request)
    context = RunningContext(
        running=running,
        readings=request.readings,
        doubts=request.doubts,
        stops=stops,
        limits=site.stop_limits,
        since_s=since_s,
        at_s=now_s,
        protocol=request.protocol,
        rhythms=request.rhythms,
        acknowledged={name for name, _ in given.what},
        conditions=patient.conditions,
        curve=findings_along(running, request.readings, request.protocol, patient),
    )
    move = next_move(running.steps, decrement_cmh2o=decrement, lowest_cmh2o=lowest, stops=stops, rule=rule)
    move, reason = _after_the_trial(move, request, running, since_s)
    decision = decide(move, context)
    decision, reason, closed = _as_titrated(decision, reason, request, context)
    move = decision.move
    conditions, stopped = condition_words(context), move.action is Action.STOP
    open_to_a_word = acknowledgeable(context)
    watched = acknowledged_during(open_to_a_word, given, site.stop_limits) if move.action in _GOES_ON else ""
    follows = None
    if move.action in (Action.CLOSING_PASSED, Action.ENDED):
        follows = what_follows(request, running, staircase, quiet=not (conditions or decision.looked_at or stops.met))
    said = sentences(
        watched,
        *([] if stopped else [told_words(stops), conditions]),
        decision_words(decision, reason, context),
        *([told_words(stops), conditions] if stopped else []),
        follows.sentence if follows is not None else "",
    )
    earlier = _earlier(request, site, running, since_s)
    last_s = max(reading.end_s for reading in request.readings)
    steps = step_statements(running)
    return answered(
        OPERATION,
        request,
        short=next_step_in_short(
            decision,
            context,
            suggested_cmh2o=None if follows is None else follows.suggested_peep_cmh2o,
            closed=closed,
            objections=() if follows is None else follows.objections,
        ),
        said=[
            *_said(said, move, running, stops, request, since_s),
            say("caution.condition-not-read") if request.asked.conditions_not_read else "",
            *earlier,
            how_to_acknowledge(open_to_a_word, given) if move.action in _WAITS_FOR_A_WORD else "",
            idle_acknowledgements(open_to_a_word, given),
        ],
        statements=[_move(said, move, running, staircase, steps, follows), *steps, criteria_statement(stops, site)],
        warnings=stop_warnings(stops),
        rules=(rule_of(request.protocol), rule_of(staircase), rule_of_limits(site.stop_limits)),
        values=(
            request.protocol,
            staircase,
            site.stop_limits,
            rule,
            UnusableReadings(tuple(request.doubts)),
            request.rhythms,
        ),
        span_s=(min(since_s, last_s), last_s),
        dated=True,
        more_would_help=bool(stops.not_checked),
    )


def _after_the_trial(move: Move, request: Request, running: RunningTrial, since_s: float) -> tuple[Move, str]:
    """The move and its words, unless closing had been called before PEEP was raised again: then this is a setting."""
    last = _last_step(request, running) if move.action is Action.NOT_STARTED else None
    if last is not None and running.now_cmh2o is not None:
        ended = replace(move, action=Action.ENDED, lowering_is_useful=False, reason=Reason.ENDED)
        return ended, ended_words(last, now_cmh2o=running.now_cmh2o)
    closed = None
    if move.action in (Action.LOWER, Action.READ_AGAIN):
        closed = closed_before(request.readings, running, request.protocol, since_s=since_s, rule=move.rule)
    if closed is None:
        return move, move_words(move)
    setting = replace(
        move,
        action=Action.CLOSING_PASSED,
        next_peep_cmh2o=None,
        lowering_is_useful=False,
        reason=Reason.CALLED_BEFORE,
        latest=closed,
    )
    return setting, called_before_words(closed, raised_s=running.began_s)


def _last_step(request: Request, running: RunningTrial) -> Step | None:
    """The last step of a trial of the last hour, where PEEP is no higher than it began; None where there is none."""
    trial = read_trial(request.readings, request.protocol)
    if isinstance(trial, NoTrial) or running.now_cmh2o is None or running.now_cmh2o > trial.steps[0].peep_cmh2o:
        return None
    last, started_s = trial.steps[-1], request.asked.trial_started_s
    if request.as_of_s - last.end_s > ENDED_S or (started_s is not None and started_s > last.start_s):
        return None
    return last


def _as_titrated(
    decision: Decision, reason: str, request: Request, context: RunningContext
) -> tuple[Decision, str, Closing | None]:
    """Closing is not called on a curve from which the titration reads none: what came back is no closing.

    Returns:
        The decision, its words, and the titration's own estimate. The rule calls closing at or above the latest step,
        which is another event than closing at one named step; None where none is called or named.
    """
    move, trial = decision.move, context.running.trial
    if move.reason is not Reason.CALLED or move.action is not Action.CLOSING_PASSED or trial is None:
        return decision, reason, None
    judged, findings, _ = closing_for(trial, request.readings, request.protocol, patient_context_of(request))
    looked_into = {*context.acknowledged, "circuit-opened"}
    looks = {one.slug for one in findings if one.weight is Weight.LOOK_FIRST}
    if judged.verdict in (Verdict.FOUND, Verdict.FALLING_FROM_FIRST_STEP):
        return decision, sentences(reason, found_words(judged)), judged
    if looks and looks <= looked_into:
        return decision, reason, None
    grave = tuple(Concern("unlike-closing", {"finding": one}) for one in findings if one.weight is Weight.LOOK_FIRST)
    why_not = Reason.LOOK if grave else Reason.UNCLEAR
    unclear = replace(move, action=Action.LOOK_FIRST, reason=why_not, next_peep_cmh2o=None, lowering_is_useful=False)
    why = spell(with_reason(judged, findings).why) or say("next-step.over-whole-way")
    looked_at = (*decision.looked_at, *grave)
    return replace(decision, move=unclear, looked_at=looked_at), say("next-step.closing-not-called", why=why), None


def _said(
    answer: str, move: Move, running: RunningTrial, stops: StopAnswer, request: Request, since_s: float
) -> list[str]:
    said = [answer]
    if move.action in (Action.NOT_STARTED, Action.ENDED):
        said.append(_not_lowered(request))
    if move.action is not Action.STOP:
        said.append(stop_answer_words(stops))
    before = [one for one in stops.met if one.last_s < running.began_s]
    if before:
        said.append(
            say(
                "next-step.these-lie-before",
                count=len(before),
                ending="s" if len(before) == 1 else "",
                again=say("next-step.go-down-again"),
                time=clock(running.began_s),
            )
        )
    if running.trial is not None:
        said += [spell(one.sentence) for one in running.trial.observed if one.slug in _TOLD]
    when = datetime.fromtimestamp(since_s, UTC)
    named = say("next-step.asked") if request.asked.trial_started_s is not None else say("next-step.when-peep-first")
    said.append(say("next-step.stop-criteria-are", when=f"{when:%Y-%m-%d %H:%M}", named=named))
    return said


def _not_lowered(request: Request) -> str:
    """What PEEP did last, where that is no way down."""
    levels = peep_levels_of(request.readings)
    now = levels[-1].peep_cmh2o
    ended = say("next-step.titrate-peep-reads")
    kept_s = request.as_of_s - levels[-1].start_s
    if kept_s > request.protocol.longest_step_s:
        return say("next-step.peep-has-been", now=level(now), span=lasting(kept_s), ended=ended)
    if len(levels) == 1:
        return say("next-step.peep-not-moved", now=level(now))
    last = levels[-2].peep_cmh2o
    if now > last:
        return say("next-step.peep-last-raised", last=level(last), now=level(now), ended=ended)
    largest = request.protocol.largest_decrement_cmh2o
    if last - now > largest:
        return say("next-step.peep-last-lowered", last=level(last), now=level(now), largest=f"{largest:g}", ended=ended)
    return say("next-step.peep", now=level(now), ended=ended)


def _earlier(request: Request, site: Site, running: RunningTrial, since_s: float) -> list[str]:
    """What met a criterion in the same trial before the start that was asked for."""
    before = [one for one in request.readings if one.at_s < since_s]
    if running.first_moved_s >= since_s or not before:
        return []
    stops = check_stop(before, site.stop_limits, since_s=running.first_moved_s, at_s=request.as_of_s)
    return [say("next-step.before-start-asked", met=met_words(one, stops)) for one in stops.met]


def _move(
    said: str,
    move: Move,
    running: RunningTrial,
    staircase: StaircaseRules,
    steps: list[Statement],
    follows: Follows | None,
) -> Statement:
    passed, rule = move.passed, move.rule
    parts = [
        ("next-peep", Amount(move.next_peep_cmh2o, PRESSURE) if move.next_peep_cmh2o is not None else None),
        ("closing-passed-probability", Amount(passed, PROBABILITY) if passed is not None else None),
        ("lowering-is-useful", Truth(move.lowering_is_useful)),
    ]
    if follows is not None and follows.suggested_peep_cmh2o is not None:
        parts.append(("suggested-peep", Amount(follows.suggested_peep_cmh2o, PRESSURE)))
    readings = say("next-step.reading" if rule.fewest_readings == 1 else "next-step.readings-several")
    row = "" if rule.steps_in_a_row == 1 else say("next-step.steps-row", steps_in_a_row=rule.steps_in_a_row)
    return Statement(
        kind="next-step",
        code="next-step",
        value=Coded(move.action.value),
        note=said,
        method=(
            say(
                "next-step.closing-called-probability",
                call_at=f"{rule.call_at:g}",
                fewest_readings=rule.fewest_readings,
                readings=readings,
                row=row,
                slug=staircase.slug,
                version=staircase.version,
            )
        ),
        sources=sources_of_step(running.trial.steps[-1]) if running.trial else (),
        members=(*[one.kind for one in steps], "stop-criteria"),
        parts=tuple(parts),
    )
