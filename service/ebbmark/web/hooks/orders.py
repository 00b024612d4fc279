"""Draft orders of PEEP in a call, and the suggestions of a card: record results, draft an order of PEEP to sign.

Orders are read where FHIR R4 has a place for one number; nothing is guessed from text:

* ServiceRequest whose `code` is a code of PEEP: `quantityQuantity`.
* DeviceRequest: each `parameter` whose `code` is a code of PEEP: `valueQuantity`.
* Task: each `input` whose `type` is a code of PEEP: `valueQuantity`.

An order of PEEP whose value is a range, a ratio, a text, has a comparator, or a unit that is no pressure, is known to
be one and not compared. In an order every code of PEEP means the setting. Which shapes are read is our choice: R4 has
no profile for ventilator orders.

The actions of a suggestion are handled as a FHIR transaction whose full URLs are the record's base address with type
and id of each resource ("Action"). So each resource has an id for the length of that transaction, the others name it as
`Type/id`, and the record gives it its own id. Nothing here happens by itself: there are no system actions.

Source: FHIR R4 servicerequest.html, devicerequest.html, task.html, http.html#trules; CDS Hooks 2.0, "Suggestion",
"Action"; CDS Hooks library, order-sign (a Bundle of request resources; their status may be another than draft where an
order is signed again).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

import msgspec

from ebbmark.audit.signature import sign
from ebbmark.fhir.answer import PRESSURE, Answer, quantity
from ebbmark.fhir.model import Codeable, QuantityValue, Reference
from ebbmark.fhir.naming import LOINC, RESULT_SYSTEM, tail_of
from ebbmark.fhir.problems import Problem, ProblemKind, Rejected
from ebbmark.fhir.reading.codes import CODES, CodeRow
from ebbmark.fhir.reading.units import to_canonical
from ebbmark.fhir.times import instant
from ebbmark.fhir.writing.provenance import person_who_enters
from ebbmark.fhir.writing.transaction import as_transaction
from ebbmark.fhir.writing.write import write_bundle, write_bundle_bytes
from ebbmark.keys import SigningKey
from ebbmark.physiology.readings import Quantity
from ebbmark.words.messages import level, say

_PEEPS = frozenset({Quantity.PEEP_SET, Quantity.PEEP_MEASURED})
_OVER = frozenset({"revoked", "completed", "entered-in-error", "cancelled", "rejected", "failed"})
_TABLE = Mapping[tuple[str, str], CodeRow]
PLAUSIBLE_CMH2O = (0.0, 40.0)
"""Outside this an ordered PEEP is a slip or in another unit; our choice."""


@dataclass(frozen=True, slots=True)
class PeepOrder:
    """One draft order of PEEP.

    Attributes:
        peep_cmh2o: ordered; None where the order carries no single number that is read.
        reference: `Type/id`; empty where the draft has no id.
        place: keys and indices that lead to the Quantity within the resource.
        in_cmh2o: whether the number stands in cmH2O, so that another can take its place.
    """

    peep_cmh2o: float | None
    reference: str
    resource: bytes
    place: tuple[str | int, ...] = ()
    in_cmh2o: bool = False


class _Parameter(msgspec.Struct):
    code: Codeable = msgspec.field(default_factory=Codeable)
    type: Codeable = msgspec.field(default_factory=Codeable)
    valueQuantity: QuantityValue | None = None


class _Order(msgspec.Struct):
    resourceType: str
    id: str = ""
    status: str = ""
    subject: Reference = msgspec.field(default_factory=Reference)
    # `for` of a Task.
    for_: Reference = msgspec.field(default_factory=Reference, name="for")
    code: Codeable = msgspec.field(default_factory=Codeable)
    quantityQuantity: QuantityValue | None = None
    parameter: list[_Parameter] = []
    input: list[_Parameter] = []


class _Head(msgspec.Struct):
    resourceType: str = ""


class _Entry(msgspec.Struct):
    resource: msgspec.Raw = msgspec.Raw(b"")


class _Orders(msgspec.Struct, tag_field="resourceType", tag="Bundle"):
    entry: list[_Entry] = []


def peep_orders(bundle: bytes, *, patient: str, selections: tuple[str, ...], table: _TABLE) -> tuple[PeepOrder, ...]:
    """Find the orders of PEEP.

    Args:
        selections: references of those newly selected; where there are any, the others are not looked at.

    Raises:
        Rejected: it is no Bundle, or an order is of another patient.
    """
    try:
        entries = msgspec.json.decode(bundle, type=_Orders).entry
    except (msgspec.DecodeError, RecursionError):
        element, accepted = "context.draftOrders", "a FHIR Bundle of draft orders"
        sentence = f"{element}: found something else; needed is {accepted}."
        problem = Problem(ProblemKind.HOOK_REQUEST, element, "something else", accepted, sentence)
        raise Rejected((problem,)) from None
    found: list[PeepOrder] = []
    for number, entry in enumerate(entries):
        raw = bytes(entry.resource)
        order = _order(raw)
        if order is None or order.status in _OVER:
            continue
        read = list(_read(order, raw, table))
        if not read:
            continue
        subject = order.subject.reference or order.for_.reference
        if subject and tail_of(subject) != patient:
            path = f"context.draftOrders.entry[{number}].resource"
            sentence = say("card.draft-order-peep-another")
            accepted = say("card.orders-patient-context")
            raise Rejected((Problem(ProblemKind.MIXED_PATIENTS, path, "another patient", accepted, sentence),))
        if not selections or f"{order.resourceType}/{order.id}" in selections or order.id in selections:
            found += read
    return tuple(found)


def _order(raw: bytes) -> _Order | None:
    """The order, or None where it is of a type that is not read."""
    try:
        if msgspec.json.decode(raw, type=_Head).resourceType not in ("ServiceRequest", "DeviceRequest", "Task"):
            return None
        return msgspec.json.decode(raw, type=_Order)
    except (msgspec.DecodeError, RecursionError):
        return None


def _read(order: _Order, raw: bytes, table: _TABLE) -> Iterator[PeepOrder]:
    reference = f"{order.resourceType}/{order.id}" if order.id else ""
    places: list[tuple[QuantityValue | None, tuple[str | int, ...]]] = []
    if order.resourceType == "ServiceRequest" and _is_peep(order.code, table):
        places.append((order.quantityQuantity, ("quantityQuantity",)))
    elif order.resourceType == "DeviceRequest":
        places += [
            (one.valueQuantity, ("parameter", number, "valueQuantity"))
            for number, one in enumerate(order.parameter)
            if _is_peep(one.code, table)
        ]
    elif order.resourceType == "Task":
        places += [
            (one.valueQuantity, ("input", number, "valueQuantity"))
            for number, one in enumerate(order.input)
            if _is_peep(one.type, table)
        ]
    for ordered, place in places:
        value = _value(ordered)
        if ordered is None or value is None:
            yield PeepOrder(None, reference, raw)
        else:
            yield PeepOrder(value, reference, raw, place, value == ordered.value)


def _is_peep(concept: Codeable, table: _TABLE) -> bool:
    rows = (table.get((coding.system, coding.code)) for coding in concept.coding)
    return any(row is not None and row.meaning in _PEEPS for row in rows)


def _value(quantity: QuantityValue | None) -> float | None:
    if quantity is None or quantity.value is None or quantity.comparator:
        return None
    unit = Quantity.PEEP_SET.unit
    value = to_canonical(quantity.value, quantity.code, quantity.unit, quantity.system, unit)
    low, high = PLAUSIBLE_CMH2O
    return value if isinstance(value, float) and low <= value <= high else None


Json = dict[str, Any]

NO_MORE: Mapping[str, str] = MappingProxyType({})
_PEEP_SETTING = (LOINC, "20077-4")
_DESCRIBED = {
    "GuidanceResponse": "card.describe-guidance",
    "Device": "card.describe-device",
    "Provenance": "card.describe-provenance",
}


def record_results(
    answer: Answer, *, patient: str, user: str, recorded_s: float, signer: SigningKey | None
) -> list[Json]:
    """The actions that put the results into the record, all of them preliminary.

    Args:
        user: who would take the suggestion, as `Type/id`: the person who enters the results.
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


