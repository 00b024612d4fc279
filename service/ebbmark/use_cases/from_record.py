"""Answer any question about a patient of the record: read there, then answer as any request.

How far back, where no period is named, stands with each operation (`Operation.hours_back`). Where the caller says when
the trial began or when PEEP was set after it, the time begins six hours before that, if it would begin later otherwise:
what is compared with lies before.

A titration without a period finds the latest trial of the last day first, and then reads it again from what was charted
within an hour of it: so the answer does not change with every pulse that is charted later, and asking again for the
same trial gives the same identity, which a write-back finds again.

The question whether a titration still holds is about the suggestion that people have before their eyes, so that the one
in the record counts before one that is computed again. It counts only for the trial that it was made of: where the
readings hold a later one, nothing is taken from it.
"""

from __future__ import annotations

import asyncio
import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal

import msgspec

from ebbmark.fhir.answer import Answer
from ebbmark.fhir.model import ConceptMap, Parameter
from ebbmark.fhir.operations import TITRATE_PEEP, Operation
from ebbmark.fhir.problems import Problem, ProblemKind, Rejected
from ebbmark.fhir.reading.codes import CodeMap
from ebbmark.fhir.reading.read import read_request
from ebbmark.fhir.reading.request import Limits, Request, RequestContext
from ebbmark.fhir.reading.terminology import lay_over, rows_of
from ebbmark.fhir.times import instant, seconds
from ebbmark.physiology.trial.reading import read_trial
from ebbmark.physiology.trial.steps import Trial
from ebbmark.record.client import RecordClient
from ebbmark.record.clinical_resources import RecordSearch
from ebbmark.record.fetch import Fetched, fetch, took_too_long
from ebbmark.record.record_query import RecordQuery, named_in_record, record_query_of, with_bundle
from ebbmark.record.search import Budget, ReadFailure, no_record
from ebbmark.record.trial_answers import Earlier, TrialOfRecord, answers_in_record
from ebbmark.use_cases.inspection import missing_for_a_trial, refusal_from_record
from ebbmark.use_cases.questions import answer_to
from ebbmark.use_cases.titrate import titrate_request
from ebbmark.use_cases.validity import trial_before
from ebbmark.words.messages import say, spell

BEFORE_S = 6 * 3600.0
"""What lies this long before the trial may be what is compared with [s]; our choice."""

BEFORE_AND_AFTER_S = 3600.0
"""What was charted this long before and after the trial belongs to it, such as hourly settings and gases [s]; our
choice."""

_CONDITIONS_NOT_READ = msgspec.Raw(b'{"name":"conditions-not-read","valueBoolean":true}')
_MOMENTS = frozenset({"trial-started", "titrated-at"})
_OF_A_TITRATION = "check-validity"
_OF_ONE_TRIAL = frozenset({"compare-settings", "compare-markers"})


@dataclass(frozen=True, slots=True)
class ReadLimits:
    """How much is read from the record for one question.

    Attributes:
        total_s: longest time for all of it [s].
    """

    requests: int = 60
    resources: int = 5_000
    size_bytes: int = 20_000_000
    total_s: float = 30.0

    @property
    def of_request(self) -> Limits:
        """How large the request is that holds all of it."""
        return Limits(max_bytes=self.size_bytes + 2_000_000, max_entries=self.resources + 100)


_FOR_TITRATION = ReadLimits()
_FOR_QUESTIONS = ReadLimits(requests=150, resources=12_000, size_bytes=40_000_000, total_s=45.0)


class _Moment(msgspec.Struct):
    name: str = ""
    valueInstant: str = ""
    valueDateTime: str = ""


async def answer_from_record(
    operation: Operation,
    asked: RecordQuery,
    context: RequestContext,
    *,
    record: RecordClient | None,
    limits: ReadLimits | None = None,
    withheld: frozenset[str] = frozenset(),
    entered: Sequence[Mapping[str, object]] = (),
    until_s: float | None = None,
) -> Answer:
    """Answer a request that names a patient of the record.

    Args:
        context: what the data are read with; how much is read at most is of `limits`.
        limits: how much is read; None for what is usual for the question.
        entered: Observations that were entered by hand and are not in the record yet.
        until_s: when the whole request must be answered, by the clock of the event loop [s]; None for no such limit.

    Raises:
        Rejected: with every problem found.
    """
    if record is None:
        raise Rejected((no_record(),))
    limits = limits or (_FOR_TITRATION if operation is TITRATE_PEEP else _FOR_QUESTIONS)
    left_s = limits.total_s if until_s is None else until_s - asyncio.get_running_loop().time()
    most_s = max(0.0, min(limits.total_s, left_s))
    if not most_s:
        raise Rejected((took_too_long(most_s),))
    try:
        async with asyncio.timeout(most_s):
            asked, last = await _what_to_read(asked, operation, record)
            codes, procedures = own_codes(context.code_map, asked), context.site.condition_codes.procedures
            reading = RecordSearch(asked, record, Budget(), codes.table, withheld, procedures)
            fetched = await as_much_as_may_be(reading, operation, limits)
            fetched = replace(fetched, entered=tuple(map(msgspec.json.encode, entered)))
    except TimeoutError:
        raise Rejected((took_too_long(round(most_s, 1)),)) from None
    context = replace(context, limits=limits.of_request)
    try:
        # In a thread: a record of many trials takes a second, in which the event loop serves others.
        return await asyncio.to_thread(_answered, operation, fetched, last, context)
    except Rejected as rejected:
        by_s = until_s if until_s is not None else math.inf
        raise await refusal_from_record(
            rejected, fetched.asked, fetched.notes, context, record=record, until_s=by_s
        ) from None


