"""A trial in progress as statements and sentences: its steps, its stop criteria, the move, what was acknowledged.

What nobody sent and a rhythm that is known at the bedside can be acknowledged by a clinician, by name; a reading that
meets a stop criterion counts whatever anybody says of it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime

from ebbmark.fhir.answer import PRESSURE, PROBABILITY, Amount, Coded, Statement, Truth, Warned, Whole
from ebbmark.fhir.reading.request import Acknowledged, Request, Site
from ebbmark.physiology.before.staircase import StaircaseRules
from ebbmark.physiology.during.context import Concern, RunningTrial, StepSoFar
from ebbmark.physiology.during.next_move import (
    Action,
    Move,
    Reason,
)
from ebbmark.physiology.during.running import closed_before
from ebbmark.physiology.stop.criteria import StopAnswer, StopCriterion, check_stop
from ebbmark.physiology.stop.limits import StopLimits
from ebbmark.physiology.trial.limb import peep_levels_of
from ebbmark.physiology.trial.reading import read_trial
from ebbmark.physiology.trial.steps import NoTrial, Step
from ebbmark.words.messages import clock, lasting, level, listed, say, sentences, spell
from ebbmark.words.next_step import (
    acknowledged_words,
    called_before_words,
    ended_words,
    left_words,
    move_words,
)
from ebbmark.words.stopping import (
    held_words,
    met_words,
    not_checked_words,
    oldest_words,
    stop_answer_words,
    stop_words,
    unseen_words,
    within_limits,
)


@dataclass(frozen=True, slots=True)
class Follows:
    """What follows.

    Attributes:
        suggested_peep_cmh2o: as `$titrate-peep` would suggest on the same readings; None where it would not.
        objections: what `$titrate-peep` says against it, gravest first, in a few words each.
    """

    suggested_peep_cmh2o: float | None
    sentence: str
    objections: tuple[str, ...] = ()


def step_statements(running: RunningTrial) -> list[Statement]:
    """One statement per step of the way down."""
    read = {step.peep_cmh2o: step for step in running.trial.steps} if running.trial else {}
    return [_step(number, one, read.get(one.peep_cmh2o)) for number, one in enumerate(running.steps, start=1)]


def _step(number: int, one: StepSoFar, read: Step | None) -> Statement:
    passed = Amount(one.passed, PROBABILITY) if one.passed is not None else None
    note = "" if one.readings else say("next-step.no-settled-reading")
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
    """Indices of the inputs that a step rests on."""
    return tuple(sorted({source for sample in step.samples for source in sample.sources}))


def criteria_statement(stops: StopAnswer, site: Site) -> Statement:
    """Every stop criterion: met, not met, or not checked and why."""
    met, not_met = {one.criterion for one in stops.met}, {one.criterion for one in stops.not_met}
    parts = [
        (
            one.value,
            Coded("criterion-met" if one in met else "criterion-held" if one in not_met else "criterion-not-checked"),
        )
        for one in StopCriterion
    ]
    not_checked = [not_checked_words(one, stops) for one in stops.not_checked]
    shown = "; ".join(dict.fromkeys(held_words(within_limit, stops) for within_limit in within_limits(stops)))
    return Statement(
        kind="stop-criteria",
        code="stop-criteria",
        # Where nothing could be checked, false would say more than is known.
        value=Truth(bool(met)) if met or not_met else None,
        note=sentences(
            *[met_words(one, stops) for one in stops.met],
            say("next-step.not-met", shown=shown) if shown else "",
            *not_checked,
        ),
        method=sentences(
            *stop_words(site.stop_limits), oldest_words(site.stop_limits), spell(site.stop_limits.signature)
        ),
        sources=tuple(sorted({*[one.source for one in stops.met], *[one.source for one in stops.not_met]})),
        parts=tuple(parts),
        beside_parts=(
            *not_checked,
            unseen_words(stops),
            oldest_words(site.stop_limits),
            spell(site.stop_limits.signature),
        ),
    )


def stop_warnings(stops: StopAnswer) -> list[Warned]:
    """Criteria that were met, those that still are first."""
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


def acknowledged_during(found: Sequence[Concern], given: Acknowledged, limits: StopLimits) -> str:
    """Say what was acknowledged, and what that leaves to the bedside; empty where nothing was."""
    what = {name for name, _ in given.what}
    named = [one for one in found if one.name in what]
    if not named or given.who is None:
        return ""
    left = listed([left for one in named if (left := left_words(one, limits))] or [""])
    said = say(
        "next-step.has-acknowledged", words=given.who.words, listed=listed([acknowledged_words(one) for one in named])
    )
    if not left:
        return f"{said}."
    return say("next-step.so-watch-bedside", said=said, left=left)


def how_to_acknowledge(found: Sequence[Concern], given: Acknowledged) -> str:
    """How a caller says that something is known at the bedside; empty where nothing is open."""
    what = {name for name, _ in given.what}
    still = [one for one in found if one.name not in what]
    if not still:
        return ""
    known = listed([acknowledged_words(one) for one in still])
    return say("next-step.where-clinician-bedside", known=known, listed=listed([repr(one.name) for one in still]))


def idle_acknowledgements(found: Sequence[Concern], given: Acknowledged) -> str:
    """Name what was acknowledged and does not stand in the way; empty where all of it does."""
    idle = sorted({name for name, _ in given.what} - {one.name for one in found})
    return say("next-step.acknowledged-without-effect", listed=", ".join(idle)) if idle else ""


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


def move_after_the_trial(move: Move, request: Request, running: RunningTrial, since_s: float) -> tuple[Move, str]:
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


def said_of_move(
    answer: str, move: Move, running: RunningTrial, stops: StopAnswer, request: Request, since_s: float
) -> list[str]:
    """The answer in plain sentences, with what was checked and what was seen along the way."""
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


def met_before_start(request: Request, site: Site, running: RunningTrial, since_s: float) -> list[str]:
    """What met a criterion in the same trial before the start that was asked for."""
    before = [reading for reading in request.readings if reading.at_s < since_s]
    if running.first_moved_s >= since_s or not before:
        return []
    stops = check_stop(before, site.stop_limits, since_s=running.first_moved_s, at_s=request.as_of_s)
    return [say("next-step.before-start-asked", met=met_words(one, stops)) for one in stops.met]


def move_statement(
    said: str,
    move: Move,
    running: RunningTrial,
    staircase: StaircaseRules,
    steps: list[Statement],
    follows: Follows | None,
) -> Statement:
    """The move, with the probability that closing has been passed and what PEEP would follow."""
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
        members=(*[step.kind for step in steps], "stop-criteria"),
        parts=tuple(parts),
    )
