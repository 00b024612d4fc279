"""Conditions that speak against a PEEP trial or against recruitment, from `data/conditions.toml`.

Classes are this project's reading of the source's own words, which stand beside each. Only what was read, at first or
second hand, is listed; a site may add its own, signed by a clinician. Which codes stand for a concept is decided where
codes are read.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from typing import Final

from ebbmark.data import table
from ebbmark.physiology.advice.evidence import EvidenceStatus

__all__ = ["RISK_CONCEPTS", "Risk", "RiskConcept", "Scope"]


class Risk(Enum):
    """How much a condition speaks against it."""

    ABSOLUTE = "absolute"
    HIGH = "high-risk"
    CAUTION = "caution"


class Scope(Enum):
    """What it speaks against."""

    ANY_PEEP_RISE = "any-peep-rise"
    RECRUITMENT = "recruitment"


@dataclass(frozen=True, slots=True)
class RiskConcept:
    """One condition.

    Attributes:
        slug: stable name, the name of its value set too.
        words: for people.
        risk: this project's reading of the source.
        scope: what the source speaks of.
        says: what the source says, in a plain sentence.
        citation: the source.
        status: how far the source was traced.
        named_by: parts of words, in small letters without accents, that name it where no code does.
    """

    slug: str
    words: str
    risk: Risk
    scope: Scope
    says: str
    citation: str
    status: EvidenceStatus
    named_by: tuple[str, ...] = ()


RISK_CONCEPTS: Final = tuple(
    RiskConcept(
        **{
            **row,
            "risk": Risk(row["risk"]),
            "scope": Scope(row["scope"]),
            "status": EvidenceStatus(row["status"]),
            "named_by": tuple(row.get("named_by", ())),
        }
    )
    for row in table("conditions")["condition"]
)
"""Gravest first."""
