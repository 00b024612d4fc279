"""From bytes to typed structures, once, and why a body could not be decoded.

The slow second look is only taken after the fast one failed. It names every element that is of the wrong kind with its
FHIRPath, and still hands on what can be read, so that the caller learns of all problems at once.
"""

from __future__ import annotations

import json
import re
from typing import Any

import msgspec

from ebbmark.fhir.model import (
    ANY_RESOURCE,
    RESOURCE_TYPES,
    Bundle,
    ConceptMap,
    Condition,
    DeviceMetric,
    Entry,
    EntryRequest,
    Link,
    MedicationAdministration,
    Observation,
    Other,
    Parameter,
    Parameters,
    Patient,
    Resource,
)
from ebbmark.fhir.problems import MOST_TOLD, Problem, ProblemKind, Rejected, word_shown
from ebbmark.fhir.reading.request import Limits

_BYTE_ORDER_MARK = b"\xef\xbb\xbf"
"""Some senders put it before UTF-8; it says nothing."""


def decode(
    body: bytes, limits: Limits, *, not_read: frozenset[str] = frozenset()
) -> tuple[Parameters | Bundle | None, list[Problem]]:
    """The request as typed structures, and what is wrong with its shape.

    Args:
        not_read: types of resource that the operation does not read, and whose shape does not matter.
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
        return _decode_leniently(body, str(error), not_read)
    if isinstance(decoded, Bundle | Parameters):
        return decoded, []
    return None, [_not_a_request(type(decoded).__name__)]


_UNREADABLE = Other()
"""Stands where a resource was that has been named already, so that the others keep their places."""

_SHAPES: dict[str, type[msgspec.Struct]] = {
    kind.__name__: kind
    for kind in (Observation, Patient, Condition, MedicationAdministration, DeviceMetric, ConceptMap)
}
_WORDS = {
    "str": "a text",
    "float": "a number",
    "int": "a whole number",
    "bool": "true or false",
    "array": "a list",
    "object": "an object",
    "null": "null",
}
_EXPECTED = re.compile(r"Expected `([a-z]+)(?: \| null)?`, got `([a-z]+)`")
_LACKING = re.compile(r"Object missing required field `(\w+)`")
_WHERE = re.compile(r"^(.*?)(?: - at `\$?(.*)`)?$", re.DOTALL)
_ESCAPE = re.compile(rb"\\(?:u003.|.)", re.DOTALL)
_COLONS = (b"\\u003a", b"\\u003A")
_ELEMENT = re.compile(r"_?[a-z][A-Za-z0-9]{0,39}")
_BYTE = re.compile(r"\(byte (\d+)\)")
_NOT_NUMBERS = re.compile(rb"-?(?:NaN|Infinity|inf|nan)")


def body_problem(body: bytes) -> Problem | None:
    """What is wrong with the body before any JSON is read."""
    not_utf8 = _not_utf8(body)
    if not_utf8 is not None:
        return not_utf8
    if body.lstrip()[:1] == b"<":
        sentence = "The body looks like XML; send FHIR R4 as JSON (application/fhir+json)."
        return Problem(ProblemKind.XML, "", "XML", "JSON", sentence)
    return _repeated_key(body)


def _not_utf8(body: bytes) -> Problem | None:
    try:
        body if body.isascii() else body.decode("utf-8")
    except UnicodeDecodeError as error:
        sentence = f"The body is not UTF-8: byte {error.start} does not fit."
        return Problem(ProblemKind.NOT_UTF8, "", f"byte {error.start}", "UTF-8", sentence)
    return None


def require_each_key_once(body: bytes) -> None:
    """Refuse a body that is not UTF-8, or in which a key stands twice, where only a part of it is read on the way.

    Raises:
        Rejected: it is so.
    """
    problem = _not_utf8(body) or _repeated_key(body)
    if problem is not None:
        raise Rejected((problem,))


def _repeated_key(body: bytes) -> Problem | None:
    """The first object of the JSON in which a key stands twice: RFC 8259 leaves open which of the two counts.

    Decoded and encoded again, a body holds as many colons as before, unless a key was dropped: colons within texts
    stay, and those that were spelled as escapes are counted beside them. A compact body comes out as it went in.
    """
    try:
        kept = msgspec.json.encode(msgspec.json.decode(body))
        if kept == body:
            return None
        escaped = sum(one in _COLONS for one in _ESCAPE.findall(body)) if b"\\u003" in body else 0
        if kept.count(b":") == body.count(b":") + escaped:
            return None
    except (msgspec.DecodeError, RecursionError):
        pass  # What the body is not is told by whoever decodes it; an element that nobody reads may still hide a key.
    try:
        whole = json.loads(body, object_pairs_hook=_once, parse_int=str, parse_float=str, parse_constant=str)
    except RecursionError:
        return too_deep()
    except ValueError:
        return None
    waiting = [(whole, word_shown(_kind_of(whole), RESOURCE_TYPES, ""))]
    while waiting:
        value, path = waiting.pop()
        if isinstance(value, _Repeated):
            path = f"{path}.{value.key}".lstrip(".") if _ELEMENT.fullmatch(value.key) else path
            sentence = f"{path or 'The body'}: a key stands twice in one object, and only one of them can be meant."
            return Problem(ProblemKind.REPEATED_KEY, path, "a key twice", "each key once", sentence)
        if isinstance(value, dict):
            shown = {key: key if _ELEMENT.fullmatch(key) else "" for key in value}
            waiting += [(one, f"{path}.{shown[key]}".strip(".")) for key, one in value.items()][::-1]
        elif isinstance(value, list):
            waiting += [(one, f"{path}[{number}]") for number, one in enumerate(value)][::-1]
    return None


class _Repeated(dict[str, object]):
    """An object in which `key` stands twice."""

    key: str


def _once(pairs: list[tuple[str, object]]) -> dict[str, object]:
    found = dict(pairs)
    if len(found) == len(pairs):
        return found
    repeated, seen = _Repeated(found), set[str]()
    for key, _ in pairs:
        if key in seen:
            repeated.key = key
            break
        seen.add(key)
    return repeated


class _Problems(list[Problem]):
    """Every problem of the shape, and of which types of resource the shape does not matter.

    Attributes:
        not_read: types that the operation does not read.
        passed_over: whether one of these was not readable.
    """

    def __init__(self, not_read: frozenset[str]) -> None:
        super().__init__()
        self.not_read = not_read
        self.passed_over = False

    def append(self, problem: Problem) -> None:
        """Add a problem; beyond the most that are told nobody looks for more.

        Raises:
            _Enough: so many were found.
        """
        super().append(problem)
        if len(self) >= MOST_TOLD:
            raise _Enough


class _Enough(Exception):
    """So many problems were found that the search for more ends."""


def _decode_leniently(
    body: bytes, first: str, not_read: frozenset[str]
) -> tuple[Parameters | Bundle | None, list[Problem]]:
    """The part of the request that can be read, and every problem of its shape that matters.

    Args:
        first: what the fast decoder said.
        not_read: types of resource that the operation does not read, and whose shape does not matter.
    """
    problems = _Problems(not_read)
    try:
        plain = msgspec.json.decode(body)
    except RecursionError:
        return None, [too_deep()]
    except msgspec.ValidationError:
        message, path = _split_message(first)
        return None, [_wrong(message, f"{_kind(body)}{path}")]
    except msgspec.DecodeError as error:
        return None, [_not_json(body, str(error))]
    try:
        resource = _resource(plain, word_shown(_kind_of(plain), RESOURCE_TYPES, ""), problems)
    except _Enough:
        return None, [*problems]
    if isinstance(resource, Parameters | Bundle):
        if not problems and not problems.passed_over:
            sentence = "The request could not be read as FHIR R4."
            problems.append(Problem(ProblemKind.NOT_FHIR, "", "an unreadable shape", "FHIR R4", sentence))
        return resource, problems
    if not problems:
        problems.append(_not_a_request(word_shown(_kind_of(plain), RESOURCE_TYPES, "another type")))
    return None, problems


def too_deep() -> Problem:
    """The nesting is deeper than can be followed."""
    sentence = "The JSON is nested too deeply to be read."
    return Problem(ProblemKind.TOO_DEEP, "", "deep nesting", "FHIR R4 JSON", sentence)


def _not_a_request(found: str) -> Problem:
    """The resource is no request."""
    sentence = f"Send a Parameters or a Bundle; found {found}."
    return Problem(ProblemKind.NOT_FHIR, found, found, "Parameters or Bundle", sentence)


def _not_json(body: bytes, message: str) -> Problem:
    place = _BYTE.search(message)
    at = int(place.group(1)) if place else 0
    # The decoder may stop within the word or at its sign.
    word = next((found for back in (0, 1, 2) if (found := _NOT_NUMBERS.match(body, max(0, at - back)))), None)
    if word is not None:
        name = word.group().decode()
        sentence = f"{name} is not a number in JSON (byte {at})."
        return Problem(ProblemKind.NOT_A_JSON_NUMBER, "", name, "a number", sentence)
    sentence = f"The body is not JSON: {message[:120]}." if body.strip() else "The body is empty."
    return Problem(ProblemKind.NOT_JSON, "", "not JSON", "FHIR R4 JSON", sentence)


def _kind(body: bytes) -> str:
    return "Parameters" if b'"Parameters"' in body[:200] else "Bundle"


def _kind_of(value: object) -> str:
    kind = value.get("resourceType") if isinstance(value, dict) else None
    return kind if isinstance(kind, str) else ""


def _resource(value: object, path: str, problems: _Problems) -> Resource | None:
    kind = _kind_of(value)
    if not isinstance(value, dict):
        problems.append(_wrong(f"Expected `object`, got `{_json_kind(value)}`", path))
        return None
    if not kind:
        sentence = "This is not a FHIR resource: it has no resourceType."
        place = f"{path}.resourceType" if path else "resourceType"
        problems.append(Problem(ProblemKind.NOT_FHIR, place, "no resourceType", "a resource", sentence))
        return None
    if kind == "Bundle":
        listed: list[object] = _field(value, "entry", list[Any], path, problems) or []
        entries = [_entry(one, f"{path}.entry[{number}]", problems) for number, one in enumerate(listed)]
        name = _field(value, "type", str, path, problems) or ""
        return Bundle(type=name, link=_field(value, "link", list[Link], path, problems) or [], entry=entries)
    if kind == "Parameters":
        listed = _field(value, "parameter", list[Any], path, problems) or []
        given = [_parameter(one, f"{path}.parameter[{number}]", problems) for number, one in enumerate(listed)]
        return Parameters(parameter=given)
    try:
        return msgspec.convert(value, ANY_RESOURCE.type)
    except (msgspec.ValidationError, RecursionError) as error:
        if kind in problems.not_read:
            problems.passed_over = True
            return Condition() if kind == "Condition" else MedicationAdministration()
        _each_element(value, kind, path, str(error), problems)
        return None


def _entry(value: object, path: str, problems: _Problems) -> Entry:
    if not isinstance(value, dict):
        problems.append(_wrong(f"Expected `object`, got `{_json_kind(value)}`", path))
        return Entry(resource=_UNREADABLE)
    before = len(problems)
    request = _field(value, "request", EntryRequest, path, problems)
    full_url = _field(value, "fullUrl", str, path, problems) or ""
    resource = _resource(value["resource"], f"{path}.resource", problems) if "resource" in value else None
    if resource is None and len(problems) > before:
        resource = _UNREADABLE
    return Entry(full_url, resource, request)


def _parameter(value: object, path: str, problems: _Problems) -> Parameter:
    if not isinstance(value, dict):
        problems.append(_wrong(f"Expected `object`, got `{_json_kind(value)}`", path))
        return Parameter("", _UNREADABLE)
    resource = _resource(value["resource"], f"{path}.resource", problems) if "resource" in value else None
    rest = {name: item for name, item in value.items() if name != "resource"}
    try:
        parameter = msgspec.convert(rest, Parameter)
    except (msgspec.ValidationError, RecursionError) as error:
        message, below = _split_message(str(error))
        problems.append(_wrong(message, path + below))
        return Parameter("", _UNREADABLE)
    if "resource" in value and resource is None:
        resource = _UNREADABLE
    return msgspec.structs.replace(parameter, resource=resource)


def _each_element(value: dict[str, object], kind: str, path: str, message: str, problems: _Problems) -> None:
    """Name every element of one resource that is of the wrong kind."""
    before = len(problems)
    for info in msgspec.structs.fields(_SHAPES[kind]) if kind in _SHAPES else ():
        if info.encode_name in value:
            _field(value, info.encode_name, info.type, path, problems)
        elif info.required:
            problems.append(_missing(f"{path}.{info.encode_name}", info.encode_name))
    if len(problems) == before:
        text, below = _split_message(message)
        problems.append(_wrong(text, path + below))


def _field(value: dict[str, object], name: str, kind: Any, path: str, problems: _Problems) -> Any:  # noqa: ANN401
    if name not in value:
        return None
    try:
        return msgspec.convert(value[name], kind)
    except (msgspec.ValidationError, RecursionError) as error:
        message, below = _split_message(str(error))
        problems.append(_wrong(message, f"{path}.{name}{below}"))
        return None


def _split_message(message: str) -> tuple[str, str]:
    """The decoder's message and its path, which is FHIRPath below the element once `$` is off."""
    found = _WHERE.match(message)
    return (found.group(1), found.group(2) or "") if found else (message, "")


