"""Before a trial: what speaks for it, what against it, and what is not known?"""

from __future__ import annotations

from dataclasses import replace

from ebbmark.fhir.bedside.site import Site
from ebbmark.fhir.reading.request import Request
from ebbmark.fhir.sources import Ignored
from ebbmark.fhir.writing.quantities import BLOOD_PRESSURE, PERCENT
from ebbmark.fhir.writing.statements import Amount, Answer, Coded, Part, Rule, Statement, Truth, Warned, Whole
from ebbmark.physiology.before.ards_class import ArdsClass
from ebbmark.physiology.before.candidate import Candidate, Documented, Finding, assess_candidate
from ebbmark.physiology.before.gas_doubts import GasDoubt
from ebbmark.physiology.before.indication import Indication
from ebbmark.physiology.before.risk_concepts import Risk
from ebbmark.physiology.before.risk_readings import OF_THE_DOSE, ReadingRisk
from ebbmark.physiology.formulas.body import predicted_body_weight_kg
from ebbmark.physiology.formulas.gas_exchange import Oxygenation
from ebbmark.use_cases.conditions_named import charted_of, not_looked_for, not_placed, unjudged_words
from ebbmark.use_cases.said import answered, rule_of_limits, sentences
from ebbmark.use_cases.state import dose_of, not_converted, sources_of_dose, state_statement

__all__ = ["candidate_answer", "candidate_of", "sources_of_concept", "warnings_of"]

OPERATION = "assess-candidate"
_SEVERITY = {Risk.ABSOLUTE: "high", Risk.HIGH: "high", Risk.CAUTION: "moderate"}
_CLASSES = {
    Oxygenation.SEVERE: "ards-severe",
    Oxygenation.MODERATE: "ards-moderate",
    Oxygenation.MILD: "ards-mild",
    Oxygenation.ABOVE_THRESHOLD: "ards-above-threshold",
    Oxygenation.NOT_CLASSIFIED: "ards-not-classified",
}
_TABLE = Rule(
    "conditions-and-readings",
    "1",
    "Conditions and readings that speak against a trial",
    "Each condition and threshold carries its own source; see the value sets of this service.",
)


def candidate_of(request: Request, site: Site) -> Candidate:
    """What can be said before a trial, from the request.

    Args:
        request: readings, Conditions, and what was asked.
        site: its signed stop limits, beyond which a trial would begin.
    """
    asked, person = request.asked, request.person
    present = {slug for one, _ in request.conditions if one.present for slug in one.concepts}
    refuted = {slug for one, _ in request.conditions if not one.present for slug in one.concepts}
    return assess_candidate(
        request.readings,
        at_s=request.as_of_s,
        present=present,
        refuted=refuted,
        pbw_kg=predicted_body_weight_kg(person.height_cm, person.sex) if person else None,
        age_years=request.age_years,
        body_mass_index=asked.body_mass_index,
        noradrenaline_equivalent_mcg_per_kg_per_min=dose_of(request),
        barometric_pressure_mmhg=asked.barometric_pressure_mmhg,
        charted=charted_of(request),
        unjudged=len(request.unjudged),
        not_converted=not_converted(request),
        limits=site.stop_limits,
    )


def candidate_answer(request: Request, site: Site) -> Answer:
    """Answer `$assess-candidate`."""
    candidate = candidate_of(request, site)
    signed = (site.stop_limits,) if site.stop_limits.signed else ()
    classes = [_class(one) for one in candidate.classes]
    indications = [_indication(one) for one in candidate.indications]
    state = state_statement(candidate.state, request)
    members = (*[one.kind for one in (*classes, *indications)], "present-state", "documented-conditions")
    assessment = Statement(
        kind="candidate-assessment",
        code="candidate-assessment",
        value=Coded(candidate.standing.value),
        note=sentences(*not_placed(request), candidate.sentence, *not_looked_for(site)),
        method="Conditions and thresholds as the value sets of this service and their sources name them",
        members=members,
    )
    missing = f"Missing to judge: {'; '.join(candidate.missing)}." if candidate.missing else ""
    return answered(
        OPERATION,
        request,
        said=(
            *not_placed(request),
            candidate.sentence,
            state.note,
            missing,
            candidate.also_needed,
            *not_looked_for(site),
        ),
        statements=[assessment, *classes, *indications, state, _documented(candidate, request)],
        warnings=warnings_of(candidate, request),
        rules=(_TABLE, *map(rule_of_limits, signed)),
        values=signed,
        span_s=(request.as_of_s, request.as_of_s),
        dated=True,
        more_would_help=bool(candidate.missing),
    )


