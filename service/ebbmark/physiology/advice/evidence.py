"""What published work says about the practice that this engine reads: data/evidence.toml, with how far each was traced.

The engine analyses a trial that a clinician chose to run. Whoever acts on the answer should see, beside it, what
trials and guidelines found. Nothing here asks anyone to perform a manoeuvre.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from typing import Final

from ebbmark.data import table
from ebbmark.physiology.findings import Message, message


class EvidenceStatus(Enum):
    """How far a line was traced."""

    VERIFIED = "verified"
    VERIFIED_SECOND_HAND = "verified-second-hand"
    COMMON_PRACTICE = "common-practice"  # no published source


@dataclass(frozen=True, slots=True)
class EvidenceLine:
    """One thing worth knowing beside an answer."""

    slug: str
    text: Message
    citation: str
    status: EvidenceStatus


EVIDENCE: Final = tuple(
    EvidenceLine(row["slug"], message(f"evidence.{row['slug']}"), row["citation"], EvidenceStatus(row["status"]))
    for row in table("evidence")["line"]
)
"""In the order in which they are shown."""

_BY_SLUG: Final = {line.slug: line for line in EVIDENCE}


def evidence_for(slug: str) -> EvidenceLine:
    """Find one line by its name.

    Raises:
        KeyError: there is no such line; a mistake in our own code.
    """
    return _BY_SLUG[slug]
