"""Before a trial: what speaks for it, what against it, and what is not known?"""

from __future__ import annotations

from ebbmark.fhir.answer import BLOOD_PRESSURE, PERCENT, Amount, Answer, Coded, Part, Rule, Statement, Truth, Whole
from ebbmark.fhir.reading.request import Request, Site
from ebbmark.physiology.before.candidate import Candidate
from ebbmark.physiology.before.state import ALSO_NEEDED, ArdsClass, Indication
from ebbmark.physiology.gas_exchange import Oxygenation
from ebbmark.use_cases.answer_builder import answered, rule_of_limits
from ebbmark.use_cases.before_trial import (
    candidate_of,
    dose_of,
    not_looked_for,
    not_placed,
    state_statement,
    warnings_of,
)
from ebbmark.words.before_in_short import candidate_in_short
from ebbmark.words.messages import say, sentences, spell, spelled

OPERATION = "assess-candidate"
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


def candidate_answer(request: Request, site: Site) -> Answer:
    """Answer `$assess-candidate`."""
    candidate = candidate_of(request, site)
    signed = (site.stop_limits,) if site.stop_limits.signed else ()
    classes = [_class(one) for one in candidate.classes]
    indication = _indication(candidate.indication)
    state = state_statement(candidate.state, request)
    in_full = spell(candidate.sentence)
    members = (*[one.kind for one in (*classes, indication)], "present-state", "documented-conditions")
    assessment = Statement(
        kind="candidate-assessment",
        code="candidate-assessment",
        value=Coded(candidate.answer.value),
        note=sentences(*not_placed(request), in_full, *not_looked_for(site)),
        method=say("candidate.conditions-thresholds-value"),
        members=members,
    )
    missing = (
        say("candidate.missing-judge", listed="; ".join(map(spell, candidate.missing))) if candidate.missing else ""
    )
    return answered(
        OPERATION,
        request,
        short=candidate_in_short(
            candidate, unjudged=len(request.unjudged), noradrenaline_mcg_per_kg_per_min=dose_of(request)
        ),
        said=(
            *not_placed(request),
            in_full,
            state.note,
            missing,
            spell(ALSO_NEEDED),
            *not_looked_for(site),
        ),
        statements=[assessment, *classes, indication, state, _documented(candidate, request)],
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
        note=sentences(spell(one.sentence), *[f"{spell(shown.sentence)}." for shown in one.inputs]),
        method=one.citation,
        sources=tuple(shown.reading.source for shown in one.inputs),
        parts=(("severity-definition", Coded(one.definition)), *([ratio] if ratio else [])),
    )


def _indication(one: Indication) -> Statement:
    return Statement(
        kind=f"indication-{one.slug}",
        code="trial-indication",
        value=Truth(one.speaks_for) if one.speaks_for is not None else None,
        note=spell(one.sentence),
        method=one.citation,
    )


def _documented(candidate: Candidate, request: Request) -> Statement:
    """Every condition that is looked for, whatever the record says of it."""
    return Statement(
        kind="documented-conditions",
        code="documented-conditions",
        value=Whole(sum(finding.counts for finding in candidate.findings)),
        note=spelled(finding.sentence for finding in candidate.findings if not finding.silent)
        or say("candidate.none-conditions-are"),
        sources=tuple(source for _, source in request.conditions),
        parts=tuple((finding.concept.slug, Coded(finding.documented.value)) for finding in candidate.findings),
    )
