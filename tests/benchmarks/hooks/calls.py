"""The calls: an ordinary patient, a trial of stated size that just ended, and an order beside it."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any

from benchmarks.speed.asking import caller
from benchmarks.speed.bodies import single_values
from ebbmark.settings import Settings
from ebbmark.web.app import create_app

Json = dict[str, Any]

PATH = "/cds-services/peep-trial"
LAST_READING_S = 1200.0
"""How long ago the trial's last reading was: it is over, and still news [s]."""


@dataclass(frozen=True, slots=True)
class Case:
    """One call.

    Attributes:
        name: for the table.
        body: as sent.
        path: of the service.
    """

    name: str
    body: bytes
    path: str = PATH

    def asked(self) -> Callable[[], bytes]:
        """A function that makes this call in process, on a loop of its own."""
        return caller(create_app(Settings()), self.path, self.body, media=b"application/json")


def calls(now_s: float) -> tuple[Case, ...]:
    """Every case, its trial shortly before now [s since 1970-01-01T00:00:00Z]."""
    small, large = _resources(200, now_s), _resources(1000, now_s)
    day = [*small, *_hours_before(small[2:6])]
    draft = {
        "resourceType": "ServiceRequest",
        "id": "o1",
        "status": "draft",
        "intent": "order",
        "code": {"coding": [{"system": "http://loinc.org", "code": "20077-4"}]},
        "subject": {"reference": "Patient/p1"},
        "quantityQuantity": {"value": 5, "unit": "cmH2O", "system": "http://unitsofmeasure.org", "code": "cm[H2O]"},
    }
    orders = {"resourceType": "Bundle", "type": "collection", "entry": [{"resource": draft}]}
    return (
        Case("no ventilator data, no card", _call("patient-view", small[:2])),
        Case("trial, 200 Observations, card", _call("patient-view", small)),
        Case("order, 200 Observations, card", _call("order-sign", small, draftOrders=orders)),
        Case("day of 1,000 with a trial, card", _call("patient-view", day)),
        Case("trial, 1,000 Observations, card", _call("patient-view", large)),
    )


def _resources(count: int, now_s: float) -> list[Json]:
    """The Patient, the height and the trial of the speed benchmark, moved so that it ended just now."""
    bundle = json.loads(single_values(count))
    resources: list[Json] = [entry["resource"] for entry in bundle["entry"]]
    times = [datetime.fromisoformat(resource["effectiveDateTime"]) for resource in resources[1:]]
    shift = datetime.fromtimestamp(now_s - LAST_READING_S, UTC) - max(times)
    for resource in resources[1:]:
        resource["effectiveDateTime"] = _moved(resource["effectiveDateTime"], shift)
    return resources


def _hours_before(row: list[Json]) -> list[Json]:
    """The same row of values 200 times, every six minutes, up to the hour before the trial."""
    charted = []
    for number in range(200):
        shift = timedelta(hours=-1, minutes=-6 * number)
        charted += [
            {**one, "id": f"{one['id']}-{number}", "effectiveDateTime": _moved(one["effectiveDateTime"], shift)}
            for one in row
        ]
    return charted


def _moved(text: str, shift: timedelta) -> str:
    return (datetime.fromisoformat(text) + shift).strftime("%Y-%m-%dT%H:%M:%SZ")


def _call(hook: str, resources: list[Json], **context: object) -> bytes:
    person, height, *trial = resources
    prefetch = {
        "patient": person,
        "heights": _searchset([height]),
        "mechanics": _searchset(trial[::-1]),
        "panels": _searchset([]),
        "circulation": _searchset([]),
    }
    call = {
        "hook": hook,
        "hookInstance": "d1577c69-dfbe-44ad-ba6d-3e05e953b2ea",
        "context": {"userId": "Practitioner/abc", "patientId": "p1", **context},
        "prefetch": prefetch,
    }
    return json.dumps(call, separators=(",", ":")).encode()


def _searchset(resources: list[Json]) -> Json:
    entries = [
        {"fullUrl": f"https://record.example/fhir/{resource['resourceType']}/{resource['id']}", "resource": resource}
        for resource in resources
    ]
    return {"resourceType": "Bundle", "type": "searchset", "total": len(entries), "entry": entries}
