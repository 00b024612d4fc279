"""How does a text become Markdown that says the same, whatever characters it holds?

Source: GitHub Flavored Markdown, sections 2.4 (any ASCII punctuation may be escaped by a backslash), 4.10 (tables), 6.9
(autolinks by extension: www., http://, mail addresses).
"""

from __future__ import annotations

import re
from collections.abc import Sequence

__all__ = ["bold", "bullets", "escaped", "section", "table"]

_ACTIVE = re.compile(r"([\\`*_{}\[\]<>|~#&@$])")
_SCHEME = re.compile(r":(?=//)")
_WWW = re.compile(r"\bwww\.", re.IGNORECASE)
_LINE_START = re.compile(r"^([-+=])|^(\d{1,9})([.)])(?=\s|$)")


def escaped(text: str) -> str:
    """One line of plain text as Markdown: no mark-up, no link and no HTML can come of it.

    Args:
        text: any; line breaks become spaces.
    """
    line = _ACTIVE.sub(r"\\\1", " ".join(text.split()))
    line = _WWW.sub(lambda match: match[0][:-1] + r"\.", _SCHEME.sub(r"\\:", line))
    return _LINE_START.sub(lambda match: f"{match[2] or ''}\\{match[1] or match[3]}", line)


def bold(text: str) -> str:
    """Plain text in bold."""
    return f"**{escaped(text)}**"


def section(heading: str, *paragraphs: str) -> str:
    """A heading in bold and paragraphs that are Markdown already; empty ones are left out, and nothing without any."""
    kept = [one for one in paragraphs if one]
    return "\n\n".join([bold(heading), *kept]) if kept else ""


def bullets(lines: Sequence[str]) -> str:
    """A list of lines that are Markdown already."""
    return "\n".join(f"- {line}" for line in lines)


def table(heads: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    """A table of plain texts, numbers to the right."""
    lines = [
        [escaped(head) for head in heads],
        ["---:"] * len(heads),
        *[[escaped(cell) for cell in row] for row in rows],
    ]
    return "\n".join(f"| {' | '.join(line)} |" for line in lines)
