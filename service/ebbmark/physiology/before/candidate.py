"""What speaks for a PEEP trial in this patient, what against it, what is not known, what stands in the way of a plan.

Nothing is taken as absent because it was not sent: "not documented" is an answer of its own. A code says less than the
concept that it is counted under: what was charted is told first, then as what it counts, and what the code leaves open.
The service says what it found; whether a trial is done is for the clinician.

A documented contraindication or high-risk state, and readings that show one, stand in the way of a plan until somebody
who can judge them says so by name. What is not documented does not stand in the way: it is asked after. Which of the
two is this project's choice; what each condition means is its source's word.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from enum import Enum
from types import MappingProxyType
from typing import Final

from ebbmark.physiology.before.risks import (
    RISK_CONCEPTS,
    ReadingRisk,
    Risk,
    RiskConcept,
    Scope,
    risks_in_readings,
)
from ebbmark.physiology.before.state import (
    ArdsClass,
    Indication,
    PresentState,
    ards_classes,
    by_severity,
    gas_doubts,
    present_state,
)
from ebbmark.physiology.findings import Message, Value, joined, message
from ebbmark.physiology.gas_exchange import GasDoubt
from ebbmark.physiology.readings import Reading
from ebbmark.physiology.stop.limits import DEFAULT_STOP_LIMITS, StopLimits


class Documented(Enum):
    """What the record says of a condition."""

    PRESENT = "present"
    REFUTED = "refuted"
    CONTRADICTORY = "contradictory"
    NOT_DOCUMENTED = "not-documented"


@dataclass(frozen=True, slots=True)
class Charted:
    """What was charted and is counted under one condition."""

    present: Sequence[str] = ()
    refuted: Sequence[str] = ()
    leaves_open: str = ""  # what the codes do not say, and how that is read, as a plain sentence; may be empty


@dataclass(frozen=True, slots=True)
class ConditionFinding:
    """One condition, what the record says of it, and in a few words what stands there."""

    concept: RiskConcept
    documented: Documented
    sentence: Value
    words: Value

    @property
    def counts(self) -> bool:
        """Whether it counts as present."""
        return self.documented in (Documented.PRESENT, Documented.CONTRADICTORY)

    @property
    def silent(self) -> bool:
        """Whether the record says nothing of it."""
        return self.documented is Documented.NOT_DOCUMENTED


def finding_of(
    concept: RiskConcept, present: Collection[str], refuted: Collection[str], charted: Mapping[str, Charted]
) -> ConditionFinding:
    """Say what the record says of one condition, in the words of the chart where they are given."""
    given = charted.get(concept.slug, Charted())
    name = concept.words[0].upper() + concept.words[1:]
    words: Value = concept.words
    is_there: Value = message("candidate.documented", concept=name)
    is_not: Value = message("candidate.documented-as-refuted", concept=name)
    counts_not = []
    if there := _charted(given.present):
        words = message("candidate.counted-as", charted=_listed(given.present), concept=concept.words)
        counts = message("candidate.counts-as", charted=there, concept=concept.words)
        is_there = joined("sentences", [counts, *([given.leaves_open] if given.leaves_open else [])])
    if not_there := _charted(given.refuted):
        is_not = message("candidate.charted-as-refuted", charted=not_there)
        counts_not = [message("candidate.counts-as-refuted", concept=concept.words)]
    sentence: Value
    if concept.slug in present and concept.slug in refuted:
        documented = Documented.CONTRADICTORY
        sentence = message("candidate.contradictory", present=is_there, refuted=is_not, says=concept.says)
    elif concept.slug in present:
        documented, sentence = Documented.PRESENT, joined("sentences", [is_there, concept.says])
    elif concept.slug in refuted:
        documented, sentence = Documented.REFUTED, joined("sentences", [is_not, *counts_not])
    else:
        documented, sentence = Documented.NOT_DOCUMENTED, message("candidate.not-documented", concept=name)
    return ConditionFinding(concept, documented, sentence, words)


def _charted(charted: Sequence[str]) -> Message | None:
    """That it is charted; None where nothing is."""
    if not charted:
        return None
    how = "several" if len(set(charted)) > 1 else "one"
    return message(f"candidate.charted-{how}", charted=_listed(charted))


def _listed(charted: Sequence[str]) -> Value:
    """Each once, in an order that does not depend on the order received."""
    return joined("each-and", sorted(set(charted)))


_NOTHING: Final[Mapping[str, Charted]] = MappingProxyType({})


class CandidateAnswer(Enum):
    """Where the answer stands, gravest first; never "safe"."""

    CONTRAINDICATED = "contraindicated"
    HIGH_RISK = "high-risk"
    CANNOT_JUDGE = "cannot-judge"
    NO_REASON_FOUND = "no-reason-found"
    NOTHING_DOCUMENTED_AGAINST = "nothing-documented-against"


@dataclass(frozen=True, slots=True)
class Candidate:
    """What can be said before a trial."""

    classes: tuple[ArdsClass, ...]
    indication: Indication
    findings: tuple[ConditionFinding, ...]  # every condition of the table, gravest class first
    reading_risks: tuple[ReadingRisk, ...]
    doubts: tuple[GasDoubt, ...]
    state: PresentState
    missing: tuple[Value, ...]
    answer: CandidateAnswer
    sentence: Value


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
        present: slugs of concepts documented as present and current.
        barometric_pressure_mmhg: given above 1,000 m [mmHg].
        unjudged: how many Conditions may be there of which nobody can say what they mean.
        not_converted: vasopressors that run and whose dose is not known as noradrenaline equivalent.

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
    indication = by_severity(classes)
    missing: tuple[Value, ...] = (
        *[_missing_of_class(one) for one in classes if one.missing],
        *risk_missing,
        *[finding.concept.words for finding in findings if finding.silent],
    )
    answer = _answer(findings, risks, indication, unjudged)
    return Candidate(
        classes=classes,
        indication=indication,
        findings=findings,
        reading_risks=risks,
        doubts=doubts,
        state=present_state(readings, at_s=at_s),
        missing=missing,
        answer=answer,
        sentence=_sentence(answer, findings, risks, indication, doubts, unjudged),
    )


def _answer(
    findings: Sequence[ConditionFinding], risks: Sequence[ReadingRisk], indication: Indication, unjudged: int
) -> CandidateAnswer:
    found = [finding for finding in findings if finding.counts]
    absolute = [one.concept for one in found if one.concept.risk is Risk.ABSOLUTE]
    if any(concept.scope is Scope.ANY_PEEP_RISE for concept in absolute):
        return CandidateAnswer.CONTRAINDICATED
    if absolute or any(one.concept.risk is Risk.HIGH for one in found) or any(r.risk is Risk.HIGH for r in risks):
        return CandidateAnswer.HIGH_RISK
    if unjudged or indication.speaks_for is None or _silent_and_absolute(findings):
        return CandidateAnswer.CANNOT_JUDGE
    return CandidateAnswer.NOTHING_DOCUMENTED_AGAINST if indication.speaks_for else CandidateAnswer.NO_REASON_FOUND


def _silent_and_absolute(findings: Sequence[ConditionFinding]) -> list[str]:
    return [finding.concept.words for finding in findings if finding.silent and finding.concept.risk is Risk.ABSOLUTE]


def _not_enough(findings: Sequence[ConditionFinding], unjudged: int) -> Message:
    """What would forbid a trial and is not known; that oxygenation cannot be classed is said by itself."""
    silent = _silent_and_absolute(findings)
    why: list[Value] = []
    if unjudged:
        how = "one" if unjudged == 1 else "several"
        why.append(message(f"candidate.conditions-unjudged-{how}", count=unjudged))
    if silent:
        why.append(message("candidate.contraindication-unknown", listed=joined("semicolons", silent)))
    if not why:
        return message("candidate.cannot-judge")
    return message("candidate.cannot-judge-because", why=joined("clauses", why))


def _missing_of_class(one: ArdsClass) -> Message:
    listed = joined("commas", one.missing)
    return message("candidate.class-missing", ratio=one.ratio_name, definition=one.definition, listed=listed)


def _sentence(
    answer: CandidateAnswer,
    findings: Sequence[ConditionFinding],
    risks: Sequence[ReadingRisk],
    indication: Indication,
    doubts: Sequence[GasDoubt],
    unjudged: int,
) -> Value:
    found = [finding for finding in findings if finding.counts]
    cannot = answer is CandidateAnswer.CANNOT_JUDGE
    opening = _not_enough(findings, unjudged) if cannot else message(f"candidate.{answer.value}")
    silent = sum(finding.silent for finding in findings)
    rest = message("candidate.how-many-not-documented", count=silent, all=len(findings))
    # What a guideline makes of severity is not said in one breath with what speaks against.
    against = answer in (CandidateAnswer.CONTRAINDICATED, CandidateAnswer.HIGH_RISK)
    parts = [
        *[one.sentence for one in found],
        *[risk.sentence for risk in risks],
        *[doubt.sentence for doubt in doubts],
    ]
    severity = indication.severity if against else indication.sentence
    return joined("sentences", [opening, *parts, severity, rest, message("candidate.decides")])


ALSO: Final = frozenset({"recent-lung-surgery", "pregnancy"})
"""Cautions that stand in the way, too: a fresh stump, and a second patient. This project's choice."""

