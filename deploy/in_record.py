"""Puts one invented trial into a real record, lets the service read it there, write to it, and replay what it wrote."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
import urllib.request
from contextlib import contextmanager
from pathlib import Path
from textwrap import wrap
from typing import TYPE_CHECKING, Any
from urllib.parse import quote

if TYPE_CHECKING:
    from collections.abc import Iterator

ROOT = Path(__file__).parents[1]
PATIENT = "Patient/maple"
AMENDED = "Observation/maple-row-23"
WIDTH = 100
RECORD_AT = re.compile(r"(http://127\.0\.0\.1:\d+/\S*)$")
"""A line that ends with an address of this machine. What Maven says while it builds may name others, and may leave the
code of a colour before ours."""
SERVICE_AT = re.compile(r"listens on (http://\S+)")
RESULT = "https://ebbmark.example/fhir/sid/result"

Json = dict[str, Any]


@contextmanager
def started(command: list[str], announces: re.Pattern[str], **environment: str) -> Iterator[str]:
    """A server of ours; yields the address that it announces, the first group of the pattern."""
    with subprocess.Popen(  # noqa: S603 - our own programs
        command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, env={**os.environ, **environment}
    ) as process:
        try:
            said = []
            for line in process.stdout or ():
                said.append(line)
                found = announces.search(line)
                if found:
                    yield found[1]
                    break
            else:
                raise SystemExit(f"{command[0]} did not start: {''.join(said)}")
        finally:
            process.terminate()
            process.stdout.read() if process.stdout else None


def exchange(method: str, address: str, resource: Json | None = None) -> tuple[Json, str]:
    """One request; the resource that came back and what the service said of a write."""
    request = urllib.request.Request(  # noqa: S310 - addresses of our own servers
        address,
        method=method,
        data=None if resource is None else json.dumps(resource).encode(),
        headers={"Content-Type": "application/fhir+json", "Accept": "application/fhir+json"},
    )
    with urllib.request.urlopen(request, timeout=60) as reply:  # noqa: S310
        return json.loads(reply.read() or b"{}"), reply.headers.get("Ebbmark-Write-Back", "")


def parameters(*pairs: tuple[str, str, Any]) -> Json:
    """Parameters, each with its name, element and value."""
    return {"resourceType": "Parameters", "parameter": [{"name": n, element: value} for n, element, value in pairs]}


def titrated(service: str) -> tuple[Json, str]:
    """Ask for this patient's trial in the record, and for the answer to be written there."""
    period = {"start": "2026-03-02T00:00:00Z", "end": "2026-03-03T00:00:00Z"}
    asked = parameters(
        ("patient-reference", "valueReference", {"reference": PATIENT}),
        ("period", "valuePeriod", period),
        ("write-back", "valueBoolean", True),
    )
    return exchange("POST", f"{service}/fhir/$titrate-peep", asked)


def told(answer: Json, word: str) -> None:
    """Print what matters of an answer."""
    resources = [entry["resource"] for entry in answer["entry"]]
    suggested = next(resource for resource in resources if resource.get("code", {}).get("text") == "Suggested PEEP")
    (first, *_) = next(resource for resource in resources if resource["resourceType"] == "OperationOutcome")["issue"]
    value = suggested.get("valueQuantity", {}).get("value", "none")
    print(f"  suggested PEEP {value} cmH2O; write-back: {word}")
    print("\n".join(wrap(first["details"]["text"], WIDTH, initial_indent="  ", subsequent_indent="  ")))


def identity_of(answer: Json) -> str:
    """The identity of an answer."""
    return str(answer["entry"][0]["resource"]["requestIdentifier"]["value"])


def replayed(service: str, identity: str) -> None:
    """Print what a replay of a stored answer says."""
    asked = parameters(("request-identifier", "valueIdentifier", {"value": identity}))
    reply, _ = exchange("POST", f"{service}/fhir/$replay", asked)
    for one in reply["parameter"]:
        if one["name"] == "same":
            print(f"  same: {str(one['valueBoolean']).lower()}")
        if one["name"] == "difference":
            sentence = one["part"][-1]
            print("\n".join(wrap(str(sentence["valueString"]), WIDTH, initial_indent="  ", subsequent_indent="  ")))


def results(record: str, kind: str, identity: str) -> list[Json]:
    """What the record holds under one of our identifiers."""
    found, _ = exchange("GET", f"{record}/Observation?identifier={quote(f'{RESULT}|{identity}:{kind}')}")
    return [entry["resource"] for entry in found.get("entry", [])]


def main() -> None:
    """Load, read, write, repeat, amend, replay, tamper, replay."""
    bundle: Json = json.loads((ROOT / "fixtures" / "clear-closing" / "request.json").read_text(encoding="utf-8"))
    inputs = {f"{e['resource']['resourceType']}/{e['resource']['id']}": e["resource"] for e in bundle["entry"]}
    with (
        started(["sh", str(ROOT / "deploy" / "record.sh"), "--port", "0"], RECORD_AT) as record,
        started([sys.executable, "-m", "ebbmark", "serve", "--port", "0"], SERVICE_AT, EBBMARK_RECORD_BASE_URL=record)
        as service,
    ):  # fmt: skip
        for place, resource in inputs.items():
            exchange("PUT", f"{record}/{place}", resource)
        print(
            f"A record with {len(inputs)} resources of one invented patient. The service is asked for {PATIENT} only."
        )
        answer, word = titrated(service)
        first = identity_of(answer)
        told(answer, word)

        print("Asked once more:")
        told(*titrated(service))
        print("Replayed from the record:")
        replayed(service, first)

        print(f"One plateau pressure is corrected in the record ({AMENDED}), and the trial is asked for again:")
        row = inputs[AMENDED]
        row["status"] = "corrected"
        row["component"][3]["valueQuantity"]["value"] += 0.4
        exchange("PUT", f"{record}/{AMENDED}", row)
        answer, word = titrated(service)
        told(answer, word)
        states = [results(record, "suggested-peep", one)[0]["status"] for one in (first, identity_of(answer))]
        print(f"  suggestions in the record: the first is {states[0]}, the second {states[1]}")
        print("The first answer, replayed:")
        replayed(service, first)

        print("Somebody changes the stored closing pressure by 2 cmH2O; the second answer, replayed:")
        (closing,) = results(record, "closing-pressure", identity_of(answer))
        closing["valueQuantity"]["value"] += 2
        exchange("PUT", f"{record}/Observation/{closing['id']}", closing)
        replayed(service, identity_of(answer))


if __name__ == "__main__":
    main()
