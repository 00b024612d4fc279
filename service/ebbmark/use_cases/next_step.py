"""During the trial: go on, read once more, or stop lowering? The answer after each step, with every stop criterion.

A trial that stands still for an hour is not in progress, and a record in which two devices set PEEP in turns cannot be
read as one trial: both are refused rather than guessed at. Once closing has been passed it is said what follows, so
that nobody is left at the lowest step. The names of what can be acknowledged are fixed, so that a slip in one is
refused the same way in every state of the patient and never hides a stop criterion.
"""

from __future__ import annotations

from dataclasses import replace
from math import inf

from ebbmark.fhir.answer import Answer
from ebbmark.fhir.problems import Problem, ProblemKind, Rejected
from ebbmark.fhir.reading.request import NO_SITE, Request, Site
from ebbmark.physiology.before.staircase import StaircaseRules
from ebbmark.physiology.closing.result import Closing, Verdict
from ebbmark.physiology.during.checks import ACKNOWLEDGED_NAMES, acknowledgeable, is_acknowledged_name
from ebbmark.physiology.during.context import DEFAULT_CALL_RULE, Concern, RunningContext, RunningTrial
from ebbmark.physiology.during.next_move import (
    Action,
    Decision,
    Reason,
    decide,
    next_move,
)
from ebbmark.physiology.during.running import findings_along, interleaved, running_trial
from ebbmark.physiology.findings import Weight
from ebbmark.physiology.patient.titration import closing_for
from ebbmark.physiology.readings import Quantity, UnusableReadings
from ebbmark.physiology.stop.criteria import check_stop
from ebbmark.physiology.trial.limb import peep_levels_of
from ebbmark.physiology.trial.reading import read_trial
from ebbmark.physiology.trial.steps import NoTrial
from ebbmark.use_cases.answer_builder import answered, missing, no_steps, nobody_acknowledges, rule_of, rule_of_limits
from ebbmark.use_cases.in_progress import (
    Follows,
    acknowledged_during,
    criteria_statement,
    how_to_acknowledge,
    idle_acknowledgements,
    met_before_start,
    move_after_the_trial,
    move_statement,
    said_of_move,
    step_statements,
    stop_warnings,
)
from ebbmark.use_cases.trial_and_patient import patient_context_of, titration_of
from ebbmark.words.messages import capital, level, say, sentences, spell
from ebbmark.words.next_step import condition_words, decision_words
from ebbmark.words.next_step_in_short import next_step_in_short
from ebbmark.words.stopping import told_words
from ebbmark.words.titration import found_words, objections_in_short, with_reason

OPERATION = "next-step"


_GOES_ON = frozenset({Action.LOWER, Action.CLOSING_PASSED, Action.LOWEST_REACHED})
_WAITS_FOR_A_WORD = frozenset({Action.MEASURE_FIRST, Action.LOOK_FIRST, Action.READ_AGAIN})


