"""What of a record's OperationOutcome may be told: codes, element paths and words of ours, by whitelists.

Its own text is never quoted, since it may hold patient data; `refusal_log` keeps it where the site says so.

Source: FHIR R4 operationoutcome.html (code, details, expression, location); codesystem-operation-outcome.html
(MSG_...).
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from itertools import islice

import msgspec

from ebbmark.fhir.model import RESOURCE_TYPES
from ebbmark.record.client import Reply, decoded

# FHIR R4 value set issue-type. Only these are ever quoted: any other text in an outcome may hold patient data.
# fmt: off
_ISSUE_CODES = frozenset({
    "invalid", "structure", "required", "value", "invariant", "security", "login", "unknown", "expired",
    "forbidden", "suppressed", "processing", "not-supported", "duplicate", "multiple-matches", "not-found",
    "deleted", "too-long", "code-invalid", "extension", "too-costly", "business-rule", "conflict",
    "transient", "lock-error", "no-store", "exception", "timeout", "incomplete", "throttled",
    "informational",
})
# fmt: on
_MESSAGE_SYSTEMS = frozenset(
    {"http://terminology.hl7.org/CodeSystem/operation-outcome", "http://hl7.org/fhir/operation-outcome"}
)
_MESSAGE = re.compile(r"MSG_[A-Z_]{2,40}")
_PATH = re.compile(r"[A-Za-z]+(\[[0-9]{1,3}\])?(\.(ofType\([A-Za-z]+\)|[A-Za-z]+(\[[0-9]{1,3}\]|\[x\])?))*")
_WORD = re.compile(r"[A-Za-z]+")
_LONGEST_PATH = 120
_MOST_TOLD = 3
# fmt: off
ELEMENTS = frozenset({
    "action", "activity", "agent", "author", "authoredOn", "basedOn", "bodySite", "category", "code", "codeReference",
    "coding", "component", "conclusion", "conclusionCode", "contained", "content", "contentType", "context", "data",
    "dataAbsentReason", "date", "derivedFrom", "description", "detail", "device", "deviceName", "display", "div",
    "effectiveDateTime", "effectivePeriod", "encounter", "end", "entity", "entry", "evidence", "extension", "focus",
    "fullUrl", "hasMember", "high", "id", "identifier", "ifMatch", "ifNoneExist", "implicated", "intent",
    "interpretation", "issued", "item", "language", "low", "manufacturer", "meta", "method", "mode", "moduleCanonical",
    "moduleUri", "note", "occurredDateTime", "occurrenceDateTime", "outputParameters", "parameter", "partOf",
    "patient", "performer", "period", "policy", "presentedForm", "priority", "profile", "reason", "reasonCode",
    "reasonReference", "recorded", "reference", "referenceRange", "relatesTo", "replaces", "request",
    "requestIdentifier", "requester", "resource", "response", "result", "role", "serialNumber", "severity",
    "signature", "source", "start", "status", "statusReason", "subject", "system", "tag", "target", "text", "title",
    "type", "unit", "url", "value", "valueBoolean", "valueCodeableConcept", "valueDateTime", "valueInteger",
    "valuePeriod", "valueQuantity", "valueRange", "valueReference", "valueString", "version", "versionId", "what",
    "when", "who",
})
"""Elements of FHIR R4 that occur in what is written; held against an independent R4 model by a test."""
# fmt: on
_PATH_WORDS = ELEMENTS | {
    *RESOURCE_TYPES,
    "ofType",
    "x",
    "effective",
    "occurrence",
    "occurred",
    "module",
    "Quantity",
    "CodeableConcept",
    "Reference",
    "Range",
    "Period",
    "dateTime",
    "string",
}


class _Issue(msgspec.Struct):
    code: str
    diagnostics: object = ""
    details: object = ""
    expression: object = ()
    location: object = ()


class _Outcome(msgspec.Struct, rename="camel"):
    resource_type: str
    issue: list[_Issue]


def named_by(reply: Reply, ours: Iterable[str]) -> str:
    """Issue codes of a refusal, and which of our own words it names: never its text, which may hold patient data.

    Args:
        ours: words that were sent, such as a resource type or the names of search parameters.

    Returns:
        A clause that begins with a comma; empty where the reply says nothing that may be told.
    """
    outcome = decoded(reply, _Outcome)
    if outcome is None or outcome.resource_type != "OperationOutcome":
        return ""
    told = [(one.diagnostics, one.expression, one.details) for one in outcome.issue]
    text = " ".join(
        f"{said} {where} {more.get('text') if isinstance(more, dict) else ''}" for said, where, more in told
    )
    words = [one for one in dict.fromkeys(ours) if one and re.search(rf"(?<![\w-]){re.escape(one)}(?![\w-])", text)]
    codes = _known_codes(outcome) or ()
    messages = dict.fromkeys(code for one in outcome.issue for code in _messages_of(one.details))
    paths = dict.fromkeys(path for one in outcome.issue for path in _paths_of(one.expression, one.location))
    said = "".join(f", {', '.join(islice(some, _MOST_TOLD))}" for some in (messages, paths) if some)
    return (f", issue {', '.join(codes)}" if codes else "") + said + (f", naming {', '.join(words)}" if words else "")


def _messages_of(details: object) -> Iterator[str]:
    """Message codes of FHIR's own code system for outcomes; codes of any other may be anything."""
    codings = details.get("coding") if isinstance(details, dict) else None
    for one in codings if isinstance(codings, list) else ():
        if isinstance(one, dict) and str(one.get("system")) in _MESSAGE_SYSTEMS:
            code = one.get("code")
            if isinstance(code, str) and _MESSAGE.fullmatch(code):
                yield code


def _paths_of(*given: object) -> Iterator[str]:
    """Paths of which every word is a type or an element of FHIR."""
    for one in (path for listed in given if isinstance(listed, list) for path in listed):
        is_path = isinstance(one, str) and len(one) <= _LONGEST_PATH and _PATH.fullmatch(one)
        if is_path and _PATH_WORDS.issuperset(_WORD.findall(one)):
            yield one


def codes_in(reply: Reply) -> tuple[str, ...] | None:
    """FHIR's issue codes in a reply; None where it is no OperationOutcome."""
    outcome = decoded(reply, _Outcome)
    return None if outcome is None else _known_codes(outcome)


def codes_of(body: bytes) -> tuple[str, ...] | None:
    """FHIR's issue codes in the outcome of one entry; None where it is none."""
    return codes_in(Reply(200, body=body)) if body else None


def _known_codes(outcome: _Outcome) -> tuple[str, ...] | None:
    if outcome.resource_type != "OperationOutcome":
        return None
    return tuple(sorted({issue.code for issue in outcome.issue if issue.code in _ISSUE_CODES}))
