"""Idempotent write: the answer as one transaction of conditional creates.

What each entry is found again by (FHIR R4 http.html#ccreate):

* Device and Provenance aside: the identifier made from the identity, together with
  the patient, so that no result of one patient can ever stand in for another's.
* Device: the identifier of the software version; one per record. A site may keep one itself and name it.
* Provenance: R4 gives it no identifier, therefore its tag (`_tag` is searchable on every resource type).

The OperationOutcome cannot be stored (R4 has no such end point): it moves into the GuidanceResponse.

What became of a write-back leads the answer as an issue. It is about the delivery of the answer and no part of it: its
code tells it from the others, so that a signature holds and a replay passes it over.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import cast
from urllib.parse import quote

from ebbmark.fhir.naming import CODE_SYSTEM
from ebbmark.fhir.writing.provenance import URI_SYSTEM

__all__ = ["as_transaction", "is_write_issue", "referred_by_name", "with_write_issue"]

Json = dict[str, object]

_OF_ONE_PATIENT = frozenset(
    {
        "CarePlan",
        "DetectedIssue",
        "DeviceRequest",
        "DiagnosticReport",
        "GuidanceResponse",
        "Observation",
        "RequestGroup",
    }
)


def as_transaction(
    bundle: Mapping[str, object], patient_reference: str, *, device_reference: str | None = None
) -> Json:
    """The same resources as a Bundle of type transaction.

    References into the request that the record cannot resolve (`urn:uuid:` of the caller's own Bundle) become logical
    references that keep the same name.

    Args:
        bundle: what `write_bundle` made.
        patient_reference: the patient in the record, for example `Patient/123`.
        device_reference: this software's Device in the record where the site keeps one; else it is created once.
    """
    entries = cast("list[Json]", bundle["entry"])
    by_type: dict[str, list[Json]] = {}
    for entry in entries:
        by_type.setdefault(_type_of(entry), []).append(entry)
    outcome, device = by_type["OperationOutcome"][0], by_type["Device"][0]
    replaced: dict[str, Json] = {str(outcome["fullUrl"]): {"reference": "#outcome"}}
    kept = [entry for entry in entries if entry is not outcome]
    if device_reference is not None:
        replaced[str(device["fullUrl"])] = {"reference": device_reference}
        kept.remove(device)
    known = {str(entry["fullUrl"]) for entry in kept}
    written = []
    for entry in kept:
        resource = cast("Json", _rewritten(entry["resource"], replaced, known))
        for name in ("subject", "patient"):
            if name in resource:
                resource[name] = {"reference": patient_reference}
        if resource["resourceType"] == "GuidanceResponse":
            resource["contained"] = [{**cast("Json", outcome["resource"]), "id": "outcome"}]
        written.append(
            {"fullUrl": entry["fullUrl"], "resource": resource, "request": _request(resource, patient_reference)}
        )
    return {"resourceType": "Bundle", "type": "transaction", "entry": written}


def _type_of(entry: Json) -> str:
    return str(cast("Json", entry["resource"])["resourceType"])


def _request(resource: Json, patient_reference: str) -> Json:
    kind = str(resource["resourceType"])
    if kind == "Provenance":
        tag = cast("list[Json]", cast("Json", resource["meta"])["tag"])[0]
        query = _token("_tag", tag["system"], tag["code"])
    else:
        identifier = cast("list[Json]", resource["identifier"])[0]
        query = _token("identifier", identifier["system"], identifier["value"])
    if kind in _OF_ONE_PATIENT:
        query += f"&patient={quote(patient_reference, safe='/:')}"
    return {"method": "POST", "url": kind, "ifNoneExist": query}


def _token(parameter: str, system: object, value: object) -> str:
    return f"{parameter}={quote(str(system), safe=':/')}|{quote(str(value), safe=':')}"


def _rewritten(value: object, replaced: Mapping[str, Json], known: set[str]) -> object:
    """A copy with every reference made one that the record can follow."""
    if isinstance(value, list):
        return [_rewritten(item, replaced, known) for item in value]
    if not isinstance(value, dict):
        return value
    reference = value.get("reference")
    if isinstance(reference, str):
        if reference in replaced:
            return dict(replaced[reference])
        if reference.startswith("urn:") and reference not in known:
            return {"identifier": {"system": URI_SYSTEM, "value": reference}}
    return {name: _rewritten(item, replaced, known) for name, item in value.items()}


def referred_by_name(value: object, names: Collection[str]) -> object:
    """A copy in which every reference to one of these addresses is a logical one, which keeps the address as a name."""
    if isinstance(value, list):
        return [referred_by_name(item, names) for item in value]
    if not isinstance(value, dict):
        return value
    if value.get("reference") in names:
        return {"identifier": {"system": URI_SYSTEM, "value": value["reference"]}}
    return {name: referred_by_name(item, names) for name, item in value.items()}


_CODING = {"system": CODE_SYSTEM, "code": "write-back", "display": "What became of the write-back"}


def with_write_issue(bundle: Json, *, severity: str, code: str, sentence: str) -> Json:
    """The same answer, its OperationOutcome led by an issue about the write-back.

    Args:
        bundle: what `write_bundle` made; left as it is.
        severity: information or error.
        code: FHIR issue type.
        sentence: what happened.
    """
    issue = {"severity": severity, "code": code, "details": {"coding": [_CODING], "text": sentence}}
    entries = []
    for entry in cast("list[Json]", bundle["entry"]):
        resource = cast("Json", entry["resource"])
        if resource["resourceType"] == "OperationOutcome":
            issues = cast("list[Json]", resource["issue"])
            entries.append({**entry, "resource": {**resource, "issue": [issue, *issues]}})
        else:
            entries.append(entry)
    return {**bundle, "entry": entries}


def is_write_issue(issue: object) -> bool:
    """Whether this issue of an OperationOutcome is about the write-back."""
    details = issue.get("details") if isinstance(issue, Mapping) else None
    return isinstance(details, Mapping) and details.get("coding") == [_CODING]
