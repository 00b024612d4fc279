"""Readings that a device sent, as Observations that are created once.

The identifier follows from patient, device, place in the device, code, time, value, unit and status: sending the same
reading again, in whatever message, doubles nothing (conditional create, FHIR R4 http.html#ccreate).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from hashlib import sha256
from typing import Final

from ebbmark.fhir.naming import BASE
from ebbmark.fhir.times import instant

__all__ = ["DEVICE_READING_SYSTEM", "DeviceReading", "device_observation"]

DEVICE_READING_SYSTEM: Final = f"{BASE}/sid/device-reading"
"""System of the identifier of a reading that a device sent."""


@dataclass(frozen=True, slots=True)
class DeviceReading:
    """One number of a device.

    Attributes:
        coding: FHIR Coding.
        sent_as: code as the device sent it, for people.
        value: as sent.
        unit: FHIR Quantity without its value.
        at_s: when it held [s since 1970-01-01T00:00:00Z].
        final: whether the status is final; else preliminary.
        device: FHIR Identifier of the device.
        place: where in the device (OBX-4).
        method: how it came about (OBX-17); empty where it was not said.
    """

    coding: Mapping[str, str]
    sent_as: str
    value: Decimal
    unit: Mapping[str, str]
    at_s: float
    final: bool
    device: Mapping[str, str]
    place: str
    method: str


def device_observation(reading: DeviceReading, subject: str) -> dict[str, object]:
    """One Observation.

    Args:
        reading: what the device sent.
        subject: `Patient/1`.
    """
    status, value = "final" if reading.final else "preliminary", format(reading.value.normalize(), "f")
    named = (
        *(subject, reading.device.get("system", ""), reading.device["value"], reading.place, reading.sent_as),
        *(reading.coding.get("system", ""), reading.coding["code"], instant(reading.at_s)),
        *(value, reading.unit.get("code", ""), reading.unit["unit"], status),
    )
    where = f", at {reading.place} in the device" if reading.place else ""
    how = f"; method {reading.method}" if reading.method else ""
    return {
        "resourceType": "Observation",
        "identifier": [{"system": DEVICE_READING_SYSTEM, "value": sha256("|".join(named).encode()).hexdigest()}],
        "status": status,
        "code": {"coding": [dict(reading.coding)], "text": reading.sent_as},
        "subject": {"reference": subject},
        "effectiveDateTime": instant(reading.at_s),
        "valueQuantity": {"value": reading.value, **reading.unit},
        "device": {"identifier": dict(reading.device)},
        "note": [{"text": f"Sent by a device as HL7 v2{where}{how}."}],
    }