async def titration_reads(
    patient: str, context: RequestContext, *, record: RecordClient, until_s: float | None = None
) -> tuple[str, ...]:
    """What `$titrate-peep` reads of a patient of the record just now, or why it gives no answer, as sentences.

    Args:
        until_s: when it must be known, by the clock of the event loop [s].
    """
    body = named_in_record(patient, encounter=None, period=None, parameters=())
    asked = record_query_of(body, base_url=record.settings.base_url, at_s=context.at_s)
    assert asked is not None  # noqa: S101 - the body names a patient
    try:
        answer = await answer_from_record(TITRATE_PEEP, asked, context, record=record, until_s=until_s)
    except Rejected as rejected:
        return (say("from-record.no-answer"), *missing_for_a_trial(rejected))
    counted = Counter(reading.quantity.slug for reading in answer.request.readings)
    listed = ", ".join(f"{count} {slug}" for slug, count in counted.most_common())
    return (say("from-record.can-be-read", steps=f"{len(answer.titration.trial.steps)}", listed=listed),)


def _answered(
    operation: Operation, fetched: Fetched, last: LastTitration | ReadFailure | None, context: RequestContext
) -> Answer:
    request = read_fetched(operation, fetched, context)
    if operation is TITRATE_PEEP:
        return titrate_fetched(fetched, request, context)
    request = _with_suggestion(request, last)
    _refuse_several_trials(fetched.asked, operation, request)
    answer = answer_to(operation, request, context.site)
    _refuse_mixed_trials(answer, fetched, request)
    return answer


def read_fetched(operation: Operation, fetched: Fetched, context: RequestContext) -> Request:
    """Read what a record held with the same reader as any request.

    Raises:
        Rejected: with every problem found.
    """
    asked = fetched.asked
    if not fetched.conditions_read and "conditions-not-read" in operation.parameters:
        asked = replace(asked, rest=(*asked.rest, _CONDITIONS_NOT_READ))
    request = read_request(operation, with_bundle(asked, fetched.bundle()), context)
    return replace(request, notes=(*fetched.notes, *request.notes))


def titrate_fetched(fetched: Fetched, whole: Request, context: RequestContext) -> Answer:
    """Titrate from what was read from a record, whoever read it.

    Raises:
        Rejected: it holds no trial, or leaves open which is meant.
    """
    period_given = fetched.asked.period_given
    first = titrate_request(whole)
    trial = first.titration.trial
    problems = several_trials(trial, period_given=period_given)
    if problems:
        raise Rejected(tuple(problems), first.ignored)
    if period_given:
        return first
    start_s, end_s = trial.steps[0].start_s - BEFORE_AND_AFTER_S, trial.steps[-1].end_s + BEFORE_AND_AFTER_S
    try:
        closer = read_fetched(TITRATE_PEEP, fetched.within(start_s, end_s), context)
        near = _again(first, whole, closer)
    except Rejected:
        return first
    if _shape(near.titration.trial) != _shape(trial):
        return first
    # What was seen further away is still told.
    told = {one.sentence for one in near.titration.trial.observed}
    earlier = tuple(spell(one.sentence) for one in trial.observed if one.sentence not in told)
    return replace(near, request=replace(near.request, notes=(*near.request.notes, *earlier)))


def _again(first: Answer, whole: Request, closer: Request) -> Answer:
    """The answer to the closer reading; the same inputs need not be reckoned with twice."""
    if (closer.readings, closer.sources, closer.person) != (whole.readings, whole.sources, whole.person):
        return titrate_request(closer)
    of_trial = first.ignored[len(whole.ignored) :]
    return replace(first, request=closer, ignored=(*closer.ignored, *of_trial))