def _quickly(written: list[_EntryWritten]) -> list[Json] | None:
    """The actions from the answer's own bytes; None where a reference leads where the record cannot follow.

    What `as_transaction` does to every element is needed only where the caller named resources by `urn:`.
    """
    outcome = next(one for one in written if one.kind == "OperationOutcome")
    guidance = next(one for one in written if one.kind == "GuidanceResponse")
    contained = b'"contained":[' + _named(bytes(outcome.resource), "OperationOutcome", "outcome") + b"]}"
    guidance.resource = msgspec.Raw(bytes(guidance.resource)[:-1] + b"," + contained)
    kept = [one for one in written if one is not outcome]
    actions = _actions(kept, {outcome.full_url: "#outcome"})
    return None if any(b'"urn:' in bytes(action["resource"]) for action in actions) else actions


def _actions(written: list[_EntryWritten], further: Mapping[str, str] = NO_MORE) -> list[Json]:
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


class _EntryWritten(msgspec.Struct, rename="camel"):
    full_url: str
    resource: msgspec.Raw

    @property
    def kind(self) -> str:
        return msgspec.json.decode(self.resource, type=_Resource).resource_type


class _Written(msgspec.Struct):
    entry: list[_EntryWritten]


def _create(entry: _EntryWritten, local: Mapping[str, str]) -> Json:
    head = msgspec.json.decode(entry.resource, type=_Resource)
    resource = _named(bytes(entry.resource), head.resource_type, entry.full_url.removeprefix("urn:uuid:"))
    for url, name in local.items():
        resource = resource.replace(f'"{url}"'.encode(), f'"{name}"'.encode())
    return {"type": "create", "description": _described(head), "resource": msgspec.Raw(resource)}


