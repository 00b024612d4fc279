"""The pages after a trial: what changed at the new settings and whether it still holds, and the trials over days."""

from __future__ import annotations

import asyncio
from dataclasses import dataclass
from typing import Final

from fastapi import Response

from ebbmark.fhir.answer import Amount, Answer, Coded, Statement, Truth, in_words
from ebbmark.fhir.codesystem import CONCEPTS
from ebbmark.fhir.problems import Rejected
from ebbmark.fhir.writing.account import ABSENT
from ebbmark.web.page.answer_pages import no_answer, tried, validity_of
from ebbmark.web.page.frame import Pages, frame_of
from ebbmark.web.page.source import TrialSource
from ebbmark.web.page.trend_view import curves_view, trend_view
from ebbmark.web.page.words import in_clinical_words, span
from ebbmark.words.messages import InShort, say

_DISPLAY: Final = {one.code: one.display for one in CONCEPTS}
_NOT_USABLE: Final = 422
_SHIFT_HEIGHT: Final = 60.0
_SHIFT_PAD: Final = 8.0


@dataclass(frozen=True, slots=True)
class Shift:
    """One quantity before and after, in a field of 120 by 60 of which the value before is the middle.

    Attributes:
        name: of the quantity.
        before, after: with the unit of the second.
        beyond: whether the change is more than measurement noise.
        after_y: height of the value after.
        noise: upper edge and height of the band that noise alone explains.
    """

    name: str
    before: str
    after: str
    beyond: bool
    after_y: float
    noise: tuple[float, float]


@dataclass(frozen=True, slots=True)
class AfterView:
    """The new settings against those before the trial.

    Attributes:
        rows: what was compared, from what to what, what that means, and the difference that would be noise.
        limits: one sentence each, with whether the limit holds; None where that is not known.
        shifts: the same as rows, drawn.
    """

    short: InShort
    warnings: tuple[tuple[str, str], ...]
    rows: tuple[tuple[str, ...], ...]
    limits: tuple[tuple[bool | None, str], ...]
    shifts: tuple[Shift, ...]
    more: tuple[str, ...]


def after_view(answer: Answer) -> AfterView:
    """Put the comparison of settings in words and rows.

    Args:
        answer: of `$compare-settings`.
    """
    changes = [one for one in answer.statements if one.code.startswith("change-of-")]
    limits = [one for one in answer.statements if one.code.startswith("limit-")]
    said = {one.note for one in limits}
    in_rows = {one.note.partition(". ")[0].rstrip(".") for one in changes if one.value != Coded("not-known")}
    return AfterView(
        short=answer.short,
        warnings=tuple((one.severity, one.text) for one in answer.warnings),
        rows=tuple(_change(one) for one in changes if one.value != Coded("not-known")),
        limits=tuple((one.value.value if isinstance(one.value, Truth) else None, one.note) for one in limits),
        shifts=tuple(shift for one in changes if one.value != Coded("not-known") and (shift := _shift(one))),
        more=tuple(one for one in answer.said if one not in said and one.partition(". ")[0].rstrip(".") not in in_rows),
    )


def _change(one: Statement) -> tuple[str, ...]:
    parts = dict(one.parts)
    verdict = one.value.code if isinstance(one.value, Coded) else "not-known"
    before, after, noise = (_amount(parts.get(code)) for code in ("value-before", "value-after", "noise-band"))
    return (_name(one), f"{before.split()[0]} → {after}", _DISPLAY[verdict], noise)


