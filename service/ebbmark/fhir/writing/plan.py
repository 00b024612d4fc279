"""A plan in FHIR: a draft CarePlan, its steps as a RequestGroup, the settings of each as DeviceRequest.

All have the intent *proposal* and the status *draft*: nothing here is an order.
Source: FHIR R4 4.0.1, https://hl7.org/fhir/R4/careplan.html, /requestgroup.html, /devicerequest.html.
"""

from __future__ import annotations

from ebbmark.fhir.answer import PRESSURE, VOLUME, quantity
from ebbmark.fhir.naming import BASE
from ebbmark.fhir.writing.identity import AnswerContext
from ebbmark.fhir.writing.terms import LOINC_TERMS, OWN
from ebbmark.physiology.before.plan import Plan, PlanStep
from ebbmark.words.before_in_short import before_the_first_step
from ebbmark.words.messages import say, spell
from ebbmark.words.stopping import stop_words

Json = dict[str, object]

_DRAFT: Json = {"status": "draft", "intent": "proposal"}


def _plan_definition_url(slug: str, version: str) -> str:
    """Canonical address of a protocol with its version; an identifier, not an address."""
    return f"{BASE}/PlanDefinition/{slug}|{version}"


def plan_resources(context: AnswerContext) -> list[tuple[str, object]]:
    """CarePlan, RequestGroup and DeviceRequests with their kinds; nothing where nothing was planned."""
    plan = context.answer.plan
    if plan is None:
        return []
    found: list[tuple[str, object]] = [
        ("care-plan", _care_plan(context, plan)),
        ("steps", _request_group(context, plan)),
    ]
    found += [(_kind(step), _device_request(context, step)) for step in plan.steps]
    return found


def settings_words(step: PlanStep) -> str:
    """What a step sets, in one line."""
    if step.peep_cmh2o is None or step.pressure_above_peep_cmh2o is None:
        return say("plan.peep-tidal-volume")
    above = say(
        "plan.above",
        ending="" if step.pressure_is_set else "about ",
        pressure_above_peep_cmh2o=f"{step.pressure_above_peep_cmh2o:g}",
    )
    peak = (
        say("plan.peak-not-known")
        if step.peak_cmh2o is None
        else say("plan.peak-about", peak_cmh2o=f"{step.peak_cmh2o:g}")
    )
    return say(
        "plan.peep-end-inspiration",
        peep_cmh2o=f"{step.peep_cmh2o:g}",
        above=above,
        end_inspiratory_cmh2o=f"{step.end_inspiratory_cmh2o:g}",
        peak=peak,
    )


def _kind(step: PlanStep) -> str:
    return f"settings-{step.number}"


def _care_plan(context: AnswerContext, plan: Plan) -> Json:
    notes = [
        *map(spell, plan.warnings),
        *before_the_first_step(),
        *stop_words(plan.stop_limits),
        spell(plan.stop_limits.signature),
        spell(plan.origins),
    ]
    notes += [say("plan.evidence-source", text=spell(line.text), citation=line.citation) for line in plan.evidence]
    return {
        "resourceType": "CarePlan",
        "identifier": [context.identifier("care-plan")],
        "instantiatesCanonical": [_plan_definition_url(plan.protocol, plan.version)],
        **_DRAFT,
        "title": plan.title,
        "description": spell(plan.summary),
        **context.about,
        "created": context.end,
        "author": context.to("device"),
        "supportingInfo": context.inputs(range(len(context.answer.request.sources))),
        "activity": [{"reference": context.to("steps")}],
        "note": [_note(context, text) for text in notes],
    }


def _note(context: AnswerContext, text: str) -> Json:
    """An annotation; what a clinician has acknowledged carries that person as its author."""
    who = context.answer.request.asked.acknowledged.who
    if who is None or text not in context.answer.acknowledged:
        return {"text": text}
    if who.reference and "PractitionerRole/" not in who.reference:
        return {"authorReference": who.as_reference, "text": text}
    return {"authorString": who.words, "text": text}


def _request_group(context: AnswerContext, plan: Plan) -> Json:
    return {
        "resourceType": "RequestGroup",
        "identifier": [context.identifier("steps")],
        "instantiatesCanonical": [_plan_definition_url(plan.protocol, plan.version)],
        **_DRAFT,
        **context.about,
        "authoredOn": context.end,
        "author": context.to("device"),
        "action": [
            _action(context, step, plan.steps[place - 1] if place else None) for place, step in enumerate(plan.steps)
        ],
    }


def _action(context: AnswerContext, step: PlanStep, before: PlanStep | None) -> Json:
    described = say("plan.record-expect", record=spell(step.record), expect=spell(step.expect))
    follows = {"actionId": str(before.number), "relationship": "after-end"} if before else None
    dwell = {"value": step.dwell_s, "unit": "s", "system": "http://unitsofmeasure.org", "code": "s"}
    return {
        "id": str(step.number),
        "prefix": str(step.number),
        "title": settings_words(step),
        "description": f"{spell(step.remark)} {described}".strip(),
        "code": [OWN[f"phase-{step.phase.value}"]],
        **({"relatedAction": [follows]} if follows else {}),
        **({"timingDuration": dwell} if step.dwell_s else {}),
        "resource": context.to(_kind(step)),
    }


def _device_request(context: AnswerContext, step: PlanStep) -> Json:
    rows = (
        (LOINC_TERMS["peep-set"], step.peep_cmh2o, PRESSURE),
        (OWN["pressure-above-peep"], step.pressure_above_peep_cmh2o if step.pressure_is_set else None, PRESSURE),
        (OWN["planned-peak-pressure"], step.end_inspiratory_cmh2o, PRESSURE),
        (OWN["expected-peak-pressure"], step.peak_cmh2o, PRESSURE),
        (OWN["expected-tidal-volume"], step.expected_tidal_volume_ml, VOLUME),
    )
    settings = [
        {"code": code, "valueQuantity": quantity(value, unit)} for code, value, unit in rows if value is not None
    ]
    return {
        "resourceType": "DeviceRequest",
        "identifier": [context.identifier(_kind(step))],
        **_DRAFT,
        "codeCodeableConcept": OWN["ventilator-settings"],
        **({"parameter": settings} if settings else {}),
        **context.about,
        "authoredOn": context.end,
        "requester": context.to("device"),
    }
