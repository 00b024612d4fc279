"""How an answer leaves: one Bundle to read, the same resources as one transaction to write to a record.

Same answer, same bytes: full URLs come from the identity, times from the data. The instant of recording stands in
`Provenance.recorded` (and in the report, if there is one) and nowhere else, and who chose to record it in
`Provenance.agent`.
"""

from __future__ import annotations

from html import escape
from math import inf

import msgspec
from msgspec.structs import replace

from ebbmark.fhir.answer import Amount, Answer, Coded, Part, Statement, Truth, Value, Warned
from ebbmark.fhir.problems import ignored_issue
from ebbmark.fhir.quantities import Unit, quantity
from ebbmark.fhir.times import instant
from ebbmark.fhir.writing.frame import REQUEST_SYSTEM, Frame, Reference, operation_url
from ebbmark.fhir.writing.plan import plan_resources
from ebbmark.fhir.writing.provenance import PROVENANCE, device, provenance
from ebbmark.fhir.writing.report import report_entries
from ebbmark.fhir.writing.terms import ABSENT_BECAUSE, CATEGORY_EXAM, CATEGORY_PROCEDURE, LOINC_TERMS, OWN
from ebbmark.fhir.writing.transaction import as_transaction
from ebbmark.words.in_short import InShort

__all__ = ["OPERATION", "SIGNING", "as_transaction", "notes", "outcome", "write_bundle", "write_bundle_bytes"]

OPERATION = operation_url("titrate-peep")
"""Canonical address of the titration; an identifier, see codesystem."""

SIGNING = "Every result is preliminary until a clinician has signed it."

_ENCODER = msgspec.json.Encoder()
_PRELIMINARY_INPUTS = "At least one reading that was used is itself preliminary in the record."
_TEMPLATES: dict[tuple[str, Unit], bytes] = {}
"""A part with its code and unit as JSON with one place for the number; as many as there are codes of ours."""

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
    frame = Frame(answer)
    judged: list[tuple[str, object]] = [("guidance", _guidance(frame)), *plan_resources(frame)]
    judged += [(one.kind, _observation(frame, one)) for one in answer.statements]
    judged += [(one.kind, _detected_issue(frame, one)) for one in answer.warnings]
    targets = [frame.to(kind) for kind, _ in judged]
    written = [
        *judged,
        ("device", device(answer.engine_version)),
        (PROVENANCE, provenance(frame, targets, recorded_s, enterer)),
    ]
    if report_pdf is not None:
        written += report_entries(frame, report_pdf, answer.short.line, recorded_s, enterer)
    written.append(("outcome", outcome(answer)))
    return _ENCODER.encode(_Bundle(entry=[_Entry(frame.to(kind).reference, resource) for kind, resource in written]))


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
    """FHIR R4 Narrative of an answer: the line, and the reasons as a list.

    Args:
        short: the two layers.
    """
    reasons = "".join(f"<li>{escape(one)}</li>" for one in short.reasons)
    listed = f"<ul>{reasons}</ul>" if reasons else ""
    div = f'<div xmlns="http://www.w3.org/1999/xhtml"><p><b>{escape(short.line)}</b></p>{listed}</div>'
    return {"status": "generated", "div": div}


def notes(answer: Answer) -> list[str]:
    """Everything that an answer says in sentences: of this patient, of its rules, and of every such answer.

    Args:
        answer: which.
    """
    preliminary = [_PRELIMINARY_INPUTS] if answer.request.preliminary_inputs else []
    return [*answer.said, SIGNING, *preliminary, *[rule.sentence for rule in answer.rules], *answer.always]


def _guidance(frame: Frame) -> Json:
    """FHIR R4 GuidanceResponse: that the question was answered, when the data ended, and the answer in sentences."""
    answer = frame.answer
    return {
        "resourceType": "GuidanceResponse",
        "text": narrative(answer.short),
        "requestIdentifier": {"system": REQUEST_SYSTEM, "value": answer.identity},
        "identifier": [frame.identifier("guidance")],
        "moduleUri": operation_url(answer.operation),
        "status": "data-requested" if answer.more_would_help else "success",
        "subject": frame.subject,
        "occurrenceDateTime": frame.end,
        "performer": frame.device,
        "note": [{"text": note} for note in notes(answer)],
        "evaluationMessage": [frame.to("outcome")],
        **({"encounter": frame.encounter} if frame.encounter is not None else {}),
        **({"result": frame.to("care-plan")} if answer.plan is not None else {}),
    }


