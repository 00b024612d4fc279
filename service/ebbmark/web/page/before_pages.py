"""The pages before a trial: what speaks for one and against it, what to ask now, and the plan."""

from __future__ import annotations

from typing import Any, Final

from fastapi import Response

from ebbmark.fhir.answer import Amount, Answer, Coded, Statement, Truth, in_words
from ebbmark.fhir.problems import Problem, ProblemKind, Rejected
from ebbmark.physiology.before.candidate import Documented
from ebbmark.physiology.before.risks import RISK_CONCEPTS, Risk
from ebbmark.web.page.frame import Pages, frame_of, no_answer
from ebbmark.web.page.source import TrialSource
from ebbmark.web.page.words import not_shown
from ebbmark.web.plan_page import plan_context

_STATE: Final = {
    "mean-arterial-pressure": "MAP",
    "lowest-mean-arterial-pressure": "lowest MAP of the last hour",
    "systolic-arterial-pressure": "systolic pressure",
    "heart-rate": "heart rate",
    "oxygen-saturation": "SpO2",
    "arterial-ph": "pH",
    "arterial-carbon-dioxide": "PaCO2",
    "noradrenaline-equivalent": "noradrenaline equivalent",
}
"""Names of the parts of the present state, as charts spell them."""


def before_context(answer: Answer) -> dict[str, object]:
    """Put the assessment of a candidate in words and lists."""
    by_code: dict[str, list[Statement]] = {}
    for statement in answer.statements:
        by_code.setdefault(statement.code, []).append(statement)
    (state,), (documented,) = by_code["present-state"], by_code["documented-conditions"]
    said = {slug: value.code for slug, value in documented.parts if isinstance(value, Coded)}
    silent = [one for one in RISK_CONCEPTS if said.get(one.slug) == Documented.NOT_DOCUMENTED.value]
    for_it = {one.note: one.method for one in by_code.get("trial-indication", ()) if one.value == Truth(True)}
    return {
        "short": answer.short,
        "speaks_for": tuple(for_it.items()),
        "against": tuple((warning.severity, warning.text) for warning in answer.warnings),
        "state": tuple(
            (_STATE[code], in_words(value.value, value.unit).removesuffix(" pH"))
            for code, value in state.parts
            if isinstance(value, Amount)
        ),
        "state_note": state.note,
        "to_ask_first": tuple(one.words for one in silent if one.risk is Risk.ABSOLUTE),
        "to_ask": tuple(one.words for one in silent if one.risk is not Risk.ABSOLUTE),
        "refuted": tuple(one.words for one in RISK_CONCEPTS if said.get(one.slug) == Documented.REFUTED.value),
        "more": not_shown(answer.said, [*for_it, *[warning.text for warning in answer.warnings], state.note]),
        "rules": tuple(rule.sentence for rule in answer.rules),
    }


async def show_before(source: TrialSource, pages: Pages) -> Response:
    """What speaks for a trial and against it, and what to ask now."""
    frame = await frame_of(source, pages.zone)
    try:
        answer = await source.asked("assess-candidate")
    except Rejected as rejected:
        return no_answer(rejected, frame, pages, here="before")
    return pages.page("before.html", frame, here="before", view=before_context(answer))


_HOW_TO_SEND: Final = " No plan is laid out until"
"""From here on the refusal speaks to those who send requests; on the page there is a form instead."""


async def show_plan(source: TrialSource, pages: Pages, acknowledged: tuple[str, ...] = ()) -> Response:
    """The plan, or what a clinician must have looked at before.

    Args:
        acknowledged: what was acknowledged, by the word of the refusal.
    """
    frame = await frame_of(source, pages.zone)
    parameters: list[dict[str, Any]] = [{"name": "acknowledged", "valueString": one} for one in acknowledged]
    if acknowledged and source.clinician:
        parameters.append({"name": "acknowledged-by", "valueReference": dict(source.clinician)})
    try:
        answer = await source.asked("plan-trial", tuple(parameters))
    except Rejected as rejected:
        if not source.clinician or any(
            problem.kind is not ProblemKind.NOT_ACKNOWLEDGED for problem in rejected.problems
        ):
            return no_answer(rejected, frame, pages, here="before", again="plan")
        return pages.page(
            "plan.html",
            frame,
            here="before",
            view=None,
            in_the_way=[_in_the_way(problem) for problem in rejected.problems],
            clinician=source.clinician.get("display") or source.clinician.get("reference"),
            csrf=source.csrf,
        )
    return pages.page("plan.html", frame, here="before", view=plan_context(answer))


def _in_the_way(problem: Problem) -> dict[str, object]:
    return {
        "what": problem.found,
        "sentence": problem.sentence.partition(_HOW_TO_SEND)[0],
    }
