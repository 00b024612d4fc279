"""Is a file that a site signed written so that it says one thing only? Each name once, and a date as people read it.

JSON readers take the last of two equal names without a word. In a file of limits that is a limit nobody meant.
"""

from __future__ import annotations

import json
from datetime import date

from ebbmark.fhir.bedside.site import Misread

__all__ = ["is_signed_date", "refuse_repeated_names"]


def refuse_repeated_names(name: str, content: bytes) -> None:
    """Let JSON pass in which no object has two entries of one name; what is no JSON is left to its reader.

    Args:
        name: of the file, for messages.
        content: of the file.

    Raises:
        Misread: names file and entry.
    """

    def once(pairs: list[tuple[str, object]]) -> None:
        names = [one for one, _ in pairs]
        for one in names:
            if names.count(one) > 1:
                raise Misread(f"{name}: {one[:60]!r} stands there twice, and only one of them can be meant")

    try:
        json.loads(content, object_pairs_hook=once)
    except Misread:
        raise
    except (ValueError, RecursionError):
        return


def is_signed_date(text: str) -> bool:
    """Whether this is a date as year-month-day; other forms of ISO 8601 are misread by people.

    Args:
        text: as it stands in the file.
    """
    try:
        return date.fromisoformat(text).isoformat() == text
    except ValueError:
        return False
