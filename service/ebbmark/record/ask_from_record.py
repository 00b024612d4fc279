"""Answer a question at the bedside about a patient of the record: read there, then answered as for any data.

Whether a titration still holds is asked of the suggestion that stands in the record, where it is of the same trial.
"""

from __future__ import annotations

import asyncio
from collections.abc import Mapping, Sequence
from dataclasses import replace
from functools import partial

from ebbmark.fhir.bedside.site import Site
from ebbmark.fhir.problems import Problem, Rejected
from ebbmark.fhir.reading.read import NO_CODE_MAP, CodeMap, Limits
from ebbmark.fhir.reading.request import Request
from ebbmark.fhir.writing.statements import Answer
from ebbmark.physiology.trial.reading import read_trial
from ebbmark.physiology.trial.steps import Trial
from ebbmark.record.asked import Asked, asked_of, named_in_record, with_bundle
from ebbmark.record.bedside_window import BEFORE_S, as_far_back_as_needed, as_much_as_may_be, moments_of
from ebbmark.record.choice import several_trials
from ebbmark.record.client import RecordClient
from ebbmark.record.fetch_bedside import BedsideFetched, fetch_bedside
from ebbmark.record.from_record import ReadLimits, own_codes
from ebbmark.record.last_titration import LastTitration, last_titration
from ebbmark.record.read_problems import no_record, took_too_long
from ebbmark.record.reading import ReadFailure, Waiting
from ebbmark.use_cases.questions import Question, read_question
from ebbmark.use_cases.validity import trial_before

__all__ = ["answer_from_record", "ask_from_record"]

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

    Raises:
        Rejected: with every problem found.
    """
    body = named_in_record(patient_reference, encounter=encounter, period=period, parameters=parameters)
    asked = asked_of(body, base_url=record.settings.base_url, at_s=at_s)
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
    )


async def answer_from_record(
    question: Question,
    asked: Asked,
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
    return await asyncio.to_thread(answered)


async def _what_to_read(
    asked: Asked, question: Question, record: RecordClient, waiting: Waiting
) -> tuple[Asked, LastTitration | ReadFailure | None]:
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


def _refuse_several_trials(asked: Asked, question: Question, request: Request) -> None:
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
