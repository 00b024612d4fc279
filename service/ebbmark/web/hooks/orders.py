"""Draft orders of PEEP, read where FHIR has a place for one number; nothing is guessed from text.

Read are, in FHIR R4:

* ServiceRequest whose `code` is a code of PEEP: `quantityQuantity`.
* DeviceRequest: each `parameter` whose `code` is a code of PEEP: `valueQuantity`.
* Task: each `input` whose `type` is a code of PEEP: `valueQuantity`.

An order of PEEP whose value is a range, a ratio, a text, has a comparator, or a unit that is no pressure, is known to
be one and not compared. In an order every code of PEEP means the setting. Which shapes are read is our choice: R4 has
no profile for ventilator orders.

Source: FHIR R4 servicerequest.html, devicerequest.html, task.html; CDS Hooks library, order-sign (a Bundle of request
resources; their status may be another than draft where an order is signed again).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import msgspec

from ebbmark.fhir.model import Codeable, QuantityValue, Reference
from ebbmark.fhir.naming import tail_of
from ebbmark.fhir.problems import Problem, ProblemKind, Rejected
from ebbmark.fhir.reading.codes import CodeRow
from ebbmark.fhir.reading.units import to_canonical
from ebbmark.physiology.readings import Quantity
from ebbmark.web.hooks.call import refusal

__all__ = ["PeepOrder", "peep_orders"]

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
        resource: as it came.
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
        bundle: draft orders as they came.
        patient: `Patient/id` of the context.
        selections: references of those newly selected; where there are any, the others are not looked at.
        table: the codes that are understood, a site's own among them.

    Raises:
        Rejected: it is no Bundle, or an order is of another patient.
    """
    try:
        entries = msgspec.json.decode(bundle, type=_Orders).entry
    except (msgspec.DecodeError, RecursionError):
        raise Rejected((refusal("context.draftOrders", "something else", "a FHIR Bundle of draft orders"),)) from None
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
            sentence = "A draft order of PEEP is of another patient than context.patientId names."
            accepted = "orders of the patient of the context"
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
    for quantity, place in places:
        value = _value(quantity)
        if quantity is None or value is None:
            yield PeepOrder(None, reference, raw)
        else:
            yield PeepOrder(value, reference, raw, place, value == quantity.value)


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