def next_step(request: Request, site: Site) -> Answer:
    """Say what the trial so far allows.

    Raises:
        Rejected: no PEEP was sent, the readings are too old for a trial in progress, two trials lie in one another, or
            an acknowledgement names nothing or nobody.
    """
    _refuse_slips(request)
    staircase = request.asked.staircase or site.default_staircase
    decrement, lowest = staircase.decrement_cmh2o.value, staircase.lowest_cmh2o.value
    if decrement is None or lowest is None:
        raise Rejected((no_steps(staircase),), request.ignored)
    running = running_trial(request.readings, request.protocol, at_s=request.as_of_s)
    _refuse_unless_in_progress(request, running)
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
    move, reason = move_after_the_trial(move, request, running, since_s)
    decision = decide(move, context)
    decision, reason, closed = _as_titrated(decision, reason, request, context)
    move = decision.move
    conditions, stopped = condition_words(context), move.action is Action.STOP
    open_to_a_word = acknowledgeable(context)
    watched = acknowledged_during(open_to_a_word, given, site.stop_limits) if move.action in _GOES_ON else ""
    follows = None
    if move.action in (Action.CLOSING_PASSED, Action.ENDED):
        follows = _what_follows(request, running, staircase, quiet=not (conditions or decision.looked_at or stops.met))
    said = sentences(
        watched,
        *([] if stopped else [told_words(stops), conditions]),
        decision_words(decision, reason, context),
        *([told_words(stops), conditions] if stopped else []),
        follows.sentence if follows is not None else "",
    )
    earlier = met_before_start(request, site, running, since_s)
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
            *said_of_move(said, move, running, stops, request, since_s),
            say("caution.condition-not-read") if request.asked.conditions_not_read else "",
            *earlier,
            how_to_acknowledge(open_to_a_word, given) if move.action in _WAITS_FOR_A_WORD else "",
            idle_acknowledgements(open_to_a_word, given),
        ],
        statements=[
            move_statement(said, move, running, staircase, steps, follows),
            *steps,
            criteria_statement(stops, site),
        ],
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
    looks = {finding.slug for finding in findings if finding.weight is Weight.LOOK_FIRST}
    if judged.verdict in (Verdict.FOUND, Verdict.FALLING_FROM_FIRST_STEP):
        return decision, sentences(reason, found_words(judged)), judged
    if looks and looks <= looked_into:
        return decision, reason, None
    grave = tuple(
        Concern("unlike-closing", {"finding": finding}) for finding in findings if finding.weight is Weight.LOOK_FIRST
    )
    why_not = Reason.LOOK if grave else Reason.UNCLEAR
    unclear = replace(move, action=Action.LOOK_FIRST, reason=why_not, next_peep_cmh2o=None, lowering_is_useful=False)
    why = spell(with_reason(judged, findings).why) or say("next-step.over-whole-way")
    looked_at = (*decision.looked_at, *grave)
    return replace(decision, move=unclear, looked_at=looked_at), say("next-step.closing-not-called", why=why), None


_MOST_NAMED = 4


_OF_THE_VENTILATOR = frozenset(Quantity) - {
    Quantity.SPO2,
    Quantity.PAO2,
    Quantity.PACO2,
    Quantity.PH,
    Quantity.MEAN_ARTERIAL_PRESSURE,
    Quantity.SYSTOLIC_ARTERIAL_PRESSURE,
    Quantity.HEART_RATE,
}


def _refuse_unless_in_progress(request: Request, running: RunningTrial) -> None:
    """Let a trial in progress pass.

    A monitor that goes on sending does not make a trial of hours ago one in progress: the age is that of the latest
    reading of the ventilator.

    Raises:
        Rejected: no PEEP was sent, the readings are too old, or two trials lie in one another.
    """
    if running.now_cmh2o is None:
        accepted = "PEEP at each step, as it is set (LOINC 20077-4) or measured (76248-4), each with a time"
        raise missing(request, "no PEEP", accepted, f"No usable PEEP was sent: needed is {accepted}.")
    longest_s = request.protocol.longest_step_s
    age_s = request.as_of_s - max(
        reading.end_s for reading in request.readings if reading.quantity in _OF_THE_VENTILATOR
    )
    if age_s > longest_s:
        sentence = (
            f"The latest reading of the ventilator is {age_s / 3600:.1f} h old, so this is no trial in progress: what "
            "holds now is not among the readings. Send the newest ones; $titrate-peep reads a trial that has ended."
        )
        accepted = f"a reading of the ventilator of the last {longest_s / 60:g} minutes"
        raise Rejected((Problem(ProblemKind.NO_TRIAL, "", "old readings", accepted, sentence),), request.ignored)
    several = _devices_in_turns(request)
    if several:
        named = " and ".join(several[:_MOST_NAMED]) + (" and others" if len(several) > _MOST_NAMED else "")
        sentence = (
            f"PEEP is reported in turns by {named}. Which of them is meant cannot be told; send the readings of one "
            "trial only."
        )
        problem = Problem(ProblemKind.NO_TRIAL, "", "two devices in turns", "one trial", sentence)
        raise Rejected((problem,), request.ignored)
    steps = running.trial.steps if running.trial is not None else ()
    compliances = [[sample.compliance_ml_per_cmh2o for sample in step.samples] for step in steps]
    sign = interleaved(peep_levels_of(request.readings), compliances, request.protocol)
    if sign:
        sentence = capital(say("mixed-records.told", sign=spell(sign)))
        problem = Problem(ProblemKind.NO_TRIAL, "", "two trials in one another", "one trial", sentence)
        raise Rejected((problem,), request.ignored)


