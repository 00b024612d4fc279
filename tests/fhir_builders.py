"""Small FHIR R4 resources for tests, by their trade names; every patient is invented."""

from __future__ import annotations

import json
from collections.abc import Sequence

Json = dict[str, object]

LOINC = "http://loinc.org"
MDC = "urn:iso:std:iso:11073:10101"
UCUM = "http://unitsofmeasure.org"


CODES = {
    "peep-set": (LOINC, "20077-4", "cm[H2O]"),
    "peep-measured": (LOINC, "76248-4", "cm[H2O]"),
    "peep-total": (MDC, "152788", "cm[H2O]"),
    "plateau-pressure": (LOINC, "76259-1", "cm[H2O]"),
    "peak-pressure": (LOINC, "76531-3", "cm[H2O]"),
    "tidal-volume-set": (LOINC, "20112-9", "mL"),
    "tidal-volume-expired": (LOINC, "76007-4", "mL"),
    "respiratory-rate": (LOINC, "19840-8", "/min"),
    "fio2-set": (LOINC, "19994-3", "%"),
    "compliance-static": (LOINC, "60828-1", "mL/cm[H2O]"),
    "spo2": (LOINC, "59408-5", "%"),
    "mean-arterial-pressure": (LOINC, "8478-0", "mm[Hg]"),
    "heart-rate": (LOINC, "8867-4", "/min"),
    "height": (LOINC, "8302-2", "cm"),
}
"""What builders may be asked for by name: system, code, unit."""


def at(minute: int, second: int = 0) -> str:
    """A moment after the start of the trial, as a FHIR instant."""
    return f"2026-03-01T{10 + minute // 60:02d}:{minute % 60:02d}:{second:02d}+01:00"


def quantity(value: float, unit: str = "cm[H2O]") -> Json:
    """A Quantity as R4 wants it: unit, system and code."""
    return {"value": value, "unit": unit, "system": UCUM, "code": unit}


def patient(identity: str = "p1", gender: str | None = "female", born: str | None = "1960-05-17") -> Json:
    """An adult Patient."""
    built: Json = {"resourceType": "Patient", "id": identity}
    if gender is not None:
        built["gender"] = gender
    if born is not None:
        built["birthDate"] = born
    return built


def observation(
    name: str,
    value: float | None,
    *,
    when: str | None = None,
    identity: str | None = None,
    version: str | None = None,
    status: str = "final",
    subject: str | None = "Patient/p1",
    unit: str | None = None,
    **more: object,
) -> Json:
    """One value in one Observation; `name` is a row of CODES or `system|code`.

    Further elements go in as they are: `dataAbsentReason={...}`, `device={...}`; None takes an element out.
    """
    system, code, usual = CODES.get(name) or (*name.rsplit("|", 1), "cm[H2O]")
    built: Json = {"resourceType": "Observation"}
    if identity is not None:
        built["id"] = identity
    if version is not None:
        built["meta"] = {"versionId": version}
    built["status"] = status
    built["code"] = {"coding": [{"system": system, "code": code}]}
    if subject is not None:
        built["subject"] = {"reference": subject}
    if name != "height" or when is not None:
        built["effectiveDateTime"] = when or at(0)
    if value is not None:
        built["valueQuantity"] = quantity(value, unit or usual)
    built.update(more)
    return {name: item for name, item in built.items() if item is not None}


def height(value: float = 168.0, unit: str = "cm", **more: object) -> Json:
    """A body height Observation."""
    return {**observation("height", value, unit=unit, identity="height"), **more}


def charted_sex(letter: str, *, code: str = "76689-9", identity: str = "sex", version: str = "1") -> Json:
    """A sex as an Observation, F or M, at birth unless another LOINC code is given."""
    system = "http://terminology.hl7.org/CodeSystem/v3-AdministrativeGender"
    built = observation(f"{LOINC}|{code}", None, when="2020-05-01", identity=identity, version=version)
    return {**built, "valueCodeableConcept": {"coding": [{"system": system, "code": letter}]}}


