"""The suggestions of a card, done by a click: record results as preliminary; draft an order of PEEP to sign.

The actions of a suggestion are handled as a FHIR transaction whose full URLs are the record's base address with type
and id of each resource ("Action"). So each resource has an id for the length of that transaction, the others name it as
`Type/id`, and the record gives it its own id. Nothing here happens by itself: there are no system actions.

Source: CDS Hooks 2.0, "Suggestion", "Action"; FHIR R4 http.html#trules, servicerequest.html.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Any

import msgspec

from ebbmark.audit.signature import sign
from ebbmark.fhir.answer import Answer
from ebbmark.fhir.naming import RESULT_SYSTEM
from ebbmark.fhir.quantities import PRESSURE, quantity
from ebbmark.fhir.reading.codes import CODES, LOINC
from ebbmark.fhir.times import instant
from ebbmark.fhir.writing.provenance import person_who_enters
from ebbmark.fhir.writing.write import as_transaction, write_bundle, write_bundle_bytes
from ebbmark.keys import SigningKey
from ebbmark.web.hooks.orders import PeepOrder
from ebbmark.words.numbers import level

__all__ = ["changed_order", "draft_order", "record_results"]

Json = dict[str, Any]

NO_MORE: Mapping[str, str] = MappingProxyType({})
_PEEP_SETTING = (LOINC, "20077-4")
_DESCRIBED = {
    "GuidanceResponse": "Record that the trial was read, with what is true of every such trial",
    "Device": "Name the software that read it",
    "Provenance": "Record which inputs, software and rules the results come from",
}


def record_results(
    answer: Answer, *, patient: str, user: str, recorded_s: float, signer: SigningKey | None
) -> list[Json]:
    """The actions that put the results into the record, all of them preliminary.

    Args:
        answer: the reading.
        patient: `Patient/id`.
        user: who would take the suggestion, as `Type/id`: the person who enters the results.
        recorded_s: instant of recording [s since 1970-01-01T00:00:00Z].
        signer: key to sign the answer with; None where answers are not signed.
    """
    enterer = person_who_enters(user, base_url="")
    if signer is None:
        written = msgspec.json.decode(
            write_bundle_bytes(answer, recorded_s=recorded_s, enterer=enterer), type=_Written
        ).entry
        actions = _quickly(written) if answer.request.subject == patient else None
        if actions is not None:
            return actions
    bundle = write_bundle(answer, recorded_s=recorded_s, enterer=enterer)
    if signer is not None:
        bundle = sign(bundle, key=signer)
    return _actions(msgspec.json.decode(msgspec.json.encode(as_transaction(bundle, patient)), type=_Written).entry)


def _quickly(written: list[_Entry]) -> list[Json] | None:
    """The actions from the answer's own bytes; None where a reference leads where the record cannot follow.

    What `as_transaction` does to every element is needed only where the caller named resources by `urn:`.
    """
    outcome = next(one for one in written if one.kind == "OperationOutcome")
    guidance = next(one for one in written if one.kind == "GuidanceResponse")
    contained = b'"contained":[' + _named(bytes(outcome.resource), "OperationOutcome", "outcome") + b"]}"
    guidance.resource = msgspec.Raw(bytes(guidance.resource)[:-1] + b"," + contained)
    kept = [one for one in written if one is not outcome]
    actions = _actions(kept, {outcome.full_url: "#outcome"})
    return None if any(b'"urn:' in bytes(one["resource"]) for one in actions) else actions


def _actions(written: list[_Entry], further: Mapping[str, str] = NO_MORE) -> list[Json]:
    local = {one.full_url: f"{one.kind}/{one.full_url.removeprefix('urn:uuid:')}" for one in written}
    return [_create(one, {**local, **further}) for one in written]


def _named(resource: bytes, kind: str, identity: str) -> bytes:
    """The resource with an id, which FHIR wants behind its type."""
    opening = f'{{"resourceType":"{kind}"'.encode()
    if not resource.startswith(opening):
        raise TypeError("what is written begins with its type")
    return opening + f',"id":"{identity}"'.encode() + resource[len(opening) :]


class _Code(msgspec.Struct):
    text: str = ""


class _Resource(msgspec.Struct, rename="camel"):
    resource_type: str
    code: _Code = msgspec.field(default_factory=_Code)


class _Entry(msgspec.Struct, rename="camel"):
    full_url: str
    resource: msgspec.Raw

    @property
    def kind(self) -> str:
        return msgspec.json.decode(self.resource, type=_Resource).resource_type


class _Written(msgspec.Struct):
    entry: list[_Entry]


def _create(entry: _Entry, local: Mapping[str, str]) -> Json:
    head = msgspec.json.decode(entry.resource, type=_Resource)
    resource = _named(bytes(entry.resource), head.resource_type, entry.full_url.removeprefix("urn:uuid:"))
    for url, name in local.items():
        resource = resource.replace(f'"{url}"'.encode(), f'"{name}"'.encode())
    return {"type": "create", "description": _described(head), "resource": msgspec.Raw(resource)}


def _described(head: _Resource) -> str:
    if head.resource_type == "DetectedIssue":
        return f"Record a caution: {head.code.text}"
    return _DESCRIBED.get(head.resource_type) or f"Record as preliminary: {head.code.text}"


def draft_order(answer: Answer, *, patient: str, encounter: str, authored_s: float) -> Json:
    """The action that drafts an order of the suggested PEEP, for a person to change, sign or drop.

    Args:
        answer: a reading with a suggestion.
        patient: `Patient/id`.
        encounter: `Encounter/id`; empty where not known.
        authored_s: the present instant [s since 1970-01-01T00:00:00Z].
    """
    suggested = answer.titration.advice.suggested_peep_cmh2o
    if suggested is None:
        raise TypeError("an order is drafted only where a PEEP is suggested")
    closing = answer.titration.closing.peep_cmh2o
    system, code = _PEEP_SETTING
    reason = f"Closing near {level(closing)} cmH2O in the PEEP trial" if closing is not None else "PEEP trial"
    return {
        "type": "create",
        "description": f"Draft an order: PEEP {level(suggested)} cmH2O",
        "resource": {
            "resourceType": "ServiceRequest",
            "identifier": [{"system": RESULT_SYSTEM, "value": f"{answer.identity}:draft-order"}],
            "status": "draft",
            "intent": "proposal",
            "code": {
                "coding": [{"system": system, "code": code, "display": CODES[_PEEP_SETTING].display}],
                "text": "PEEP setting of the ventilator",
            },
            "quantityQuantity": quantity(suggested, PRESSURE),
            "subject": {"reference": patient},
            **({"encounter": {"reference": encounter}} if encounter else {}),
            "authoredOn": instant(authored_s),
            "reasonCode": [{"text": reason}],
            "note": [
                {"text": answer.titration.advice.rationale},
                {"text": "Proposed by decision support from a preliminary reading; a licensed clinician decides."},
            ],
        },
    }


def changed_order(order: PeepOrder, peep_cmh2o: float) -> Json | None:
    """The action that puts the suggested PEEP into an order that is there as a draft; None where it cannot be done.

    Args:
        order: as the client sent it.
        peep_cmh2o: to set.
    """
    if not order.reference or not order.place or not order.in_cmh2o:
        return None
    resource = msgspec.json.decode(order.resource, type=Json)
    holder: Any = resource
    for step in order.place:
        holder = holder[step]
    holder["value"] = round(peep_cmh2o, 1)
    return {
        "type": "update",
        "description": f"Change the draft order to PEEP {level(peep_cmh2o)} cmH2O",
        "resource": resource,
    }
