"""Which resources of a type does the body hold, as plain JSON: what the typed shapes leave out?"""

from __future__ import annotations

from collections.abc import Iterator

import msgspec

from ebbmark.fhir.reading.body import BYTE_ORDER_MARK

__all__ = ["resources_of"]


def resources_of(body: bytes, kind: str) -> list[tuple[object, str, str]]:
    """Every resource of one type as plain JSON, with its FHIRPath and its fullUrl, which may be empty.

    Args:
        body: one that `decode` could read.
        kind: resource type.
    """
    if kind.encode() not in body:
        return []
    try:
        plain = msgspec.json.decode(body.removeprefix(BYTE_ORDER_MARK))
    except (msgspec.DecodeError, RecursionError):
        return []  # what is wrong with the body has been said
    return [found for found in _walk(plain) if _type(found[0]) == kind]


def _walk(plain: object) -> Iterator[tuple[object, str, str]]:
    if _type(plain) == "Bundle":
        yield from _entries(plain, "Bundle")
        return
    for number, parameter in enumerate(_list(plain, "parameter")):
        resource = parameter.get("resource") if isinstance(parameter, dict) else None
        path = f"Parameters.parameter[{number}].resource"
        if _type(resource) == "Bundle":
            yield from _entries(resource, path)
        else:
            yield resource, path, ""


def _entries(bundle: object, path: str) -> Iterator[tuple[object, str, str]]:
    for number, entry in enumerate(_list(bundle, "entry")):
        if isinstance(entry, dict):
            full_url = entry.get("fullUrl")
            url = full_url if isinstance(full_url, str) else ""
            yield entry.get("resource"), f"{path}.entry[{number}].resource", url


def _list(value: object, name: str) -> list[object]:
    found = value.get(name) if isinstance(value, dict) else None
    return found if isinstance(found, list) else []


def _type(value: object) -> str:
    kind = value.get("resourceType") if isinstance(value, dict) else None
    return kind if isinstance(kind, str) else ""