def _devices_in_turns(request: Request) -> list[str]:
    """Devices that report PEEP of one kind among one another; a metric is not compared, since one has several."""
    spans: dict[tuple[Quantity, str], tuple[float, float]] = {}
    for reading in request.readings:
        device = request.devices[reading.source] if reading.source < len(request.devices) else ""
        if reading.quantity in (Quantity.PEEP_SET, Quantity.PEEP_MEASURED) and device and "DeviceMetric/" not in device:
            first_s, last_s = spans.get((reading.quantity, device), (reading.at_s, reading.at_s))
            spans[reading.quantity, device] = min(first_s, reading.at_s), max(last_s, reading.at_s)
    mixed: set[str] = set()
    for quantity in (Quantity.PEEP_SET, Quantity.PEEP_MEASURED):
        ordered = sorted((*span, device) for (kind, device), span in spans.items() if kind is quantity)
        began_s, latest_s, latest = -inf, -inf, ""
        for first_s, last_s, device in ordered:
            # Whoever began before the latest so far had ended overlaps with it.
            if first_s < latest_s and began_s < last_s:
                mixed |= {latest, device}
            if last_s > latest_s:
                began_s, latest_s, latest = first_s, last_s, device
    return sorted(mixed)


_REOPENS = "next-step.protocol-reopens"


def _what_follows(request: Request, running: RunningTrial, staircase: StaircaseRules, *, quiet: bool) -> Follows:
    """The suggested PEEP of the trial so far, where PEEP stands now, and who decides what the protocol does next.

    Args:
        quiet: whether no condition, limit or look speaks against raising pressure; only then is a protocol named that
            opens the lung again, and never where nobody chose that protocol.
    """
    suggested, said, objections = _suggestion(request, running)
    now = running.now_cmh2o
    here = ""
    if now is not None and (suggested is None or now < suggested):
        here = say("next-step.peep-now-step", now=level(now))
    chosen = staircase != NO_SITE.default_staircase
    reopens = f" {say(_REOPENS)}" if quiet and chosen and staircase.reopens else ""
    return Follows(suggested, f"{said}{here}{reopens}", objections)


def _suggestion(request: Request, running: RunningTrial) -> tuple[float | None, str, tuple[str, ...]]:
    if request.person is None:
        return None, say("next-step.suggested-peep-needs", where=say("next-step.titration-gives")), ()
    trial = read_trial(request.readings, request.protocol)
    if isinstance(trial, NoTrial):
        return None, say("next-step.no-peep-suggested", found=spell(trial.found)), ()
    if running.falling and running.trial is not None and trial.steps[0].start_s < running.trial.steps[0].start_s:
        return None, say("next-step.no-peep-suggested-trial"), ()
    advice = titration_of(trial, request, now=True).advice
    peep = advice.suggested_peep_cmh2o
    if peep is None:
        return None, say("next-step.no-peep-suggested-why", rationale=advice.rationale), ()
    objections = objections_in_short(advice)
    against = say("next-step.against", listed="; ".join(objections)) if objections else ""
    said = say(
        "next-step.suggested-peep-above",
        where=say("next-step.titration-certainty"),
        peep=level(peep),
        margin_cmh2o=level(advice.margin_cmh2o),
        against=against,
    )
    return peep, said, objections


def _refuse_slips(request: Request) -> None:
    """Let acknowledgements pass that name what there is to acknowledge, and a person.

    Raises:
        Rejected: a name that means nothing here, or nobody who acknowledges.
    """
    given = request.asked.acknowledged
    problems = nobody_acknowledges(given)
    accepted = ", ".join(ACKNOWLEDGED_NAMES)
    for name, path in given.what:
        if not is_acknowledged_name(name):
            sentence = f"During a trial there is nothing named {name[:60]!r} to acknowledge; there are: {accepted}."
            problems.append(Problem(ProblemKind.BAD_PARAMETER, path, name[:60], accepted, sentence))
    if problems:
        raise Rejected(tuple(problems), request.ignored)
