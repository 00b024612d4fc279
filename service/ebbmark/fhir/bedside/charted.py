"""In which words was a Condition charted? Its own text, else the display of a code, and the codes as they are known.

These are the caller's own words, for the answer to the caller: a person must recognise the Condition that is meant.
They are text of a record, so that they are never logged.
"""

from __future__ import annotations

from typing import Final

import msgspec

from ebbmark.fhir.bedside.condition_codes import ALL_ICD, ICD10, ICD10_CM
from ebbmark.fhir.reading.codes import SNOMED

__all__ = ["ChartedCode", "charted_words"]

LONGEST: Final = 120
"""Longest text that is repeated."""

MOST_CODES: Final = 3
"""Most codes that are named one by one."""

_NAMES: Final = {**dict.fromkeys(ALL_ICD, "ICD-10-GM"), ICD10: "ICD-10", ICD10_CM: "ICD-10-CM", SNOMED: "SNOMED CT"}


class _Coding(msgspec.Struct, frozen=True):
    system: str = ""
    code: str = ""
    display: str = ""


class ChartedCode(msgspec.Struct, frozen=True):
    """FHIR CodeableConcept, with what people read of it."""

    coding: list[_Coding] = []
    text: str = ""


def charted_words(code: ChartedCode | None) -> str:
    """What was charted, in the words of whoever charted it, and its codes.

    Args:
        code: of the Condition; None where it has none.
    """
    codings = code.coding if code is not None else []
    texts = [_plain(code.text)] if code is not None else []
    text = next((one for one in (*texts, *[_plain(coding.display) for coding in codings]) if one), "")
    named = [_named(coding) for coding in codings if coding.code]
    codes = ", ".join(named[:MOST_CODES]) + (f" and {len(named) - MOST_CODES} more" if len(named) > MOST_CODES else "")
    if text:
        return f"'{text}' ({codes or 'no code'})"
    return codes or "a Condition without words and without a code"


def _named(coding: _Coding) -> str:
    code = _plain(coding.code)
    if coding.system in _NAMES:
        return f"{_NAMES[coding.system]} {code}"
    return f"{_plain(coding.system)}|{code}"


def _plain(text: str) -> str:
    """On one line, without what cannot be seen, and not without end."""
    seen = " ".join("".join(sign if sign.isprintable() else " " for sign in text).split())
    return seen if len(seen) <= LONGEST else f"{seen[: LONGEST - 1].rstrip()}…"
