"""What do all our Observations share? Each is preliminary, names whom it is about and what computed it."""

from __future__ import annotations

import msgspec

from ebbmark.fhir.writing.frame import Frame, Reference
from ebbmark.fhir.writing.quantities import Unit, quantity
from ebbmark.fhir.writing.terms import ABSENT_BECAUSE, CATEGORY_PROCEDURE

__all__ = ["Result", "blank", "set_value"]


class Result(
    msgspec.Struct, kw_only=True, omit_defaults=True, rename="camel", tag_field="resourceType", tag="Observation"
):
    """FHIR R4 Observation, as far as results use it; written in this order."""

    identifier: list[dict[str, str]]
    status: str
    category: msgspec.Raw
    code: msgspec.Raw
    subject: Reference
    encounter: Reference | None = None
    effective_date_time: str | None = None
    effective_period: dict[str, str] | None = None
    value_quantity: msgspec.Raw | None = None
    data_absent_reason: msgspec.Raw | None = None
    note: list[dict[str, str]] | None = None
    method: dict[str, str] | None = None
    device: Reference
    has_member: list[Reference] | None = None
    derived_from: list[Reference] | None = None
    component: list[msgspec.Raw] | None = None


def blank(frame: Frame, kind: str, code: msgspec.Raw, category: msgspec.Raw = CATEGORY_PROCEDURE) -> Result:
    """A preliminary Observation of this kind, without value and time."""
    return Result(
        identifier=[frame.identifier(kind)],
        status="preliminary",
        category=category,
        code=code,
        subject=frame.subject,
        device=frame.device,
        encounter=frame.encounter,
    )


def set_value(result: Result, value: float, unit: Unit) -> None:
    """Give the Observation its value, or the reason for having none where the number is not finite."""
    result.value_quantity = quantity(value, unit)
    if result.value_quantity is None:
        result.data_absent_reason = ABSENT_BECAUSE["not-a-number"]
