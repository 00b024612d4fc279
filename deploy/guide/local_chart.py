"""Writes an invented trial as a hospital with codes of its own would chart it: a FHIR batch, one number per row.

It is the trial of fixtures/clear-closing, moved so that it ended ten minutes ago, under codes of one invented code
system and with units as text: what `ebbmark inspect` has to propose a map for.
Usage: python deploy/guide/local_chart.py | curl -s BASE -H 'Content-Type: application/fhir+json' -d @-
"""

from __future__ import annotations

import json
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

Json = dict[str, Any]

TRIAL = Path(__file__).parents[2] / "fixtures" / "clear-closing" / "request.json"
SYSTEM = "https://hospital.example/charting"
LOCAL = {
    "20077-4": ("PEEP_SET", "PEEP set"),
    "76007-4": ("VT_EXP", "Tidal volume expired"),
    "76259-1": ("PPLAT", "Plateau pressure"),
    "8302-2": ("HGT", "Height"),
}


def chart(now: datetime) -> Json:
    """The batch, of rows that end ten minutes before now."""
    given = [entry["resource"] for entry in json.loads(TRIAL.read_text(encoding="utf-8"))["entry"]]
    last = max(datetime.fromisoformat(one["effectiveDateTime"]) for one in given if "component" in one)
    moved = now - timedelta(minutes=10) - last
    rows: list[Json] = []
    for one in given:
        if one["resourceType"] != "Observation":
            rows.append({name: value for name, value in one.items() if name != "meta"})
            continue
        at = (datetime.fromisoformat(one["effectiveDateTime"]) + moved).isoformat(timespec="seconds")
        parts = [part for part in one.get("component", [one]) if part["code"]["coding"][0]["code"] in LOCAL]
        for number, part in enumerate(parts):
            code, display = LOCAL[part["code"]["coding"][0]["code"]]
            quantity = {name: part["valueQuantity"][name] for name in ("value", "unit")}
            rows.append(
                {
                    "resourceType": "Observation",
                    "id": f"{one['id']}-{number}",
                    "status": "final",
                    "code": {"coding": [{"system": SYSTEM, "code": code, "display": display}]},
                    "subject": one["subject"],
                    "effectiveDateTime": at,
                    "valueQuantity": quantity,
                }
            )
    puts = [{"method": "PUT", "url": f"{row['resourceType']}/{row['id']}"} for row in rows]
    entries = [{"resource": one, "request": put} for one, put in zip(rows, puts, strict=True)]
    return {"resourceType": "Bundle", "type": "batch", "entry": entries}


if __name__ == "__main__":
    sys.stdout.write(json.dumps(chart(datetime.now(UTC))))
