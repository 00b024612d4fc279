"""Which questions are there beside the titration, what does each take, and who answers it? One table."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from ebbmark.fhir.answer import Answer
from ebbmark.fhir.bedside.site import Site
from ebbmark.fhir.operations import OPERATIONS, TITRATE_PEEP, Operation
from ebbmark.fhir.reading.read import DEFAULT_LIMITS, NO_CODE_MAP, CodeMap, Limits, read_request
from ebbmark.fhir.reading.request import Request
from ebbmark.use_cases.candidate import candidate_answer
from ebbmark.use_cases.comparison import comparison_answer
from ebbmark.use_cases.markers import markers_answer
from ebbmark.use_cases.next_step import next_step
from ebbmark.use_cases.planning import plan_answer
from ebbmark.use_cases.titrate import recommend_for
from ebbmark.use_cases.trials import trials_answer
from ebbmark.use_cases.validity import validity_answer

__all__ = ["QUESTIONS", "Question", "answer_request", "ask", "read_question"]


@dataclass(frozen=True, slots=True)
class Question:
    """One question: how it is published, and the function that answers it."""

    operation: Operation
    answer: Callable[[Request, Site], Answer]


_ANSWERS: Mapping[str, Callable[[Request, Site], Answer]] = {
    "assess-candidate": candidate_answer,
    "plan-trial": plan_answer,
    "next-step": next_step,
    "compare-settings": comparison_answer,
    "check-validity": validity_answer,
    "follow-trials": trials_answer,
    "compare-markers": markers_answer,
}

QUESTIONS: Mapping[str, Question] = {one.slug: Question(one, _ANSWERS[one.slug]) for one in OPERATIONS}
"""By slug."""


def answer_request(
    operation: Operation,
    body: bytes,
    *,
    at_s: float,
    site: Site,
    limits: Limits = DEFAULT_LIMITS,
    code_map: CodeMap = NO_CODE_MAP,
    accept_preliminary: bool = False,
) -> Answer:
    """Answer one request of any operation.

    Args:
        operation: what is asked.
        body: FHIR R4 JSON, Parameters or Bundle.
        at_s: the present instant [s since 1970-01-01T00:00:00Z].
        site: what the site has decided.
        limits: how large a request may be.
        code_map: the site's own codes of readings.
        accept_preliminary: whether Observations of status preliminary count.

    Raises:
        Rejected: with every problem that was found and every input that was ignored.
    """
    request = read_request(
        body,
        operation,
        at_s=at_s,
        site=site,
        limits=limits,
        code_map=code_map,
        accept_preliminary=accept_preliminary,
    )
    return recommend_for(request) if operation is TITRATE_PEEP else _ANSWERS[operation.slug](request, site)


def ask(
    question: Question,
    body: bytes,
    *,
    at_s: float,
    site: Site,
    limits: Limits = DEFAULT_LIMITS,
    code_map: CodeMap = NO_CODE_MAP,
    accept_preliminary: bool = False,
) -> Answer:
    """Answer one request.

    Args:
        question: which question.
        body: FHIR R4 JSON, Parameters or Bundle.
        at_s: the present instant [s since 1970-01-01T00:00:00Z].
        site: what the site has decided.
        limits: how large a request may be.
        code_map: the site's own codes of readings.
        accept_preliminary: whether Observations of status preliminary count.

    Raises:
        Rejected: with every problem that was found and every input that was ignored.
    """
    request = read_question(
        question,
        body,
        at_s=at_s,
        site=site,
        limits=limits,
        code_map=code_map,
        accept_preliminary=accept_preliminary,
    )
    return question.answer(request, site)


def read_question(
    question: Question,
    body: bytes,
    *,
    at_s: float,
    site: Site,
    limits: Limits,
    code_map: CodeMap,
    accept_preliminary: bool,
) -> Request:
    """Read one request without answering it; arguments and refusals as of `ask`."""
    return read_request(
        body,
        question.operation,
        at_s=at_s,
        site=site,
        limits=limits,
        code_map=code_map,
        accept_preliminary=accept_preliminary,
    )
