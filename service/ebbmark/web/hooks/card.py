"""How does a finding become a card? What is said, its source, what can be done, and why it may be left undone.

Source: CDS Hooks 2.0, "Card Attributes".
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any
from uuid import NAMESPACE_URL, UUID, uuid5

from ebbmark.fhir.hooks_concepts import OVERRIDE_REASONS, TOPIC
from ebbmark.fhir.naming import CODE_SYSTEM, RESULT_SYSTEM
from ebbmark.keys import SigningKey
from ebbmark.physiology.wording import level
from ebbmark.web.hooks.call import Called
from ebbmark.web.hooks.findings import Finding, Obstacle, OrderDiffers, StopMet, TrialRead
from ebbmark.web.hooks.saying import said_of_differs, said_of_obstacle, said_of_stop, said_of_trial
from ebbmark.web.hooks.suggesting import changed_order, draft_order, record_results

__all__ = ["LONGEST_SUMMARY", "Where", "card_of", "identity_of"]

Json = dict[str, Any]

LONGEST_SUMMARY = 139
"""The standard wants fewer than 140 characters."""

_CODING = {"system": CODE_SYSTEM}


@dataclass(frozen=True, slots=True)
class Where:
    """Addresses that a card leads to.

    Attributes:
        documentation: what this service does and what it does not.
        launch: of the SMART page; empty where there is none.
    """

    documentation: str
    launch: str = ""


def identity_of(finding: Finding) -> str:
    """Identity of the answer behind a finding; empty where there is none."""
    match finding:
        case StopMet(answer):
            return answer.identity
        case TrialRead(recommendation) | OrderDiffers(TrialRead(recommendation)):
            return recommendation.identity
        case _:
            return ""


def card_of(finding: Finding, called: Called, *, at_s: float, where: Where, signer: SigningKey | None) -> Json:
    """Make the card.

    Args:
        finding: what is worth saying.
        called: the call that it answers.
        at_s: the present instant [s since 1970-01-01T00:00:00Z].
        where: addresses.
        signer: key to sign results with; None where they are not signed.
    """
    names = _Names(called.instance, identity_of(finding))
    match finding:
        case StopMet():
            said, suggestions = said_of_stop(finding), []
        case TrialRead():
            said, suggestions = said_of_trial(finding), _of_trial(finding, called, at_s, signer, names)
        case OrderDiffers():
            said, suggestions = said_of_differs(finding), _of_order(finding, called, at_s, signer, names)
        case Obstacle():
            said, suggestions = said_of_obstacle(finding), []
    return {
        "uuid": names.of("card"),
        "summary": _short(said.summary),
        "indicator": said.indicator,
        "detail": said.detail,
        "source": {
            "label": "Ebbmark, reading of a PEEP trial",
            "url": where.documentation,
            "topic": {**_CODING, "code": TOPIC[0], "display": TOPIC[1]},
        },
        **({"suggestions": suggestions, "selectionBehavior": "any"} if suggestions else {}),
        "overrideReasons": [{**_CODING, "code": code, "display": display} for code, display, _ in OVERRIDE_REASONS],
        "links": _links(where),
    }


@dataclass(frozen=True, slots=True)
class _Names:
    """UUIDs version 5 (RFC 9562) made of the call and the answer: the same call gets the same names."""

    instance: UUID
    identity: str

    def of(self, kind: str) -> str:
        return str(uuid5(NAMESPACE_URL, f"{RESULT_SYSTEM}|{self.instance}|{self.identity}|{kind}"))


def _links(where: Where) -> list[Json]:
    about = {"label": "What this service does, and what it does not", "url": where.documentation, "type": "absolute"}
    if not where.launch:
        return [about]
    return [{"label": "See the curve and the whole reading", "url": where.launch, "type": "smart"}, about]


def _short(summary: str) -> str:
    return summary if len(summary) <= LONGEST_SUMMARY else f"{summary[: LONGEST_SUMMARY - 1].rstrip()}…"


def _of_trial(finding: TrialRead, called: Called, at_s: float, signer: SigningKey | None, names: _Names) -> list[Json]:
    if not finding.recommendation.request.known_person.in_use:
        return []
    suggestions = [_record(finding, called, at_s, signer, names)]
    suggested = finding.recommendation.advice.suggested_peep_cmh2o
    differs = finding.now_cmh2o is None or suggested is None or abs(finding.now_cmh2o - suggested) > 0
    if suggested is not None and differs and not finding.doubt and not finding.held_back:
        encounter = f"Encounter/{called.encounter_id}" if called.encounter_id else ""
        action = draft_order(
            finding.recommendation, patient=f"Patient/{called.patient_id}", encounter=encounter, authored_s=at_s
        )
        label = f"Draft an order of PEEP {level(suggested)} cmH2O, to be signed"
        suggestions.append({"label": label, "uuid": names.of("draft-order"), "actions": [action]})
    return suggestions


def _of_order(
    finding: OrderDiffers, called: Called, at_s: float, signer: SigningKey | None, names: _Names
) -> list[Json]:
    if not finding.read.recommendation.request.known_person.in_use:
        return []
    suggested = finding.read.recommendation.advice.suggested_peep_cmh2o
    suggestions: list[Json] = []
    if len(finding.orders) == 1 and suggested is not None and not finding.read.doubt and not finding.read.held_back:
        action = changed_order(finding.orders[0], suggested)
        if action is not None:
            label = f"Change the draft order to PEEP {level(suggested)} cmH2O, to be signed"
            suggestions.append({"label": label, "uuid": names.of("changed-order"), "actions": [action]})
    return [*suggestions, _record(finding.read, called, at_s, signer, names)]


def _record(finding: TrialRead, called: Called, at_s: float, signer: SigningKey | None, names: _Names) -> Json:
    actions = record_results(
        finding.recommendation,
        patient=f"Patient/{called.patient_id}",
        user=called.user,
        recorded_s=at_s,
        signer=signer,
    )
    return {"label": "Record these results as preliminary", "uuid": names.of("record-results"), "actions": actions}
