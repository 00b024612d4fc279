"""An answer as one Bundle to read: statements and warnings, and a plan as CarePlan, RequestGroup and DeviceRequests.

Same answer, same bytes: full URLs come from the identity, times from the data. The instant of recording stands in
`Provenance.recorded` (and in the report, if there is one) and nowhere else, and who chose to record it in
`Provenance.agent`. A plan has the intent *proposal* and the status *draft*: nothing here is an order.

Source: FHIR R4 4.0.1, https://hl7.org/fhir/R4/careplan.html, /requestgroup.html, /devicerequest.html.
"""

from __future__ import annotations

from html import escape

import msgspec

from ebbmark.fhir.answer import PRESSURE, VOLUME, Amount, Answer, Coded, Statement, Truth, Warned, quantity
from ebbmark.fhir.naming import BASE, PROVENANCE, REQUEST_SYSTEM, operation_url
from ebbmark.fhir.times import instant
from ebbmark.fhir.writing.identity import AnswerContext, ResultReference
from ebbmark.fhir.writing.provenance import device, provenance, report_entries
from ebbmark.fhir.writing.terms import (
    ABSENT_BECAUSE,
    CATEGORY_EXAM,
    CATEGORY_PROCEDURE,
    LOINC_TERMS,
    OWN,
    code_of,
    component,
)
from ebbmark.physiology.before.plan import Plan, PlanStep
from ebbmark.words.before_in_short import before_the_first_step, settings_words
from ebbmark.words.messages import InShort, say, spell
from ebbmark.words.stopping import stop_words

OPERATION = operation_url("titrate-peep")
"""Canonical address of the titration; an identifier, see `naming`."""

_ENCODER = msgspec.json.Encoder()
Json = dict[str, object]


class _Entry(msgspec.Struct, rename="camel"):
    full_url: str | None
    resource: object


class _Bundle(msgspec.Struct, kw_only=True, tag_field="resourceType", tag="Bundle"):
    type: str = "collection"
    entry: list[_Entry]


class _Observation(
    msgspec.Struct, kw_only=True, omit_defaults=True, rename="camel", tag_field="resourceType", tag="Observation"
):
    """FHIR R4 Observation, as far as results use it; written in this order."""

    identifier: list[dict[str, str]]
    status: str = msgspec.field(default_factory=lambda: "preliminary")
    category: msgspec.Raw
    code: msgspec.Raw
    subject: ResultReference
    encounter: ResultReference | None = None
    effective_date_time: str | None = None
    effective_period: dict[str, str] | None = None
    value_quantity: msgspec.Raw | None = None
    value_codeable_concept: msgspec.Raw | None = None
    value_boolean: bool | None = None
    value_integer: int | None = None
    data_absent_reason: msgspec.Raw | None = None
    note: list[dict[str, str]] | None = None
    method: dict[str, str] | None = None
    device: ResultReference
    has_member: list[ResultReference] | None = None
    derived_from: list[ResultReference] | None = None
    component: msgspec.Raw | None = None


def write_bundle_bytes(
    answer: Answer, *, recorded_s: float, enterer: str | None = None, report_pdf: bytes | None = None
) -> bytes:
    """The answer as FHIR R4 JSON, a Bundle of type collection; with a page (`report_pdf`) a DiagnosticReport, too."""
    context = AnswerContext(answer)
    judged: list[tuple[str, object]] = [("guidance", _guidance(context)), *plan_resources(context)]
    judged += [(statement.kind, _observation(context, statement)) for statement in answer.statements]
    judged += [(warning.kind, _detected_issue(context, warning)) for warning in answer.warnings]
    targets = [context.to(kind) for kind, _ in judged]
    written = [
        *judged,
        ("device", device(answer.engine_version)),
        (PROVENANCE, provenance(context, targets, recorded_s, enterer)),
    ]
    if report_pdf is not None:
        written += report_entries(context, report_pdf, answer.short.line, recorded_s, enterer)
    written.append(("outcome", {"resourceType": "OperationOutcome", "issue": answer.issues}))
    return _ENCODER.encode(_Bundle(entry=[_Entry(context.to(kind).reference, resource) for kind, resource in written]))


def write_bundle(
    answer: Answer, *, recorded_s: float, enterer: str | None = None, report_pdf: bytes | None = None
) -> Json:
    """The same answer as plain JSON values."""
    body = write_bundle_bytes(answer, recorded_s=recorded_s, enterer=enterer, report_pdf=report_pdf)
    return msgspec.json.decode(body, type=dict[str, object])


