"""Invented records of one patient before, during and after a trial, and the asking of the questions about them."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

from ebbmark.fhir.operations import BY_SLUG
from ebbmark.fhir.problems import Rejected
from ebbmark.fhir.reading.request import NO_SITE, RequestContext, Site
from ebbmark.fhir.writing.validate import validate
from ebbmark.fhir.writing.write import write_bundle_bytes
from ebbmark.use_cases.questions import answer_request
from fhir_builders import LOINC, UCUM, Json, bundle, height, patient

ICD10 = "http://hl7.org/fhir/sid/icd-10"
HL7 = "http://terminology.hl7.org/CodeSystem"
MDC = "urn:iso:std:iso:11073:10101"
UNITS = {
    "peep_set": ("20077-4", "cm[H2O]"),
    "peep": ("76248-4", "cm[H2O]"),
    "expired": ("76007-4", "mL"),
    "volume_set": ("20112-9", "mL"),
    "inspired": ("20109-5", "mL"),
    "plateau": ("76259-1", "cm[H2O]"),
    "peak": ("76531-3", "cm[H2O]"),
    "above": ("76152-8", "cm[H2O]"),
    "rate": ("19834-1", "/min"),
    "support": ("20079-0", "cm[H2O]"),
    "total": ("152788", "cm[H2O]"),
    "breathed": ("19840-8", "/min"),
    "spontaneous": ("19839-0", "/min"),
    "end_tidal": ("19891-1", "mm[Hg]"),
    "intrinsic": ("151808", "cm[H2O]"),
    "fio2": ("19994-3", "%"),
    "spo2": ("59408-5", "%"),
    "map": ("76214-6", "mm[Hg]"),
    "systolic": ("8480-6", "mm[Hg]"),
    "heart_rate": ("8867-4", "/min"),
    "pao2": ("2703-7", "mm[Hg]"),
    "paco2": ("2019-8", "mm[Hg]"),
    "ph": ("2744-1", "[pH]"),
}
VOLUME_ML = 400.0


def stamp(minute: float, *, zone: str = "Z", day: int = 1) -> str:
    """A moment after ten o'clock, as a FHIR instant."""
    seconds = round(minute * 60)
    hour = 10 + seconds // 3600
    return f"2026-03-{day + hour // 24:02d}T{hour % 24:02d}:{seconds % 3600 // 60:02d}:{seconds % 60:02d}{zone}"


def row(when: str, identity: str, *, version: str = "1", **values: float) -> Json:
    """One charted row."""
    return charted(when, identity, values, version=version)


def charted(when: str, identity: str, values: Mapping[str, float], *, version: str = "1") -> Json:
    """One charted row, its values by name."""
    return {
        "resourceType": "Observation",
        "id": identity,
        "meta": {"versionId": version},
        "status": "final",
        "code": {"text": "Charted row"},
        "subject": {"reference": "Patient/p1"},
        "effectiveDateTime": when,
        "component": [
            {
                "code": {"coding": [{"system": LOINC if "-" in UNITS[name][0] else MDC, "code": UNITS[name][0]}]},
                "valueQuantity": {
                    "value": value,
                    "unit": UNITS[name][1],
                    "system": UCUM,
                    "code": UNITS[name][1],
                },
            }
            for name, value in values.items()
        ],
    }


def rows_down(
    down: Sequence[tuple[float, float]],
    *,
    start: float = 0.0,
    rows: int = 2,
    name: str = "step",
    zone: str = "Z",
    day: int = 1,
    **more: float,
) -> list[Json]:
    """A way down: set PEEP every two minutes, and rows 45 and 95 s after it; (PEEP, compliance) per step."""
    found = []
    for place, (peep, compliance) in enumerate(down):
        at = start + 2 * place
        found.append(row(stamp(at, zone=zone, day=day), f"{name}-{place}-set", peep_set=peep))
        for number in range(rows):
            when = stamp(at + (0.75, 1.6)[number], zone=zone, day=day)
            plateau = round(peep + VOLUME_ML / compliance, 1)
            values = {"peep_set": peep, "expired": VOLUME_ML, "plateau": plateau, **more}
            found.append(charted(when, f"{name}-{place}-{number}", values))
    return found


def condition(
    identity: str,
    code: str,
    *,
    system: str = ICD10,
    clinical: str = "active",
    certainty: str = "confirmed",
    subject: str = "Patient/p1",
) -> Json:
    """One Condition."""
    return {
        "resourceType": "Condition",
        "id": identity,
        "meta": {"versionId": "1"},
        "clinicalStatus": {"coding": [{"system": f"{HL7}/condition-clinical", "code": clinical}]},
        "verificationStatus": {"coding": [{"system": f"{HL7}/condition-ver-status", "code": certainty}]},
        "code": {"coding": [{"system": system, "code": code}]},
        "subject": {"reference": subject},
    }


