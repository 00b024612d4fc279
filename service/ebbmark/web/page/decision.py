"""The two human acts on an answer: record it after a review, or note why not now."""

from __future__ import annotations

import asyncio
import logging
from dataclasses import dataclass
from hmac import compare_digest
from typing import Final
from urllib.parse import parse_qsl

import msgspec
from fastapi import Request, Response

from ebbmark import __version__
from ebbmark.fhir.answer import Answer
from ebbmark.fhir.codesystem import OVERRIDE_REASONS
from ebbmark.record.write_outcome import WriteState
from ebbmark.web.audit_trail import LOGGER
from ebbmark.web.body import read_body
from ebbmark.web.page.frame import Frame, Pages, frame_of
from ebbmark.web.page.review_view import earlier_view, review_view
from ebbmark.web.page.source import Choice, TrialSource, titrated
from ebbmark.web.theme import PageRefused
from ebbmark.words.messages import say

LONGEST_FORM: Final = 10_000
"""More bytes than any form of ours has."""


@dataclass(frozen=True, slots=True)
class Form:
    """What a form was sent with: name and value of each field, in order."""

    fields: tuple[tuple[str, str], ...]

    def one(self, name: str) -> str:
        """The last value of this name; empty where it was not sent."""
        return next((value for field, value in reversed(self.fields) if field == name), "")

    def all(self, name: str) -> tuple[str, ...]:
        """Every value of this name."""
        return tuple(value for field, value in self.fields if field == name)


async def form_of(request: Request, source: TrialSource) -> Form:
    """What a form of this very page was sent with.

    Raises:
        PageRefused: it is no form, or it was not sent by a page of this session.
        Rejected: it is too long, or does not arrive.
    """
    kind = (request.headers.get("content-type") or "").partition(";")[0].strip().lower()
    if kind != "application/x-www-form-urlencoded":
        sentence = say("page.only-forms-these")
        raise PageRefused(415, "Not a form of this page", sentence)
    body = await read_body(request.stream(), LONGEST_FORM)
    form = Form(tuple(parse_qsl(body.decode("ascii", "replace"), keep_blank_values=True)))
    # A request of another origin is refused even if it knew the mark.
    elsewhere = request.headers.get("sec-fetch-site", "same-origin") not in ("same-origin", "none")
    marked = bool(source.csrf) and compare_digest(form.one("csrf").encode(), source.csrf.encode())
    if elsewhere or not marked:
        raise PageRefused(
            403,
            "Not sent from this page",
            "The form was not sent from a page of this session, so nothing was done.",
            todo=("Open the page again and send the form from there.",),
        )
    return form


EVENTS: Final = f"{LOGGER}.choices"
_LOG = logging.getLogger(EVENTS)


@dataclass(frozen=True, slots=True)
class Reason:
    """One reason: its code in the event, its words on the page."""

    code: str
    words: str


REASONS: Final = tuple(Reason(code, display) for code, display, _ in OVERRIDE_REASONS)
"""The same as a card offers: a reason given here and one given there can be counted together."""


def reason_of(code: str) -> Reason | None:
    """The reason of this code; None where there is none."""
    return next((one for one in REASONS if one.code == code), None)


def note_not_now(reason: Reason, *, protocol: str, verdict: str, suggested: bool) -> None:
    """Emit the event: that results were not recorded, and why.

    Args:
        protocol: slug and version of the rules.
        suggested: whether a PEEP was suggested.
    """
    event = {
        "event": "not-recorded",
        "reason": reason.code,
        "protocol": protocol,
        "verdict": verdict,
        "suggested": suggested,
        "software": __version__,
    }
    line = msgspec.json.encode(event)
    _LOG.info("%s", line.decode(), extra={"event": line})


def chosen_note(answer: Answer) -> str:
    """What an answer says of the PEEP that the clinician chose; empty where none was."""
    return next((one.note for one in answer.statements if one.code == "chosen-peep"), "")


def _note_peep(choice: Choice, answer: Answer) -> None:
    """Emit the event: that another PEEP was recorded, and why, without the patient."""
    protocol = answer.request.protocol
    event = {
        "event": "other-peep-recorded",
        "reason": choice.because,
        "peep_cmh2o": answer.request.asked.chosen_peep_cmh2o,
        "suggested_cmh2o": answer.titration.advice.suggested_peep_cmh2o,
        "protocol": f"{protocol.slug}|{protocol.version}",
        "software": __version__,
    }
    line = msgspec.json.encode(event)
    _LOG.info("%s", line.decode(), extra={"event": line})


