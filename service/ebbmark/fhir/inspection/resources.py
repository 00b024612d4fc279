"""The resources in a file: a Bundle (nested or not), NDJSON as of a bulk export, a list, or one resource.

Sources: FHIR R4 4.0.1, https://hl7.org/fhir/R4/bundle.html and references.html#contained; NDJSON as in FHIR Bulk Data
Access, https://hl7.org/fhir/uv/bulkdata/ (one resource per line).
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

import msgspec

from ebbmark.fhir.problems import Problem, ProblemKind, Rejected

__all__ = ["Json", "ResourceMet", "collection_of", "resources_in"]

Json = dict[str, object]

_DEEPEST = 8
"""Bundles within Bundles, and contained resources, are followed this far."""


class ResourceMet(NamedTuple):
    """One resource, where it stands, and its fullUrl, which may be empty."""

    resource: Json
    path: str
    full_url: str


def resources_in(content: bytes) -> list[ResourceMet]:
    """Every resource of a file, those within Bundles and within other resources among them.

    Args:
        content: JSON or NDJSON, UTF-8.

    Raises:
        Rejected: it is neither.
    """
    found: list[ResourceMet] = []
    for value, path in _values(content.removeprefix(b"\xef\xbb\xbf")):
        found += _within(value, path, "", 0)
    if not found:
        raise Rejected((_nothing("no resource"),))
    return found


def collection_of(met: list[ResourceMet]) -> bytes:
    """The same resources as one plain Bundle, for the reader of requests."""
    entries = [
        {"fullUrl": one.full_url, "resource": one.resource} if one.full_url else {"resource": one.resource}
        for one in met
    ]
    return msgspec.json.encode({"resourceType": "Bundle", "type": "collection", "entry": entries})


def _values(content: bytes) -> Iterator[tuple[object, str]]:
    try:
        whole = msgspec.json.decode(content)
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError):
        lines = [(number, line) for number, line in enumerate(content.splitlines(), start=1) if line.strip()]
        for number, line in lines:
            try:
                yield msgspec.json.decode(line), f"line {number}: "
            except (msgspec.DecodeError, UnicodeDecodeError, RecursionError) as error:
                where = f"line {number} is not JSON ({str(error)[:80]})" if len(lines) > 1 else str(error)[:120]
                raise Rejected((_nothing(where),)) from None
    else:
        yield from (
            ((one, f"[{number}]: ") for number, one in enumerate(whole)) if isinstance(whole, list) else ((whole, ""),)
        )


def _within(value: object, path: str, full_url: str, depth: int) -> Iterator[ResourceMet]:
    if not isinstance(value, dict) or depth > _DEEPEST:
        return
    kind = value.get("resourceType")
    if not isinstance(kind, str):
        return
    here = path if path.endswith("resource") or "contained[" in path else f"{path}{kind}"
    entries = value.get("entry")
    parameters = value.get("parameter")
    if kind == "Bundle":
        for number, entry in enumerate(entries if isinstance(entries, list) else ()):
            if isinstance(entry, dict):
                url = entry.get("fullUrl")
                below = f"{here}.entry[{number}].resource"
                yield from _within(entry.get("resource"), below, url if isinstance(url, str) else "", depth + 1)
        return
    if kind == "Parameters":
        for number, parameter in enumerate(parameters if isinstance(parameters, list) else ()):
            if isinstance(parameter, dict):
                yield from _within(parameter.get("resource"), f"{here}.parameter[{number}].resource", "", depth + 1)
        return
    yield ResourceMet(value, here, full_url)
    contained = value.get("contained")
    for number, one in enumerate(contained if isinstance(contained, list) else ()):
        yield from _within(one, f"{here}.contained[{number}]", "", depth + 1)


def _nothing(found: str) -> Problem:
    accepted = "a FHIR R4 Bundle, NDJSON (one resource per line), a list of resources, or one resource, in JSON"
    sentence = f"The file cannot be inspected: found {found}; accepted: {accepted}."
    return Problem(ProblemKind.NOT_JSON, "", found, accepted, sentence)