def _described(head: _Resource) -> str:
    if head.resource_type == "DetectedIssue":
        return say("card.record-caution", text=head.code.text)
    known = _DESCRIBED.get(head.resource_type)
    return say(known) if known else say("card.record-preliminary", text=head.code.text)


def draft_order(answer: Answer, *, patient: str, encounter: str, authored_s: float) -> Json:
    """The action that drafts an order of the suggested PEEP, for a person to change, sign or drop.

    Args:
        encounter: `Encounter/id`; empty where not known.
    """
    suggested = answer.titration.advice.suggested_peep_cmh2o
    if suggested is None:
        raise TypeError("an order is drafted only where a PEEP is suggested")
    closing = answer.titration.closing.peep_cmh2o
    system, code = _PEEP_SETTING
    reason = say("card.closing-near-peep", closing=level(closing)) if closing is not None else say("card.trial-name")
    return {
        "type": "create",
        "description": say("card.draft-order", suggested=level(suggested)),
        "resource": {
            "resourceType": "ServiceRequest",
            "identifier": [{"system": RESULT_SYSTEM, "value": f"{answer.identity}:draft-order"}],
            "status": "draft",
            "intent": "proposal",
            "code": {
                "coding": [{"system": system, "code": code, "display": CODES[_PEEP_SETTING].display}],
                "text": say("card.peep-setting-ventilator"),
            },
            "quantityQuantity": quantity(suggested, PRESSURE),
            "subject": {"reference": patient},
            **({"encounter": {"reference": encounter}} if encounter else {}),
            "authoredOn": instant(authored_s),
            "reasonCode": [{"text": reason}],
            "note": [
                {"text": answer.titration.advice.rationale},
                {"text": say("card.proposed-decision-support")},
            ],
        },
    }


def changed_order(order: PeepOrder, peep_cmh2o: float) -> Json | None:
    """The action that puts the suggested PEEP into an order that is there as a draft; None where it cannot be done."""
    if not order.reference or not order.place or not order.in_cmh2o:
        return None
    resource = msgspec.json.decode(order.resource, type=Json)
    holder: Any = resource
    for step in order.place:
        holder = holder[step]
    holder["value"] = round(peep_cmh2o, 1)
    return {
        "type": "update",
        "description": say("card.change-draft-order-peep", peep_cmh2o=level(peep_cmh2o)),
        "resource": resource,
    }
