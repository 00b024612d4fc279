"""Looking into an answer in a test: find the resource of a kind, walk all elements."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

Json = dict[str, Any]


def resources(bundle: dict[str, object], resource_type: str) -> list[Json]:
    """All resources of one type, in order."""
    entries: Any = bundle["entry"]
    return [entry["resource"] for entry in entries if entry["resource"]["resourceType"] == resource_type]


def resource(bundle: dict[str, object], kind: str) -> Json:
    """The one resource whose identifier ends in this kind."""
    entries: Any = bundle["entry"]
    (match,) = [
        entry["resource"]
        for entry in entries
        if str(entry["resource"].get("identifier", [{"value": ""}])[0]["value"]).endswith(f":{kind}")
    ]
    found: Json = match
    return found


def component(observation: Json, code: str) -> Json:
    """The one component with this code."""
    (match,) = [part for part in observation["component"] if part["code"]["coding"][0]["code"] == code]
    found: Json = match
    return found


def elements(value: object, path: str = "") -> Iterator[tuple[str, object]]:
    """Every element below, with its path."""
    yield path, value
    if isinstance(value, dict):
        for name, item in value.items():
            yield from elements(item, f"{path}.{name}")
    elif isinstance(value, list):
        for number, item in enumerate(value):
            yield from elements(item, f"{path}[{number}]")
