"""FHIR R4 4.0.1 as published, read from the two extracts in `data/` (HL7, CC0; made by `data/extract_r4.py`).

Nothing here knows our code: it walks any resource along the StructureDefinitions.
"""

from __future__ import annotations

import gzip
import json
import re
from collections.abc import Iterator
from functools import cache, lru_cache
from pathlib import Path
from typing import Any

import fhirpathpy
from fhirpathpy.engine.nodes import ResourceNode
from fhirpathpy.models import models
from jsonschema import Draft6Validator

_DATA = Path(__file__).parent / "data"
_R4 = models["r4"]

# Rules that hold by another check here (no empty element), or that concern elements which nothing here writes.
_NOT_EVALUATED = {"ele-1", "ext-1"}


def _read(name: str) -> Any:  # noqa: ANN401 - parsed JSON
    return json.loads(gzip.decompress((_DATA / name).read_bytes()))


@lru_cache(maxsize=1)
def _elements() -> dict[str, dict[str, dict[str, Any]]]:
    return {
        kind: {element["path"]: element for element in elements}
        for kind, elements in _read("r4-elements.json.gz").items()
    }


@lru_cache(maxsize=1)
def _schema() -> dict[str, Any]:
    schema: dict[str, Any] = _read("r4-schema.json.gz")
    return schema


@cache
def _compiled(expression: str) -> Any:  # noqa: ANN401 - fhirpathpy is untyped
    # The library has no hasValue(); nothing here writes primitives that consist of extensions alone. trace() prints.
    expression = re.sub(r"\.trace\([^)]*\)", "", expression.replace("hasValue()", "exists()"))
    return fhirpathpy.compile(expression, _R4)


def against_schema(resource: dict[str, Any]) -> list[str]:
    """Faults of the resource against the official JSON schema."""
    schema = {**_schema(), "$ref": f"#/definitions/{resource['resourceType']}"}
    return [fault.json_path + ": " + fault.message[:200] for fault in Draft6Validator(schema).iter_errors(resource)]


def against_definitions(resource: dict[str, Any]) -> list[str]:
    """Faults of the resource against elements, cardinalities, reference targets and invariants of severity error."""
    kinds = {
        entry["fullUrl"]: entry["resource"]["resourceType"] for entry in resource.get("entry", []) if "fullUrl" in entry
    }
    return list(_resource(resource, resource, kinds))


def _resource(node: dict[str, Any], root: dict[str, Any], kinds: dict[str, str]) -> Iterator[str]:
    kind = node["resourceType"]
    yield from _element(node, kind, kind, node, root, kinds)


def _element(
    node: dict[str, Any], kind: str, path: str, resource: dict[str, Any], root: dict[str, Any], kinds: dict[str, str]
) -> Iterator[str]:
    definitions = _elements()[kind]
    yield from _invariants(node, definitions[path], resource, root)
    children = _children(definitions, definitions[path]["like"].lstrip("#") or path)
    counts = dict.fromkeys((element["path"] for _, element, _ in children.values()), 0)
    for name, value in node.items():
        if name == "resourceType":
            continue
        if name not in children:
            yield f"{path}.{name}: unknown element"
            continue
        _, element, type_code = children[name]
        values = value if isinstance(value, list) else [value]
        if isinstance(value, list) == (element["max"] == "1"):
            yield f"{path}.{name}: a list, or none, against the cardinality"
        if not values or any(item in ("", {}, []) or item is None for item in values):
            yield f"{path}.{name}: empty"
        counts[element["path"]] += len(values)
        for item in values:
            yield from _value(item, element, type_code, kind, f"{path}.{name}", resource, root, kinds)
    for inner, count in counts.items():
        element = definitions[inner]
        if count < element["min"] or (element["max"] != "*" and count > int(element["max"])):
            yield f"{inner}: {count} times"


def _children(definitions: dict[str, dict[str, Any]], path: str) -> dict[str, tuple[str, dict[str, Any], str]]:
    """JSON name -> (name, element, type code)."""
    children: dict[str, tuple[str, dict[str, Any], str]] = {}
    for inner, element in definitions.items():
        name = inner.removeprefix(path + ".")
        if name == inner or "." in name:
            continue
        if name.endswith("[x]"):
            for code in element["types"]:
                spelled = name[:-3] + code[0].upper() + code[1:]
                children[spelled] = (spelled, element, code)
        else:
            children[name] = (name, element, element["types"][0] if element["types"] else "")
    return children


def _value(
    item: Any,  # noqa: ANN401 - parsed JSON
    element: dict[str, Any],
    type_code: str,
    kind: str,
    path: str,
    resource: dict[str, Any],
    root: dict[str, Any],
    kinds: dict[str, str],
) -> Iterator[str]:
    if type_code == "Resource":
        yield from _resource(item, root, kinds)
    elif type_code in ("BackboneElement", "Element") or element["like"]:
        yield from _element(item, kind, element["path"], resource, root, kinds)
    elif type_code in _elements():
        yield from _element(item, type_code, type_code, resource, root, kinds)
        yield from _invariants(item, element, resource, root)
        if type_code == "Reference":
            yield from _target(item, element, path, kinds)
    elif isinstance(item, dict):
        yield f"{path}: a {type_code} is not among the extracted types"


def _target(item: dict[str, Any], element: dict[str, Any], path: str, kinds: dict[str, str]) -> Iterator[str]:
    reference = item.get("reference", "")
    aimed = kinds.get(reference) or (reference.split("/")[0] if reference[:1].isupper() else "")
    if aimed and "Resource" not in element["targets"] and aimed not in element["targets"]:
        yield f"{path}: refers to {aimed}"


def _invariants(
    node: dict[str, Any], element: dict[str, Any], resource: dict[str, Any], root: dict[str, Any]
) -> Iterator[str]:
    # What is contained sees its container as the root; what is in a Bundle sees itself.
    outer = resource if root["resourceType"] == "Bundle" else root
    for rule in element["constraints"]:
        if rule["severity"] != "error" or rule["key"] in _NOT_EVALUATED:
            continue
        # With its path an element is known by what stands below it: `value` is value[x].
        path: str = element["path"]
        untyped: Any = ResourceNode
        known = untyped.create_node(node, path) if "." in path else node
        holds = _compiled(rule["expression"])(known, {"resource": resource, "rootResource": outer})
        # An empty answer (ref-1 where there is only a display) is no violation.
        if holds == [False]:
            yield f"{element['path']}: {rule['key']}"
