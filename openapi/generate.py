"""Writes the OpenAPI document and the real examples in it. Run: python openapi/generate.py, then read the diff.

The examples are the clear case of the demo scenario, shortened to one charted row per step of the last five steps, what
the service answers to it, and how it refuses the same request once the height has lost its unit.
"""

from __future__ import annotations

import asyncio
import json
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import msgspec

from ebbmark.fhir.operations import TITRATE_PEEP
from ebbmark.fhir.problems import Rejected, operation_outcome
from ebbmark.fhir.reading.request import RequestContext
from ebbmark.fhir.writing.write import write_bundle_bytes
from ebbmark.record.client import CallerRecords
from ebbmark.record.connection import Patience
from ebbmark.settings import Settings
from ebbmark.use_cases.questions import answer_request

ROOT = Path(__file__).parents[1]
DOCUMENT = ROOT / "openapi" / "ebbmark.openapi.json"
EXAMPLES = ROOT / "service" / "ebbmark" / "web" / "examples"
SCENARIO = ROOT / "fixtures" / "clear-closing" / "request.json"

AT_S = datetime(2026, 3, 2, 9, 45, tzinfo=UTC).timestamp()
"""The examples' own present, after the last reading."""
BEFORE_ROWS, ROWS_PER_STEP, STEPS_LEFT_OUT = 2, 3, 4
"""Of the scenario: Patient and height come first, then three rows per step; the four steps before 16 cmH2O go."""

Json = dict[str, Any]

DAY = ROOT / "fixtures" / "day" / "record.json"
_SET = {"name": "titrated-at", "valueInstant": "2026-03-05T09:15:00Z"}
_FIRST, _SECOND = ("2026-03-05T09:04", "2026-03-05T09:14"), ("2026-03-06T08:52", "2026-03-06T09:05")
STRETCHES: dict[str, tuple[tuple[tuple[str, str], ...], str, list[Json]]] = {
    "assess-candidate": ((("2026-03-05T08:35", "2026-03-05T08:50"),), "08:50:00", []),
    "plan-trial": (
        (("2026-03-05T08:45", "2026-03-05T08:52"),),
        "08:52:00",
        [
            {"name": "acknowledged", "valueString": "obstructive-disease"},
            {"name": "acknowledged-by", "valueReference": {"display": "the clinician in charge"}},
        ],
    ),
    "next-step": ((("2026-03-05T09:04", "2026-03-05T09:09:50"),), "09:09:50", []),
    "compare-settings": (
        (("2026-03-05T08:30", "2026-03-05T08:50"), ("2026-03-05T09:30", "2026-03-05T10:00")),
        "10:15:00",
        [{"name": "trial-started", "valueInstant": "2026-03-05T09:00:00Z"}, _SET],
    ),
    "check-validity": (
        (("2026-03-05T14:00", "2026-03-05T16:00"),),
        "16:00:00",
        [_SET, {"name": "suggested-peep", "valueQuantity": {"value": 12, "unit": "cm[H2O]"}}],
    ),
    "follow-trials": ((_FIRST, _SECOND), "", []),
    "compare-markers": ((_FIRST,), "09:15:00", []),
}
"""Of the scripted day: the stretches sent, the instant that counts as now, and what else is asked."""
BREATH = {"20077-4", "76007-4", "76259-1"}
"""Set PEEP, expired volume and plateau pressure: what a trial needs."""


def examples() -> dict[str, bytes]:
    """The three examples by file name, as readable JSON."""
    whole: Json = json.loads(SCENARIO.read_bytes())
    rows = whole["entry"][BEFORE_ROWS:][1::ROWS_PER_STEP][STEPS_LEFT_OUT:]
    request = {**whole, "entry": [*whole["entry"][:BEFORE_ROWS], *rows]}
    unusable = json.loads(json.dumps(request))
    unusable["entry"][1]["resource"]["valueQuantity"] = {"value": 66}
    return {
        "titrate-peep.json": _readable(msgspec.json.encode(request)),
        "titrate-peep-answer.json": _readable(_reply(request)),
        "titrate-peep-refusal.json": _readable(_reply(unusable)),
    }


def bedside_examples() -> dict[str, bytes]:
    """One request per question beside the titration by file name: short stretches of the scripted day."""
    found: dict[str, bytes] = {}
    for operation, (stretches, now, given) in STRETCHES.items():
        record: Json = json.loads(DAY.read_bytes())
        resources = [one["resource"] for one in record["entry"]]
        kept = [_shortened(resource, operation) for resource in resources if _belongs(resource, operation, stretches)]
        bundle = {"resourceType": "Bundle", "type": "collection", "entry": [{"resource": one} for one in kept]}
        as_of = [{"name": "as-of", "valueInstant": f"2026-03-05T{now}Z"}] if now else []
        parameters = [{"name": "bundle", "resource": bundle}, *as_of, *given]
        whole = {"resourceType": "Parameters", "parameter": parameters}
        found[f"{operation}.json"] = _readable(msgspec.json.encode(whole))
    return found


def replay_examples() -> dict[str, bytes]:
    """The answer above, named by its identity and computed again; and a request about the patient in the address."""
    from ebbmark.use_cases.replay import replay_files
    from ebbmark.views.sheet import report_pdf

    given = examples()
    told = replay_files(
        given["titrate-peep-answer.json"],
        given["titrate-peep.json"],
        keys=None,
        context=RequestContext(AT_S),
        render=lambda answer, at_s: report_pdf(answer, recorded_s=at_s),
    )
    asked = [{"name": "request-identifier", "valueIdentifier": {"value": told.outcome.identity}}]
    period = {"start": "2026-03-02T08:30:00Z", "end": "2026-03-02T09:45:00Z"}
    of_patient = [{"name": "period", "valuePeriod": period}]
    return {
        "replay.json": _readable(msgspec.json.encode({"resourceType": "Parameters", "parameter": asked})),
        "replay-answer.json": _readable(msgspec.json.encode(told.parameters)),
        "of-patient.json": _readable(msgspec.json.encode({"resourceType": "Parameters", "parameter": of_patient})),
    }


