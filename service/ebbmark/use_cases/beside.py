"""What a request says of the patient beside readings, as the checks of a titration take it."""

from __future__ import annotations

from ebbmark.fhir.reading.conditions import PNEUMOTHORAX, Documented
from ebbmark.fhir.reading.request import Request
from ebbmark.physiology.after.seen import Event
from ebbmark.physiology.before.risk_concepts import RISK_CONCEPTS, Risk, RiskConcept, Scope
from ebbmark.physiology.findings import Change, ChangeKind, KnownCondition, Weight
from ebbmark.physiology.patient.limits import OWN_CHOICE, CheckLimits, vital_limits_of
from ebbmark.physiology.patient.titration import Beside

__all__ = ["beside_of"]

MOST_NAMED = 4
_KINDS = {Event.POSITION_CHANGED: ChangeKind.POSITION, Event.MODE_CHANGED: ChangeKind.MODE}
_NOT_PASSIVE = "spontaneous-effort"
_WEIGHTS = {Risk.ABSOLUTE: Weight.LOOK_FIRST, Risk.HIGH: Weight.HIGH, Risk.CAUTION: Weight.MODERATE}


def beside_of(request: Request) -> Beside:
    """Conditions that are present or could not be judged or read, changes of position and mode, vasopressors, status.

    Args:
        request: as it was read.
    """
    present: dict[str, tuple[Documented, int]] = {}
    for documented, source in request.conditions:
        if documented.present:
            for slug in documented.concepts:
                if slug not in present or (present[slug][0].unsure and not documented.unsure):
                    present[slug] = (documented, source)
    known = [_known(concept, *present[concept.slug], request) for concept in RISK_CONCEPTS if concept.slug in present]
    if request.unjudged:
        known.append(KnownCondition("unjudged", _charted(request), Weight.HIGH, "", OWN_CHOICE))
    if request.asked.conditions_not_read:
        known.append(KnownCondition("not-read", "", Weight.MODERATE, "", OWN_CHOICE))
    changes = tuple(
        Change(_KINDS[one.event], one.at_s, one.words, one.source, one.first)
        for one in request.changes
        if one.event in _KINDS
    )
    limits = CheckLimits(vital=vital_limits_of(request.stop_limits))
    return Beside(tuple(known), changes, limits, request.infusions, request.status)


def _known(concept: RiskConcept, documented: Documented, source: int, request: Request) -> KnownCondition:
    """One condition with what it does to the number: one that is not certain forbids none."""
    weight, slug, words, says = _weight(concept), concept.slug, concept.words, concept.says
    if slug == PNEUMOTHORAX:
        words = f"pneumothorax, charted as {request.charted[documented.source.path]}"
        if not documented.unsure:
            words += "; no code there says that it is drained"
    if documented.unsure:
        words = f"{words} ({documented.unsure}: not certain)"
        says = f"Confirm it or rule it out first. {says}"
        slug, weight = f"{slug}-suspected", Weight.HIGH if weight is Weight.LOOK_FIRST else weight
    return KnownCondition(slug, words, weight, says, concept.citation, source)


def _charted(request: Request) -> str:
    """The Conditions that could not be judged, in the words of the record."""
    words = list(dict.fromkeys(request.charted.get(one.path) or one.reference or one.path for one in request.unjudged))
    more = f"; and {len(words) - MOST_NAMED} more" if len(words) > MOST_NAMED else ""
    return f"{'; '.join(words[:MOST_NAMED])}{more}"


def _weight(concept: RiskConcept) -> Weight:
    """What a condition does to the number of a trial that was performed already."""
    if concept.slug == _NOT_PASSIVE:
        return Weight.LOOK_FIRST
    # What forbids opening the lung forbids no number, but questions the trial that it came from.
    return (
        Weight.HIGH if concept.scope is Scope.RECRUITMENT and concept.risk is Risk.ABSOLUTE else _WEIGHTS[concept.risk]
    )
