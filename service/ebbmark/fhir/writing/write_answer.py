"""How does an answer leave? One Bundle, from guidance to what was left out.

Same answer, same bytes, the instant of recording in `Provenance.recorded` apart.
"""

from __future__ import annotations

import msgspec
from msgspec.structs import replace

from ebbmark.fhir.naming import REQUEST_SYSTEM, RESULT_SYSTEM
from ebbmark.fhir.problems import ignored_issue
from ebbmark.fhir.writing.instants import instant
from ebbmark.fhir.writing.names import Names, operation_url
from ebbmark.fhir.writing.plan import plan_resources
from ebbmark.fhir.writing.provenance import DIGEST_SYSTEM, PROTOCOL_SYSTEM, device
from ebbmark.fhir.writing.quantities import quantity
from ebbmark.fhir.writing.statements import Amount, Answer, Coded, Part, Statement, Truth, Value, Warned
from ebbmark.fhir.writing.terms import ABSENT_BECAUSE, CATEGORY_PROCEDURE, LOINC_TERMS, OWN, standard

__all__ = ["SIGNING", "write_answer"]

Json = dict[str, object]

SIGNING = "Every result is preliminary until a clinician has signed it."

_ENCODER = msgspec.json.Encoder()
_ASSEMBLER = standard("provenance-participant-type", "assembler", "Assembler")
_CREATE = standard("v3-DataOperation", "CREATE", "create")


def write_answer(answer: Answer, *, recorded_s: float) -> bytes:
    """The answer as FHIR R4 JSON: a Bundle of type collection.

    Args:
        answer: what is to be said.
        recorded_s: instant of recording [s since 1970-01-01T00:00:00Z].
    """
    names = Names(answer)
    judged: list[tuple[str, object]] = [("guidance", _guidance(names))]
    judged += plan_resources(names)
    judged += [(one.kind, _observation(names, one)) for one in answer.statements]
    judged += [(one.kind, _detected_issue(names, one)) for one in answer.warnings]
    targets = [names.to(kind) for kind, _ in judged]
    judged += [
        ("device", device(answer.engine_version)),
        ("provenance", _provenance(names, targets, recorded_s)),
        ("outcome", _outcome(answer)),
    ]
    entries = [{"fullUrl": names.full_url(kind), "resource": resource} for kind, resource in judged]
    return _ENCODER.encode({"resourceType": "Bundle", "type": "collection", "entry": entries})


def _guidance(names: Names) -> Json:
    """FHIR R4 GuidanceResponse: that the question was answered, and the answer in plain sentences."""
    answer = names.answer
    rules = [f"Rules: {rule.title} ({rule.slug} version {rule.version}). {rule.citation}" for rule in answer.rules]
    return {
        "resourceType": "GuidanceResponse",
        "requestIdentifier": {"system": REQUEST_SYSTEM, "value": answer.identity},
        "identifier": [names.identifier("guidance")],
        "moduleUri": operation_url(answer.operation),
        "status": "data-requested" if answer.more_would_help else "success",
        **names.about,
        "occurrenceDateTime": names.end,
        "performer": names.to("device"),
        "note": [{"text": text} for text in (*answer.said, *rules, SIGNING)],
        "evaluationMessage": [names.to("outcome")],
        **({"result": names.to("care-plan")} if answer.plan is not None else {}),
    }


def _observation(names: Names, one: Statement) -> Json:
    members = {"hasMember": [names.to(kind) for kind in one.members]} if one.members else {}
    inputs = names.inputs(one.sources)
    return {
        "resourceType": "Observation",
        "identifier": [names.identifier(one.kind)],
        "status": "preliminary",
        "category": CATEGORY_PROCEDURE,
        "code": _code(one.code),
        **names.about,
        **names.effective(one.span_s),
        **_value(one.value),
        **({"note": [{"text": one.note}]} if one.note else {}),
        **({"method": {"text": one.method}} if one.method else {}),
        "device": names.to("device"),
        **members,
        **({"derivedFrom": inputs} if inputs else {}),
        **({"component": [_part(part) for part in one.parts]} if one.parts else {}),
    }


