"""The pages that show an answer or a running trial: each function asks the source and hands its view on."""

from __future__ import annotations

import asyncio
from itertools import pairwise
from typing import Final

from fastapi import Response

from ebbmark.fhir.answer import Amount, Answer, Coded, Truth
from ebbmark.fhir.operations import BY_SLUG, CHOICE_REASONS
from ebbmark.fhir.problems import Rejected, status_of
from ebbmark.physiology.after.markers import Meaning
from ebbmark.physiology.readings import Quantity
from ebbmark.physiology.trial.limb import SAME_PEEP_CMH2O
from ebbmark.use_cases.questions import answer_to
from ebbmark.views.figure import figure_of
from ebbmark.views.figure_words import figure_table
from ebbmark.views.sheet import PatientLabel, ReportPart, report_pdf
from ebbmark.web.page.answer_view import AnswerView, answer_view, validity_context
from ebbmark.web.page.frame import _NOT_USABLE, Pages, drawn, frame_of, no_answer
from ebbmark.web.page.source import NO_CHOICE, REASONS, Choice, TrialSource, chosen_note, titrated, tried
from ebbmark.web.page.words import day_and_time, in_clinical_words
from ebbmark.words.messages import level, say

PDF: Final = "application/pdf"
_STOP: Final = "stop-criterion-met"
_FRESH_S: Final = 600.0
"""Readings older than this are no sign of a trial in progress on the page of an answer [s]; our choice."""


_CALLED: Final = frozenset({"closing-passed"})
_LEAST_FALL: Final = "marker-spo2-fall-1"
_IN_PROGRESS: Final = frozenset({"lower", "read-again", "look-first", "measure-first", "closing-passed"})
"""Moves of a trial in progress; one that has not begun, or has come to its end, needs no notice."""


async def show_answer(source: TrialSource, pages: Pages, choice: Choice = NO_CHOICE) -> Response:
    """The answer to the latest trial, with everything around it."""
    source.asks_together()
    asked = (
        asyncio.ensure_future(frame_of(source, pages.zone)),
        asyncio.ensure_future(tried(titrated(source, choice))),
        asyncio.ensure_future(tried(source.asked("next-step"))),
        asyncio.ensure_future(tried(source.asked("check-validity"))),
    )
    try:
        frame, answered, running, validity = await asyncio.gather(*asked)
    finally:
        # Where one refuses the page, the others would go on reading the record after it was answered.
        for one in asked:
            one.cancel()
    progress = _in_progress(running, source.at_s)
    if isinstance(answered, Rejected):
        return no_answer(answered, frame, pages, here="", running=progress)
    read, kept = answered
    (view, figure), markers, recorded = await asyncio.gather(
        asyncio.to_thread(_seen, read, running, source.at_s, pages),
        # Of the very readings that the answer rests on: no need to read them once more.
        tried(asyncio.to_thread(answer_to, BY_SLUG["compare-markers"], read.request, source.site)),
        source.recorded(read.identity),
    )
    return pages.page(
        "answer.html",
        frame,
        here="",
        view=view,
        figure=figure,
        running=progress or _unknown(running),
        lowering=bool(progress) and _goes_on(running),
        validity=validity_context(validity, read, source.at_s),
        disagree="" if isinstance(markers, Rejected) or not _disagree(markers) else markers.short.line,
        plainly=not isinstance(markers, Rejected) and _differs_plainly(markers, read),
        since=_since(read, running, validity, pages),
        choice=kept,
        made=day_and_time(source.at_s, pages.zone),
        recorded=recorded,
        reasons=REASONS,
        chosen=chosen_note(read),
        suggested_chosen=kept != choice,
        choice_reasons=CHOICE_REASONS,
        csrf=source.csrf,
    )