def _shape(trial: Trial) -> list[tuple[float, float, float, float]]:
    """The steps without the numbers of their sources, which change with what is read."""
    return [(step.peep_cmh2o, step.start_s, step.end_s, step.compliance_ml_per_cmh2o) for step in trial.steps]


def own_codes(code_map: CodeMap, asked: RecordQuery) -> CodeMap:
    """The codes of a ConceptMap that came with the request are searched for, too; the reader judges the map."""
    for raw in asked.rest:
        try:
            parameter = msgspec.json.decode(raw, type=Parameter)
        except msgspec.DecodeError:
            continue
        if isinstance(parameter.resource, ConceptMap):
            code_map = lay_over(code_map, rows_of(parameter.resource, ""))
    return code_map


def as_far_back_as_needed(asked: RecordQuery, operation: Operation) -> RecordQuery:
    """The same, with the question's own time where the caller named none."""
    if asked.period_given:
        return asked
    start_s = asked.end_s - operation.hours_back * 3600.0
    return replace(asked, start_s=min([start_s, *[one - BEFORE_S for one in moments_of(asked).values()]]))


def moments_of(asked: RecordQuery) -> dict[str, float]:
    """When the caller says the trial began or ended, by parameter; the reader refuses what is no instant."""
    found = {}
    for raw in asked.rest:
        try:
            given = msgspec.json.decode(raw, type=_Moment)
        except msgspec.DecodeError:
            continue
        at_s = seconds(given.valueInstant or given.valueDateTime) if given.name in _MOMENTS else None
        if isinstance(at_s, float):
            found[given.name] = at_s
    return found


async def as_much_as_may_be(reading: RecordSearch, operation: Operation, limits: ReadLimits) -> Fetched:
    """What the record holds of the time, or of half of it, and again, where it holds more than may be read.

    Only for questions about how things are now, and only where the caller has named no time; the answer says so.

    Raises:
        Rejected: as `fetch` does.
    """
    asked = reading.asked
    least_s = 3600.0 * operation.least_hours
    whole_s = asked.end_s - asked.start_s
    while True:
        budget = Budget(limits.requests, limits.resources, limits.size_bytes)
        try:
            fetched = await fetch(replace(reading, asked=asked, budget=budget), operation)
        except Rejected as rejected:
            half_s = 0.5 * (asked.end_s - asked.start_s)
            too_much = rejected.problems[0].kind is ProblemKind.TOO_MUCH_IN_RECORD
            if not too_much or asked.period_given or moments_of(asked) or half_s < least_s:
                raise
            asked = replace(asked, start_s=asked.end_s - half_s)
            continue
        read_s = asked.end_s - asked.start_s
        if read_s == whole_s:
            return fetched
        sentence = say("from-record.record-holds-more", whole_s=f"{whole_s / 3600:g}", read_s=f"{read_s / 3600:g}")
        return replace(fetched, shortened=sentence)


LOOKED_BACK_S = 7 * 24 * 3600.0
"""How far back an answer is looked for where no period is named [s]; our choice."""

_KIND = "suggested-peep"


@dataclass(frozen=True, slots=True)
class LastTitration:
    """One answer of ours that stands in the record.

    Attributes:
        start_s: first moment of its limb [s since 1970-01-01T00:00:00Z].
        end_s: last moment of its limb [s since 1970-01-01T00:00:00Z].
        suggested_peep_cmh2o: None where it suggested none.
        reference: of the suggestion, or of the closing pressure where there is none.
        signed: whether a clinician has signed any of it.
    """

    start_s: float
    end_s: float
    suggested_peep_cmh2o: float | None
    reference: str
    signed: bool

    def is_of(self, trial: Trial | None) -> bool:
        """Whether it was made of this trial; with no trial among the readings there is no other to confuse it with."""
        return trial is None or (trial.steps[0].start_s <= self.end_s and self.start_s <= trial.steps[-1].end_s)

    @property
    def sentence(self) -> str:
        """What is told of it."""
        signed = say("from-record.signed-clinician") if self.signed else say("from-record.not-signed-yet")
        if self.suggested_peep_cmh2o is None:
            return say("from-record.answer-stands-record", reference=self.reference, signed=signed)
        return say(
            "from-record.suggested-peep-answer",
            suggested_peep_cmh2o=f"{self.suggested_peep_cmh2o:g}",
            reference=self.reference,
            signed=signed,
        )


