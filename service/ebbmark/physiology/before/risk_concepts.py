"""Which conditions speak against a PEEP trial or against recruitment, and who says so?

Classes are this project's reading of the source's own words, which stand beside each. Only what was read, at first or
second hand, is listed; a site may add its own, signed by a clinician. Which codes stand for a concept is decided where
codes are read.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from typing import Final

from ebbmark.physiology.advice.evidence import EvidenceStatus

__all__ = ["RISK_CONCEPTS", "Risk", "RiskConcept", "Scope"]

_READ: Final = EvidenceStatus.VERIFIED
_SECOND_HAND: Final = EvidenceStatus.VERIFIED_SECOND_HAND


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
    """

    slug: str
    words: str
    risk: Risk
    scope: Scope
    says: str
    citation: str
    status: EvidenceStatus


_TEXTBOOK: Final = "Pilbeam's Mechanical Ventilation, chapter 13"
_TRIAL: Final = "exclusions of Kacmarek et al, Crit Care Med 2016;44:32-42, in Cochrane review CD006667"
_EXCLUDED: Final = "Excluded from a trial of the open lung approach, so there is no evidence for such patients."
_ANY: Final = Scope.ANY_PEEP_RISE
_RECRUIT: Final = Scope.RECRUITMENT

# fmt: off
RISK_CONCEPTS: Final[tuple[RiskConcept, ...]] = (
    RiskConcept("untreated-pneumothorax", "untreated or tension pneumothorax", Risk.ABSOLUTE, _ANY,
                "A contraindication to raising PEEP and to recruitment until it is drained.", _TEXTBOOK, _SECOND_HAND),
    RiskConcept("bullous-disease", "bullae or blebs", Risk.ABSOLUTE, _RECRUIT,
                "A contraindication to recruitment.", _TEXTBOOK, _SECOND_HAND),
    RiskConcept("air-leak", "bronchopleural fistula, pneumopericardium or other air leak", Risk.HIGH, _ANY,
                "To be avoided, or done with great caution.", _TEXTBOOK, _SECOND_HAND),
    RiskConcept("drained-barotrauma", "barotrauma with a chest tube for air", Risk.HIGH, _ANY,
                _EXCLUDED, _TRIAL, _READ),
    RiskConcept("shock", "hypovolaemia or uncorrected shock", Risk.HIGH, _ANY,
                "A relative contraindication: to be corrected first.", _TEXTBOOK, _SECOND_HAND),
    RiskConcept("haemodynamic-instability", "persistent haemodynamic instability", Risk.HIGH, _ANY,
                _EXCLUDED, _TRIAL, _READ),
    RiskConcept("raised-intracranial-pressure", "raised intracranial pressure", Risk.HIGH, _ANY,
                "Caution with intracranial pressure monitored; above 18 mmHg it was an exclusion of a trial.",
                f"{_TEXTBOOK}; {_TRIAL}", _SECOND_HAND),
    RiskConcept("right-heart-failure", "right heart failure, acute cor pulmonale or severe pulmonary hypertension",
                Risk.HIGH, _ANY, "PEEP raises the load on the right heart.",
                "standard physiology; named in a public clinical review", _SECOND_HAND),
    RiskConcept("obstructive-disease", "emphysema or severe obstruction with hyperinflation", Risk.HIGH, _ANY,
                "Usually no benefit, and shunt may become worse.", _TEXTBOOK, _SECOND_HAND),
    RiskConcept("severe-cardiac-disease",
                "heart failure of class III or IV, acute coronary syndrome or persistent ventricular tachyarrhythmia",
                Risk.HIGH, _ANY, _EXCLUDED, _TRIAL, _READ),
    RiskConcept("recent-lung-surgery", "recent lung surgery", Risk.CAUTION, _ANY,
                "Caution.", _TEXTBOOK, _SECOND_HAND),
    RiskConcept("recent-sternotomy", "sternotomy within 48 hours", Risk.CAUTION, _RECRUIT,
                "One unit avoids manoeuvres then.", "a public unit guide, not a trial: weak", _SECOND_HAND),
    RiskConcept("unilateral-disease", "unilateral or lobar lung disease", Risk.CAUTION, _ANY,
                "PEEP may divert blood flow to the diseased side.", _TEXTBOOK, _SECOND_HAND),
    RiskConcept("late-or-fibrotic-ards", "late or fibrotic ARDS", Risk.CAUTION, _ANY,
                "Less of the lung can be opened.", _TEXTBOOK, _SECOND_HAND),
    RiskConcept("spontaneous-effort", "breathing efforts of the patient's own", Risk.CAUTION, _ANY,
                "Plateau pressure and compliance are wrong unless the patient is passive.",
                "Pilbeam's Mechanical Ventilation, chapter 1", _SECOND_HAND),
    RiskConcept("penetrating-chest-trauma", "penetrating chest trauma", Risk.CAUTION, _ANY, _EXCLUDED, _TRIAL, _READ),
    RiskConcept("pregnancy", "pregnancy", Risk.CAUTION, _ANY, _EXCLUDED, _TRIAL, _READ),
    RiskConcept("sickle-cell-disease", "sickle cell disease", Risk.CAUTION, _ANY, _EXCLUDED, _TRIAL, _READ),
    RiskConcept("neuromuscular-disease", "neuromuscular disease", Risk.CAUTION, _ANY, _EXCLUDED, _TRIAL, _READ),
)
# fmt: on
"""Gravest first."""
