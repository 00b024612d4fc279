"""Asks the card door about an invented patient whose trial ended twenty minutes ago, and prints the card.

Run: .venv/bin/python deploy/card.py [ADDRESS]; without an address it starts a service for itself.
"""

from __future__ import annotations

import json
import sys
import urllib.request
from contextlib import nullcontext
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from demo import ENDED, service

ROOT = Path(__file__).parents[1]
HOOK_INSTANCE = "b1a9e6f4-5c0f-4b7e-9a51-3f1c2d7e8a90"
HEIGHT = "8302-2"


def call_about(bundle: dict[str, Any], *, now: datetime) -> dict[str, Any]:
    """A call of hook patient-view that brings the resources of a Bundle, their times moved to end before now."""
    resources = [entry["resource"] for entry in bundle["entry"]]
    observations = [resource for resource in resources if resource["resourceType"] == "Observation"]
    latest = max(datetime.fromisoformat(observation["effectiveDateTime"]) for observation in observations)
    for observation in observations:
        moved = datetime.fromisoformat(observation["effectiveDateTime"]) - latest + now - ENDED
        observation["effectiveDateTime"] = moved.isoformat(timespec="seconds")
    patient = next(resource for resource in resources if resource["resourceType"] == "Patient")
    heights = [observation for observation in observations if _codes(observation) == [HEIGHT]]
    return {
        "hook": "patient-view",
        "hookInstance": HOOK_INSTANCE,
        "context": {"userId": "Practitioner/hazel", "patientId": patient["id"]},
        "prefetch": {
            "patient": patient,
            "heights": _found(heights),
            "mechanics": _found([observation for observation in observations if observation not in heights]),
            "panels": _found([]),
            "circulation": _found([_vitals(at, patient["id"]) for at in dict.fromkeys(_times(observations, heights))]),
            "conditions": _found([]),
        },
    }


def _times(observations: list[dict[str, Any]], heights: list[dict[str, Any]]) -> list[str]:
    return [str(observation["effectiveDateTime"]) for observation in observations if observation not in heights]


def _vitals(at: str, patient: str) -> dict[str, Any]:
    """Invented vital signs of a patient who bears the trial well."""
    values = (("59408-5", 94, "%"), ("76214-6", 74, "mm[Hg]"))
    return {
        "resourceType": "Observation",
        "status": "final",
        "code": {"text": "Vital signs"},
        "subject": {"reference": f"Patient/{patient}"},
        "effectiveDateTime": at,
        "component": [
            {
                "code": {"coding": [{"system": "http://loinc.org", "code": code}]},
                "valueQuantity": {"value": value, "system": "http://unitsofmeasure.org", "code": unit},
            }
            for code, value, unit in values
        ],
    }


def told(card: dict[str, Any]) -> str:
    """A card as text."""
    suggestions = [f"[{one['label']}] resources: {len(one['actions'])}" for one in card.get("suggestions", ())]
    links = [f"<{one['label']}> {one['type']}" for one in card.get("links", ())]
    return "\n".join([f"{card['indicator']}: {card['summary']}", "", card["detail"], "", *suggestions, *links])


def main() -> None:
    """Send the call and print the answer."""
    bundle = json.loads((ROOT / "fixtures" / "clear-closing" / "request.json").read_bytes())
    body = json.dumps(call_about(bundle, now=datetime.now(UTC))).encode()
    with nullcontext(sys.argv[1]) if len(sys.argv) > 1 else service() as address:
        request = urllib.request.Request(  # noqa: S310 - the address is our own service's
            f"{address}/cds-services/peep-trial", data=body, headers={"Content-Type": "application/json"}
        )
        with urllib.request.urlopen(request, timeout=30) as reply:  # noqa: S310
            cards = json.loads(reply.read())["cards"]
    print("\n\n".join(told(card) for card in cards) or "no card")


def _codes(observation: dict[str, Any]) -> list[str]:
    return [one["code"] for one in observation["code"].get("coding", ())]


def _found(resources: list[dict[str, Any]]) -> dict[str, Any]:
    entries = [{"resource": resource} for resource in resources]
    return {"resourceType": "Bundle", "type": "searchset", "total": len(entries), "entry": entries}


if __name__ == "__main__":
    main()
