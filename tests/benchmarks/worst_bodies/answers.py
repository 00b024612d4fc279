"""What whole answers cost: every operation over thousands of settings, times, values, Conditions and Procedures.

Processor time of reading, answering and writing, in one thread, for bodies just under the limits of size and entries.
`PYTHONPATH=tests python -m benchmarks.worst_bodies.answers [operation ...]`; the figures of one machine are compared
with each other only.
"""

from __future__ import annotations

import json
import sys
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from itertools import cycle
from typing import Any

from bedside_builders import UNITS, condition
from ebbmark.fhir.operations import BY_SLUG
from ebbmark.fhir.problems import Rejected
from ebbmark.fhir.reading.request import DEFAULT_LIMITS, RequestContext
from ebbmark.fhir.writing.write import write_bundle_bytes
from ebbmark.use_cases.questions import answer_request
from fhir_builders import LOINC, MDC, height, patient

Json = dict[str, Any]
NOW_S = 1772452800.0
MOST = DEFAULT_LIMITS.max_entries - 10


def when(number: int, every_s: float, before_s: float = 0.0) -> str:
    """The moment so many times before the last one."""
    return datetime.fromtimestamp(NOW_S - 60.0 - before_s - every_s * number, UTC).isoformat()


def _measured(name: str, value: float) -> Json:
    code, unit = UNITS[name]
    system = LOINC if "-" in code else MDC
    return {"code": {"coding": [{"system": system, "code": code}]}, "valueQuantity": {"value": value, "unit": unit}}


def one(number: int, when: str, name: str, value: float) -> Json:
    """One Observation, as short as it can be."""
    head = {"resourceType": "Observation", "id": str(number), "status": "final"}
    return {**head, "subject": {"reference": "Patient/p1"}, "effectiveDateTime": when, **_measured(name, value)}


def rows(number: int, when: str, values: dict[str, float]) -> Json:
    """One charted row."""
    head = {"resourceType": "Observation", "id": str(number), "status": "final", "code": {"text": "row"}}
    parts = [_measured(name, value) for name, value in values.items()]
    return {**head, "subject": {"reference": "Patient/p1"}, "effectiveDateTime": when, "component": parts}


def settings(peeps: list[float], every_s: float) -> list[Json]:
    """Settings of PEEP that follow one another, the same ones again and again."""
    return [one(number, when(number, every_s), "peep_set", peep) for number, peep in zip(range(MOST), cycle(peeps))]


def trials(peeps: list[float], every_s: float, *, before_s: float = 0.0) -> list[Json]:
    """Rows of many short trials, latest first."""
    return [
        rows(number, when(number, every_s, before_s), {"peep_set": peep, "expired": 400.0, "plateau": peep + 10.0})
        for number, peep in zip(range(MOST), cycle(peeps))
    ]


def _beside(odd: list[Json], before_s: float) -> list[Json]:
    """A trial, and whatever else."""
    return trials([10.0, 12.0, 14.0, 16.0, 18.0, 20.0, 22.0, 24.0], 120.0, before_s=before_s)[:40] + odd


def values(name: str, every_s: float, low: float, high: float, *, trial_before_s: float = 0.0) -> list[Json]:
    """A trial, and thousands of values of one kind."""
    odd = [one(number + 50, when(number, every_s), name, (low, high)[number % 2]) for number in range(MOST - 50)]
    return _beside(odd, trial_before_s)


