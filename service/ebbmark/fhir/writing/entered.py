"""Readings that a person entered by hand or a device sent, as Observations that are created once.

Each is created under a condition (FHIR R4 http.html#ccreate): sending it again doubles nothing. By hand the identifier
follows from patient, time, quantity, value and person, and the Observation says who entered it and how; from a device
it follows from patient, device, place in the device, code, time, value, unit and status. Codes: LOINC, those that the
reader takes; units: UCUM. A heart rhythm is one that the site signed to stop at, with the site's code, or in words
only.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from hashlib import sha256
from typing import Final

from ebbmark.fhir.naming import BASE, LOINC
from ebbmark.fhir.reading.codes import CODES, RANGES
from ebbmark.fhir.times import instant
from ebbmark.physiology.readings import Quantity
from ebbmark.physiology.stop.limits import RhythmCode
from ebbmark.words.messages import section

Json = dict[str, object]

_say = section("entered")

_ENTERED_SYSTEM: Final = f"{BASE}/sid/entered"
"""System of the identifier of a reading that was entered by hand."""

_UCUM: Final = "http://unitsofmeasure.org"
_RHYTHM: Final = ("8884-9", "Heart rate rhythm", "Heart rhythm")


@dataclass(frozen=True, slots=True)
class EnteredQuantity:
    """One quantity that can be entered; `scale` of its unit (`ucum`, if not the reader's) make one of the reader's."""

    quantity: Quantity
    label: str
    unit: str
    code: str
    scale: float = 1.0
    ucum: str = ""

    @property
    def name(self) -> str:
        """Of the field of a form."""
        return self.quantity.slug

    @property
    def low(self) -> float:
        """Lowest value that the reader uses."""
        return self.scale * RANGES[self.quantity][0]

    @property
    def high(self) -> float:
        """Highest value that the reader uses."""
        return self.scale * RANGES[self.quantity][1]


ENTERED: Final = (
    EnteredQuantity(Quantity.PEEP_SET, "PEEP", "cmH2O", "20077-4"),
    EnteredQuantity(Quantity.PLATEAU_PRESSURE, "Plateau", "cmH2O", "76259-1"),
    EnteredQuantity(Quantity.PEAK_PRESSURE, "Peak", "cmH2O", "76531-3"),
    EnteredQuantity(Quantity.TIDAL_VOLUME_EXPIRED, "VT expired", "mL", "76007-4"),
    EnteredQuantity(Quantity.SPO2, "SpO2", "%", "59408-5"),
    EnteredQuantity(Quantity.MEAN_ARTERIAL_PRESSURE, "MAP", "mmHg", "8478-0"),
    EnteredQuantity(Quantity.HEART_RATE, "Heart rate", "/min", "8867-4"),
    EnteredQuantity(Quantity.FIO2_SET, "FiO2", "%", "19994-3", scale=100.0, ucum="%"),
)
"""What a trial needs, in the order in which it is read at the bedside; the first is the setting."""


@dataclass(frozen=True, slots=True)
class EnteredRow:
    """What was read at one moment [s since 1970-01-01T00:00:00Z]: each quantity with its value, and the rhythm."""

    at_s: float
    values: tuple[tuple[EnteredQuantity, float], ...]
    rhythm: RhythmCode | None = None


def entered_observations(rows: Sequence[EnteredRow], subject: str, performer: Mapping[str, str]) -> tuple[Json, ...]:
    """One Observation for each value and rhythm, with a FHIR Reference to who entered it; empty for nobody."""
    found: list[Json] = []
    for row in rows:
        for what, value in row.values:
            coded: Json = {"unit": what.unit, "system": _UCUM, "code": what.ucum or what.quantity.unit}
            display = CODES[LOINC, what.code].display
            shown: Json = {"valueQuantity": {"value": value, **coded}}
            found.append(
                _observation(row.at_s, (what.code, display, what.label), f"{value:g}", shown, subject, performer)
            )
        if row.rhythm is not None:
            one = row.rhythm
            named = {"display": one.display} if one.display else {}
            coding = {"coding": [{"system": one.system, "code": one.code, **named}]} if one.code else {}
            shown = {"valueCodeableConcept": {**coding, "text": one.display or one.code}}
            value_key = f"{one.system}#{one.code}"
            found.append(_observation(row.at_s, _RHYTHM, value_key, shown, subject, performer))
    return tuple(found)


def _observation(
    at_s: float, code: tuple[str, str, str], told: str, shown: Json, subject: str, performer: Mapping[str, str]
) -> Json:
    by = performer.get("reference") or performer.get("display", "")
    named = "|".join((subject, instant(at_s), code[0], told, by))
    return {
        "resourceType": "Observation",
        "identifier": [{"system": _ENTERED_SYSTEM, "value": sha256(named.encode()).hexdigest()}],
        "status": "final",
        "code": {"coding": [{"system": LOINC, "code": code[0], "display": code[1]}], "text": code[2]},
        "subject": {"reference": subject},
        "effectiveDateTime": instant(at_s),
        **({"performer": [dict(performer)]} if performer else {}),
        **shown,
        "method": {"text": _say("by-hand")},
        "note": [
            {"text": _say("not-sent-device", method=_say("by-hand"), ending=_say("performer") if performer else "")}
        ],
    }


def entered_transaction(observations: Sequence[Json]) -> Json:
    """The transaction that creates each Observation once, by its first identifier."""
    return {
        "resourceType": "Bundle",
        "type": "transaction",
        "entry": [_entry(observation) for observation in observations],
    }


def _entry(observation: Json) -> Json:
    identifier = observation["identifier"]
    assert isinstance(identifier, list)  # noqa: S101 - made above
    system, value = identifier[0]["system"], identifier[0]["value"]
    digits = f"{value[:8]}-{value[8:12]}-4{value[13:16]}-8{value[17:20]}-{value[20:32]}"
    return {
        "fullUrl": f"urn:uuid:{digits}",
        "resource": observation,
        "request": {"method": "POST", "url": "Observation", "ifNoneExist": f"identifier={system}|{value}"},
    }


_DEVICE_READING_SYSTEM: Final = f"{BASE}/sid/device-reading"
"""System of the identifier of a reading that a device sent."""


@dataclass(frozen=True, slots=True)
class DeviceReading:
    """One number of a device: `unit` is a FHIR Quantity without value, `place` where in the device (OBX-4)."""

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
    """One Observation."""
    status, value = "final" if reading.final else "preliminary", format(reading.value.normalize(), "f")
    named = (
        *(subject, reading.device.get("system", ""), reading.device["value"], reading.place, reading.sent_as),
        *(reading.coding.get("system", ""), reading.coding["code"], instant(reading.at_s)),
        *(value, reading.unit.get("code", ""), reading.unit["unit"], status),
    )
    where = _say("device", place=reading.place) if reading.place else ""
    how = _say("method", method=reading.method) if reading.method else ""
    return {
        "resourceType": "Observation",
        "identifier": [{"system": _DEVICE_READING_SYSTEM, "value": sha256("|".join(named).encode()).hexdigest()}],
        "status": status,
        "code": {"coding": [dict(reading.coding)], "text": reading.sent_as},
        "subject": {"reference": subject},
        "effectiveDateTime": instant(reading.at_s),
        "valueQuantity": {"value": reading.value, **reading.unit},
        "device": {"identifier": dict(reading.device)},
        "note": [{"text": _say("sent-device-hl7", where=where, how=how)}],
    }