def narrative(short: InShort) -> Json:
    """FHIR R4 Narrative of an answer: the line, and the reasons as a list."""
    reasons = "".join(f"<li>{escape(reason)}</li>" for reason in short.reasons)
    listed = f"<ul>{reasons}</ul>" if reasons else ""
    div = f'<div xmlns="http://www.w3.org/1999/xhtml"><p><b>{escape(short.line)}</b></p>{listed}</div>'
    return {"status": "generated", "div": div}


def _guidance(context: AnswerContext) -> Json:
    """FHIR R4 GuidanceResponse: that the question was answered, when the data ended, and the answer in sentences."""
    answer = context.answer
    return {
        "resourceType": "GuidanceResponse",
        "text": narrative(answer.short),
        "requestIdentifier": {"system": REQUEST_SYSTEM, "value": answer.identity},
        "identifier": [context.identifier("guidance")],
        "moduleUri": operation_url(answer.operation),
        "status": "data-requested" if answer.more_would_help else "success",
        "subject": context.subject,
        "occurrenceDateTime": context.end,
        "performer": context.device,
        "note": [{"text": note} for note in answer.notes],
        "evaluationMessage": [context.to("outcome")],
        **({"encounter": context.encounter} if context.encounter is not None else {}),
        **({"result": context.to("care-plan")} if answer.plan is not None else {}),
    }


def _observation(context: AnswerContext, one: Statement) -> _Observation:
    start, end = map(instant, one.span_s or context.answer.span_s)
    result = _Observation(
        identifier=[context.identifier(one.kind)],
        category=CATEGORY_EXAM if one.examination else CATEGORY_PROCEDURE,
        code=code_of(one.code),
        subject=context.subject,
        encounter=context.encounter,
        device=context.device,
    )
    if start == end:
        result.effective_date_time = end
    else:
        result.effective_period = {"start": start, "end": end}
    _set_value(result, one)
    if one.note:
        result.note = [{"text": one.note}]
    if one.method:
        result.method = {"text": one.method}
    if one.members:
        result.has_member = [context.to(kind) for kind in one.members]
    if one.sources or one.follows_from:
        result.derived_from = [*[context.to(kind) for kind in one.follows_from], *context.inputs(one.sources)]
    if one.parts:
        result.component = msgspec.Raw(b"[%b]" % b",".join([component(part) for part in one.parts]))
    return result


def _set_value(result: _Observation, one: Statement) -> None:
    """Give the Observation its value, or the reason for having none."""
    value = one.value
    if value is None:
        if one.absent:
            result.data_absent_reason = ABSENT_BECAUSE[one.absent]
    elif isinstance(value, Amount):
        result.value_quantity = quantity(value.value, value.unit)
        if result.value_quantity is None:
            result.data_absent_reason = ABSENT_BECAUSE["not-a-number"]
    elif isinstance(value, Coded):
        result.value_codeable_concept = OWN[value.code]
    elif isinstance(value, Truth):
        result.value_boolean = value.value
    else:
        result.value_integer = value.value


def _detected_issue(context: AnswerContext, one: Warned) -> Json:
    """FHIR R4 DetectedIssue: one warning about this patient."""
    start, end = map(instant, one.span_s or (context.answer.span_s[1],) * 2)
    when: Json = {"identifiedDateTime": end} if start == end else {"identifiedPeriod": {"start": start, "end": end}}
    shown = [*[context.to(kind) for kind in one.of_statements], *context.inputs(one.sources), *map(_named, one.about)]
    who = one.acknowledged_by
    return {
        "resourceType": "DetectedIssue",
        "identifier": [context.identifier(one.kind)],
        "status": "preliminary",
        "code": OWN.get(one.code) or {"text": one.code.replace("-", " ")},
        **({"severity": one.severity} if one.severity else {}),
        "patient": context.subject,
        **when,
        "author": context.device,
        **({"implicated": shown} if shown else {}),
        "detail": one.text,
        **({"mitigation": [{"action": OWN["acknowledged"], "author": who.as_reference}]} if who else {}),
    }


def _named(name: str) -> ResultReference:
    """Reference to an input that has no index, or its place in the request where it has no name."""
    return (
        ResultReference(display=name)
        if name.startswith(("Bundle.", "Parameters."))
        else ResultReference(reference=name)
    )


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
        "instantiatesCanonical": [_plan_definition_url(plan.rules.slug, plan.rules.version)],
        **_DRAFT,
        "title": plan.rules.title,
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
        "instantiatesCanonical": [_plan_definition_url(plan.rules.slug, plan.rules.version)],
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
