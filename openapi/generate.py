"""Writes the OpenAPI document and the real examples in it. Run: python openapi/generate.py, then read the diff.

The examples are the clear case of the demo scenario, shortened to one charted row per step of the last five steps, what
the service answers to it, and how it refuses the same request once the height has lost its unit.
"""

from __future__ import annotations

import json
import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import msgspec

from ebbmark.fhir.problems import Rejected, operation_outcome
from ebbmark.fhir.write import write_bundle_bytes
from ebbmark.recommend import recommend
from ebbmark.settings import Settings

ROOT = Path(__file__).parents[1]
DOCUMENT = ROOT / "openapi" / "ebbmark.openapi.json"
EXAMPLES = ROOT / "service" / "ebbmark" / "web" / "examples"
SCENARIO = ROOT / "fixtures" / "clear-closing" / "request.json"

AT_S = datetime(2026, 3, 10, 12, 0, tzinfo=UTC).timestamp()
"""The examples' own present, after the last reading."""
BEFORE_ROWS, ROWS_PER_STEP, STEPS_LEFT_OUT = 2, 3, 4
"""Of the scenario: Patient and height come first, then three rows per step; the four steps before 16 cmH2O go."""

Json = dict[str, Any]


def examples() -> dict[str, bytes]:
    """The three examples by file name, as readable JSON."""
    whole: Json = json.loads(SCENARIO.read_bytes())
    rows = whole["entry"][BEFORE_ROWS:][1::ROWS_PER_STEP][STEPS_LEFT_OUT:]
    request = {**whole, "entry": [*whole["entry"][:BEFORE_ROWS], *rows]}
    unusable = json.loads(json.dumps(request))
    unusable["entry"][1]["resource"]["valueQuantity"] = {"value": 66}
    return {
        "request.json": _readable(msgspec.json.encode(request)),
        "answer.json": _readable(_reply(request)),
        "refusal.json": _readable(_reply(unusable)),
    }


def document() -> bytes:
    """The OpenAPI document of the service with its default settings."""
    # The doors read the examples when they are imported, so that these must be in place first.
    from ebbmark.web.app import create_app

    return _readable(msgspec.json.encode(create_app(Settings.model_construct()).openapi()))


def _reply(request: Json) -> bytes:
    try:
        return write_bundle_bytes(recommend(msgspec.json.encode(request), at_s=AT_S), recorded_s=AT_S)
    except Rejected as rejected:
        return msgspec.json.encode(operation_outcome(rejected.problems, rejected.ignored))


def _readable(compact: bytes) -> bytes:
    return msgspec.json.format(compact, indent=1) + b"\n"


def main() -> None:
    """Write all files."""
    for name, content in examples().items():
        (EXAMPLES / name).write_bytes(content)
    DOCUMENT.write_bytes(document())
    sys.stdout.write(f"wrote {DOCUMENT.relative_to(ROOT)} and {EXAMPLES.relative_to(ROOT)}\n")


if __name__ == "__main__":
    main()
