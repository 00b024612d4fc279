"""Before a trial: candidate, present state, vasopressors, what speaks against a trial, and charted Conditions."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from ebbmark.fhir.answer import (
    ACIDITY,
    BLOOD_PRESSURE,
    DOSE_RATE,
    PER_MINUTE,
    PERCENT,
    Amount,
    Part,
    Statement,
    Unit,
    Warned,
    Whole,
)
from ebbmark.fhir.problems import Ignored
from ebbmark.fhir.reading.condition_codes import LEFT_OPEN
from ebbmark.fhir.reading.request import Request, Site
from ebbmark.physiology.before.candidate import Candidate, Charted, ConditionFinding, assess_candidate
from ebbmark.physiology.before.risks import OF_THE_DOSE, RISK_CONCEPTS, ReadingRisk, Risk
from ebbmark.physiology.before.state import PresentState
from ebbmark.physiology.gas_exchange import GasDoubt
from ebbmark.physiology.mechanics import predicted_body_weight_kg
from ebbmark.physiology.readings import Quantity
from ebbmark.physiology.timeline import dose_at
from ebbmark.words.messages import say, sentences, spell

_STATE_PARTS: dict[Quantity, tuple[str, Unit]] = {
    Quantity.MEAN_ARTERIAL_PRESSURE: ("mean-arterial-pressure", BLOOD_PRESSURE),
    Quantity.SYSTOLIC_ARTERIAL_PRESSURE: ("systolic-arterial-pressure", BLOOD_PRESSURE),
    Quantity.HEART_RATE: ("heart-rate", PER_MINUTE),
    Quantity.SPO2: ("oxygen-saturation", PERCENT),
    Quantity.PH: ("arterial-ph", ACIDITY),
    Quantity.PACO2: ("arterial-carbon-dioxide", BLOOD_PRESSURE),
}

_NOT_LOOKED_FOR = "candidate.vasopressors-not-looked-for"


def state_statement(state: PresentState, request: Request) -> Statement:
    """Circulation and gas exchange as they were read, each with its age, and vasopressors."""
    dose = dose_of(request)
    told, of_dose = _of_vasopressor(request)
    parts: list[Part] = [
        (code, Amount(one.reading.value, unit))
        for one in state.shown
        for code, unit in (_STATE_PARTS[one.reading.quantity],)
    ]
    if state.lowest_pressure is not None:
        parts.append(("lowest-mean-arterial-pressure", Amount(state.lowest_pressure.reading.value, BLOOD_PRESSURE)))
    if dose is not None:
        parts.append(("noradrenaline-equivalent", Amount(dose, DOSE_RATE)))
    inputs = (*state.shown, *([state.lowest_pressure] if state.lowest_pressure is not None else []))
    return Statement(
        kind="present-state",
        code="present-state",
        value=Whole(len(parts)),
        note=sentences(spell(state.sentence), told),
        method=say("candidate.latest-reading-last"),
        sources=(*[input_.reading.source for input_ in inputs], *of_dose),
        parts=tuple(parts),
    )


def dose_of(request: Request) -> float | None:
    """Vasopressor dose as noradrenaline equivalent: as it was sent, else as infusions show [mcg/kg/min]."""
    sent = request.asked.noradrenaline_equivalent_mcg_per_kg_per_min
    if sent is not None:
        return sent
    dose = dose_at(request.infusions, request.as_of_s)
    return None if dose is None else dose.mcg_per_kg_per_min


def not_converted(request: Request) -> tuple[str, ...]:
    """Vasopressors that run, or may run, and are in no dose: neither the sender's nor that of this service."""
    if request.asked.noradrenaline_equivalent_mcg_per_kg_per_min is not None:
        return ()
    dose = dose_at(request.infusions, request.as_of_s)
    return () if dose is None else (*dose.not_converted, *dose.doubled)


def sources_of_dose(request: Request) -> tuple[int, ...]:
    """Indices of the infusions that the dose rests on; none where it was sent as such."""
    if request.asked.noradrenaline_equivalent_mcg_per_kg_per_min is not None:
        return ()
    dose = dose_at(request.infusions, request.as_of_s)
    return () if dose is None else dose.sources


def _of_vasopressor(request: Request) -> tuple[str, tuple[int, ...]]:
    """What is known of vasopressors, in a sentence, and the inputs that show it."""
    sent = request.asked.noradrenaline_equivalent_mcg_per_kg_per_min
    dose = dose_at(request.infusions, request.as_of_s)
    told = say("candidate.vasopressors-not-documented") if dose is None else spell(dose.sentence)
    if sent is not None:
        said = say("candidate.vasopressor-dose-sent", sent=f"{sent:g}")
        told = said if dose is None else say("candidate.infusions-record", said=said, sentence=spell(dose.sentence))
    return (
        f"{told} {say(_NOT_LOOKED_FOR)}",
        dose.sources if dose else (),
    )