_WHERE: Final = {"pregnancy": message("candidate.pregnancy-to-be-asked")}


@dataclass(frozen=True, slots=True)
class Obstacle:
    """One thing that stands in the way of a plan."""

    slug: str  # of the condition, or of what the readings show; the word by which it is acknowledged
    words: Value
    sentence: Value
    citation: Value
    final: bool
    source: int | None = None  # index of the reading that shows it; None for a condition, whose inputs the reader knows


def is_obstacle(concept: RiskConcept) -> bool:
    """Whether this condition, where it is documented, stands in the way of a plan."""
    return concept.risk in (Risk.ABSOLUTE, Risk.HIGH) or concept.slug in ALSO


def obstacles_of(candidate: Candidate, *, recruiting: bool) -> tuple[Obstacle, ...]:
    """What was found and stands in the way, gravest first; with recruitment a contraindication stops it for good.

    Source: each condition's and threshold's own; that they stand in the way is this project's choice.
    """
    counted = [
        (finding, finding.concept) for finding in candidate.findings if is_obstacle(finding.concept) and finding.counts
    ]
    found = [
        Obstacle(what.slug, one.words, one.sentence, what.citation, recruiting and what.risk is Risk.ABSOLUTE)
        for one, what in counted
    ]
    shown = [
        Obstacle(
            reading_risk.slug,
            reading_risk.slug.replace("-", " "),
            reading_risk.sentence,
            reading_risk.citation,
            False,
            reading_risk.source,
        )
        for reading_risk in candidate.reading_risks
        if reading_risk.risk is Risk.HIGH
    ]
    return (*found, *shown)


def to_be_asked(candidate: Candidate, *, recruiting: bool) -> tuple[Value, ...]:
    """What would stand in the way and is not documented: to be asked at the bedside. Source: this project's choice."""
    return tuple(
        _WHERE.get(finding.concept.slug, finding.concept.words)
        for finding in candidate.findings
        if finding.silent
        and (is_obstacle(finding.concept) or (recruiting and finding.concept.scope is Scope.RECRUITMENT))
    )
