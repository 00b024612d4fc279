"""What became of a card: the client's feedback, one patient-free line in the log stream per card.

What a person wrote in their own words is never logged: it may speak of the patient. A reason that is not one of ours is
logged as `other`, for the same reason. Source: CDS Hooks 2.0, "Feedback".
"""

from __future__ import annotations

import logging
from collections.abc import Iterable
from dataclasses import dataclass
from uuid import UUID

import msgspec

from ebbmark import __version__
from ebbmark.fhir.codesystem import OVERRIDE_REASONS
from ebbmark.fhir.naming import CODE_SYSTEM
from ebbmark.fhir.problems import Problem, Rejected
from ebbmark.fhir.times import instant, seconds
from ebbmark.telemetry.measured import Measured, count
from ebbmark.web.audit_trail import LOGGER, log_event
from ebbmark.web.hooks.call import json_object, refusal

MOST_AT_ONCE = 200
"""Cards in one request; our choice."""


_LOG = logging.getLogger(f"{LOGGER}.hooks")


_REASONS = frozenset(code for code, _, _ in OVERRIDE_REASONS)


@dataclass(frozen=True, slots=True)
class CardFeedback:
    """What became of one card.

    Attributes:
        reason: code of ours, `other`, or empty where none was given.
        commented: whether a comment was written; its text is left behind.
    """

    card: str
    outcome: str
    suggestions: tuple[str, ...]
    reason: str
    commented: bool
    at_s: float


class _Suggestion(msgspec.Struct):
    id: str


class _Coding(msgspec.Struct):
    code: str = ""
    system: str = ""


class _Reason(msgspec.Struct):
    reason: _Coding | None = None
    userComment: str | None = None


class _Feedback(msgspec.Struct):
    card: str = ""
    outcome: str = ""
    outcomeTimestamp: str = ""
    acceptedSuggestions: list[_Suggestion] | None = None
    overrideReason: _Reason | None = None


def read_feedback(body: bytes) -> tuple[CardFeedback, ...]:
    """Read the client's feedback.

    Raises:
        Rejected: with everything that is wrong with it.
    """
    sent = json_object(body)
    accepted = f"an array of 1 to {MOST_AT_ONCE} objects"
    try:
        entries = msgspec.json.decode(sent.get("feedback", msgspec.Raw(b"null")), type=list[msgspec.Raw])
    except (msgspec.DecodeError, RecursionError):
        raise Rejected((refusal("feedback", "nothing or something else", accepted),)) from None
    if not 1 <= len(entries) <= MOST_AT_ONCE:
        raise Rejected((refusal("feedback", f"{len(entries)} of them", accepted),))
    problems: list[Problem] = []
    told = [_told(raw, f"feedback[{number}]", problems) for number, raw in enumerate(entries)]
    if problems:
        raise Rejected(tuple(problems))
    return tuple(one for one in told if one is not None)


def _told(raw: msgspec.Raw, element: str, problems: list[Problem]) -> CardFeedback | None:
    try:
        given = msgspec.json.decode(raw, type=_Feedback)
    except (msgspec.DecodeError, RecursionError):
        problems.append(refusal(element, "something else", "an object as the standard describes it"))
        return None
    before = len(problems)
    card = _uuid(given.card, f"{element}.card", "the uuid of the card", problems)
    if given.outcome not in ("accepted", "overridden"):
        problems.append(refusal(f"{element}.outcome", "something else", "accepted or overridden"))
    chosen = given.acceptedSuggestions or []
    if given.outcome == "accepted" and not chosen:
        problems.append(refusal(f"{element}.acceptedSuggestions", "nothing", "the suggestions that were accepted"))
    if given.outcome == "overridden" and chosen:
        problems.append(refusal(f"{element}.acceptedSuggestions", "some", "none where the outcome is overridden"))
    suggestions = [
        _uuid(one.id, f"{element}.acceptedSuggestions[{number}].id", "the uuid of the suggestion", problems)
        for number, one in enumerate(chosen)
    ]
    at_s = seconds(given.outcomeTimestamp)
    if not isinstance(at_s, float):
        problems.append(
            refusal(f"{element}.outcomeTimestamp", "something else", "a time with zone, as RFC 3339 has it")
        )
    if len(problems) > before or not isinstance(at_s, float):
        return None
    reason = given.overrideReason or _Reason()
    return CardFeedback(card, given.outcome, tuple(suggestions), _reason(reason.reason), bool(reason.userComment), at_s)


def _uuid(text: str, element: str, accepted: str, problems: list[Problem]) -> str:
    """In its usual spelling, so that nothing else reaches the log."""
    try:
        return str(UUID(text))
    except ValueError:
        problems.append(refusal(element, "something else" if text else "nothing", accepted))
        return ""


def _reason(coding: _Coding | None) -> str:
    if coding is None:
        return ""
    return coding.code if coding.system == CODE_SYSTEM and coding.code in _REASONS else "other"


def log_feedback(told: Iterable[CardFeedback], *, client: str, recorded_s: float) -> None:
    """Emit one line of JSON per card, without anything of the patient."""
    for one in told:
        line = {
            "event": "cds-feedback",
            "recorded": instant(recorded_s),
            "software": f"ebbmark-{__version__}",
            "client": client,
            "card": one.card,
            "outcome": one.outcome,
            "at": instant(one.at_s),
            **({"suggestions": list(one.suggestions)} if one.suggestions else {}),
            **({"reason": one.reason} if one.reason else {}),
            "commented": one.commented,
        }
        count(Measured.FEEDBACK, one.outcome, one.reason or "none")
        log_event(_LOG, msgspec.json.encode(line))