def gases(every_s: float, *, trial_before_s: float = 0.0) -> list[Json]:
    """A trial, and thousands of gases, saturations and changes of FiO2."""
    kinds = ("pao2", "fio2", "spo2")
    levels = {"pao2": (80.0, 90.0), "fio2": (50.0, 60.0), "spo2": (94.0, 95.0)}
    turns = [(kinds[number % 3], number // 3) for number in range(MOST - 50)]
    odd = [one(place + 50, when(n, every_s), kind, levels[kind][n % 2]) for place, (kind, n) in enumerate(turns)]
    return _beside(odd, trial_before_s)


def everything(every_s: float) -> list[Json]:
    """Rows of all that is understood."""
    middle = dict.fromkeys(UNITS, 40.0) | {"fio2": 60.0, "ph": 7.4, "expired": 400.0, "inspired": 400.0}
    middle |= {"volume_set": 400.0, "peep": 10.0, "total": 10.0, "intrinsic": 0.5, "plateau": 22.0, "peak": 25.0}
    middle |= {"rate": 20.0, "breathed": 20.0, "spontaneous": 0.0, "support": 5.0, "above": 12.0, "spo2": 94.0}
    peeps = cycle([10.0, 12.0, 14.0, 16.0, 18.0, 20.0])
    return [rows(number, when(number, every_s), middle | {"peep_set": next(peeps)}) for number in range(MOST)]


def conditions(*codes: str) -> list[Json]:
    """A trial, and thousands of Conditions."""
    return _beside([condition(f"c{number}", code) for number, code in zip(range(MOST - 50), cycle(codes))], 0.0)


def procedures() -> list[Json]:
    """A trial, and thousands of Procedures."""
    found: list[Json] = [
        {"resourceType": "Procedure", "id": f"c{number}", "status": "completed", "code": {"text": f"x {number}"}}
        | {"subject": {"reference": "Patient/p1"}, "performedDateTime": when(number, 60.0)}
        for number in range(MOST - 50)
    ]
    return _beside(found, 0.0)


def charted(code: str, text: str, *, coded: str = "") -> list[Json]:
    """A trial, and thousands of charted positions, modes or rhythms."""
    found = [
        {"resourceType": "Observation", "id": f"p{number}", "status": "final", "subject": {"reference": "Patient/p1"}}
        | {"code": {"coding": [{"system": LOINC, "code": code}]}, "effectiveDateTime": when(number, 7.0)}
        | {"valueCodeableConcept": {"text": f"{text} {number % 2}"} | ({"coding": [{"code": coded}]} if coded else {})}
        for number in range(MOST - 50)
    ]
    return _beside(found, 0.0)


def infusions() -> list[Json]:
    """A trial, and thousands of running infusions."""
    found = [
        {"resourceType": "MedicationAdministration", "id": f"m{number}", "status": "in-progress"}
        | {"medicationCodeableConcept": {"coding": [{"system": "http://www.whocc.no/atc", "code": "C01CA03"}]}}
        | {"subject": {"reference": "Patient/p1"}, "effectivePeriod": {"start": when(number, 7.0)}}
        | {"dosage": {"rateQuantity": {"value": 0.1, "code": "ug/kg/min", "system": "http://unitsofmeasure.org"}}}
        for number in range(MOST - 50)
    ]
    return _beside(found, 0.0)


UP = [10.0, 12.0, 14.0, 16.0, 18.0, 20.0]
CASES: dict[str, Callable[[], list[Json]]] = {
    "two settings in turn, 1 s": lambda: settings([10.0, 12.0], 1.0),
    "two settings in turn, 2 min": lambda: settings([10.0, 12.0], 120.0),
    "ways down without volumes": lambda: settings(UP, 60.0),
    "ways down without volumes, 1 s": lambda: settings(UP, 1.0),
    "odd settings": lambda: settings([round(5.0 + 0.004 * number, 3) for number in range(4_990)], 30.0),
    "short ways down, 30 s": lambda: trials(UP, 30.0),
    "short ways down, 1 s": lambda: trials(UP, 1.0),
    "long ways down, 2 min": lambda: trials([4.0 + number for number in range(21)], 120.0),
    "one endless way down": lambda: trials([round(4.0 + 0.02 * number, 2) for number in range(2_500)], 20.0),
    "rows in one second": lambda: trials(UP, 0.0),
    "rows of one setting": lambda: trials([10.0], 10.0),
    "rows of everything": lambda: everything(60.0),
    "rows of everything, 1 s": lambda: everything(1.0),
    "SpO2 at many times": lambda: values("spo2", 7.0, 85.0, 96.0),
    "SpO2 at one time": lambda: values("spo2", 0.0, 85.0, 96.0),
    "pressures at many times": lambda: values("map", 7.0, 50.0, 80.0),
    "pressures at one time": lambda: values("map", 0.0, 50.0, 80.0),
    "pressures in days": lambda: values("map", 60.0, 50.0, 80.0),
    "FiO2 in turn": lambda: values("fio2", 7.0, 40.0, 60.0),
    "PaO2 in turn": lambda: values("pao2", 7.0, 60.0, 90.0),
    "PaO2 and FiO2 in turn": lambda: gases(7.0),
    "PaO2 and FiO2 of a second": lambda: gases(1.0),
    "gases since the trial": lambda: gases(7.0, trial_before_s=40_000.0),
    "gases since the trial, 1 s": lambda: gases(1.0, trial_before_s=40_000.0),
    "pressures since the trial": lambda: values("map", 7.0, 50.0, 80.0, trial_before_s=40_000.0),
    "SpO2 since the trial": lambda: values("spo2", 7.0, 85.0, 96.0, trial_before_s=40_000.0),
    "volumes since the trial": lambda: values("expired", 7.0, 300.0, 500.0, trial_before_s=40_000.0),
    "settings since the trial": lambda: values("peep_set", 7.0, 10.0, 14.0, trial_before_s=40_000.0),
    "measured PEEP in turn": lambda: values("peep", 7.0, 5.0, 12.0),
    "plateaus in turn": lambda: values("plateau", 7.0, 22.0, 34.0),
    "volumes in turn": lambda: values("expired", 7.0, 300.0, 500.0),
    "set volumes in turn": lambda: values("volume_set", 7.0, 300.0, 500.0),
    "impossible values": lambda: values("map", 7.0, 999.0, 998.0),
    "Conditions of many codes": lambda: conditions(*[f"J{number:02d}.{number % 9}" for number in range(90)]),
    "Conditions that speak against": lambda: conditions("J93.9", "G93.2", "J93.0", "J98.2"),
    "Procedures": procedures,
    "positions": lambda: charted("8361-8", "prone"),
    "modes": lambda: charted("20124-4", "mode"),
    "rhythms": lambda: charted("8884-9", "rhythm", coded="x"),
    "infusions": infusions,
}


def body_of(resources: list[Json]) -> bytes:
    """As many of the resources as the limits allow, compact."""
    listed = [{"resource": patient()}, {"resource": height()}, *({"resource": resource} for resource in resources)]
    while True:
        whole = {"resourceType": "Bundle", "type": "collection", "entry": listed}
        body = json.dumps(whole, separators=(",", ":")).encode()
        if len(body) <= DEFAULT_LIMITS.max_bytes:
            return body
        listed = listed[: len(listed) * DEFAULT_LIMITS.max_bytes // len(body) - 1]


def spent(slug: str, body: bytes) -> tuple[float, str]:
    """Processor time [s] of a whole answer, and what came of it."""
    began = time.process_time()
    try:
        answer = answer_request(BY_SLUG[slug], body, RequestContext(NOW_S))
        told = f"{len(write_bundle_bytes(answer, recorded_s=NOW_S)) / 1000:.0f} kB"
    except Rejected as rejected:
        told = f"refused: {rejected.problems[0].kind.name}"
    except Exception as fault:
        told = f"FAULT: {type(fault).__name__}"
    return time.process_time() - began, told


def measured(slugs: list[str]) -> Iterator[tuple[float, str, str, int, str]]:
    """Every operation over every case."""
    for name, build in CASES.items():
        body = body_of(build())
        for slug in slugs:
            took_s, told = spent(slug, body)
            yield took_s, slug, name, len(body), told


def main() -> None:
    """Print one line per case and operation, then the worst of each operation."""
    worst: dict[str, tuple[float, str]] = {}
    for took_s, slug, name, size, told in measured(sys.argv[1:] or list(BY_SLUG)):
        print(f"{name:32}{slug:18}{size / 1000:7.0f} kB{took_s * 1000:9.0f} ms  {told}", flush=True)
        worst[slug] = max(worst.get(slug, (0.0, "")), (took_s, name))
    for slug, (took_s, name) in worst.items():
        print(f"worst of {slug:18}{took_s * 1000:9.0f} ms  {name}")


if __name__ == "__main__":
    main()
