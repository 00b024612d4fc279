"""What does the record say of one condition that is looked for, in whose words, and as what is that counted?

A code says less than the concept that it is counted under: what was charted is told first, then as what it counts, and
what the code leaves open. Nothing is taken as absent because it was not sent.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from enum import Enum

from ebbmark.physiology.before.risk_concepts import RiskConcept

__all__ = ["Charted", "Documented", "Finding", "finding_of"]


class Documented(Enum):
    """What the record says of a condition."""

    PRESENT = "present"
    REFUTED = "refuted"
    CONTRADICTORY = "contradictory"
    NOT_DOCUMENTED = "not-documented"


@dataclass(frozen=True, slots=True)
class Charted:
    """What was charted and is counted under one condition.

    Attributes:
        present: each in the words of the record.
        refuted: likewise, where the record says that it is not there.
        leaves_open: what the codes do not say, and how that is read, as a plain sentence; may be empty.
    """

    present: Sequence[str] = ()
    refuted: Sequence[str] = ()
    leaves_open: str = ""


@dataclass(frozen=True, slots=True)
class Finding:
    """One condition, what the record says of it, and in a few words what stands there."""

    concept: RiskConcept
    documented: Documented
    sentence: str
    words: str

    @property
    def counts(self) -> bool:
        """Whether it counts as present."""
        return self.documented in (Documented.PRESENT, Documented.CONTRADICTORY)


def finding_of(
    concept: RiskConcept, present: Collection[str], refuted: Collection[str], charted: Mapping[str, Charted]
) -> Finding:
    """Say what the record says of one condition.

    Args:
        concept: which is looked for.
        present: slugs of what counts as present.
        refuted: slugs of what is refuted.
        charted: in which words, by slug; where none is given the condition's own stand for them.

    Source: the condition's own, see `RiskConcept.says`.
    """
    documented = {
        (True, True): Documented.CONTRADICTORY,
        (True, False): Documented.PRESENT,
        (False, True): Documented.REFUTED,
        (False, False): Documented.NOT_DOCUMENTED,
    }[concept.slug in present, concept.slug in refuted]
    given = charted.get(concept.slug, Charted())
    there, not_there = _listed(given.present), _listed(given.refuted)
    left = f" {given.leaves_open}" if given.leaves_open else ""
    name = concept.words[0].upper() + concept.words[1:]
    is_there = (
        f"{there} {_verb(given.present)} charted. Counts as: {concept.words}.{left}"
        if there
        else f"{name}: documented."
    )
    is_not = (
        f"{not_there} {_verb(given.refuted)} charted as refuted." if not_there else f"{name}: documented as refuted."
    )
    sentence = {
        Documented.PRESENT: f"{is_there} {concept.says}",
        Documented.CONTRADICTORY: f"{is_there} The record says the opposite too: {is_not} It counts as present until "
        f"somebody settles it. {concept.says}",
        Documented.REFUTED: f"{is_not} Counts as refuted: {concept.words}." if not_there else is_not,
        Documented.NOT_DOCUMENTED: f"{name}: not documented. It is not taken as absent.",
    }[documented]
    words = f"{there}, counted as {concept.words}" if there else concept.words
    return Finding(concept, documented, sentence, words)


def _verb(charted: Sequence[str]) -> str:
    return "are" if len(set(charted)) > 1 else "is"


def _listed(charted: Sequence[str]) -> str:
    """Each once, in an order that does not depend on the order received."""
    return " and ".join(sorted(set(charted)))
