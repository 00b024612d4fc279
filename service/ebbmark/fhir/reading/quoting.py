"""What a refusal may repeat of a request: numbers, and words that are known here, since any other may be a name.

Everything else is told by its place (FHIRPath) and its kind.

An element may be repeated within one resource only so often that work stays bounded by the size of the body. The
numbers are this project's choice: several times what a real resource holds.
"""

from __future__ import annotations

import re
from collections.abc import Container
from typing import Final

from ebbmark.fhir.bedside.condition_codes import ALL_ICD
from ebbmark.fhir.model import Coding, Observation, Patient
from ebbmark.fhir.naming import LOINC, MDC, SNOMED
from ebbmark.fhir.problems import Problem, ProblemKind

__all__ = ["MOST_TOLD", "code_shown", "too_often", "word_shown"]

_SYSTEMS = frozenset({LOINC, MDC, SNOMED})
_NUMERIC = re.compile(r"[0-9][0-9.\-]{0,19}")
_ICD_CODE = re.compile(r"[A-Z][0-9][0-9A-Z]\.?[0-9A-Z]{0,4}[+*!†-]?")


def word_shown(text: str, known: Container[str], kind: str) -> str:
    """The word where it is known, else what kind of word stands there.

    Args:
        text: as received.
        known: words that may be repeated.
        kind: for example `another status`.
    """
    return text if text in known else kind


def code_shown(coding: Coding) -> str:
    """A coding as `system|code` where system and form of the code are known, else what kind of code it is."""
    if not coding.code:
        return "no code"
    if coding.system in ALL_ICD and _ICD_CODE.fullmatch(coding.code):
        return f"{coding.system}|{coding.code}"
    number = coding.code if _NUMERIC.fullmatch(coding.code) else ""
    if not coding.system:
        return f"{number or 'a code'} without a system"
    if coding.system not in _SYSTEMS:
        return "a code of another system"
    return f"{coding.system}|{number}" if number else f"another code of {coding.system}"


MOST_CODINGS: Final = 20
MOST_IDENTIFIERS: Final = 20
MOST_COMPONENTS: Final = 200
MOST_CONTAINED: Final = 20
MOST_EXTENSIONS: Final = 100

MOST_TOLD: Final = 100
"""Most problems of one kind of fault that are told one by one."""


def too_often(resource: Observation | Patient, path: str) -> Problem | None:
    """The first element of a resource that is repeated more often than is read; None where there is none.

    Args:
        resource: as received.
        path: its FHIRPath.
    """
    if isinstance(resource, Patient):
        return _first(
            (len(resource.identifier), MOST_IDENTIFIERS, f"{path}.identifier"),
            (len(resource.extension), MOST_EXTENSIONS, f"{path}.extension"),
            (max((len(one.extension) for one in resource.extension), default=0), MOST_EXTENSIONS, f"{path}.extension"),
        )
    contained = resource.contained
    return _first(
        (len(resource.identifier), MOST_IDENTIFIERS, f"{path}.identifier"),
        (len(resource.component), MOST_COMPONENTS, f"{path}.component"),
        (len(contained) if isinstance(contained, list) else 0, MOST_CONTAINED, f"{path}.contained"),
        (len(resource.code.coding), MOST_CODINGS, f"{path}.code.coding"),
        *[
            (len(one.code.coding), MOST_CODINGS, f"{path}.component[{number}].code.coding")
            for number, one in enumerate(resource.component)
            if len(one.code.coding) > MOST_CODINGS
        ],
    )


def _first(*counts: tuple[int, int, str]) -> Problem | None:
    for count, most, path in counts:
        if count > most:
            sentence = f"{path} is repeated {count} times; at most {most} are read."
            return Problem(ProblemKind.TOO_MANY_ENTRIES, path, str(count), str(most), sentence)
    return None
