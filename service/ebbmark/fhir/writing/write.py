"""An answer as one Bundle to read.

Same answer, same bytes: full URLs come from the identity, times from the data. The instant of recording stands in
`Provenance.recorded` (and in the report, if there is one) and nowhere else, and who chose to record it in
`Provenance.agent`.
"""

from __future__ import annotations

from html import escape

import msgspec

from ebbmark.fhir.answer import Amount, Answer, Coded, Statement, Truth, Warned, quantity
from ebbmark.fhir.naming import PROVENANCE, REQUEST_SYSTEM, operation_url
from ebbmark.fhir.times import instant
from ebbmark.fhir.writing.identity import AnswerContext, Reference
from ebbmark.fhir.writing.plan import plan_resources
from ebbmark.fhir.writing.provenance import device, provenance, report_entries
from ebbmark.fhir.writing.terms import ABSENT_BECAUSE, CATEGORY_EXAM, CATEGORY_PROCEDURE, OWN, code_of, component
from ebbmark.words.messages import InShort

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
    subject: Reference
    encounter: Reference | None = None
    effective_date_time: str | None = None
    effective_period: dict[str, str] | None = None
    value_quantity: msgspec.Raw | None = None
    value_codeable_concept: msgspec.Raw | None = None
    value_boolean: bool | None = None
    value_integer: int | None = None
    data_absent_reason: msgspec.Raw | None = None
    note: list[dict[str, str]] | None = None
    method: dict[str, str] | None = None
    device: Reference
    has_member: list[Reference] | None = None
    derived_from: list[Reference] | None = None
    component: msgspec.Raw | None = None


def write_bundle_bytes(
    answer: Answer,
    *,
    recorded_s: float,
    enterer: str | None = None,
    report_pdf: bytes | None = None,
) -> bytes:
    """The answer as FHIR R4 JSON: a Bundle of type collection.

    Args:
        answer: what is to be said.
        recorded_s: instant of recording [s since 1970-01-01T00:00:00Z].
        enterer: the person who chose to record it, as `person_who_enters` gives it; None where none did.
        report_pdf: the answer as a page, for a DiagnosticReport; None where none was asked for.
    """
    context = AnswerContext(answer)
    judged: list[tuple[str, object]] = [("guidance", _guidance(context)), *plan_resources(context)]
    judged += [(one.kind, _observation(context, one)) for one in answer.statements]
    judged += [(one.kind, _detected_issue(context, one)) for one in answer.warnings]
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
    answer: Answer,
    *,
    recorded_s: float,
    enterer: str | None = None,
    report_pdf: bytes | None = None,
) -> Json:
    """The same answer as plain JSON values.

    Args:
        answer: what is to be said.
        recorded_s: instant of recording [s since 1970-01-01T00:00:00Z].
        enterer: the person who chose to record it, as `person_who_enters` gives it; None where none did.
        report_pdf: the answer as a page, for a DiagnosticReport; None where none was asked for.
    """
    body = write_bundle_bytes(answer, recorded_s=recorded_s, enterer=enterer, report_pdf=report_pdf)
    return msgspec.json.decode(body, type=dict[str, object])


def narrative(short: InShort) -> Json:
    """FHIR R4 Narrative of an answer: the line, and the reasons as a list."""
    reasons = "".join(f"<li>{escape(one)}</li>" for one in short.reasons)
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


def _named(name: str) -> Reference:
    """Reference to an input that has no index, or its place in the request where it has no name."""
    return Reference(display=name) if name.startswith(("Bundle.", "Parameters.")) else Reference(reference=name)
