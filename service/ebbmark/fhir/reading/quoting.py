"""What a refusal may repeat of a request: numbers, and words that are known here, since any other may be a name.

Everything else is told by its place (FHIRPath) and its kind.
"""

from __future__ import annotations

import re
from collections.abc import Container

from ebbmark.fhir.model import Coding
from ebbmark.fhir.naming import LOINC, MDC, SNOMED

__all__ = ["code_shown", "word_shown"]

_SYSTEMS = frozenset({LOINC, MDC, SNOMED})
_NUMERIC = re.compile(r"[0-9][0-9.\-]{0,19}")


def word_shown(text: str, known: Container[str], kind: str) -> str:
    """The word where it is known, else what kind of word stands there.

    Args:
        text: as received.
        known: words that may be repeated.
        kind: for example `another status`.
    """
    return text if text in known else kind


def code_shown(coding: Coding) -> str:
    """A coding as `system|code` where the system is known and the code is a number, else what kind of code it is."""
    if not coding.code:
        return "no code"
    number = coding.code if _NUMERIC.fullmatch(coding.code) else ""
    if not coding.system:
        return f"{number or 'a code'} without a system"
    if coding.system not in _SYSTEMS:
        return "a code of another system"
    return f"{coding.system}|{number}" if number else f"another code of {coding.system}"
