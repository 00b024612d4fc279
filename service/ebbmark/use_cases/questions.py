"""The table of questions: which function answers which operation."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from ebbmark.fhir.answer import Answer
from ebbmark.fhir.operations import TITRATE_PEEP, Operation
from ebbmark.fhir.problems import Problem, ProblemKind, Rejected
from ebbmark.fhir.reading.read import read_request
from ebbmark.fhir.reading.request import Request, RequestContext, Site
from ebbmark.use_cases.candidate import candidate_answer
from ebbmark.use_cases.comparison import comparison_answer
from ebbmark.use_cases.markers import markers_answer
from ebbmark.use_cases.next_step import next_step
from ebbmark.use_cases.planning import plan_answer
from ebbmark.use_cases.titrate import titrate_request
from ebbmark.use_cases.trials import trials_answer
from ebbmark.use_cases.validity import validity_answer
from ebbmark.words.messages import say

ANSWERS: Mapping[str, Callable[[Request, Site], Answer]] = {
    "titrate-peep": titrate_request,
    "assess-candidate": candidate_answer,
    "plan-trial": plan_answer,
    "next-step": next_step,
    "compare-settings": comparison_answer,
    "check-validity": validity_answer,
    "follow-trials": trials_answer,
    "compare-markers": markers_answer,
}
"""The function that answers each operation, by the operation's slug; asked through `answer_to`, but for a replay."""


def answer_request(operation: Operation, body: bytes, context: RequestContext) -> Answer:
    """Read and answer one request of any operation.

    Raises:
        Rejected: with every problem that was found and every input that was ignored.
    """
    return answer_to(operation, read_request(operation, body, context), context.site)


def answer_to(operation: Operation, request: Request, site: Site) -> Answer:
    """Answer a request that was read, wherever its data come from.

    Raises:
        Rejected: there is no answer, or the patient has died and the question is not the titration, which reads the
            trial and suggests nothing.
    """
    if request.status.dead and operation is not TITRATE_PEEP:
        found, accepted = "a Patient who has died", "a patient who lives, or a record that is corrected"
        problem = Problem(ProblemKind.PATIENT_DIED, "", found, accepted, say("caution.patient-died"))
        raise Rejected((problem,), request.ignored)
    return ANSWERS[operation.slug](request, site)
