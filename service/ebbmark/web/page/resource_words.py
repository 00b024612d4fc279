"""How is an element of a resource said, for a person to read before it is written? Nothing is left out of a value."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

__all__ = ["element_words", "said"]

Json = Mapping[str, Any]


def said(value: object, names: Mapping[str, str]) -> str:
    """One value as people read it; whatever has no form of its own is spelled out element by element.

    Args:
        value: of a FHIR element, as JSON has it.
        names: what is at the other end of a reference.
    """
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, list):
        return "; ".join(said(one, names) for one in value)
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
        return said(value["coding"], names)
    if "start" in value and "end" in value:
        return f"{value['start']} to {value['end']}"
    return ", ".join(f"{element_words(name)} {said(one, names)}" for name, one in value.items())


def element_words(element: str) -> str:
    """`effectiveDateTime` as `effective date time`; the type of a value[x] is left out.

    Args:
        element: name of a FHIR element.
    """
    if element.startswith("value") and element != "value":
        return "value"
    return re.sub(r"(?<=[a-z])(?=[A-Z])", " ", element).lower()
