"""What every page shares: its template, who the patient is, forms, figures, and the page without an answer.

Functions of pages raise `PageRefused` where a form is not of the page or something cannot be done, and pass on what the
source refuses (`Rejected`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, tzinfo
from hmac import compare_digest
from typing import Final
from urllib.parse import parse_qsl

from fastapi import Request, Response
from markupsafe import Markup

from ebbmark.fhir.problems import ProblemKind, Rejected, status_of
from ebbmark.fhir.reading.patient import Demographics
from ebbmark.views.figure import Figure, RunningFigure
from ebbmark.views.picture import inline_of, words_of
from ebbmark.web.body import read_body
from ebbmark.web.page.source import TrialSource, demographics
from ebbmark.web.page.words import clinical_sentences, technical_words
from ebbmark.web.theme import PageRefused, page_response, templates
from ebbmark.words.messages import say


@dataclass(frozen=True, slots=True)
class Pages:
    """How pages are made here."""

    zone: tzinfo
    frame_ancestors: Sequence[str] = ()
    root: str = ""

    def body(self, template: str, **values: object) -> str:
        """A page or a part of one."""
        return templates().get_template(template).render(root=self.root, **values)

    def page(self, template: str, frame: Frame, *, here: str = "-", status: int = 200, **values: object) -> Response:
        """A page about a patient.

        Args:
            here: which of the pages it is, for the list of pages.
        """
        body = self.body(template, frame=frame, here=here, invented=frame.invented, **values)
        return page_response(body, status=status, frame_ancestors=self.frame_ancestors)


@dataclass(frozen=True, slots=True)
class Frame:
    """What stands around a page.

    Attributes:
        banner: whether the patient must be shown in full, since nothing around the page does.
        invented: what stands above a page of an invented patient; empty for a real one.
        leave: where to leave the session; empty where there is none.
    """

    who: Demographics
    born: str
    banner: bool
    invented: str
    leave: str


async def frame_of(source: TrialSource, zone: tzinfo) -> Frame:
    """The frame of this patient's pages.

    Args:
        zone: of the site, for what day it is.
    """
    who = await demographics(source, zone)
    return Frame(who, _born(who.birth_date), source.banner, source.invented, source.leave)


def _born(birth_date: str) -> str:
    """`11 May 1967`; a partial or odd date stays as the record gives it."""
    try:
        born = date.fromisoformat(birth_date)
    except ValueError:
        return birth_date
    return f"{born.day} {born:%B %Y}"


@dataclass(frozen=True, slots=True)
class Drawn:
    """The two drawings of one figure, as parts of the page."""

    wide: Markup
    narrow: Markup


def drawn(figure: Figure | RunningFigure) -> Drawn:
    """Draw a figure."""
    inline = inline_of(figure, words_of(figure))
    # Markup that was made here; what others wrote in it is escaped there.
    return Drawn(Markup(inline.wide), Markup(inline.narrow))  # noqa: S704


_NOT_USABLE: Final = 422


_TITLES: Final = {
    ProblemKind.NO_TRIAL: "page.title-no-trial",
    ProblemKind.AMBIGUOUS_TRIAL: "page.title-two-trials",
    ProblemKind.RECORD_FAILED: "page.title-record-failed",
    ProblemKind.NO_PLAN: "page.title-no-plan",
}


def no_answer(
    rejected: Rejected, frame: Frame, pages: Pages, *, here: str, running: str = "", again: str = ""
) -> Response:
    """Why there is no answer, in the words of the refusal; before a trial this is the usual state and no error.

    Args:
        running: what a trial in progress says; empty for none.
        again: address to look again, where that is not the page itself.
    """
    status = status_of(rejected.problems)
    return pages.page(
        "no_answer.html",
        frame,
        here=here,
        status=200 if status == _NOT_USABLE else status,
        title=say(_TITLES.get(rejected.problems[0].kind, "page.no-answer-can")),
        sentences=clinical_sentences(rejected.problems),
        technical=technical_words(rejected.problems),
        running=running,
        left_out=[f"{one.reference or one.path}: {one.reason}" for one in rejected.ignored],
        again=again or here or "./",
    )


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
    """What a form of this very page was sent with."""
    kind = (request.headers.get("content-type") or "").partition(";")[0].strip().lower()
    if kind != "application/x-www-form-urlencoded":
        sentence = say("page.only-forms-these")
        raise PageRefused(415, say("page-refused.not-form"), sentence)
    body = await read_body(request.stream(), LONGEST_FORM)
    form = Form(tuple(parse_qsl(body.decode("ascii", "replace"), keep_blank_values=True)))
    # A request of another origin is refused even if it knew the mark.
    elsewhere = request.headers.get("sec-fetch-site", "same-origin") not in ("same-origin", "none")
    marked = bool(source.csrf) and compare_digest(form.one("csrf").encode(), source.csrf.encode())
    if elsewhere or not marked:
        raise PageRefused(
            403,
            say("page-refused.not-sent"),
            say("page-refused.not-sent-here"),
            todo=(say("page-refused.send-again"),),
        )
    return form


async def frame_in_use(source: TrialSource, pages: Pages) -> Frame:
    """The frame, unless the record no longer uses this Patient: what is written there would be lost to others."""
    frame = await frame_of(source, pages.zone)
    if frame.who.not_in_use:
        sentence = say("page.not-in-use", not_in_use=frame.who.not_in_use)
        todo = (say("page.open-ebbmark-again"),)
        raise PageRefused(409, say("page-refused.not-recorded-patient"), sentence, todo=todo)
    return frame