def _borne(row: Json) -> Json:
    """Invented vital signs at the moment of a charted row."""
    row = row["resource"]
    values = (("59408-5", 94, "%"), ("76214-6", 74, "mm[Hg]"))
    return {
        "resource": {
            "resourceType": "Observation",
            "id": f"{row['id']}-vitals",
            "meta": {"versionId": "1"},
            "status": "final",
            "code": {"text": "Vital signs"},
            "subject": row["subject"],
            "effectiveDateTime": row["effectiveDateTime"],
            "component": [
                {
                    "code": {"coding": [{"system": "http://loinc.org", "code": code}]},
                    "valueQuantity": {"value": value, "system": "http://unitsofmeasure.org", "code": unit},
                }
                for code, value, unit in values
            ],
        }
    }


def hooks_examples() -> dict[str, bytes]:
    """A call of CDS Hooks with the resources of the request above, its card, and what became of the card.

    The card is real, but for the actions of its first suggestion: of those, two stand for all.
    """
    from ebbmark.web.hooks.call import read_call
    from ebbmark.web.hooks.card import Where
    from ebbmark.web.hooks.routes import CallContext, answer_call
    from ebbmark.web.limits import WorkPool

    person, height, *rows = json.loads(examples()["titrate-peep.json"])["entry"]
    call: Json = {
        "hook": "patient-view",
        "hookInstance": "b1a9e6f4-5c0f-4b7e-9a51-3f1c2d7e8a90",
        "context": {"userId": "Practitioner/hazel", "patientId": person["resource"]["id"]},
        "prefetch": {
            "patient": person["resource"],
            "heights": _searchset([height]),
            "mechanics": _searchset(rows[::-1]),
            "panels": None,
            "circulation": {"resourceType": "Bundle", "type": "searchset", "entry": [_borne(row) for row in rows]},
            "conditions": None,
        },
    }
    last = max(datetime.fromisoformat(str(row["resource"]["effectiveDateTime"])) for row in rows)
    answering = CallContext(
        RequestContext(0.0),
        CallerRecords((), patience=Patience()),
        Where("https://peep.example/fhir/metadata", "https://peep.example/launch"),
        WorkPool(20.0),
    )
    called = read_call(msgspec.json.encode(call))
    answered = asyncio.run(answer_call(called, at_s=last.timestamp() + 600, call_context=answering))
    told: Json = json.loads(msgspec.json.encode({"cards": [answered.card]}))
    first = told["cards"][0]["suggestions"][0]
    first["actions"] = first["actions"][1:3]
    feedback = {
        "card": told["cards"][0]["uuid"],
        "outcome": "accepted",
        "acceptedSuggestions": [{"id": first["uuid"]}],
        "outcomeTimestamp": (last + timedelta(minutes=12)).astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ"),
    }
    return {
        "cds-call.json": _readable(msgspec.json.encode(call)),
        "cds-cards.json": _readable(msgspec.json.encode(told)),
        "cds-feedback.json": _readable(msgspec.json.encode({"feedback": [feedback]})),
    }


def _searchset(entries: list[Json]) -> Json:
    return {"resourceType": "Bundle", "type": "searchset", "total": len(entries), "entry": entries}


def _belongs(resource: Json, operation: str, stretches: tuple[tuple[str, str], ...]) -> bool:
    """Patient, height where it is needed, and what was charted in the stretches; of a trial one row per step."""
    if resource["resourceType"] == "Patient" or resource.get("id") == "hazel-1":
        return True
    if resource["resourceType"] == "Condition":
        return operation in ("assess-candidate", "plan-trial")
    at = str(resource["effectiveDateTime"])
    is_first_row = operation in ("next-step", "follow-trials", "compare-markers") and at.endswith(":45Z")
    return not is_first_row and any(since <= at <= until for since, until in stretches)


def _shortened(resource: Json, operation: str) -> Json:
    """The versions go; of a trial's rows only what the trial needs stays, with saturation for the markers."""
    resource.pop("meta", None)
    if operation in ("next-step", "follow-trials", "compare-markers") and "component" in resource:
        needed = BREATH | ({"59408-5"} if operation == "compare-markers" else set())
        resource["component"] = [one for one in resource["component"] if one["code"]["coding"][0]["code"] in needed]
    return resource


def document() -> bytes:
    """The OpenAPI document of the service with its default settings."""
    # The doors read the examples when they are imported, so that these must be in place first.
    from ebbmark.web.app import create_app

    return _readable(msgspec.json.encode(create_app(Settings.model_construct()).openapi()))


def _reply(request: Json) -> bytes:
    try:
        return write_bundle_bytes(
            answer_request(TITRATE_PEEP, msgspec.json.encode(request), RequestContext(AT_S)), recorded_s=AT_S
        )
    except Rejected as rejected:
        return msgspec.json.encode(operation_outcome(rejected.problems, rejected.ignored))


def _readable(compact: bytes) -> bytes:
    return msgspec.json.format(compact, indent=1) + b"\n"


def main() -> None:
    """Write all files."""
    for name, content in {**examples(), **bedside_examples(), **hooks_examples(), **replay_examples()}.items():
        (EXAMPLES / name).write_bytes(content)
    DOCUMENT.write_bytes(document())
    sys.stdout.write(f"wrote {DOCUMENT.relative_to(ROOT)} and {EXAMPLES.relative_to(ROOT)}\n")


if __name__ == "__main__":
    main()
