"""How a finding becomes a card: what is said, how urgent it is, its source, and what can be done or left.

Urgency: `critical` for a stop criterion that was met, or a vital sign of the last hour beyond a stop limit; `warning`
where an ordered PEEP lies at or below the closing pressure of a trial that is not in doubt, or a caution of high
severity stands beside the reading; else `info`.

Source: CDS Hooks 2.0, "Card Attributes".
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any
from uuid import NAMESPACE_URL, UUID, uuid5

from ebbmark.fhir.answer import Answer, Coded
from ebbmark.fhir.codesystem import OVERRIDE_REASONS, TOPIC
from ebbmark.fhir.naming import CODE_SYSTEM, RESULT_SYSTEM
from ebbmark.fhir.problems import Problem, ProblemKind
from ebbmark.keys import SigningKey
from ebbmark.physiology.advice import Severity
from ebbmark.physiology.patient.titration import LUNG_OR_TUBE
from ebbmark.web.hooks.call import HookCall
from ebbmark.web.hooks.card_rules import (
    CardFinding,
    OrderBesidePneumothorax,
    OrderDiffers,
    StopMet,
    TrialRead,
    TrialUnreadable,
    tolerance,
)
from ebbmark.web.hooks.card_text import (
    LONGEST_SUMMARY,
    PRELIMINARY,
    ago,
    bold,
    bullets,
    detail_of_trial,
    escaped,
    section,
    summary_of,
)
from ebbmark.web.hooks.orders import changed_order, draft_order, record_results
from ebbmark.words.messages import level, say
from ebbmark.words.stopping import NOT_AMONG_THE_READINGS, RHYTHM_AS_CHARTED

_IN_THE_WAY = {
    ProblemKind.MISSING: "card.no-height",
    ProblemKind.HEIGHT_UNIT: "card.height-unit",
    ProblemKind.HEIGHT_RANGE: "card.height-range",
    ProblemKind.SEX_NEEDED: "card.sex-needed",
    ProblemKind.SEX_CONFLICT: "card.sex-conflict",
}
_NOT_IN_USE = "card.not-in-use"


@dataclass(frozen=True, slots=True)
class Said:
    """What a card says: one line, its urgency, and everything else as Markdown."""

    summary: str
    indicator: str
    detail: str


def said_of_stop(finding: StopMet) -> Said:
    """A stop criterion that was met."""
    answer = finding.answer
    met = [warning.text for warning in answer.warnings]
    parts = (
        say("card.peep-trial-progress", preliminary=say(PRELIMINARY)),
        bullets([escaped(reason) for reason in answer.short.reasons]),
        section("Met", bullets([escaped(text) for text in met])),
        section(say("card.beside"), bullets([escaped(text) for text in (*answer.said[1:], *_unchecked(answer))])),
        section("Limits", *[escaped(rule.citation) for rule in answer.rules if rule.slug == "stop-limits"]),
        escaped(say("card.ebbmark-answer", engine_version=answer.engine_version, identity=answer.identity[:16])),
    )
    return Said(summary_of(answer.short, last=""), "critical", "\n\n".join(part for part in parts if part))


def _unchecked(answer: Answer) -> tuple[str, ...]:
    """How many criteria could not be checked, and what nobody can check from readings."""
    states = [
        value.code
        for statement in answer.statements
        if statement.kind == "stop-criteria"
        for _, value in statement.parts
        if isinstance(value, Coded)
    ]
    count = sum(1 for state in states if state not in ("criterion-met", "criterion-held"))
    unseen = say(RHYTHM_AS_CHARTED if answer.request.rhythms.read else NOT_AMONG_THE_READINGS)
    return (say("card.stop-criteria-could", count=count, count_2=len(states), unseen=unseen),)


def said_of_trial(finding: TrialRead, *, whole: bool = True) -> Said:
    """A trial, and how long ago it ended; below the reasons everything else, where no page shows it."""
    answer = finding.answer
    lead = say("card.trial-ended", age=ago(finding.age_s))
    if finding.now_cmh2o is not None:
        lead += say("card.peep-now", now_cmh2o=level(finding.now_cmh2o))
    suggested, closing = (
        answer.titration.advice.suggested_peep_cmh2o,
        answer.titration.closing.peep_cmh2o,
    )
    short = answer.short
    if finding.wrong:
        short = replace(short, head=f"{finding.wrong}. {short.head}", sure="")
    summary = summary_of(short)
    if not finding.news and suggested is not None and closing is not None:
        summary = say(
            "card.peep-trial-closing",
            age=ago(finding.age_s),
            closing=level(closing),
            suggested=level(suggested),
            perhaps=_perhaps(finding),
        )
    if finding.alarm:
        broken = [finding.slug for finding in answer.titration.findings if finding.slug in LUNG_OR_TUBE]
        alarm = "; ".join([*[say(f"against.{slug}") for slug in broken[:1]], finding.alarm])
        summary = say("card.look-patient-first", alarm=alarm, age=ago(finding.age_s))
    return Said(summary, _urgency(finding), detail_of_trial(answer, _with_doubt(finding, lead), whole=whole))


def _perhaps(finding: TrialRead) -> str:
    return say("card.may-no-longer") if finding.doubt else ""


def _with_doubt(finding: TrialRead, lead: str) -> str:
    """The lead, after what makes an old trial doubtful and a patient record one to leave alone, as Markdown."""
    numbered = finding.answer.titration.advice.suggested_peep_cmh2o is not None
    held_back = finding.held_back if numbered or finding.alarm else ""
    first = [text for text in (finding.doubt, held_back) if text]
    if not finding.answer.request.known_person.in_use:
        first.append(say(_NOT_IN_USE))
    return " ".join([*map(bold, first), escaped(lead)])


def _urgency(finding: TrialRead) -> str:
    cautions = finding.answer.titration.advice.cautions
    grave = any(caution.of_this_patient and caution.severity is Severity.HIGH for caution in cautions)
    return "critical" if finding.alarm else "warning" if grave or finding.wrong else "info"


def said_of_differs(finding: OrderDiffers, *, whole: bool = True) -> Said:
    """Orders that differ from what the trial suggests; below the reasons everything else, where no page shows it."""
    answer = finding.read.answer
    suggested, closing = (
        answer.titration.advice.suggested_peep_cmh2o,
        answer.titration.closing.peep_cmh2o,
    )
    assert suggested is not None  # noqa: S101 - orders are compared with a suggestion only
    read = [order.peep_cmh2o for order in finding.orders if order.peep_cmh2o is not None]
    apart = say("card.tolerance", tolerance=f"{tolerance(answer.titration.trial):g}")
    urgency, old = _urgency(finding.read), not finding.read.news
    since = f" {ago(finding.read.age_s)}" if old else ""
    suggests = say(
        "card.peep-trial",
        ending="a" if old else "the",
        since=since,
        ending_2="suggested" if old else "suggests",
        suggested=level(suggested),
    )
    end = f"{_perhaps(finding.read)}Preliminary" if old else say("card.preliminary-clinician-decides")
    if not read:
        summary = say("card.ordered-peep-could", suggests=suggests, end=end)
        lead = say("card.draft-order-peep")
    else:
        summary = say("card.ordered-peep", read=level(read[0]), suggests=suggests, end=end)
        lead = say("card.differs-suggestion-more", listed=_listed(read), apart=apart)
        lowest, highest = min(read), answer.titration.trial.steps[0].peep_cmh2o
        if closing is not None and lowest <= closing:
            urgency = urgency if finding.read.doubt or finding.read.held_back else "warning"
            closed = say("card.closing", closing=level(closing), since=since)
            below = say("card.ordered-peep-or", lowest=level(lowest), closed=closed)
            summary = say("card.suggested", below=below, suggested=level(suggested), end=end)
            lead += say("card.or-below-closing", lowest=level(lowest), closing=level(closing))
        if max(read) > highest:
            lead += say("card.lies-above-tested", read=level(max(read)), highest=level(highest))
    lead += say("card.pressures-closer-than", apart=apart, age=ago(finding.read.age_s))
    detail = detail_of_trial(answer, _with_doubt(finding.read, lead), whole=whole)
    return Said(summary, urgency, detail)


def _listed(ordered: list[float]) -> str:
    return say("card.ordered-peeps", listed=" and of ".join(say("card.pressure", one=level(one)) for one in ordered))


def said_of_unreadable(finding: TrialUnreadable) -> Said:
    """What stands in the way of reading a trial."""
    summary = say("card.peep-trial-charted")
    parts = (
        say("card.trial-last-hour", preliminary=say(PRELIMINARY)),
        section(say("card.way"), bullets([escaped(_in_words(problem)) for problem in finding.problems])),
        escaped(say("card.guidelines")),
    )
    return Said(summary, "info", "\n\n".join(parts))


def said_of_pneumothorax(finding: OrderBesidePneumothorax) -> Said:
    """An order of PEEP beside a pneumothorax, where no trial can be read."""
    read = [order.peep_cmh2o for order in finding.orders if order.peep_cmh2o is not None]
    ordered = say("card.ordered-peep-alone", read=level(max(read))) if read else say("card.peep-ordered")
    summary = say("card.look-patient-first-beside", ordered=ordered[0].lower(), ordered_2=ordered[1:])
    parts = (
        say("card.no-peep-trial", preliminary=say(PRELIMINARY)),
        section(say("card.record-says"), bullets([escaped(one) for one in finding.said])),
    )
    return Said(summary, "warning", "\n\n".join(parts))


def _in_words(problem: Problem) -> str:
    """For a person at the bedside: the sentence of a refusal speaks to whoever sends data."""
    known = _IN_THE_WAY.get(problem.kind)
    return say(known) if known else say("card.body-heights-record", found=problem.found)


Json = dict[str, Any]

_CODING = {"system": CODE_SYSTEM}


@dataclass(frozen=True, slots=True)
class Where:
    """Addresses that a card leads to.

    Attributes:
        launch: of the SMART page; empty where there is none.
    """

    documentation: str
    launch: str = ""


def identity_of(finding: CardFinding) -> str:
    """Identity of the answer behind a finding; empty where there is none."""
    match finding:
        case StopMet(answer):
            return answer.identity
        case TrialRead(answer) | OrderDiffers(TrialRead(answer)):
            return answer.identity
        case _:
            return ""


def card_of(finding: CardFinding, called: HookCall, *, at_s: float, where: Where, signer: SigningKey | None) -> Json:
    """Make the card."""
    names, whole = _Names(called.instance, identity_of(finding)), not where.launch
    match finding:
        case StopMet():
            said, suggestions = said_of_stop(finding), []
        case TrialRead():
            said, suggestions = said_of_trial(finding, whole=whole), _of_trial(finding, called, at_s, signer, names)
        case OrderDiffers():
            said, suggestions = said_of_differs(finding, whole=whole), _of_order(finding, called, at_s, signer, names)
        case OrderBesidePneumothorax():
            said, suggestions = said_of_pneumothorax(finding), []
        case TrialUnreadable():
            said, suggestions = said_of_unreadable(finding), []
    return {
        "uuid": names.of("card"),
        "summary": _short(said.summary),
        "indicator": said.indicator,
        "detail": said.detail,
        "source": {
            "label": say("card.ebbmark-reading-peep"),
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
    about = {"label": say("card.what-service-does"), "url": where.documentation, "type": "absolute"}
    if not where.launch:
        return [about]
    return [{"label": say("card.see-curve-whole"), "url": where.launch, "type": "smart"}, about]


def _short(summary: str) -> str:
    return summary if len(summary) <= LONGEST_SUMMARY else f"{summary[: LONGEST_SUMMARY - 1].rstrip()}…"


def settable(peep_cmh2o: float) -> bool:
    """Whether a ventilator takes this PEEP: steps of half a cmH2O are common practice, no published source."""
    return abs(2 * peep_cmh2o - round(2 * peep_cmh2o)) < 0.05


def _of_trial(
    finding: TrialRead, called: HookCall, at_s: float, signer: SigningKey | None, names: _Names
) -> list[Json]:
    if not finding.answer.request.known_person.in_use:
        return []
    suggestions = [_record(finding, called, at_s, signer, names)]
    suggested = finding.answer.titration.advice.suggested_peep_cmh2o
    differs = finding.now_cmh2o is None or suggested is None or abs(finding.now_cmh2o - suggested) > 0
    if suggested is not None and settable(suggested) and differs and not finding.doubt and not finding.held_back:
        encounter = f"Encounter/{called.encounter_id}" if called.encounter_id else ""
        action = draft_order(
            finding.answer, patient=f"Patient/{called.patient_id}", encounter=encounter, authored_s=at_s
        )
        label = say("card.draft-order-peep-signed", suggested=level(suggested))
        suggestions.append({"label": label, "uuid": names.of("draft-order"), "actions": [action]})
    return suggestions


def _of_order(
    finding: OrderDiffers, called: HookCall, at_s: float, signer: SigningKey | None, names: _Names
) -> list[Json]:
    if not finding.read.answer.request.known_person.in_use:
        return []
    suggested = finding.read.answer.titration.advice.suggested_peep_cmh2o
    suggestions: list[Json] = []
    if (
        len(finding.orders) == 1
        and suggested is not None
        and settable(suggested)
        and not finding.read.doubt
        and not finding.read.held_back
    ):
        action = changed_order(finding.orders[0], suggested)
        if action is not None:
            label = say("card.change-draft-order", suggested=level(suggested))
            suggestions.append({"label": label, "uuid": names.of("changed-order"), "actions": [action]})
    return [*suggestions, _record(finding.read, called, at_s, signer, names)]


def _record(finding: TrialRead, called: HookCall, at_s: float, signer: SigningKey | None, names: _Names) -> Json:
    actions = record_results(
        finding.answer,
        patient=f"Patient/{called.patient_id}",
        user=called.user,
        recorded_s=at_s,
        signer=signer,
    )
    return {"label": say("card.record-these-results"), "uuid": names.of("record-results"), "actions": actions}
