"""Double each element that may be repeated, up to the limit of the body, and time what reading it costs.

Processor time that grows faster than the body shows work that is not linear. `PYTHONPATH=tests python -m
benchmarks.worst_bodies`; the figures of one machine are compared with each other only.
"""

from __future__ import annotations

import resource
import time
from collections.abc import Callable
from typing import Any

from ebbmark.fhir.operations import OPERATIONS, TITRATE_PEEP
from ebbmark.fhir.problems import Rejected, operation_outcome
from ebbmark.fhir.reading.read import read_request
from ebbmark.fhir.reading.request import DEFAULT_LIMITS, RequestContext
from fhir_builders import at, bundle, height, observation, panel, patient, to_bytes, trial_observations

Json = dict[str, Any]
NOW_S = 1772355600.0 + 86400.0
PEEP = {"system": "http://loinc.org", "code": "20077-4"}


def with_codings(count: int) -> list[Json]:
    return [observation("peep-set", 10.0, when=at(50)) | {"code": {"coding": [PEEP] * count}}]


def with_identifiers(count: int) -> list[Json]:
    many = [{"system": "urn:a", "value": str(number)} for number in range(count)]
    return [observation("peep-set", 10.0, when=at(50), identity=f"i{one}") | {"identifier": many} for one in range(2)]


def panels_with_identifiers(count: int) -> list[Json]:
    many = [{"system": "urn:a", "value": str(number)} for number in range(20)]
    return [
        panel({"peep-set": 10.0, "plateau-pressure": 20.0}, when=at(50), identity=f"i{number}") | {"identifier": many}
        for number in range(min(count // 20, 4900))
    ]


def with_extensions(count: int) -> list[Json]:
    url = "http://hl7.org/fhir/us/core/StructureDefinition/us-core-birthsex"
    return [patient() | {"extension": [{"url": url, "valueCode": "MF"[number % 2]} for number in range(count)]}]


def with_sexes(count: int) -> list[Json]:
    codes = ("248152002", "248153007")
    return [
        {
            "resourceType": "Observation",
            "id": f"s{number}",
            "status": "final",
            "code": {"coding": [{"system": "http://loinc.org", "code": "46098-0"}]},
            "subject": {"reference": "Patient/p1"},
            "effectiveDateTime": at(1),
            "valueCodeableConcept": {"coding": [{"system": "http://snomed.info/sct", "code": codes[number % 2]}]},
        }
        for number in range(min(count, 4900))
    ]


def with_components(count: int) -> list[Json]:
    return [panel({"peep-set": 10.0}, when=at(50)) | {"component": [{"code": {}}] * count}]


def with_contained(count: int) -> list[Json]:
    return [observation("peep-set", 10.0, when=at(50)) | {"contained": [{}] * count}]


def with_conditions(count: int) -> list[Json]:
    one = {"resourceType": "Condition", "id": "c", "subject": {"reference": "Patient/p1"}, "code": {"text": "x"}}
    return [one | {"meta": {"lastUpdated": str(number)}} for number in range(min(count, 4900))]


def with_devices(count: int) -> list[Json]:
    return [
        observation("peep-set", 10.0, when=at(50), identity=f"d{number}")
        | {"device": {"reference": f"Device/{number}"}}
        for number in range(min(count, 4900))
    ]


def with_blank_texts(count: int) -> list[Json]:
    one = observation("http://loinc.org|59408-5", 90.0, when=at(50))
    del one["valueQuantity"]
    return [one | {"valueString": " " * count * 20}]


def of_wrong_kind(count: int) -> list[Any]:
    return [1] * count


CASES: dict[str, Callable[[int], list[Any]]] = {
    "codings of a concept": with_codings,
    "identifiers of two Observations": with_identifiers,
    "panels that share identifiers": panels_with_identifiers,
    "extensions of the Patient": with_extensions,
    "Observations of the sex": with_sexes,
    "components": with_components,
    "contained resources": with_contained,
    "copies of one Condition": with_conditions,
    "devices": with_devices,
    "blanks in a text": with_blank_texts,
    "entries that are no resources": of_wrong_kind,
}


def main() -> None:
    """Print one line per case and size."""
    print(f"{'case':34}{'count':>9}{'kB':>8}{'read [ms]':>11}{'refusal [kB]':>14}{'peak [MB]':>11}")
    for name, build in CASES.items():
        for count in (1_000, 2_000, 4_000, 8_000, 16_000, 32_000):
            resources = build(count)
            kinds = {one["resourceType"] for one in resources if isinstance(one, dict)}
            whole: Json = bundle(*[] if "Patient" in kinds else [patient()], height(), *trial_observations())
            whole["entry"] += [{"resource": one} if isinstance(one, dict) else one for one in resources]
            body = to_bytes(whole)
            if len(body) > DEFAULT_LIMITS.max_bytes:
                break
            for operation in (TITRATE_PEEP, OPERATIONS[2]):
                began, told = time.process_time(), 0
                try:
                    read_request(operation, body, RequestContext(NOW_S))
                except Rejected as rejected:
                    told = len(to_bytes(operation_outcome(rejected.problems, rejected.ignored)))
                spent_ms = (time.process_time() - began) * 1000
                peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
                label = f"{name}{'' if operation is TITRATE_PEEP else ' (next step)'}"
                print(f"{label:34}{count:9}{len(body) / 1000:8.0f}{spent_ms:11.1f}{told / 1000:14.1f}{peak:11.0f}")


if __name__ == "__main__":
    main()
