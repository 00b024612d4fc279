"""The plan as a page to print: one file that carries its style, no script, and no request to anywhere."""

from __future__ import annotations

import json
from collections.abc import Iterable
from datetime import UTC, datetime
from typing import Final

from markupsafe import Markup

from ebbmark.fhir.answer import Answer
from ebbmark.fhir.problems import Ignored
from ebbmark.fhir.reading.patient import demographics_of
from ebbmark.physiology.before.plan import Phase, Plan, PlanStep
from ebbmark.web.theme import STYLE, printed_headers, templates
from ebbmark.words.before_in_short import before_the_first_step
from ebbmark.words.messages import say, spell
from ebbmark.words.stopping import stop_words

_STYLE: Final = STYLE.body.decode()

PAGE_HEADERS: Final = printed_headers(_STYLE)
"""Instead of the policy of every other response, which would forbid the style."""

_PHASES: Final = {
    Phase.BEFORE: "now",
    Phase.UP: "up",
    Phase.RECRUITMENT: "recruitment",
    Phase.DESCENT: "down",
    Phase.REOPENING: "re-opening",
    Phase.SET: "set",
}


def wants_page(accept: str | None, wanted_format: str | None) -> bool:
    """Whether the caller asks for a page: text/html stands before any JSON that it takes."""
    if wanted_format is not None:
        return wanted_format in ("html", "text/html")
    named = [one.partition(";")[0].strip().lower() for one in (accept or "").split(",")]
    wanted = [one for one in named if one == "text/html" or one.endswith("json")]
    return bool(wanted) and wanted[0] == "text/html"


def plan_page(answer: Answer, body: bytes = b"") -> str:
    """The page, complete, with the patient at its head where the request brought the Patient.

    Args:
        body: what was asked, valid; only the Patient that the plan is about is read from it.
    """
    patient = _patient_of(answer.request.subject, body)
    today = datetime.fromtimestamp(answer.span_s[1], UTC).date()
    template = templates().get_template("plan_printed.html")
    return template.render(
        view=plan_context(answer),
        who=demographics_of(patient, today=today) if patient else None,
        subject=answer.request.subject,
        style_text=Markup(_STYLE),  # noqa: S704 - our own file, byte for byte as its hash was taken
    )


def _patient_of(subject: str, body: bytes) -> dict[str, object] | None:
    """The Patient of the request whose reference the plan names; None where it brought none, as from a record."""
    given = json.loads(body).get("parameter", []) if body else []
    wholes = [one["resource"] for one in given if "resource" in one]
    entries = [entry.get("resource", {}) for whole in wholes for entry in whole.get("entry", [])]
    return next(
        (
            one
            for one in (*wholes, *entries)
            if one.get("resourceType") == "Patient" and f"Patient/{one.get('id')}" == subject
        ),
        None,
    )


def plan_context(answer: Answer) -> dict[str, object]:
    """Put a plan in words and rows."""
    plan = answer.plan
    assert plan is not None  # noqa: S101 - only that answer comes here
    when = datetime.fromtimestamp(answer.span_s[1], UTC)
    return {
        "title": plan.rules.title,
        "draft": say(
            "plan.draft", subject=answer.request.subject, when=f"{when:%Y-%m-%d %H:%M}", signing=say("result.signing")
        ),
        "summary": spell(plan.summary),
        "cautions": tuple(
            (warning.severity, warning.text, warning.acknowledged_by.words if warning.acknowledged_by else "")
            for warning in answer.warnings
        ),
        "acknowledged": answer.acknowledged,
        "remarks": tuple(one for one in map(spell, plan.warnings) if one not in answer.acknowledged),
        "preconditions": before_the_first_step(),
        "caption": "Pressures in cmH2O. The one at the end of inspiration is PEEP plus the pressure above it; peak is "
        "that and what flow takes in resistance now, and empty where that is not known. About "
        f"{plan.total_s / 60:.0f} minutes in all if every step is taken.",
        "rows": tuple(_row(step, plan) for step in plan.steps),
        "stops": stop_words(plan.stop_limits),
        "limits_signature": spell(plan.stop_limits.signature),
        "evidence": tuple((spell(line.text), line.citation) for line in plan.evidence),
        "left_out": tuple(f"{', '.join(which)}: {reason}" for reason, which in _by_reason(answer.request.ignored)),
        "rules": (
            *(f"{rule.title} ({rule.slug} version {rule.version}). {rule.citation}" for rule in answer.rules),
            spell(plan.origins),
        ),
        "origin": f"Ebbmark {answer.engine_version}; answer {answer.identity[:16]}",
    }


def _by_reason(ignored: Iterable[Ignored]) -> list[tuple[str, list[str]]]:
    found: dict[str, list[str]] = {}
    for one in ignored:
        found.setdefault(one.reason, []).append(one.reference or one.path)
    return list(found.items())


def _row(step: PlanStep, plan: Plan) -> dict[str, object]:
    """One step; what an earlier one says in the same words is said there."""
    said = (step.expect, step.record)
    alike = next(step.number for step in plan.steps if (step.expect, step.record) == said)
    pressures = (step.peep_cmh2o, step.pressure_above_peep_cmh2o, step.end_inspiratory_cmh2o, step.peak_cmh2o)
    return {
        "name": f"{step.number}. {_PHASES[step.phase]}",
        "numbers": (
            *("" if pressure is None else f"{pressure:g}" for pressure in pressures),
            f"{step.dwell_s / 60:g} min" if step.dwell_s else "",
        ),
        "remark": spell(step.remark),
        "expect": spell(step.expect),
        "record": spell(step.record),
        "as_at": None if alike == step.number else alike,
    }