CHOSEN: Final = "true"
_ASKED_FOR: Final = " (make-current)"
"""How the outcome says that results which were marked superseded can stand again; the page has a form for it."""

_TITLES: Final = {
    WriteState.WRITTEN: ("page.recorded", 200),
    WriteState.ALREADY_THERE: ("page.already-recorded", 200),
    WriteState.SUPERSEDED: ("page.not-recorded-superseded", 409),
    WriteState.NOT_CURRENT: ("page.not-recorded-not-current", 409),
    WriteState.FAILED: ("page.not-recorded-failed", 502),
    WriteState.UNKNOWN: ("page.not-known-whether-recorded", 502),
}
_CHANGED: Final = "page.answer-changed"


async def review_results(source: TrialSource, pages: Pages, choice: Choice) -> Response:
    """What would be written and marked, in brief and resource by resource, and the form that writes it.

    Args:
        choice: what is to be written.

    Raises:
        PageRefused: the record no longer uses this Patient.
        Rejected: there is no answer, or nothing can be recorded.
    """
    frame = await frame_in_use(source, pages)
    answer, choice = await titrated(source, choice)
    transaction = await asyncio.to_thread(source.to_be_written, answer, choice)
    return pages.page(
        "review.html",
        frame,
        line=chosen_note(answer) or answer.short.line,
        view=review_view(transaction),
        earlier=earlier_view(await source.dry_run(transaction)),
        choice=choice,
        cannot_write=source.cannot_write(choice),
        identity=answer.identity,
        csrf=source.csrf,
    )


async def record_results(request: Request, source: TrialSource, pages: Pages) -> Response:
    """Write what was shown, if it is still the answer.

    Args:
        request: the POST of the form.

    Raises:
        PageRefused: the form is not of this page, the answer changed meanwhile, or the patient is in use no longer.
        Rejected: there is no answer, or nothing can be recorded.
    """
    form = await form_of(request, source)
    choice = Choice(
        form.one("with-report") == CHOSEN, form.one("make-current") == CHOSEN, form.one("peep"), form.one("because")
    )
    refusal = source.cannot_write(choice)
    if refusal:
        raise PageRefused(403, "Nothing can be recorded", refusal)
    frame = await frame_in_use(source, pages)
    answer, choice = await titrated(source, choice)
    if form.one("identity") != answer.identity:
        todo = (say("page.go-back-answer"),)
        raise PageRefused(409, "The answer has changed", say(_CHANGED), todo=todo)
    outcome = await source.record(answer, choice)
    if outcome is None:
        return pages.page(
            "recorded.html",
            frame,
            title=say("page.nothing-written"),
            sentence=say("page.demo-there-no-record"),
            places=(),
            can_stand_again=False,
            choice=choice,
            csrf=source.csrf,
            identity=answer.identity,
        )
    if choice.peep and outcome.there:
        _note_peep(choice, answer)
    title, status = _TITLES[outcome.state]
    title = say(title)
    return pages.page(
        "recorded.html",
        frame,
        status=status,
        title=title,
        sentence=outcome.sentence.replace(_ASKED_FOR, ""),
        places=outcome.places,
        can_stand_again=_ASKED_FOR in outcome.sentence,
        choice=choice,
        csrf=source.csrf,
        identity=answer.identity,
    )


async def note_reason(request: Request, source: TrialSource, pages: Pages) -> Response:
    """Note why results are not recorded now.

    Args:
        request: the POST of the form.

    Raises:
        PageRefused: the form is not of this page, or names no reason of the list.
        Rejected: there is no answer.
    """
    form = await form_of(request, source)
    reason = reason_of(form.one("reason"))
    if reason is None:
        sentence = say("page.no-reason-list")
        raise PageRefused(422, "No reason chosen", sentence, todo=("Go back and choose one.",))
    frame = await frame_of(source, pages.zone)
    answer = await source.titration()
    protocol = answer.request.protocol
    note_not_now(
        reason,
        protocol=f"{protocol.slug}|{protocol.version}",
        verdict=answer.titration.closing.verdict.value,
        suggested=answer.titration.advice.suggested_peep_cmh2o is not None,
    )
    return pages.page("noted.html", frame, reason=reason.words)


async def frame_in_use(source: TrialSource, pages: Pages) -> Frame:
    """The frame, unless the record no longer uses this Patient: what is written there would be lost to others."""
    frame = await frame_of(source, pages.zone)
    if frame.who.not_in_use:
        sentence = say("page.not-in-use", not_in_use=frame.who.not_in_use)
        todo = (say("page.open-ebbmark-again"),)
        raise PageRefused(409, "Nothing can be recorded for this patient record", sentence, todo=todo)
    return frame