def _shift(one: Statement) -> Shift | None:
    parts = dict(one.parts)
    before, after, noise = (parts.get(code) for code in ("value-before", "value-after", "noise-band"))
    if not (isinstance(before, Amount) and isinstance(after, Amount) and isinstance(noise, Amount)):
        return None
    change = after.value - before.value
    # Each has a scale of its own: what matters is how far the change lies outside the noise.
    per_unit = (_SHIFT_HEIGHT / 2 - _SHIFT_PAD) / (max(abs(change), noise.value) or 1.0)
    reach = round(noise.value * per_unit, 1)
    return Shift(
        name=_name(one),
        before=_amount(before).split()[0],
        after=_amount(after),
        beyond=one.value != Coded("within-measurement-noise"),
        after_y=round(_SHIFT_HEIGHT / 2 - change * per_unit, 1),
        noise=(_SHIFT_HEIGHT / 2 - reach, 2 * reach),
    )


def _name(one: Statement) -> str:
    name = _DISPLAY[one.code].removeprefix("Change of ")
    return name[:1].upper() + name[1:]


def _amount(value: object) -> str:
    return in_words(value.value, value.unit) if isinstance(value, Amount) else ABSENT


@dataclass(frozen=True, slots=True)
class MarkersView:
    """Where other markers put closing, and what the published tables would set.

    Attributes:
        agree: None where that cannot be said.
        rows: marker, level, and which kind of level that is.
    """

    sentence: str
    agree: bool | None
    rows: tuple[tuple[str, str, str], ...]
    tables: tuple[str, ...]


def markers_view(answer: Answer | Rejected) -> MarkersView:
    """Put the comparison of markers in words and rows.

    Args:
        answer: of `$compare-markers`, or why there is none.
    """
    if isinstance(answer, Rejected):
        return MarkersView(say("page.not-known-why", in_clinical=in_clinical_words(answer.problems[0])), None, (), ())
    agree = next((one.value for one in answer.statements if one.code == "markers-agree"), None)
    rows = [
        (_DISPLAY[one.code], _amount(one.value), _DISPLAY[meaning.code])
        for one in answer.statements
        if isinstance(meaning := dict(one.parts).get("marker-meaning"), Coded) and isinstance(one.value, Amount)
    ]
    tables = tuple(one.note for one in answer.statements if one.code.startswith("table-"))
    return MarkersView(answer.said[0], agree.value if isinstance(agree, Truth) else None, tuple(rows), tables)


async def show_after(source: TrialSource, pages: Pages) -> Response:
    """What changed at the new settings, what other markers say, and whether the answer still holds.

    Raises:
        Rejected: the patient cannot be read.
    """
    source.asks_together()
    frame, read, compared, markers, validity = await asyncio.gather(
        frame_of(source, pages.zone),
        tried(source.titration()),
        tried(source.asked("compare-settings")),
        tried(source.asked("compare-markers")),
        tried(source.asked("check-validity")),
    )
    if isinstance(read, Rejected):
        return no_answer(read, frame, pages, here="after")
    compared_not = in_clinical_words(compared.problems[0]) if isinstance(compared, Rejected) else ""
    return pages.page(
        "after.html",
        frame,
        here="after",
        view=None if isinstance(compared, Rejected) else after_view(compared),
        why_not=compared_not,
        markers=markers_view(markers),
        validity=validity_of(validity, read, source.at_s),
    )


async def show_days(source: TrialSource, pages: Pages) -> Response:
    """The trials of the last days, and what was charted between them.

    Raises:
        Rejected: the patient cannot be read, or the record cannot.
    """
    frame, answer = await asyncio.gather(frame_of(source, pages.zone), tried(source.asked("follow-trials")))
    if isinstance(answer, Rejected):
        return no_answer(answer, frame, pages, here="days")

    def of_code(code: str) -> list[Statement]:
        return [one for one in answer.statements if one.code == code]

    return pages.page(
        "days.html",
        frame,
        here="days",
        short=answer.short,
        told=[
            (span(*(one.span_s or answer.span_s), pages.zone), one.note)
            for one in answer.statements
            if one.code == "trial-in-record"
        ],
        changes=[one.note for one in of_code("change-between-trials")],
        days=trend_view(answer, zone=pages.zone),
        trials=curves_view(answer, zone=pages.zone),
    )