async def show_report(
    source: TrialSource, pages: Pages, part: ReportPart = "answer", choice: Choice = NO_CHOICE
) -> Response:
    """The answer as PDF, to be kept or printed; name, birth date and record number stand on every sheet of it.

    Args:
        choice: the PEEP chosen instead of the suggested one, which stands on the sheet with its reason.
    """
    frame, (answer, _) = await asyncio.gather(frame_of(source, pages.zone), titrated(source, choice))
    name = say("sheet.invented", name=frame.who.name) if source.invented else frame.who.name
    label = PatientLabel(name, frame.born, ", ".join(number.value for number in frame.who.numbers))
    body = await asyncio.to_thread(report_pdf, answer, recorded_s=source.at_s, label=label, parts=(part,))
    name = f"ebbmark-{answer.identity[:16]}{'' if part == 'answer' else f'-{part}'}.pdf"
    return Response(body, media_type=PDF, headers={"content-disposition": f'attachment; filename="{name}"'})


def _seen(
    answer: Answer, running: Answer | Rejected, now_s: float, pages: Pages
) -> tuple[AnswerView, dict[str, object]]:
    latest = () if isinstance(running, Rejected) else running.request.readings
    figure = figure_of(answer)
    view = answer_view(answer, now_s=now_s, zone=pages.zone, latest=latest)
    return view, {"drawn": drawn(figure), "table": figure_table(figure)}


def _in_progress(running: Answer | Rejected, now_s: float) -> str:
    """What a trial in progress says; empty where none is, or where it seems to have come to its end."""
    if isinstance(running, Rejected):
        return ""
    move = next(statement.value for statement in running.statements if statement.code == "next-step")
    code = move.code if isinstance(move, Coded) else ""
    fresh = now_s - max(reading.end_s for reading in running.request.readings) <= _FRESH_S
    return running.short.line if code == _STOP or (fresh and code in _IN_PROGRESS) else ""


def _goes_on(running: Answer | Rejected) -> bool:
    """Whether the way down goes on: then its next step leads, and what the titration reads so far is not shown."""
    moves = () if isinstance(running, Rejected) else running.statements
    return any(one.value == Coded(move) for one in moves if one.code == "next-step" for move in _IN_PROGRESS - _CALLED)


def _unknown(running: Answer | Rejected) -> str:
    """That nobody looked, where the record could not be read for it; that none is in progress is usual and not said."""
    if not isinstance(running, Rejected) or status_of(running.problems) == _NOT_USABLE:
        return ""
    return say("page.whether-one-whether", in_clinical=in_clinical_words(running.problems[0]))


def _disagree(markers: Answer) -> bool:
    return any(
        statement.code == "markers-agree" and statement.value == Truth(False) for statement in markers.statements
    )


def _differs_plainly(markers: Answer, read: Answer) -> bool:
    """Whether a marker beside the fall of SpO2 by 1 %, which is no more than its noise, lies a step from closing."""
    closing, steps = read.titration.closing.peep_cmh2o, read.titration.trial.steps
    step = min(one.peep_cmh2o - below.peep_cmh2o for one, below in pairwise(steps))
    levels = [
        statement.value.value
        for statement in markers.statements
        if statement.kind.startswith("marker-")
        and statement.kind != _LEAST_FALL
        and dict(statement.parts).get("marker-meaning") == Coded(Meaning.CLOSING.value)
        and isinstance(statement.value, Amount)
    ]
    return closing is not None and any(abs(level - closing) >= step for level in levels)


def _since(
    read: Answer, running: Answer | Rejected, validity: Answer | Rejected, pages: Pages
) -> tuple[tuple[str, str], ...]:
    """What happened since the trial, in order: when, and what."""
    ended_s = max(step.end_s for step in read.titration.trial.steps)
    readings = () if isinstance(running, Rejected) else running.request.readings
    set_s = sorted((reading.start_s, reading.value) for reading in readings if reading.quantity is Quantity.PEEP_SET)
    moved = [
        (at_s, say("page.peep", before=level(before), after=level(after)))
        for (_, before), (at_s, after) in pairwise(set_s)
        if at_s > ended_s and abs(after - before) >= SAME_PEEP_CMH2O
    ]
    seen = [] if isinstance(validity, Rejected) else [(warning.span_s, warning.text) for warning in validity.warnings]
    marked = [(span_s[0], text) for span_s, text in seen if span_s is not None]
    rows = sorted([(ended_s, say("page.trial-ended")), *moved, *marked])
    return tuple((day_and_time(at_s, pages.zone), text) for at_s, text in rows) if len(rows) > 1 else ()
