"""Which resource does the body hold, typed and, for what the typed shapes leave out, plain?"""

from __future__ import annotations

from collections.abc import Iterator

import msgspec

from ebbmark.fhir.problems import Problem, ProblemKind
from ebbmark.fhir.reading.careful import body_problem, look_again, not_a_request
from ebbmark.fhir.reading.read import Limits
from ebbmark.fhir.reading.shapes import ANY_RESOURCE, Bundle, Parameters

__all__ = ["decode", "resources_of"]

_BYTE_ORDER_MARK = b"\xef\xbb\xbf"


def decode(body: bytes, limits: Limits) -> tuple[Parameters | Bundle | None, list[Problem]]:
    """The request as typed structures, and what is wrong with its shape.

    Args:
        body: UTF-8 JSON as received.
        limits: how much is read at most.
    """
    if len(body) > limits.max_bytes:
        found, accepted = f"{len(body)} bytes", f"{limits.max_bytes} bytes"
        sentence = f"The body has {found}; at most {accepted} are read."
        return None, [Problem(ProblemKind.TOO_LARGE, "", found, accepted, sentence)]
    body = body.removeprefix(_BYTE_ORDER_MARK)
    problem = body_problem(body)
    if problem is not None:
        return None, [problem]
    try:
        decoded = ANY_RESOURCE.decode(body)
    except (msgspec.DecodeError, RecursionError) as error:
        return look_again(body, str(error))
    if isinstance(decoded, Bundle | Parameters):
        return decoded, []
    return None, [not_a_request(type(decoded).__name__)]


def resources_of(body: bytes, kind: str) -> list[tuple[object, str, str]]:
    """Every resource of one type as plain JSON, with its FHIRPath and its fullUrl, which may be empty.

    Args:
        body: one that `decode` could read.
        kind: resource type.
    """
    if kind.encode() not in body:
        return []
    try:
        plain = msgspec.json.decode(body.removeprefix(_BYTE_ORDER_MARK))
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
