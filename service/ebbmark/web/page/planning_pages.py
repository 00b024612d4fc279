"""The plan, shown only when somebody asks for it, and only once a clinician has looked at what speaks against a trial.

The default variant holds no high-pressure recruitment; the page offers no other.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

from fastapi import Response

from ebbmark.fhir.problems import Problem, ProblemKind, Rejected
from ebbmark.web.page.frame import frame_of
from ebbmark.web.page.rendering import Pages
from ebbmark.web.page.showing import no_answer
from ebbmark.web.page.source import TrialSource
from ebbmark.web.plan_page import plan_view

__all__ = ["show_plan"]

_HOW_TO_SEND: Final = " No plan is laid out until"
"""From here on the refusal speaks to those who send requests; on the page there is a form instead."""


@dataclass(frozen=True, slots=True)
class _InTheWay:
    what: str
    sentence: str


async def show_plan(source: TrialSource, pages: Pages, acknowledged: tuple[str, ...] = ()) -> Response:
    """The plan, or what a clinician must have looked at before.

    Args:
        source: the patient.
        pages: how pages are made.
        acknowledged: what was acknowledged, by the word of the refusal.

    Raises:
        Rejected: the patient cannot be read.
    """
    frame = await frame_of(source, pages.zone)
    parameters: list[dict[str, Any]] = [{"name": "acknowledged", "valueString": one} for one in acknowledged]
    if acknowledged and source.clinician:
        parameters.append({"name": "acknowledged-by", "valueReference": dict(source.clinician)})
    try:
        answer = await source.asked("plan-trial", tuple(parameters))
    except Rejected as rejected:
        if not source.clinician or any(one.kind is not ProblemKind.NOT_ACKNOWLEDGED for one in rejected.problems):
            return no_answer(rejected, frame, pages, here="plan")
        return pages.page(
            "plan.html",
            frame,
            here="plan",
            view=None,
            in_the_way=[_in_the_way(one) for one in rejected.problems],
            clinician=source.clinician.get("display") or source.clinician.get("reference"),
            csrf=source.csrf,
        )
    return pages.page("plan.html", frame, here="plan", view=plan_view(answer))


def _in_the_way(problem: Problem) -> _InTheWay:
    return _InTheWay(problem.found, problem.sentence.partition(_HOW_TO_SEND)[0])
