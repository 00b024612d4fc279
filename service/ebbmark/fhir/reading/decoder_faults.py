"""What does the decoder complain about? Its messages as problems, in plain words and with their FHIRPath."""

from __future__ import annotations

import re

from ebbmark.fhir.problems import Problem, ProblemKind

__all__ = ["json_kind", "missing", "split_message", "wrong"]

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
_MISSING = re.compile(r"Object missing required field `(\w+)`")
_WHERE = re.compile(r"^(.*?)(?: - at `\$?(.*)`)?$", re.DOTALL)


def split_message(message: str) -> tuple[str, str]:
    """The decoder's message and its path, which is FHIRPath below the element once `$` is off."""
    found = _WHERE.match(message)
    return (found.group(1), found.group(2) or "") if found else (message, "")


def wrong(message: str, path: str) -> Problem:
    """The decoder's message about the element at this FHIRPath, in plain words."""
    lacking = _MISSING.match(message)
    if lacking:
        return missing(f"{path}.{lacking.group(1)}", lacking.group(1))
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


def missing(path: str, name: str) -> Problem:
    """An element that FHIR R4 requires is not there."""
    sentence = f"{path} is missing; FHIR R4 requires {name} here."
    return Problem(ProblemKind.ELEMENT_MISSING, path, "nothing", name, sentence)


def json_kind(value: object) -> str:
    """The decoder's word for the kind of a JSON value."""
    kinds = {str: "str", float: "float", int: "int", bool: "bool", list: "array", dict: "object"}
    return kinds.get(type(value), "null")