def _observation(frame: Frame, one: Statement) -> _Observation:
    start, end = map(instant, one.span_s or frame.answer.span_s)
    result = _Observation(
        identifier=[frame.identifier(one.kind)],
        category=CATEGORY_EXAM if one.examination else CATEGORY_PROCEDURE,
        code=_code(one.code),
        subject=frame.subject,
        encounter=frame.encounter,
        device=frame.device,
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
        result.has_member = [frame.to(kind) for kind in one.members]
    if one.sources or one.follows_from:
        result.derived_from = [*[frame.to(kind) for kind in one.follows_from], *frame.inputs(one.sources)]
    if one.parts:
        result.component = msgspec.Raw(b"[%b]" % b",".join([_component(part) for part in one.parts]))
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


def _component(part: Part) -> bytes:
    """Observation.component; an answer with a dozen steps has some hundreds, so that code and unit are encoded once."""
    code, value = part
    if type(value) is Amount:
        number, unit = value
        if 0 <= number < inf:
            template = _TEMPLATES.get((code, unit))
            if template is None:
                fixed = bytes(_code(code)).replace(b"%", b"%%")
                template = _TEMPLATES[code, unit] = b'{"code":%b,"valueQuantity":%b}' % (fixed, unit.template)
            return template % number
    return b'{"code":%b,%b}' % (bytes(_code(code)), _element(value))


def _element(value: Value | None) -> bytes:
    """`value[x]` or `dataAbsentReason` as JSON."""
    if isinstance(value, Amount):
        written = quantity(value.value, value.unit)
        if written is not None:
            return b'"valueQuantity":%b' % bytes(written)
        return b'"dataAbsentReason":%b' % bytes(ABSENT_BECAUSE["not-a-number"])
    if isinstance(value, Coded):
        return b'"valueCodeableConcept":%b' % bytes(OWN[value.code])
    if isinstance(value, Truth):
        return b'"valueBoolean":%b' % (b"true" if value.value else b"false")
    if value is None:
        return b'"dataAbsentReason":%b' % bytes(ABSENT_BECAUSE["unknown"])
    return b'"valueInteger":%d' % value.value


def _code(code: str) -> msgspec.Raw:
    return LOINC_TERMS.get(code) or OWN[code]


def _detected_issue(frame: Frame, one: Warned) -> Json:
    """FHIR R4 DetectedIssue: one warning about this patient."""
    start, end = map(instant, one.span_s or (frame.answer.span_s[1],) * 2)
    when: Json = {"identifiedDateTime": end} if start == end else {"identifiedPeriod": {"start": start, "end": end}}
    shown = [*[frame.to(kind) for kind in one.of_statements], *frame.inputs(one.sources), *map(_named, one.about)]
    who = one.acknowledged_by
    return {
        "resourceType": "DetectedIssue",
        "identifier": [frame.identifier(one.kind)],
        "status": "preliminary",
        "code": OWN.get(one.code) or {"text": one.code.replace("-", " ")},
        **({"severity": one.severity} if one.severity else {}),
        "patient": frame.subject,
        **when,
        "author": frame.device,
        **({"implicated": shown} if shown else {}),
        "detail": one.text,
        **({"mitigation": [{"action": OWN["acknowledged"], "author": who.as_reference}]} if who else {}),
    }


def _named(name: str) -> Reference:
    """Reference to an input that has no index, or its place in the request where it has no name."""
    return Reference(display=name) if name.startswith(("Bundle.", "Parameters.")) else Reference(reference=name)


def outcome(answer: Answer) -> Json:
    """FHIR R4 OperationOutcome: every input that did not count, and how the rest was read."""
    request = answer.request
    unjudged = {one.path for one in request.unjudged}
    issues = [
        ignored_issue(
            replace(one, reason=f"{request.charted[one.path]}. {one.reason}") if one.path in unjudged else one
        )
        for one in answer.ignored
    ]
    remarks = list(request.notes)
    if not answer.ignored:
        remarks.append("Every input received was read; none was left out.")
    issues += [{"severity": "information", "code": "informational", "details": {"text": text}} for text in remarks]
    return {"resourceType": "OperationOutcome", "issue": issues}