def component(name: str, value: float, unit: str | None = None) -> Json:
    """One component of a panel."""
    system, code, usual = CODES.get(name) or (*name.rsplit("|", 1), "cm[H2O]")
    return {
        "code": {"coding": [{"system": system, "code": code}]},
        "valueQuantity": quantity(value, unit or usual),
    }


def panel(values: dict[str, float], *, when: str, identity: str | None = None, **more: object) -> Json:
    """One Observation with several components that share its time."""
    built = observation("urn:example:panels|step", None, when=when, identity=identity)
    return {**built, "component": [component(name, value) for name, value in values.items()], **more}


def entry(resource: Json) -> Json:
    """A Bundle entry with a fullUrl where the resource has an id."""
    if "id" in resource:
        return {
            "fullUrl": f"https://record.example/fhir/{resource['resourceType']}/{resource['id']}",
            "resource": resource,
        }
    return {"resource": resource}


def bundle(*resources: Json, kind: str = "collection") -> Json:
    """A Bundle of these resources."""
    return {"resourceType": "Bundle", "type": kind, "entry": [entry(resource) for resource in resources]}


def parameters(**named: object) -> Json:
    """Parameters: `as_of` becomes `as-of`; resources, booleans, quantities and texts go where they belong."""
    listed = [
        {"name": name.replace("_", "-"), **_parameter_value(name, one)}
        for name, given in named.items()
        for one in (given if isinstance(given, list) else [given])
    ]
    return {"resourceType": "Parameters", "parameter": listed}


def _parameter_value(name: str, given: object) -> Json:
    if isinstance(given, dict):
        return {"resource": given} if "resourceType" in given else {"valueQuantity": given}
    if isinstance(given, bool):
        return {"valueBoolean": given}
    return {"valueInstant": given} if name == "as_of" else {"valueCode": given}


def trial_observations(
    peeps: Sequence[float] = (24.0, 22.0, 20.0, 18.0, 16.0, 14.0, 12.0, 10.0),
    compliances: Sequence[float] = (38.0, 41.0, 44.0, 46.0, 46.5, 44.0, 40.0, 35.0),
    tidal_volume_ml: float = 380.0,
    minutes_per_step: int = 3,
) -> list[Json]:
    """Single-value Observations of a decremental trial: PEEP set, plateau and expired volume for each step."""
    built: list[Json] = []
    for step, (peep, compliance) in enumerate(zip(peeps, compliances, strict=True)):
        when = at(step * minutes_per_step + minutes_per_step - 1)
        plateau = round(peep + tidal_volume_ml / compliance, 1)
        for name, value in (
            ("peep-set", peep),
            ("plateau-pressure", plateau),
            ("tidal-volume-expired", tidal_volume_ml),
        ):
            built.append(observation(name, value, when=when, identity=f"{name}-{step}", version="1"))
    return built


def trial_panels(
    peeps: Sequence[float] = (24.0, 22.0, 20.0, 18.0, 16.0, 14.0, 12.0, 10.0),
    compliances: Sequence[float] = (38.0, 41.0, 44.0, 46.0, 46.5, 44.0, 40.0, 35.0),
    tidal_volume_ml: float = 380.0,
    minutes_per_step: int = 3,
) -> list[Json]:
    """The same trial as one panel per step."""
    return [
        panel(
            {
                "peep-set": peep,
                "plateau-pressure": round(peep + tidal_volume_ml / compliance, 1),
                "tidal-volume-expired": tidal_volume_ml,
            },
            when=at(step * minutes_per_step + minutes_per_step - 1),
            identity=f"step-{step}",
        )
        for step, (peep, compliance) in enumerate(zip(peeps, compliances, strict=True))
    ]


def trial_bundle(*more: Json, kind: str = "collection") -> Json:
    """Patient, height and a whole trial, with anything more at the end."""
    return bundle(patient(), height(), *trial_observations(), *more, kind=kind)


def to_bytes(resource: object) -> bytes:
    """The JSON body of a request."""
    return json.dumps(resource, ensure_ascii=False).encode()