def parameter(name: str, value: object) -> Json:
    """One parameter: a Quantity as (value, unit), an instant or a code as text."""
    if isinstance(value, tuple):
        number, unit = value
        return {"name": name, "valueQuantity": {"value": number, "unit": unit, "system": UCUM, "code": unit}}
    if name in ("as-of", "titrated-at", "trial-started"):
        return {"name": name, "valueInstant": value}
    return {"name": name, "valueCode" if name == "variant" else "valueString": value}


class Said:
    """An answer, opened."""

    def __init__(self, written: bytes, line: str = "") -> None:
        self.bytes = written
        self.line = line
        self.bundle: dict[str, Any] = json.loads(written)
        self.resources: list[dict[str, Any]] = [one["resource"] for one in self.bundle["entry"]]

    def of(self, kind: str) -> list[dict[str, Any]]:
        return [resource for resource in self.resources if resource["resourceType"] == kind]

    def observation(self, code: str) -> dict[str, Any]:
        (found,) = self.observations(code)
        return found

    def observations(self, code: str) -> list[dict[str, Any]]:
        return [one for one in self.of("Observation") if one["code"]["coding"][0]["code"] == code]

    def issue(self, code: str) -> dict[str, Any]:
        (found,) = [one for one in self.of("DetectedIssue") if one["code"]["coding"][0]["code"] == code]
        return found

    @property
    def issues(self) -> set[str]:
        return {one["code"]["coding"][0]["code"] for one in self.of("DetectedIssue")}

    @property
    def notes(self) -> list[str]:
        return [note["text"] for note in self.of("GuidanceResponse")[0]["note"]]

    @property
    def first(self) -> str:
        return self.notes[0]

    @property
    def listed(self) -> dict[str, str]:
        """Reason by FHIRPath of everything that did not count."""
        (outcome,) = self.of("OperationOutcome")
        return {path: one["details"]["text"] for one in outcome["issue"] for path in one.get("expression", [])}

    @property
    def remarks(self) -> str:
        (outcome,) = self.of("OperationOutcome")
        return " ".join(one["details"]["text"] for one in outcome["issue"])


def value_of(thing: dict[str, Any], part: str = "") -> Any:  # noqa: ANN401
    """The value of an Observation or of one of its components; None where it has none."""
    if part:
        (thing,) = [one for one in thing["component"] if one["code"]["coding"][0]["code"] == part]
    if "valueQuantity" in thing:
        return thing["valueQuantity"]["value"]
    if "valueCodeableConcept" in thing:
        return thing["valueCodeableConcept"]["coding"][0]["code"]
    return next((item for name, item in thing.items() if name.startswith("value")), None)


def body_of(resources: Sequence[Json], given: Sequence[Json]) -> bytes:
    everyone = [] if any(resource["resourceType"] == "Patient" for resource in resources) else [patient()]
    tall = [] if any(resource.get("id") == "height" for resource in resources) else [height()]
    whole = bundle(*everyone, *tall, *resources)
    return json.dumps(
        {"resourceType": "Parameters", "parameter": [{"name": "bundle", "resource": whole}, *given]}
    ).encode()


def asked(
    operation: str, resources: Sequence[Json], *given: Json, now: str, site: Site = NO_SITE, sound: bool = True
) -> Said:
    """Ask one question about these resources; the answer is held against the rules of FHIR."""
    at_s = datetime.fromisoformat(now).timestamp()
    answer = answer_request(BY_SLUG[operation], body_of(resources, given), RequestContext(at_s, site=site))
    said = Said(write_bundle_bytes(answer, recorded_s=at_s), answer.short.line)
    if sound:
        assert validate(said.bundle) == ()
    return said


def refused(operation: str, resources: Sequence[Json], *given: Json, now: str, site: Site = NO_SITE) -> Rejected:
    """The refusal of one question."""
    try:
        asked(operation, resources, *given, now=now, site=site, sound=False)
    except Rejected as rejected:
        return rejected
    raise AssertionError("it was answered")


def position(minute: float, words: str) -> Json:
    return {
        "resourceType": "Observation",
        "id": f"position-{words}",
        "meta": {"versionId": "1"},
        "status": "final",
        "code": {"coding": [{"system": LOINC, "code": "8361-8"}]},
        "subject": {"reference": "Patient/p1"},
        "effectiveDateTime": stamp(minute),
        "valueCodeableConcept": {"text": words},
    }
