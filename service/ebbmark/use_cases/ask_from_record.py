"""Answer a question at the bedside about a patient of the record: read there, then answer as any data.

How far back, where no period is named, stands with each operation (`Operation.hours_back`). Where the caller says when
the trial began or when PEEP was set after it, the time begins six hours before that, if it would begin later otherwise:
what is compared with lies before.

The question whether a titration still holds is about the suggestion that people have before their eyes, so that the one
in the record counts before one that is computed again. It counts only for the trial that it was made of: where the
readings hold a later one, nothing is taken from it.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from functools import partial

import msgspec

from ebbmark.fhir.answer import Answer
from ebbmark.fhir.bedside.site import Site
from ebbmark.fhir.operations import Operation
from ebbmark.fhir.problems import Problem, ProblemKind, Rejected
from ebbmark.fhir.reading.read import NO_CODE_MAP, CodeMap, Limits
from ebbmark.fhir.reading.request import Request
from ebbmark.fhir.reading.times import seconds
from ebbmark.fhir.writing.instants import instant
from ebbmark.physiology.trial.reading import read_trial
from ebbmark.physiology.trial.steps import Trial
from ebbmark.record.client import RecordClient
from ebbmark.record.fetch import BedsideFetched, fetch_bedside
from ebbmark.record.post_filter import several_trials
from ebbmark.record.record_query import RecordQuery, named_in_record, record_query_of, with_bundle
from ebbmark.record.search import Budget, ReadFailure, Waiting, no_record, took_too_long
from ebbmark.record.stored_results import Earlier, TrialOfRecord, answers_in_record
from ebbmark.use_cases.from_record import ReadLimits, own_codes
from ebbmark.use_cases.questions import Question, read_question
from ebbmark.use_cases.refusal_from_record import refusal_from_record
from ebbmark.use_cases.validity import trial_before

__all__ = [
    "BEFORE_S",
    "LastTitration",
    "answer_from_record",
    "as_far_back_as_needed",
    "as_much_as_may_be",
    "ask_from_record",
    "last_titration",
    "moments_of",
]

BEFORE_S = 6 * 3600.0
"""What lies this long before the trial may be what is compared with [s]; our choice."""

_MOMENTS = frozenset({"trial-started", "titrated-at"})


class _Moment(msgspec.Struct):
    name: str = ""
    valueInstant: str = ""
    valueDateTime: str = ""


def as_far_back_as_needed(asked: RecordQuery, operation: Operation) -> RecordQuery:
    """The same, with the question's own time where the caller named none.

    Args:
        asked: as the caller asked.
        operation: the question.
    """
    if asked.period_given:
        return asked
    start_s = asked.end_s - operation.hours_back * 3600.0
    return replace(asked, start_s=min([start_s, *[one - BEFORE_S for one in moments_of(asked).values()]]))


def moments_of(asked: RecordQuery) -> dict[str, float]:
    """When the caller says the trial began or ended, by parameter; the reader refuses what is no instant.

    Args:
        asked: with all other parameters.
    """
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


async def as_much_as_may_be(
    asked: RecordQuery, operation: Operation, fetch: Callable[..., Awaitable[BedsideFetched]], limits: ReadLimits
) -> tuple[RecordQuery, BedsideFetched]:
    """What the record holds of the time, or of half of it, and again, where it holds more than may be read.

    Only for questions about how things are now, and only where the caller has named no time; the answer says so.

    Args:
        asked: with the time that is wanted.
        operation: the question.
        fetch: reads what was asked.
        limits: how much is read.

    Raises:
        Rejected: as `fetch` does.
    """
    least_s = 3600.0 * operation.least_hours
    whole_s = asked.end_s - asked.start_s
    while True:
        try:
            fetched = await fetch(asked, budget=Budget(limits.requests, limits.resources, limits.size_bytes))
        except Rejected as rejected:
            half_s = 0.5 * (asked.end_s - asked.start_s)
            too_much = rejected.problems[0].kind is ProblemKind.TOO_MUCH_IN_RECORD
            if not too_much or asked.period_given or moments_of(asked) or half_s < least_s:
                raise
            asked = replace(asked, start_s=asked.end_s - half_s)
            continue
        read_s = asked.end_s - asked.start_s
        if read_s == whole_s:
            return asked, fetched
        sentence = (
            f"The record holds more than may be read of the last {whole_s / 3600:g} hours; the last "
            f"{read_s / 3600:g} were read, and what was charted before is not known here."
        )
        return asked, replace(fetched, notes=(sentence, *fetched.notes))


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
        signed = "signed by a clinician" if self.signed else "not signed yet"
        if self.suggested_peep_cmh2o is None:
            return f"The answer that stands in the record for this trial suggested no PEEP: {self.reference}, {signed}."
        return (
            f"The suggested PEEP of {self.suggested_peep_cmh2o:g} cmH2O is that of the answer that stands in the "
            f"record: {self.reference}, {signed}."
        )


async def last_titration(
    asked: RecordQuery, *, before_s: float, record: RecordClient, waiting: Waiting
) -> LastTitration | ReadFailure | None:
    """Find the answer for the latest trial that ended before an instant; None where the record has none.

    Args:
        asked: patient and time.
        before_s: when PEEP was set after the trial, or now [s since 1970-01-01T00:00:00Z].
        record: the client.
        waiting: how time passes between attempts.
    """
    from_s = asked.start_s if asked.period_given else min(asked.start_s, before_s - LOOKED_BACK_S)
    trial = TrialOfRecord(asked.patient, instant(from_s), instant(before_s))
    found = await answers_in_record(trial, "", record=record, waiting=waiting)
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
    suggestion = next((one for one in earlier.results if one.kind == _KIND), None)
    value = suggestion.resource.get("valueQuantity") if suggestion is not None else None
    number = value.get("value") if isinstance(value, dict) else None
    peep = float(number) if isinstance(number, (int, float, Decimal)) else None
    reference = suggestion.reference if suggestion is not None and peep is not None else closing.reference
    found = LastTitration(start_s, end_s, peep, reference, earlier.signed)
    return (end_s, earlier.signed, closing.written), found


_OF_A_TITRATION = "check-validity"
_OF_ONE_TRIAL = frozenset({"compare-settings", "compare-markers"})
_PLENTY = ReadLimits(requests=150, resources=12_000, size_bytes=40_000_000, total_s=45.0)


async def ask_from_record(
    question: Question,
    *,
    patient_reference: str,
    encounter: str | None = None,
    period: tuple[float, float] | None = None,
    parameters: Sequence[Mapping[str, object]] = (),
    at_s: float,
    record: RecordClient,
    waiting: Waiting,
    site: Site,
    code_map: CodeMap = NO_CODE_MAP,
    accept_preliminary: bool = False,
    limits: ReadLimits = _PLENTY,
    withheld: frozenset[str] = frozenset(),
) -> Answer:
    """Answer a question about a patient of the record.

    Args:
        question: which question.
        patient_reference: `Patient/1`, or the same below the record's base address.
        encounter: `Encounter/9`; None for any.
        period: first and last moment that is read [s since 1970-01-01T00:00:00Z]; None for the question's own.
        parameters: further parameters of the operation, as JSON objects.
        at_s: the present instant [s since 1970-01-01T00:00:00Z].
        record: where to read.
        waiting: how time passes between attempts.
        site: what the site has decided.
        code_map: the site's own codes of readings.
        accept_preliminary: whether Observations of status preliminary count.
        limits: how much is read.
        withheld: resource types that the caller may not have read.

    Raises:
        Rejected: with every problem found.
    """
    body = named_in_record(patient_reference, encounter=encounter, period=period, parameters=parameters)
    asked = record_query_of(body, base_url=record.settings.base_url, at_s=at_s)
    assert asked is not None  # noqa: S101 - the body names a patient
    return await answer_from_record(
        question,
        asked,
        at_s=at_s,
        record=record,
        waiting=waiting,
        site=site,
        code_map=code_map,
        accept_preliminary=accept_preliminary,
        limits=limits,
        withheld=withheld,
    )


async def answer_from_record(
    question: Question,
    asked: RecordQuery,
    *,
    at_s: float,
    record: RecordClient | None,
    waiting: Waiting,
    site: Site,
    code_map: CodeMap,
    accept_preliminary: bool,
    limits: ReadLimits = _PLENTY,
    withheld: frozenset[str] = frozenset(),
) -> Answer:
    """Answer a request from which it was taken what is to be read.

    Args:
        question: which question.
        asked: patient, encounter, time and all other parameters.
        at_s: the present instant [s since 1970-01-01T00:00:00Z].
        record: where to read; None where no record is configured.
        waiting: how time passes between attempts.
        site: what the site has decided.
        code_map: the site's own codes of readings.
        accept_preliminary: whether Observations of status preliminary count where the request does not say.
        limits: how much is read.
        withheld: resource types that the caller may not have read.

    Raises:
        Rejected: with every problem found.
    """
    if record is None:
        raise Rejected((no_record(),))
    try:
        async with asyncio.timeout(limits.total_s):
            asked, last = await _what_to_read(asked, question, record, waiting)
            fetch = partial(
                fetch_bedside,
                operation=question.operation,
                record=record,
                table=own_codes(code_map, asked).table,
                waiting=waiting,
                withheld=withheld,
            )
            asked, fetched = await as_much_as_may_be(asked, question.operation, fetch, limits)
    except TimeoutError:
        raise Rejected((took_too_long(limits.total_s),)) from None

    def answered() -> Answer:
        request = read_question(
            question,
            with_bundle(asked, fetched.bundle),
            at_s=at_s,
            site=site,
            limits=Limits(max_bytes=limits.size_bytes + 2_000_000, max_entries=limits.resources + 100),
            code_map=code_map,
            accept_preliminary=accept_preliminary,
        )
        request = _with_suggestion(replace(request, notes=(*fetched.notes, *request.notes)), last)
        _refuse_several_trials(asked, question, request)
        answer = question.answer(request, site)
        _refuse_mixed_trials(answer, fetched, request)
        return answer

    # Beside the loop: a record of many trials takes a second, and nobody else should wait for it.
    try:
        return await asyncio.to_thread(answered)
    except Rejected as rejected:
        raise await refusal_from_record(
            rejected, asked, fetched.notes, at_s=at_s, record=record, waiting=waiting, code_map=code_map
        ) from None


async def _what_to_read(
    asked: RecordQuery, question: Question, record: RecordClient, waiting: Waiting
) -> tuple[RecordQuery, LastTitration | ReadFailure | None]:
    """The time that is read, and the answer that stands for the latest trial where the question is about one."""
    asked = as_far_back_as_needed(asked, question.operation)
    if question.operation.slug != _OF_A_TITRATION:
        return asked, None
    last = await last_titration(
        asked, before_s=moments_of(asked).get("titrated-at", asked.end_s), record=record, waiting=waiting
    )
    if isinstance(last, LastTitration) and not asked.period_given:
        asked = replace(asked, start_s=min(asked.start_s, last.start_s - BEFORE_S))
    return asked, last


def _with_suggestion(request: Request, last: LastTitration | ReadFailure | None) -> Request:
    """The request, with the suggestion of the record where the caller named none and it is of the same trial."""
    if last is None or request.asked.suggested_peep_cmh2o is not None:
        return request
    if isinstance(last, ReadFailure):
        sentence = f"Earlier answers of this service could not be looked for in the record: {last.sentence}."
        return replace(request, notes=(*request.notes, sentence))
    if not last.is_of(trial_before(request)):
        return request
    asked = replace(request.asked, suggested_peep_cmh2o=last.suggested_peep_cmh2o)
    return replace(request, asked=asked, notes=(*request.notes, last.sentence))


def _refuse_several_trials(asked: RecordQuery, question: Question, request: Request) -> None:
    """A period chosen by the caller must hold one trial, unless the caller also says when it began or ended."""
    if not asked.period_given or question.operation.slug not in _OF_ONE_TRIAL or moments_of(asked):
        return
    trial = read_trial(request.readings, request.protocol)
    problems: list[Problem] = several_trials(trial, period_given=True) if isinstance(trial, Trial) else []
    if problems:
        raise Rejected(tuple(problems), request.ignored)


def _refuse_mixed_trials(answer: Answer, fetched: BedsideFetched, request: Request) -> None:
    """Each trial that is followed must be of one device and one encounter."""
    spans = [one.span_s for one in answer.statements if one.code == "trial-in-record" and one.span_s is not None]
    problems = [problem for start_s, end_s in spans for problem in fetched.several_at_once(start_s, end_s)]
    if problems:
        raise Rejected(tuple(problems), request.ignored)
