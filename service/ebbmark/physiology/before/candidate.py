"""What speaks for a PEEP trial in this patient, what against it, and what is not known.

Nothing is taken as absent because it was not sent: "not documented" is an answer of its own. A code says less than the
concept that it is counted under: what was charted is told first, then as what it counts, and what the code leaves open.
The service says what it found; whether a trial is done is for the clinician.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from enum import Enum
from types import MappingProxyType
from typing import Final

from ebbmark.physiology.before.ards_class import ALSO_NEEDED, ArdsClass, ards_classes, gas_doubts
from ebbmark.physiology.before.indication import Indication, by_severity
from ebbmark.physiology.before.present_state import PresentState, present_state
from ebbmark.physiology.before.risk_concepts import RISK_CONCEPTS, Risk, RiskConcept, Scope
from ebbmark.physiology.before.risk_readings import ReadingRisk, risks_in_readings
from ebbmark.physiology.formulas.gas_doubts import GasDoubt
from ebbmark.physiology.readings import Reading
from ebbmark.physiology.stop.limits import DEFAULT_STOP_LIMITS, StopLimits

__all__ = ["Candidate", "Charted", "Documented", "Finding", "Indication", "Standing", "assess_candidate", "finding_of"]


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
        Documented.NOT_DOCUMENTED: f"{name}: not documented. That does not mean absent.",
    }[documented]
    words = f"{there}, counted as {concept.words}" if there else concept.words
    return Finding(concept, documented, sentence, words)


def _verb(charted: Sequence[str]) -> str:
    return "are" if len(set(charted)) > 1 else "is"


def _listed(charted: Sequence[str]) -> str:
    """Each once, in an order that does not depend on the order received."""
    return " and ".join(sorted(set(charted)))


_NOTHING: Final[Mapping[str, Charted]] = MappingProxyType({})


class Standing(Enum):
    """Where the answer stands, gravest first; never "safe"."""

    CONTRAINDICATED = "contraindicated"
    HIGH_RISK = "high-risk"
    CANNOT_JUDGE = "cannot-judge"
    NO_REASON_FOUND = "no-reason-found"
    NOTHING_DOCUMENTED_AGAINST = "nothing-documented-against"


@dataclass(frozen=True, slots=True)
class Candidate:
    """What can be said before a trial.

    Attributes:
        classes: severity by each definition, with inputs and their age.
        also_needed: what the definitions ask for that no reading shows.
        indications: what speaks for a trial.
        findings: every condition of the table, gravest class first, whatever the record says of it.
        reading_risks: what the readings themselves show.
        doubts: readings that cannot be true as they were sent.
        state: circulation and gas exchange as they were read.
        not_recognised: slugs that no concept of the table has; nothing is dropped silently.
        missing: what would be needed to judge, in plain phrases.
        standing: where the answer stands.
        sentence: the answer in a few plain sentences.
    """

    classes: tuple[ArdsClass, ...]
    also_needed: str
    indications: tuple[Indication, ...]
    findings: tuple[Finding, ...]
    reading_risks: tuple[ReadingRisk, ...]
    doubts: tuple[GasDoubt, ...]
    state: PresentState
    not_recognised: tuple[str, ...]
    missing: tuple[str, ...]
    standing: Standing
    sentence: str


def assess_candidate(
    readings: Sequence[Reading],
    *,
    at_s: float,
    present: Collection[str],
    refuted: Collection[str],
    pbw_kg: float | None = None,
    age_years: float | None = None,
    body_mass_index: float | None = None,
    noradrenaline_equivalent_mcg_per_kg_per_min: float | None = None,
    barometric_pressure_mmhg: float | None = None,
    concepts: Sequence[RiskConcept] = RISK_CONCEPTS,
    charted: Mapping[str, Charted] = _NOTHING,
    unjudged: int = 0,
    not_converted: Sequence[str] = (),
    limits: StopLimits = DEFAULT_STOP_LIMITS,
) -> Candidate:
    """Gather what speaks for and against, and what is missing.

    Args:
        readings: of one intubated adult, in any order.
        at_s: time of the question [s since 1970-01-01T00:00:00Z].
        present: slugs of concepts documented as present and current.
        refuted: slugs of concepts documented as refuted.
        pbw_kg: predicted body weight; None where not known [kg].
        age_years: None where not known [years].
        body_mass_index: None where not known [kg/m2].
        noradrenaline_equivalent_mcg_per_kg_per_min: None where not known [mcg/kg/min].
        barometric_pressure_mmhg: given above 1,000 m [mmHg].
        concepts: the table, a site's own rows included.
        charted: in which words, by slug.
        unjudged: how many Conditions may be there of which nobody can say what they mean.
        not_converted: vasopressors that run and whose dose is not known as noradrenaline equivalent.
        limits: stop limits of the site; they count where they are signed.

    Source: each concept's, class's and indication's own.
    """
    classes = ards_classes(readings, at_s=at_s, barometric_pressure_mmhg=barometric_pressure_mmhg)
    doubts = gas_doubts(readings, at_s=at_s)
    findings = tuple(finding_of(concept, present, refuted, charted) for concept in concepts)
    risks, risk_missing = risks_in_readings(
        readings,
        at_s=at_s,
        pbw_kg=pbw_kg,
        age_years=age_years,
        body_mass_index=body_mass_index,
        noradrenaline_equivalent_mcg_per_kg_per_min=noradrenaline_equivalent_mcg_per_kg_per_min,
        not_converted=not_converted,
        limits=limits,
    )
    indications = (by_severity(classes),)
    undocumented = [finding for finding in findings if finding.documented is Documented.NOT_DOCUMENTED]
    missing = [f"{one.ratio_name} by {one.definition}: {', '.join(one.missing)}" for one in classes if one.missing]
    missing += risk_missing
    missing += [finding.concept.words for finding in undocumented]
    known = {concept.slug for concept in concepts}
    standing = _standing(findings, risks, indications, unjudged)
    return Candidate(
        classes=classes,
        also_needed=ALSO_NEEDED,
        indications=indications,
        findings=findings,
        reading_risks=risks,
        doubts=doubts,
        state=present_state(readings, at_s=at_s),
        not_recognised=tuple(sorted({*present, *refuted} - known)),
        missing=tuple(missing),
        standing=standing,
        sentence=_sentence(standing, findings, risks, indications, doubts, unjudged),
    )


def _standing(
    findings: Sequence[Finding], risks: Sequence[ReadingRisk], indications: Sequence[Indication], unjudged: int
) -> Standing:
    found = [one for one in findings if one.counts]
    absolute = [one.concept for one in found if one.concept.risk is Risk.ABSOLUTE]
    if any(concept.scope is Scope.ANY_PEEP_RISE for concept in absolute):
        return Standing.CONTRAINDICATED
    if absolute or any(one.concept.risk is Risk.HIGH for one in found) or any(r.risk is Risk.HIGH for r in risks):
        return Standing.HIGH_RISK
    if (
        unjudged
        or all(one.speaks_for is None for one in indications)
        or any(one.documented is Documented.NOT_DOCUMENTED and one.concept.risk is Risk.ABSOLUTE for one in findings)
    ):
        return Standing.CANNOT_JUDGE
    if not any(one.speaks_for for one in indications):
        return Standing.NO_REASON_FOUND
    return Standing.NOTHING_DOCUMENTED_AGAINST


def _not_enough(findings: Sequence[Finding], unjudged: int) -> str:
    """What would forbid a trial and is not known; that oxygenation cannot be classed is said by itself."""
    silent = [
        one.concept.words
        for one in findings
        if one.documented is Documented.NOT_DOCUMENTED and one.concept.risk is Risk.ABSOLUTE
    ]
    why = [f"what {unjudged} of the Conditions say{'s' if unjudged == 1 else ''} is not known here"] if unjudged else []
    why += [f"whether there is a contraindication ({'; '.join(silent)}) is not documented"] if silent else []
    return f"This cannot be judged{': ' if why else ''}{', and '.join(why)}."


def _sentence(
    standing: Standing,
    findings: Sequence[Finding],
    risks: Sequence[ReadingRisk],
    indications: Sequence[Indication],
    doubts: Sequence[GasDoubt],
    unjudged: int,
) -> str:
    found = [one for one in findings if one.counts]
    opening = {
        Standing.CONTRAINDICATED: "A contraindication to raising PEEP is charted.",
        Standing.HIGH_RISK: "High risk: charted, or shown by the readings.",
        Standing.CANNOT_JUDGE: _not_enough(findings, unjudged),
        Standing.NO_REASON_FOUND: "No reason for a trial was found in the readings.",
        Standing.NOTHING_DOCUMENTED_AGAINST: "Nothing that speaks against a trial is documented.",
    }[standing]
    undocumented = sum(one.documented is Documented.NOT_DOCUMENTED for one in findings)
    rest = f" {undocumented} of {len(findings)} conditions are not documented; that does not mean absent."
    # What a guideline makes of severity is not said in one breath with what speaks against.
    against = standing in (Standing.CONTRAINDICATED, Standing.HIGH_RISK)
    parts = [one.sentence for one in found] + [one.sentence for one in risks] + [one.sentence for one in doubts]
    parts += [one.severity if against else one.sentence for one in indications]
    return f"{opening} {' '.join(parts)}{rest} Whether to go on is for the clinician."