def _wrong(message: str, path: str) -> Problem:
    """The decoder's message about the element at this FHIRPath, in plain words."""
    lacking = _LACKING.match(message)
    if lacking:
        return _missing(f"{path}.{lacking.group(1)}", lacking.group(1))
    kinds = _EXPECTED.match(message)
    if kinds:
        expected, got = (_WORDS.get(word, word) for word in kinds.groups())
        sentence = f"{path or 'The body'} must be {expected}; found {got}."
        return Problem(ProblemKind.WRONG_TYPE, path, got, expected, sentence)
    if message.startswith("Number out of range"):
        sentence = f"{path} is a number that no computer can hold."
        return Problem(ProblemKind.NOT_A_JSON_NUMBER, path, "a number out of range", "a number", sentence)
    if message.startswith("Invalid value") and path.endswith("resourceType"):
        sentence = f"{path} is not a resource type of FHIR R4."
        return Problem(ProblemKind.NOT_FHIR, path, "another type", "a FHIR R4 resource type", sentence)
    sentence = f"{path or 'The body'} cannot be read as FHIR R4."
    return Problem(ProblemKind.WRONG_TYPE, path, "something else", "FHIR R4", sentence)


def _missing(path: str, name: str) -> Problem:
    """An element that FHIR R4 requires is not there."""
    sentence = f"{path} is missing; FHIR R4 requires {name} here."
    return Problem(ProblemKind.ELEMENT_MISSING, path, "nothing", name, sentence)


def _json_kind(value: object) -> str:
    """The decoder's word for the kind of a JSON value."""
    kinds = {str: "str", float: "float", int: "int", bool: "bool", list: "array", dict: "object"}
    return kinds.get(type(value), "null")
