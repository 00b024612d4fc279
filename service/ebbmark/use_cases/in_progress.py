"""A trial in progress: a refusal where the readings show none or several, its steps and stop criteria as statements.

Once closing has been passed it is said what follows, so that nobody is left at the lowest step.

What nobody sent and a rhythm that is known at the bedside can be acknowledged by a clinician, by name; a reading that
meets a stop criterion counts whatever anybody says of it. The names are fixed, so that a slip in one is refused the
same way in every state of the patient and never hides a stop criterion.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import inf

from ebbmark.fhir.answer import PRESSURE, PROBABILITY, Amount, Coded, Statement, Truth, Warned, Whole
from ebbmark.fhir.problems import Problem, ProblemKind, Rejected
from ebbmark.fhir.reading.request import NO_SITE, Acknowledged, Request, Site
from ebbmark.physiology.before.staircase import StaircaseRules
from ebbmark.physiology.during.context import Concern, RunningTrial, StepSoFar
from ebbmark.physiology.during.next_move import ACKNOWLEDGED_NAMES, is_acknowledged_name
from ebbmark.physiology.during.running import interleaved
from ebbmark.physiology.readings import Quantity
from ebbmark.physiology.stop.criteria import StopAnswer, StopCriterion
from ebbmark.physiology.stop.limits import StopLimits
from ebbmark.physiology.trial.limb import peep_levels_of
from ebbmark.physiology.trial.reading import read_trial
from ebbmark.physiology.trial.steps import NoTrial, Step
from ebbmark.use_cases.answer_builder import missing, nobody_acknowledges, sentences
from ebbmark.use_cases.trial_and_patient import titration_of
from ebbmark.words.messages import capital, level, listed, say, spell
from ebbmark.words.next_step import acknowledged_words, left_words
from ebbmark.words.stopping import (
    held_words,
    met_words,
    not_checked_words,
    oldest_words,
    stop_words,
    unseen_words,
    within_limits,
)
from ebbmark.words.titration import objections_in_short

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


def refuse_unless_in_progress(request: Request, running: RunningTrial) -> None:
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
    age_s = request.as_of_s - max(one.end_s for one in request.readings if one.quantity in _OF_THE_VENTILATOR)
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
    for one in request.readings:
        device = request.devices[one.source] if one.source < len(request.devices) else ""
        if one.quantity in (Quantity.PEEP_SET, Quantity.PEEP_MEASURED) and device and "DeviceMetric/" not in device:
            first_s, last_s = spans.get((one.quantity, device), (one.at_s, one.at_s))
            spans[one.quantity, device] = min(first_s, one.at_s), max(last_s, one.at_s)
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


def what_follows(request: Request, running: RunningTrial, staircase: StaircaseRules, *, quiet: bool) -> Follows:
    """The suggested PEEP of the trial so far, where PEEP stands now, and who decides what the protocol does next.

    Args:
        running: the trial as it stands.
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
    shown = "; ".join(dict.fromkeys(held_words(one, stops) for one in within_limits(stops)))
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


def refuse_slips(request: Request) -> None:
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