_SEVERITY = {Risk.ABSOLUTE: "high", Risk.HIGH: "high", Risk.CAUTION: "moderate"}
MOST_NAMED = 6
"""Conditions named one by one in a sentence; the OperationOutcome names all."""


def candidate_of(request: Request, site: Site) -> Candidate:
    """What can be said before a trial, from the request."""
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
        body_mass_index=asked.body_mass_index or request.body_mass_index,
        noradrenaline_equivalent_mcg_per_kg_per_min=dose_of(request),
        barometric_pressure_mmhg=asked.barometric_pressure_mmhg,
        charted=_charted_of(request),
        unjudged=len(request.unjudged),
        not_converted=not_converted(request),
        limits=site.stop_limits,
    )


def warnings_of(candidate: Candidate, request: Request) -> list[Warned]:
    """What speaks against a trial, Conditions that nobody here can judge first, then what was found, gravest first."""
    found = [finding for finding in candidate.findings if finding.counts]
    warned = [
        *[_of_unjudged(one, place, request) for place, one in enumerate(request.unjudged, start=1)],
        *[_of_condition(one, request) for one in found],
        *[_of_reading(reading_risk, request) for reading_risk in candidate.reading_risks],
        *[_of_doubt(doubt) for doubt in candidate.doubts],
    ]
    given = request.asked.acknowledged
    what = {name for name, _ in given.what}
    return [replace(one, acknowledged_by=given.who) if {one.code, *one.about} & what else one for one in warned]


def _of_doubt(one: GasDoubt) -> Warned:
    sources = (one.pao2.source, *([one.spo2.source] if one.spo2 is not None else []))
    return Warned(
        "gas-in-doubt", "gas-in-doubt", "moderate", say("candidate.not-used", sentence=spell(one.sentence)), sources
    )


def _of_unjudged(one: Ignored, place: int, request: Request) -> Warned:
    return Warned(
        kind=f"condition-not-judged-{place}",
        code="condition-not-judged",
        severity="",
        text=unjudged_words(one, request),
        about=(one.reference or one.path,),
    )


def _of_condition(one: ConditionFinding, request: Request) -> Warned:
    concept = one.concept
    text = say("candidate.source", sentence=spell(one.sentence), citation=concept.citation)
    return Warned(
        kind=f"condition-{concept.slug}",
        code=concept.slug,
        severity=_SEVERITY[concept.risk],
        text=text,
        sources=_sources_of_concept(concept.slug, request),
    )


def _of_reading(one: ReadingRisk, request: Request) -> Warned:
    of_dose = sources_of_dose(request) if one.slug in OF_THE_DOSE else ()
    return Warned(
        kind=f"reading-{one.slug}",
        code=one.slug,
        severity=_SEVERITY[one.risk],
        text=say("candidate.source", sentence=spell(one.sentence), citation=spell(one.citation)),
        sources=(one.source,) if one.source is not None else of_dose,
    )


def _sources_of_concept(slug: str, request: Request) -> tuple[int, ...]:
    """Indices of the Conditions that say something of this concept."""
    return tuple(source for one, source in request.conditions if slug in one.concepts)


def _charted_of(request: Request) -> Mapping[str, Charted]:
    """What was charted and counts under each condition that is looked for, by its slug."""
    slugs = {slug for one, _ in request.conditions for slug in one.concepts}
    return {
        slug: Charted(
            present=[
                request.charted[one.source.path]
                for one, _ in request.conditions
                if one.present and slug in one.concepts
            ],
            refuted=[
                request.charted[one.source.path]
                for one, _ in request.conditions
                if not one.present and slug in one.concepts
            ],
            leaves_open=LEFT_OPEN.get(slug, ""),
        )
        for slug in slugs
    }


def named(one: Ignored, request: Request) -> str:
    """One Condition that does not count, in the words in which it was charted, and by its reference or place."""
    return f"{request.charted[one.path]}, {one.reference or one.path}"


def unjudged_words(one: Ignored, request: Request) -> str:
    """That this Condition could not be judged, and why, in plain sentences."""
    return say("candidate.could-not-judged", named=named(one, request), reason=one.reason)


def not_placed(request: Request) -> tuple[str, ...]:
    """Conditions that could not be judged here, to be read by a person: silence must not pass for absence."""
    listed = [named(one, request) for one in request.unjudged]
    if not listed:
        return ()
    more = say("candidate.more", count=len(listed) - MOST_NAMED) if len(listed) > MOST_NAMED else ""
    return (
        say(
            "candidate.conditions-not-judged",
            count=len(listed),
            ending="s" if len(listed) > 1 else "",
            listed="; ".join(listed[:MOST_NAMED]),
            more=more,
        ),
    )


def not_looked_for(site: Site) -> tuple[str, ...]:
    """Conditions of the table that no code stands for here, so that no record can show them to this service."""
    words = [concept.words for concept in RISK_CONCEPTS if not site.condition_codes.of(concept.slug)]
    return (say("candidate.not-looked-no", listed="; ".join(words)),) if words else ()