def _class(one: ArdsClass) -> Statement:
    ratio: Part | None = None
    if one.ratio is not None:
        is_pf = one.ratio_name == "P/F"
        ratio = ("pf-ratio" if is_pf else "sf-ratio", Amount(one.ratio, BLOOD_PRESSURE if is_pf else PERCENT))
    return Statement(
        kind=f"severity-{one.definition}-{one.ratio_name.replace('/', '').lower()}",
        code="ards-severity",
        value=Coded(_CLASSES[one.oxygenation]) if one.oxygenation is not None else None,
        note=sentences(one.sentence, *[f"{shown.sentence}." for shown in one.inputs]),
        method=one.citation,
        sources=tuple(shown.reading.source for shown in one.inputs),
        parts=(("severity-definition", Coded(one.definition)), *([ratio] if ratio else [])),
    )


def _indication(one: Indication) -> Statement:
    return Statement(
        kind=f"indication-{one.slug}",
        code="trial-indication",
        value=Truth(one.speaks_for) if one.speaks_for is not None else None,
        note=one.sentence,
        method=one.citation,
    )


def _documented(candidate: Candidate, request: Request) -> Statement:
    """Every condition that is looked for, whatever the record says of it."""
    return Statement(
        kind="documented-conditions",
        code="documented-conditions",
        value=Whole(sum(one.counts for one in candidate.findings)),
        note=sentences(*[one.sentence for one in candidate.findings if one.documented is not Documented.NOT_DOCUMENTED])
        or "None of the conditions that are looked for is documented, present or absent.",
        sources=tuple(source for _, source in request.conditions),
        parts=tuple((one.concept.slug, Coded(one.documented.value)) for one in candidate.findings),
    )


def warnings_of(candidate: Candidate, request: Request) -> list[Warned]:
    """What speaks against a trial, Conditions that nobody here can judge first, then what was found, gravest first.

    Args:
        candidate: what was found.
        request: for the inputs that show it, and for what was acknowledged.
    """
    found = [one for one in candidate.findings if one.counts]
    warned = [
        *[_of_unjudged(one, place, request) for place, one in enumerate(request.unjudged, start=1)],
        *[_of_condition(one, request) for one in found],
        *[_of_reading(one, request) for one in candidate.reading_risks],
        *[_of_doubt(one) for one in candidate.doubts],
    ]
    given = request.asked.acknowledged
    what = {name for name, _ in given.what}
    return [replace(one, acknowledged_by=given.who) if {one.code, *one.about} & what else one for one in warned]


def _of_doubt(one: GasDoubt) -> Warned:
    sources = (one.pao2.source, *([one.spo2.source] if one.spo2 is not None else []))
    return Warned("gas-in-doubt", "gas-in-doubt", "moderate", f"{one.sentence} It is not used.", sources)


def _of_unjudged(one: Ignored, place: int, request: Request) -> Warned:
    return Warned(
        kind=f"condition-not-judged-{place}",
        code="condition-not-judged",
        severity="",
        text=unjudged_words(one, request),
        about=(one.reference or one.path,),
    )


def _of_condition(one: Finding, request: Request) -> Warned:
    concept = one.concept
    text = f"{one.sentence} Source: {concept.citation}."
    return Warned(
        kind=f"condition-{concept.slug}",
        code=concept.slug,
        severity=_SEVERITY[concept.risk],
        text=text,
        sources=sources_of_concept(concept.slug, request),
    )


def _of_reading(one: ReadingRisk, request: Request) -> Warned:
    of_dose = sources_of_dose(request) if one.slug in OF_THE_DOSE else ()
    return Warned(
        kind=f"reading-{one.slug}",
        code=one.slug,
        severity=_SEVERITY[one.risk],
        text=f"{one.sentence} Source: {one.citation}.",
        sources=(one.source,) if one.source is not None else of_dose,
    )


def sources_of_concept(slug: str, request: Request) -> tuple[int, ...]:
    """Indices of the Conditions that say something of this concept."""
    return tuple(source for one, source in request.conditions if slug in one.concepts)
