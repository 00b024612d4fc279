"""Requests of a stated size: an invented trial with one value per Observation, or as panels."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from typing import Any

Json = dict[str, Any]

AT_S = datetime(2026, 3, 10, 12, 0, tzinfo=UTC).timestamp()
"""The present of every request, after its last reading."""

START = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)
UCUM = "http://unitsofmeasure.org"
VOLUMES_ML = (380, 384, 377, 381, 379)
CODES = {
    "20077-4": ("Positive end expiratory pressure setting Ventilator", "cm[H2O]"),
    "76007-4": ("Tidal volume expired Respiratory system airway --on ventilator", "mL"),
    "76259-1": ("Pressure.plateau Respiratory system airway --on ventilator", "cm[H2O]"),
    "76531-3": ("Pressure.max Respiratory system airway --on ventilator", "cm[H2O]"),
    "20112-9": ("Tidal volume setting Ventilator", "mL"),
    "19834-1": ("Breath rate setting Ventilator", "/min"),
}


def single_values(count: int, *, steps: int = 10) -> bytes:
    """About `count` Observations of one value each: PEEP, expired volume, plateau and peak pressure by turns.

    Args:
        count: Observations of the trial; Patient and height come beside them.
        steps: steps of the limb.
    """
    rows = _rows(count // 4, steps)
    observations = [
        _observation(f"{number}-{code}", at, code=_coded(code), valueQuantity=_quantity(code, value))
        for number, (at, values) in enumerate(rows)
        for code, value in list(values.items())[:4]
    ]
    return _request(observations)


def panels(count: int, *, steps: int = 10) -> bytes:
    """`count` Observations of six components each."""
    observations = [
        _observation(
            str(number),
            at,
            code={"text": "Ventilator row"},
            component=[{"code": _coded(code), "valueQuantity": _quantity(code, value)} for code, value in row.items()],
        )
        for number, (at, row) in enumerate(_rows(count, steps))
    ]
    return _request(observations)


def _rows(count: int, steps: int) -> list[tuple[datetime, dict[str, float]]]:
    """Charted rows spread over the steps; compliance rises from the top, then falls for good near the end."""
    rows = []
    for number in range(count):
        step = number * steps // count
        within = number - -(-step * count // steps)
        peep, volume = 2.0 * (steps - step) + 4, VOLUMES_ML[number % len(VOLUMES_ML)]
        fall = max(0.0, step - 0.65 * steps)
        compliance = 40.0 + min(step, 0.65 * steps) - 4.0 * fall
        plateau = round(peep + volume / compliance, 1)
        at = START + timedelta(minutes=5) * step + timedelta(seconds=20 + 8 * within)
        values = (peep, volume, plateau, round(plateau + 6.2, 1), 380, 22)
        rows.append((at, dict(zip(CODES, values, strict=True))))
    return rows


def _request(observations: list[Json]) -> bytes:
    patient = {"resourceType": "Patient", "id": "p1", "gender": "female", "birthDate": "1960-05-17"}
    height = _observation("height", START - timedelta(hours=9))
    height["code"] = {"coding": [{"system": "http://loinc.org", "code": "8302-2", "display": "Body height"}]}
    height["valueQuantity"] = {"value": 168, "unit": "cm", "system": UCUM, "code": "cm"}
    entries = [
        {"fullUrl": f"https://record.example/fhir/{one['resourceType']}/{one['id']}", "resource": one}
        for one in (patient, height, *observations)
    ]
    bundle = {"resourceType": "Bundle", "type": "collection", "entry": entries}
    return json.dumps(bundle, separators=(",", ":")).encode()


def _observation(identity: str, at: datetime, **more: object) -> Json:
    return {
        "resourceType": "Observation",
        "id": identity,
        "meta": {"versionId": "1", "lastUpdated": at.strftime("%Y-%m-%dT%H:%M:%SZ")},
        "status": "final",
        "subject": {"reference": "Patient/p1"},
        "effectiveDateTime": at.strftime("%Y-%m-%dT%H:%M:%SZ"),
        **more,
    }


def _coded(code: str) -> Json:
    return {"coding": [{"system": "http://loinc.org", "code": code, "display": CODES[code][0]}]}


def _quantity(code: str, value: float) -> Json:
    return {"value": value, "unit": CODES[code][1], "system": UCUM, "code": CODES[code][1]}
