"""When there is a card: at most one finding (a stop criterion, a trial, an order that differs, an obstacle).

Rules of this project, so that a card is rare and never a repetition:

* A stop criterion is judged while a trial is in progress: PEEP came down by at least two steps in a row, the last of
  them no longer ago than two steps of one trial may lie apart. It comes before everything else, but not where the trial
  has an answer, its last step has been kept for long, and every reading is within its limit again: then the card is of
  the answer, which says at which step the limit was met.
* While a trial is in progress nothing else is said until closing was found, the lowest step was reached or the last one
  kept for long, or a check asks for a look at the patient first.
* A trial is told of for an hour after its end; later only where the PEEP that is set now differs from the suggestion,
  or, for four hours, where a vital sign lies beyond a stop limit now.
  Of an older trial the card says how old it is and whether it may still hold (the question `check-validity`); where
  that is in doubt or not known, no order is drafted or changed from it.
* An order is drafted, changed or warned about only where the whole patient speaks for it: vital signs of the trial and
  Conditions were read, no check of the trial asks for a look or is a high caution, and no vital sign of the last hour
  lies beyond a limit now, no Condition is left to be read by a person, and closing does not lie at the last step. Where
  the patient speaks against it no order is compared with it; a vital sign beyond a stop limit is told instead. Where
  that is not known the card says so and does not warn.
* An order of PEEP beside a pneumothorax of the record is told of although no trial can be read.
* Two pressures differ where they lie further apart than half the smallest step of the trial, and than 1 cmH2O, which is
  how finely PEEP is set: the trial cannot tell closer ones apart.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import fsum

from ebbmark.fhir.answer import Answer, Coded, Truth
from ebbmark.fhir.operations import BY_SLUG, TITRATE_PEEP, Operation
from ebbmark.fhir.problems import Problem, ProblemKind, Rejected
from ebbmark.fhir.reading.conditions import PNEUMOTHORAX
from ebbmark.fhir.reading.read import is_about_weight, read_request
from ebbmark.fhir.reading.request import Request, RequestContext
from ebbmark.physiology.after.patient_now import NAMED
from ebbmark.physiology.closing.result import Verdict
from ebbmark.physiology.during.checks import FALL_LOOKED_AT_PERCENT
from ebbmark.physiology.during.next_move import Action
from ebbmark.physiology.during.running import running_trial
from ebbmark.physiology.findings import Weight
from ebbmark.physiology.patient.context import before_the_trial
from ebbmark.physiology.protocols import Protocol
from ebbmark.physiology.readings import Quantity, Reading
from ebbmark.physiology.stop.criteria import Bound, StopCriterion, bounds_of, check_stop
from ebbmark.physiology.timeline import FIO2, in_force_at
from ebbmark.physiology.trial.limb import PeepLevel, began_of, peep_levels_of
from ebbmark.physiology.trial.reading import read_trial
from ebbmark.physiology.trial.steps import Trial
from ebbmark.record.fetch import Fetched
from ebbmark.record.prefetch import UNREAD, UNREAD_TEXTS, Part
from ebbmark.use_cases.from_record import read_fetched, titrate_fetched
from ebbmark.use_cases.questions import answer_request
from ebbmark.use_cases.trial_and_patient import patient_context_of
from ebbmark.web.hooks.orders import PeepOrder
from ebbmark.words.messages import capital, level, say
from ebbmark.words.stopping import quantity_words
from ebbmark.words.titration import sentence as finding_words


@dataclass(frozen=True, slots=True)
class StopMet:
    """A stop criterion was met in a trial in progress."""

    answer: Answer


@dataclass(frozen=True, slots=True)
class TrialRead:
    """A trial was read.

    Attributes:
        now_cmh2o: PEEP that is set now; None where the trial ended with it, or it is not known.
        held_back: why no order is drafted or changed from it; empty where the whole patient speaks for it.
        against: whether the patient speaks against it, so that no order is compared with it either.
        alarm: the vital sign of the last hour that lies beyond a stop limit now, with its value; empty where none does.
        wrong: what of the present stands first although no limit is passed; empty where nothing does.
        doubt: why it may no longer describe this lung, or that nobody knows; empty where it is news or still holds.
    """

    answer: Answer
    age_s: float
    now_cmh2o: float | None = None
    news: bool = True
    doubt: str = ""
    held_back: str = ""
    against: bool = False
    alarm: str = ""
    wrong: str = ""


@dataclass(frozen=True, slots=True)
class OrderDiffers:
    """Draft orders set another PEEP than the trial suggests, or one that cannot be compared.

    Attributes:
        orders: those that differ or cannot be compared, the furthest from the suggestion first.
    """

    read: TrialRead
    orders: tuple[PeepOrder, ...]


@dataclass(frozen=True, slots=True)
class TrialUnreadable:
    """A trial is there and cannot be read, for want of something that a person can put right."""

    problems: tuple[Problem, ...]
    request: Request


@dataclass(frozen=True, slots=True)
class OrderBesidePneumothorax:
    """Draft orders of PEEP where the record says that a pneumothorax stands, and no trial can be read."""

    orders: tuple[PeepOrder, ...]
    said: tuple[str, ...]


CardFinding = StopMet | TrialRead | OrderDiffers | OrderBesidePneumothorax | TrialUnreadable
"""At most one leaves as a card."""


FINEST_CMH2O = 1.0
"""How finely PEEP is set (common practice, no published source)."""


def tolerance(trial: Trial) -> float:
    """How far apart two pressures must lie for this trial to tell them apart [cmH2O].

    Source: this project's choice: half the smallest step, and never finer than PEEP is set.
    """
    steps = [higher.peep_cmh2o - lower.peep_cmh2o for higher, lower in pairwise(trial.steps)]
    return max(FINEST_CMH2O, 0.5 * min(steps, default=0.0))


NEWS_S = 3600.0
"""For how long after its end a trial is news [s]; our choice."""

ALARM_S = 4 * 3600.0
"""For how long after its end a trial is told of where a vital sign lies beyond a stop limit now [s]; our choice."""

SURE_TO_BE_BELOW = 0.8
"""Probability that closing was at the present PEEP or above it, from which on a card says so; our choice."""

FEWEST_FALLS = 2
"""Steps down in a row from which on a trial is taken to be in progress; one step down may be anything. Our choice."""

KEPT_S, KEPT_STEPS = 600.0, 2.0
"""The last step counts as a setting once it was kept for longer than this [s], and than so many steps; our choice."""

_NEXT_STEP, _VALIDITY, _CANDIDATE = BY_SLUG["next-step"], BY_SLUG["check-validity"], BY_SLUG["assess-candidate"]
_NOT_KNOWN = "card.validity-not-known"
_NEEDED_FOR_ORDERS = frozenset(
    [UNREAD_TEXTS, *(f"{UNREAD}{part.words}." for part in (Part.CIRCULATION, Part.CONDITIONS))]
)
_GRAVE = frozenset({Weight.LOOK_FIRST, Weight.HIGH})
_NOT_SEEN = "vital-signs-"
_UNJUDGED = "condition-unjudged"
_SINCE_TRIAL = "stop-limit-since-trial"
_IN_DOUBT = frozenset({"plateau-above-limit", "plateau-above-peak"})
_AT_THE_LAST = "card.at-the-last-step"
_NO_ORDER = "card.no-order"
_PEEPS = frozenset({Quantity.PEEP_SET, Quantity.PEEP_MEASURED})
_QUIET = frozenset({ProblemKind.NO_TRIAL, ProblemKind.CHILD, ProblemKind.AMBIGUOUS_TRIAL, ProblemKind.MISSING})
"""Most patients have no trial, and many are not ventilated: that is nothing to trouble anybody with."""


def judge(fetched: Fetched, orders: tuple[PeepOrder, ...] | None, context: RequestContext) -> CardFinding | None:
    """Find what is worth saying, or nothing.

    Args:
        orders: draft orders of PEEP; None where the hook is not about orders.

    Raises:
        Rejected: the data cannot be read.
    """
    try:
        whole = read_fetched(TITRATE_PEEP, fetched, context)
    except Rejected as rejected:
        return _without_weight(rejected, fetched, orders, context)
    now = _now(fetched, whole.readings, whole.protocol, context)
    if now.stop is not None and not now.past:
        return now.stop
    try:
        answer = titrate_fetched(fetched, whole, context)
    except Rejected as rejected:
        if now.stop is not None:
            return now.stop
        if all(problem.kind in _QUIET for problem in rejected.problems):
            return _beside_pneumothorax(orders, fetched, context)
        raise
    found = answer.titration.closing.verdict in (Verdict.FOUND, Verdict.FALLING_FROM_FIRST_STEP)
    looks = any(finding.weight is Weight.LOOK_FIRST for finding in answer.titration.findings)
    unfinished = now.in_progress and not now.at_the_lowest and not found
    if unfinished and (now.stop is not None or not (looks or now.kept)):
        return now.stop
    read = _read(answer, whole.readings, fetched, context)
    if orders is not None:
        first = read.alarm or _pneumothorax(answer) or (now.past and read.against)
        return read if first else _compared(read, orders)
    return _news(read)


@dataclass(frozen=True, slots=True)
class _Now:
    """Whether a trial is in progress, whether it stands at the staircase's lowest step, and what asks it to stop.

    Attributes:
        kept: whether its last step has been kept for so long that it is a setting.
        past: whether that is so, and what met a limit lies within it again.
    """

    in_progress: bool = False
    at_the_lowest: bool = False
    stop: StopMet | None = None
    kept: bool = False
    past: bool = False


def _now(fetched: Fetched, readings: tuple[Reading, ...], protocol: Protocol, context: RequestContext) -> _Now:
    # From PEEP alone: that says since when, and costs no estimate.
    peeps = [reading for reading in readings if reading.quantity in _PEEPS]
    running = running_trial(peeps, protocol, at_s=context.at_s)
    if not running.falling or running.now_cmh2o is None or _falls(peeps, protocol) < FEWEST_FALLS:
        return _Now()
    stops = check_stop(readings, context.site.stop_limits, since_s=running.first_moved_s, at_s=context.at_s)
    staircase = context.site.default_staircase
    below = running.now_cmh2o - (staircase.decrement_cmh2o.value or 0.0)
    at_the_lowest = below < (staircase.lowest_cmh2o.value or 0.0)
    # A new heart rhythm is no reading; the whole question reads it.
    ask_in_full = stops.pressing or context.site.stop_limits.rhythms_that_stop is not None
    stop = _stop(fetched, context) if ask_in_full else None
    still = any(one.still for one in stops.pressing)
    kept = _kept(peep_levels_of(peeps), context.at_s)
    return _Now(True, at_the_lowest, stop, kept, kept and stop is not None and not still and not _rhythm(stop))


def _rhythm(stop: StopMet) -> bool:
    """Whether a new rhythm asks for the stop: no later reading shows that it has passed."""
    return any(
        warning.code == StopCriterion.RHYTHM.value and warning.severity == "high" for warning in stop.answer.warnings
    )


def _kept(levels: Sequence[PeepLevel], at_s: float) -> bool:
    """Whether the latest level of PEEP has been kept for so much longer than the ones before that it is a setting."""
    dwells_s = [after.start_s - before.start_s for before, after in pairwise(levels[-FEWEST_FALLS - 1 :])]
    return at_s - levels[-1].start_s > max(KEPT_S, KEPT_STEPS * max(dwells_s, default=0.0))


def _stop(fetched: Fetched, context: RequestContext) -> StopMet | None:
    """The whole answer of the one question that judges stop criteria; None where it cannot be asked."""
    try:
        answer = _asked(_NEXT_STEP, fetched, context)
    except Rejected:
        # Two trials or two devices charted into one another: which is in progress cannot be told.
        return None
    value = answer.statements[0].value
    return StopMet(answer) if isinstance(value, Coded) and value.code == Action.STOP.value else None


def _asked(operation: Operation, fetched: Fetched, context: RequestContext) -> Answer:
    return answer_request(operation, fetched.bundle(), context)


def _falls(peeps: list[Reading], protocol: Protocol) -> int:
    """Steps down in a row up to the latest level, each no larger and none further apart than steps of a trial are."""
    levels = peep_levels_of(peeps)
    falls = 0
    for place in range(len(levels) - 1, 0, -1):
        drop = levels[place - 1].peep_cmh2o - levels[place].peep_cmh2o
        last = place == len(levels) - 1
        stood_s = 0.0 if last else levels[place + 1].start_s - levels[place].start_s
        if not 0 < drop <= protocol.largest_decrement_cmh2o or stood_s > protocol.longest_step_s:
            break
        falls += 1
    return falls


def _without_weight(
    rejected: Rejected, fetched: Fetched, orders: tuple[PeepOrder, ...] | None, context: RequestContext
) -> CardFinding | None:
    """What can be said where the request as a whole cannot be answered."""
    unread = [problem for problem in rejected.problems if problem.kind not in _QUIET and not is_about_weight(problem)]
    if unread:
        raise rejected
    try:
        request = read_request(_NEXT_STEP, fetched.bundle(), context)
    except Rejected:
        return _beside_pneumothorax(orders, fetched, context)
    now = _now(fetched, request.readings, request.protocol, context)
    if now.stop is not None or orders is not None:
        return now.stop or _beside_pneumothorax(orders, fetched, context)
    in_the_way = tuple(problem for problem in rejected.problems if is_about_weight(problem))
    trial = read_trial(request.readings, request.protocol)
    if not in_the_way or not isinstance(trial, Trial) or context.at_s - _end_s(trial) > NEWS_S:
        return None
    return TrialUnreadable(in_the_way, request)


def _beside_pneumothorax(
    orders: tuple[PeepOrder, ...] | None, fetched: Fetched, context: RequestContext
) -> OrderBesidePneumothorax | None:
    """An order of PEEP is not passed over in silence where a pneumothorax stands, trial or none."""
    if not orders:
        return None
    try:
        request = read_request(_CANDIDATE, fetched.bundle(), context)
    except Rejected:
        return None
    known = [
        condition
        for condition in patient_context_of(request).conditions
        if condition.slug.removesuffix("-suspected") in (PNEUMOTHORAX, NAMED)
    ]
    said = tuple(say("titration.condition", words=one.words, says=one.says) for one in known)
    return OrderBesidePneumothorax(orders, said) if said else None


def _end_s(trial: Trial) -> float:
    return max(step.end_s for step in trial.steps)


def _read(answer: Answer, readings: tuple[Reading, ...], fetched: Fetched, context: RequestContext) -> TrialRead:
    end_s = _end_s(answer.titration.trial)
    levels = peep_levels_of(readings)
    latest = levels[-1] if levels else None
    now = None
    if latest is not None:
        read_s = latest.readings[-1].end_s
        left = context.at_s - read_s <= KEPT_S and _kept(levels, context.at_s)  # at the trial's own last step
        now = latest.peep_cmh2o if read_s > end_s or left else None
    age_s = max(0.0, context.at_s - end_s)
    news = age_s <= NEWS_S
    doubt = "" if news else _doubt(fetched, context)
    beyond = _beyond(readings, context)
    since = any(finding.slug == _SINCE_TRIAL for finding in answer.titration.findings)
    alarm = next((_value(bound, latest) for bound, latest in beyond if bound.in_force or since), "")
    looks = any(finding.weight is Weight.LOOK_FIRST for finding in answer.titration.findings)
    wrong = _wrong(answer, readings, now, context) if news and now is not None and not looks else ""
    against = _against(answer, beyond)
    unknown = "" if against else _unknown(answer, fetched)
    return TrialRead(answer, age_s, now, news, doubt, against or unknown, bool(against), alarm, wrong)


def _wrong(answer: Answer, readings: tuple[Reading, ...], now_cmh2o: float, context: RequestContext) -> str:
    """PEEP left at or below closing, and saturation that came down since the trial began, in a few words."""
    closing, parts = answer.titration.closing.peep_cmh2o, []
    below = fsum(step.probability for step in answer.titration.closing.steps if step.peep_cmh2o >= now_cmh2o)
    if closing is not None and now_cmh2o <= closing and below >= SURE_TO_BE_BELOW:
        parts.append(say("card.left-low", now=level(now_cmh2o), closing=level(closing)))
    trial = answer.titration.trial
    began_s = min(began_of(readings, trial, answer.request.protocol), trial.steps[0].start_s)
    before = before_the_trial(readings, began_s).get(Quantity.SPO2)
    seen = [reading for reading in readings if reading.quantity is Quantity.SPO2 and reading.at_s >= began_s]
    latest = max(seen, key=lambda one: (one.at_s, -one.value), default=None)
    if latest is not None and before is not None and context.at_s - latest.at_s <= KEPT_S:
        # Oxygen that was lowered since explains a fall, and what the top of the limb showed is no baseline.
        first, last = (in_force_at(readings, FIO2, at_s).reading for at_s in (began_s, latest.at_s))
        weaned = first is not None and last is not None and first.value - last.value > FIO2.same
        if not weaned and round(before - latest.value, 6) >= FALL_LOOKED_AT_PERCENT:
            shown = {"highest": f"{round(before, 1):g}", "latest": f"{round(latest.value, 1):g}"}
            parts.append(capital(say("concern.saturation-fell", **shown)))
    return "; ".join(parts)


def _beyond(readings: tuple[Reading, ...], context: RequestContext) -> list[tuple[Bound, Reading]]:
    """The limits that the latest reading of the last hour passes, each with that reading."""
    found = []
    for bound in bounds_of(context.site.stop_limits):
        of_it = [
            reading
            for reading in readings
            if reading.quantity is bound.row.quantity and context.at_s - reading.at_s <= NEWS_S
        ]
        latest = max(of_it, key=lambda one: (one.at_s, one.source), default=None)
        if latest is not None and bound.passed_by(latest.value) > 0:
            found.append((bound, latest))
    return found


def _value(bound: Bound, latest: Reading) -> str:
    return say("card.is", quantity=quantity_words(bound.row.quantity), value=f"{latest.value:.0f}")


def _against(answer: Answer, beyond: list[tuple[Bound, Reading]]) -> str:
    """What of the patient speaks against an order from this trial; empty where nothing does."""
    if beyond:
        return say("card.while-look-patient", no_order=say(_NO_ORDER), value=_value(*beyond[0]))
    unread = [finding for finding in answer.titration.findings if finding.slug == _UNJUDGED]
    if unread:
        return say("card.read-condition-first", no_order=say(_NO_ORDER), finding=finding_words(unread[0]))
    grave = [finding for finding in answer.titration.findings if finding.weight in _GRAVE]
    return f"{say(_NO_ORDER)}. {finding_words(grave[0])}" if grave else ""


def _unknown(answer: Answer, fetched: Fetched) -> str:
    """What was not read of the patient or shown by the trial that could speak against an order; empty where all was."""
    unread = [remark for remark in fetched.remarks if remark in _NEEDED_FOR_ORDERS]
    unseen = [finding_words(finding) for finding in answer.titration.findings if finding.slug.startswith(_NOT_SEEN)]
    last = answer.titration.trial.steps[-1].peep_cmh2o
    at_the_last = [say(_AT_THE_LAST)] * (answer.titration.closing.peep_cmh2o == last)
    doubts = [caution.text for caution in answer.titration.advice.cautions if caution.slug in _IN_DOUBT]
    told = [*unread, *unseen, *at_the_last, *doubts]
    return f"{say(_NO_ORDER)}. {told[0]}" if told else ""


def _doubt(fetched: Fetched, context: RequestContext) -> str:
    try:
        answer = _asked(_VALIDITY, fetched, context)
    except Rejected:
        return say(_NOT_KNOWN)
    told = answer.statements[0]
    if told.value is None:
        return told.note or say(_NOT_KNOWN)
    return told.note if isinstance(told.value, Truth) and told.value.value else ""


def _news(read: TrialRead) -> TrialRead | None:
    if read.news or (read.alarm and read.age_s <= ALARM_S):
        return read
    suggested = read.answer.titration.advice.suggested_peep_cmh2o
    if suggested is None or read.now_cmh2o is None:
        return None
    differs = abs(read.now_cmh2o - suggested) > tolerance(read.answer.titration.trial)
    return read if differs else None


def _pneumothorax(answer: Answer) -> bool:
    """Whether one stands in the record: no order of PEEP is passed over in silence then, whatever its number."""
    names = {f"condition-{PNEUMOTHORAX}", f"condition-{PNEUMOTHORAX}-suspected", f"condition-{NAMED}"}
    return any(finding.slug in names for finding in answer.titration.findings)


def _compared(read: TrialRead, orders: tuple[PeepOrder, ...]) -> OrderDiffers | None:
    suggested = read.answer.titration.advice.suggested_peep_cmh2o
    if suggested is None or read.against:
        return None
    apart = tolerance(read.answer.titration.trial)
    differing = [order for order in orders if order.peep_cmh2o is None or abs(order.peep_cmh2o - suggested) > apart]
    if not differing:
        return None
    differing.sort(key=lambda one: -abs(one.peep_cmh2o - suggested) if one.peep_cmh2o is not None else 0.0)
    return OrderDiffers(read, tuple(differing))
