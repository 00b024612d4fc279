"""What must a clinician have looked at before a trial is laid out, and what is to be asked where nobody wrote it down?

A documented contraindication or high-risk state, and readings that show one, stand in the way of a plan until somebody
who can judge them says so by name. What is not documented does not stand in the way: it is asked after, and never taken
as absent. Which of the two is this project's choice; what each condition means is its source's word.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from ebbmark.physiology.before.candidate import Candidate, Documented
from ebbmark.physiology.before.risk_concepts import Risk, RiskConcept, Scope
from ebbmark.physiology.message import Value, message

__all__ = ["Obstacle", "is_obstacle", "obstacles_of", "to_be_asked"]

ALSO: Final = frozenset({"recent-lung-surgery", "pregnancy"})
"""Cautions that stand in the way, too: a fresh stump, and a second patient. This project's choice."""

_WHERE: Final = {"pregnancy": message("candidate.pregnancy-to-be-asked")}


@dataclass(frozen=True, slots=True)
class Obstacle:
    """One thing that stands in the way of a plan.

    Attributes:
        slug: of the condition, or of what the readings show; the word by which it is acknowledged.
        words: for people, in a few words.
        sentence: what was found and what its source says.
        citation: the source.
        final: whether no acknowledgement helps.
        source: index of the reading that shows it; None for a condition, whose inputs the reader knows.
    """

    slug: str
    words: Value
    sentence: Value
    citation: Value
    final: bool
    source: int | None = None


def is_obstacle(concept: RiskConcept) -> bool:
    """Whether this condition, where it is documented, stands in the way of a plan.

    Args:
        concept: of the table of risks.
    """
    return concept.risk in (Risk.ABSOLUTE, Risk.HIGH) or concept.slug in ALSO


def obstacles_of(candidate: Candidate, *, recruiting: bool) -> tuple[Obstacle, ...]:
    """What was found and stands in the way, gravest first.

    Args:
        candidate: what was found beforehand.
        recruiting: whether high-pressure recruitment was chosen: then a contraindication cannot be acknowledged away.

    Source: each condition's and threshold's own; that they stand in the way is this project's choice.
    """
    found = [
        Obstacle(
            slug=one.concept.slug,
            words=one.words,
            sentence=one.sentence,
            citation=one.concept.citation,
            final=recruiting and one.concept.risk is Risk.ABSOLUTE,
        )
        for one in candidate.findings
        if is_obstacle(one.concept) and one.counts
    ]
    shown = [
        Obstacle(
            slug=one.slug,
            words=one.slug.replace("-", " "),
            sentence=one.sentence,
            citation=one.citation,
            final=False,
            source=one.source,
        )
        for one in candidate.reading_risks
        if one.risk is Risk.HIGH
    ]
    return (*found, *shown)


def to_be_asked(candidate: Candidate, *, recruiting: bool) -> tuple[Value, ...]:
    """What would stand in the way and is not documented, in words: to be asked at the bedside.

    Args:
        candidate: what was found beforehand.
        recruiting: whether high-pressure recruitment was chosen.

    Source: this project's choice.
    """
    return tuple(
        _WHERE.get(one.concept.slug, one.concept.words)
        for one in candidate.findings
        if one.documented is Documented.NOT_DOCUMENTED
        and (is_obstacle(one.concept) or (recruiting and one.concept.scope is Scope.RECRUITMENT))
    )