async def last_titration(
    asked: RecordQuery, *, before_s: float, record: RecordClient
) -> LastTitration | ReadFailure | None:
    """Find the answer for the latest trial that ended before an instant; None where the record has none.

    Args:
        before_s: when PEEP was set after the trial, or now [s since 1970-01-01T00:00:00Z].
    """
    from_s = asked.start_s if asked.period_given else min(asked.start_s, before_s - LOOKED_BACK_S)
    trial = TrialOfRecord(asked.patient, instant(from_s), instant(before_s))
    found = await answers_in_record(trial, "", record=record)
    if isinstance(found, ReadFailure):
        return found
    standing = [one for one in map(_of, found.answers) if one is not None and one[1].end_s <= before_s]
    return max(standing, key=lambda one: one[0])[1] if standing else None


def _of(earlier: Earlier) -> tuple[tuple[float, bool, str], LastTitration] | None:
    """The answer, and what it is ordered by: the later limb, then what is signed, then what was written later."""
    closing = earlier.closing
    start_s, end_s = map(seconds, closing.period)
    if not isinstance(start_s, float) or not isinstance(end_s, float) or not earlier.stands:
        return None
    suggestion = next((result for result in earlier.results if result.kind == _KIND), None)
    value = suggestion.resource.get("valueQuantity") if suggestion is not None else None
    number = value.get("value") if isinstance(value, dict) else None
    peep = float(number) if isinstance(number, (int, float, Decimal)) else None
    reference = suggestion.reference if suggestion is not None and peep is not None else closing.reference
    found = LastTitration(start_s, end_s, peep, reference, earlier.signed)
    return (end_s, earlier.signed, closing.written), found


async def _what_to_read(
    asked: RecordQuery, operation: Operation, record: RecordClient
) -> tuple[RecordQuery, LastTitration | ReadFailure | None]:
    """The time that is read, and the answer that stands for the latest trial where the question is about one."""
    asked = as_far_back_as_needed(asked, operation)
    if operation.slug != _OF_A_TITRATION:
        return asked, None
    last = await last_titration(asked, before_s=moments_of(asked).get("titrated-at", asked.end_s), record=record)
    if isinstance(last, LastTitration) and not asked.period_given:
        asked = replace(asked, start_s=min(asked.start_s, last.start_s - BEFORE_S))
    return asked, last


def _with_suggestion(request: Request, last: LastTitration | ReadFailure | None) -> Request:
    """The request, with the suggestion of the record where the caller named none and it is of the same trial."""
    if last is None or request.asked.suggested_peep_cmh2o is not None:
        return request
    if isinstance(last, ReadFailure):
        sentence = say("from-record.earlier-answers-service", sentence=last.sentence)
        return replace(request, notes=(*request.notes, sentence))
    if not last.is_of(trial_before(request)):
        return request
    asked = replace(request.asked, suggested_peep_cmh2o=last.suggested_peep_cmh2o)
    return replace(request, asked=asked, notes=(*request.notes, last.sentence))


def _refuse_several_trials(asked: RecordQuery, operation: Operation, request: Request) -> None:
    """A period chosen by the caller must hold one trial, unless the caller also says when it began or ended."""
    if not asked.period_given or operation.slug not in _OF_ONE_TRIAL or moments_of(asked):
        return
    trial = read_trial(request.readings, request.protocol)
    problems: list[Problem] = several_trials(trial, period_given=True) if isinstance(trial, Trial) else []
    if problems:
        raise Rejected(tuple(problems), request.ignored)


def _refuse_mixed_trials(answer: Answer, fetched: Fetched, request: Request) -> None:
    """Each trial that is followed must be of one device and one encounter."""
    spans = [
        statement.span_s
        for statement in answer.statements
        if statement.code == "trial-in-record" and statement.span_s is not None
    ]
    problems = [problem for start_s, end_s in spans for problem in fetched.several_at_once(start_s, end_s)]
    if problems:
        raise Rejected(tuple(problems), request.ignored)


_OTHER = frozenset({"earlier-trial", "other-limb"})


_PERIOD = "Parameters.parameter.where(name='period')"


def several_trials(trial: Trial, *, period_given: bool) -> list[Problem]:
    """Say which trials the period holds, where the caller chose it and there are several."""
    others = [one for one in trial.observed if one.slug in _OTHER]
    if not others or not period_given:
        return []
    steps = trial.steps
    runs = [f"one that began at {instant(one.at_s)} at {one.peep_cmh2o:g} cmH2O" for one in others]
    runs.append(
        f"one from {instant(steps[0].start_s)} to {instant(steps[-1].end_s)} "
        f"({steps[0].peep_cmh2o:g} to {steps[-1].peep_cmh2o:g} cmH2O, {len(steps)} steps)"
    )
    found = f"{len(runs)} runs of falling PEEP"
    sentence = f"The period holds {found}: {'; '.join(runs)}. Name a period that holds only the one that is meant."
    return [Problem(ProblemKind.AMBIGUOUS_TRIAL, _PERIOD, found, "a period that holds one trial", sentence)]