def _part(part: Part) -> Json:
    code, value = part
    return {"code": _code(code), **_value(value)}


def _code(code: str) -> msgspec.Raw:
    return LOINC_TERMS.get(code) or OWN[code]


def _value(value: Value | None) -> Json:
    if isinstance(value, Coded):
        return {"valueCodeableConcept": OWN[value.code]}
    if isinstance(value, Truth):
        return {"valueBoolean": value.value}
    if isinstance(value, Amount):
        written = quantity(value.value, value.unit)
        return {"valueQuantity": written} if written else {"dataAbsentReason": ABSENT_BECAUSE["not-a-number"]}
    return {"dataAbsentReason": ABSENT_BECAUSE["unknown"]} if value is None else {"valueInteger": value.value}


def _detected_issue(names: Names, one: Warned) -> Json:
    start, end = map(instant, one.span_s or (names.answer.span_s[1],) * 2)
    when: Json = {"identifiedDateTime": end} if start == end else {"identifiedPeriod": {"start": start, "end": end}}
    inputs = [*names.inputs(one.sources), *[_named(name) for name in one.about]]
    who = one.acknowledged_by
    return {
        "resourceType": "DetectedIssue",
        "identifier": [names.identifier(one.kind)],
        "status": "preliminary",
        "code": OWN[one.code],
        **({"severity": one.severity} if one.severity else {}),
        "patient": {"reference": names.answer.request.subject},
        **when,
        "author": names.to("device"),
        **({"implicated": inputs} if inputs else {}),
        "detail": one.text,
        **({"mitigation": [{"action": OWN["acknowledged"], "author": who.as_reference}]} if who else {}),
    }


def _named(name: str) -> dict[str, str]:
    """Reference to an input that has no index, or its place in the request where it has no name."""
    return {"display": name} if name.startswith(("Bundle.", "Parameters.")) else {"reference": name}


def _provenance(names: Names, targets: list[dict[str, str]], recorded_s: float) -> Json:
    """FHIR R4 Provenance over all that is judged, with every rule set and the digest of the inputs as entities."""
    answer = names.answer
    rules = [
        {
            "role": "source",
            "what": {
                "identifier": {"system": PROTOCOL_SYSTEM, "value": f"{rule.slug}|{rule.version}"},
                "display": rule.title,
            },
        }
        for rule in answer.rules
    ]
    digest = {
        "role": "source",
        "what": {
            "identifier": {"system": DIGEST_SYSTEM, "value": answer.input_digest},
            "display": "SHA-256 over the canonical inputs used",
        },
    }
    inputs = [{"role": "source", "what": one} for one in names.inputs(range(len(answer.request.sources)))]
    return {
        "resourceType": "Provenance",
        "meta": {"tag": [{"system": RESULT_SYSTEM, "code": f"{answer.identity}:provenance"}]},
        "target": targets,
        "recorded": instant(recorded_s),
        "activity": _CREATE,
        "agent": [{"type": _ASSEMBLER, "who": names.to("device")}],
        "entity": [*inputs, *rules, digest],
    }


def _outcome(answer: Answer) -> Json:
    """FHIR R4 OperationOutcome: every input that did not count, and how the rest was read."""
    request = answer.request
    unjudged = {one.path for one in request.unjudged}
    issues = [
        ignored_issue(
            replace(one, reason=f"{request.charted[one.path]}. {one.reason}") if one.path in unjudged else one
        )
        for one in request.ignored
    ]
    notes = list(request.notes)
    if not request.ignored:
        notes.append("Every input received was read; none was left out.")
    issues += [{"severity": "information", "code": "informational", "details": {"text": text}} for text in notes]
    return {"resourceType": "OperationOutcome", "issue": issues}
