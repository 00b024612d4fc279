"""What would be written, resource by resource, for a person to read beforehand: a table, and the JSON as it is sent."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, cast

import msgspec

__all__ = ["ResourceView", "ReviewView", "review_view"]

Json = Mapping[str, Any]

_ABOUT = {
    "GuidanceResponse": "That the question was answered, and what is always true of such an answer.",
    "Observation": "A preliminary result.",
    "DetectedIssue": "A caution for this patient.",
    "DiagnosticReport": "The report that gathers the results.",
    "Device": "This software in this version; written once per record.",
    "Provenance": "What the results were made from, by what, and who recorded them.",
}
"""What each type of resource is for."""

_NOT_SHOWN = frozenset({"resourceType", "id", "code", "contained"})
"""In the heading, or shown in another way; the JSON shows them all."""


@dataclass(frozen=True, slots=True)
class ResourceView:
    """One resource.

    Attributes:
        title: its type and what it is about.
        about: in a few words what it is for.
        rows: element and value.
        json: as it is sent, indented.
    """

    title: str
    about: str
    rows: tuple[tuple[str, str], ...]
    json: str


@dataclass(frozen=True, slots=True)
class ReviewView:
    """The whole transaction.

    Attributes:
        counts: how many of each type, in words.
        resources: in the order in which they are sent.
    """

    counts: str
    resources: tuple[ResourceView, ...]


def review_view(transaction: Json) -> ReviewView:
    """Put a transaction in tables.

    Args:
        transaction: FHIR R4 Bundle of type transaction.
    """
    entries = transaction["entry"]
    names = {str(entry["fullUrl"]): _title(entry["resource"]) for entry in entries if "fullUrl" in entry}
    counts = Counter(str(entry["resource"]["resourceType"]) for entry in entries)
    return ReviewView(
        ", ".join(f"{count} {kind}{'s' if count > 1 else ''}" for kind, count in counts.items()),
        tuple(_resource(entry, names) for entry in entries),
    )


def _resource(entry: Json, names: Mapping[str, str]) -> ResourceView:
    resource, request = entry["resource"], entry["request"]
    rows = [row for name, value in resource.items() if name not in _NOT_SHOWN for row in _rows(name, value, names)]
    for contained in resource.get("contained", ()):
        rows += [("how the input was read", str(one["details"]["text"])) for one in contained.get("issue", ())]
    rows.append(("sent as", f"{request['method']} {request['url']}"))
    if "ifNoneExist" in request:
        rows.append(("not written where there is", str(request["ifNoneExist"])))
    return ResourceView(
        _title(resource),
        _ABOUT.get(str(resource["resourceType"]), ""),
        tuple(rows),
        msgspec.json.format(msgspec.json.encode(resource), indent=2).decode(),
    )


def _title(resource: Json) -> str:
    about = _said(resource["code"], {}) if "code" in resource else ""
    value = f", {_said(resource['valueQuantity'], {})}" if "valueQuantity" in resource else ""
    return f"{resource['resourceType']}: {about}{value}" if about else str(resource["resourceType"])


def _rows(name: str, value: object, names: Mapping[str, str]) -> list[tuple[str, str]]:
    """One row, or one per component, note or entity, which say different things."""
    if name == "component":
        return [_component(cast("Json", one), names) for one in cast("list[object]", value)]
    if isinstance(value, list) and all(isinstance(one, dict) for one in value):
        return [(_words(name), _said(one, names)) for one in value]
    return [(_words(name), _said(value, names))]


def _component(part: Json, names: Mapping[str, str]) -> tuple[str, str]:
    values = [_said(value, names) for name, value in part.items() if name != "code"]
    return _said(part["code"], names), "; ".join(values)


def _said(value: object, names: Mapping[str, str]) -> str:
    """One value as people read it; whatever has no form of its own is spelled out element by element."""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, list):
        return "; ".join(_said(one, names) for one in value)
    if not isinstance(value, dict):
        return f"{value}"
    if "reference" in value:
        reference = str(value["reference"])
        return names.get(reference) or ("how the input was read, below" if reference == "#outcome" else reference)
    if "value" in value and "unit" in value:
        return f"{value['value']} {value['unit']}" if value["unit"] != "1" else f"{value['value']}"
    if "value" in value and "system" in value:
        return f"{value['value']} ({value['system']})"
    if "contentType" in value and "data" in value:
        return f"{value['contentType']}, {3 * len(str(value['data'])) // 4000} kB"
    for text in ("text", "display"):
        if isinstance(value.get(text), str):
            return str(value[text])
    if "coding" in value:
        return _said(value["coding"], names)
    if "start" in value and "end" in value:
        return f"{value['start']} to {value['end']}"
    return ", ".join(f"{_words(name)} {_said(one, names)}" for name, one in value.items())


def _words(element: str) -> str:
    """`effectiveDateTime` as `effective date time`; the type of a value[x] is left out."""
    if element.startswith("value") and element != "value":
        return "value"
    return re.sub(r"(?<=[a-z])(?=[A-Z])", " ", element).lower()
