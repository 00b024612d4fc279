"""The pages after a trial: what changed at the new settings and whether it still holds, and the trials over days.

The days are drawn as panels over one scale of time, and the curve of each trial as small multiples.
"""

from __future__ import annotations

import asyncio
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import tzinfo
from typing import Final

from fastapi import Response

from ebbmark.fhir.answer import Amount, Answer, Coded, Statement, Truth, in_words
from ebbmark.fhir.codesystem import CONCEPTS
from ebbmark.fhir.operations import TITRATE_PEEP
from ebbmark.fhir.problems import Rejected
from ebbmark.fhir.writing.account import ABSENT
from ebbmark.physiology.after.trials import trials_of_record
from ebbmark.physiology.gas_exchange import pf_ratio_mmhg
from ebbmark.physiology.readings import Quantity, Reading
from ebbmark.physiology.timeline import setting_at
from ebbmark.physiology.trial.steps import Trial
from ebbmark.web.page.answer_view import validity_context
from ebbmark.web.page.frame import Pages, frame_of, no_answer
from ebbmark.web.page.source import TrialSource, tried
from ebbmark.web.page.words import day_and_time, in_clinical_words, span
from ebbmark.words.messages import level, say

_DISPLAY: Final = {one.code: one.display for one in CONCEPTS}
_NOT_USABLE: Final = 422
_SHIFT_HEIGHT: Final = 60.0
_SHIFT_PAD: Final = 8.0


def after_context(answer: Answer) -> dict[str, object]:
    """Put the comparison of settings in words and rows."""
    changes = [statement for statement in answer.statements if statement.code.startswith("change-of-")]
    limits = [statement for statement in answer.statements if statement.code.startswith("limit-")]
    said = {limit.note for limit in limits}
    in_rows = {change.note.partition(". ")[0].rstrip(".") for change in changes if change.value != Coded("not-known")}
    return {
        "short": answer.short,
        "warnings": tuple((warning.severity, warning.text) for warning in answer.warnings),
        "rows": tuple(_change(change) for change in changes if change.value != Coded("not-known")),
        "limits": tuple(
            (limit.value.value if isinstance(limit.value, Truth) else None, limit.note) for limit in limits
        ),
        "shifts": tuple(
            shift for change in changes if change.value != Coded("not-known") and (shift := _shift(change))
        ),
        "more": tuple(
            one for one in answer.said if one not in said and one.partition(". ")[0].rstrip(".") not in in_rows
        ),
    }


def _change(one: Statement) -> tuple[str, ...]:
    parts = dict(one.parts)
    verdict = one.value.code if isinstance(one.value, Coded) else "not-known"
    before, after, noise = (_amount(parts.get(code)) for code in ("value-before", "value-after", "noise-band"))
    return (_name(one), f"{before.split()[0]} → {after}", _DISPLAY[verdict], noise)


def _shift(one: Statement) -> dict[str, object] | None:
    parts = dict(one.parts)
    before, after, noise = (parts.get(code) for code in ("value-before", "value-after", "noise-band"))
    if not (isinstance(before, Amount) and isinstance(after, Amount) and isinstance(noise, Amount)):
        return None
    change = after.value - before.value
    # Each has a scale of its own: what matters is how far the change lies outside the noise.
    per_unit = (_SHIFT_HEIGHT / 2 - _SHIFT_PAD) / (max(abs(change), noise.value) or 1.0)
    reach = round(noise.value * per_unit, 1)
    return {
        "name": _name(one),
        "before": _amount(before).split()[0],
        "after": _amount(after),
        "beyond": one.value != Coded("within-measurement-noise"),
        "after_y": round(_SHIFT_HEIGHT / 2 - change * per_unit, 1),
        "noise": (_SHIFT_HEIGHT / 2 - reach, 2 * reach),
    }


def _name(one: Statement) -> str:
    name = _DISPLAY[one.code].removeprefix("Change of ")
    return name[:1].upper() + name[1:]


def _amount(value: object) -> str:
    return in_words(value.value, value.unit) if isinstance(value, Amount) else ABSENT


def markers_context(answer: Answer | Rejected) -> dict[str, object]:
    """Put the comparison of markers in words and rows.

    Args:
        answer: of `$compare-markers`, or why there is none.
    """
    if isinstance(answer, Rejected):
        return {
            "sentence": say("page.not-known-why", in_clinical=in_clinical_words(answer.problems[0])),
            "agree": None,
            "rows": (),
            "tables": (),
        }
    agree = next((statement.value for statement in answer.statements if statement.code == "markers-agree"), None)
    rows = [
        (_DISPLAY[statement.code], _amount(statement.value), _DISPLAY[meaning.code])
        for statement in answer.statements
        if isinstance(meaning := dict(statement.parts).get("marker-meaning"), Coded)
        and isinstance(statement.value, Amount)
    ]
    tables = tuple(statement.note for statement in answer.statements if statement.code.startswith("table-"))
    return {
        "sentence": answer.said[0],
        "agree": agree.value if isinstance(agree, Truth) else None,
        "rows": tuple(rows),
        "tables": tables,
    }


async def show_after(source: TrialSource, pages: Pages) -> Response:
    """What changed at the new settings, what other markers say, and whether the answer still holds."""
    source.asks_together()
    frame, read, compared, markers, validity = await asyncio.gather(
        frame_of(source, pages.zone),
        tried(source.asked(TITRATE_PEEP.slug)),
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
        view=None if isinstance(compared, Rejected) else after_context(compared),
        why_not=compared_not,
        markers=markers_context(markers),
        validity=validity_context(validity, read, source.at_s),
    )


async def show_days(source: TrialSource, pages: Pages) -> Response:
    """The trials of the last days, and what was charted between them."""
    frame, answer = await asyncio.gather(frame_of(source, pages.zone), tried(source.asked("follow-trials")))
    if isinstance(answer, Rejected):
        return no_answer(answer, frame, pages, here="days")

    def of_code(code: str) -> list[Statement]:
        return [statement for statement in answer.statements if statement.code == code]

    return pages.page(
        "days.html",
        frame,
        here="days",
        short=answer.short,
        told=[
            (span(*(statement.span_s or answer.span_s), pages.zone), statement.note)
            for statement in answer.statements
            if statement.code == "trial-in-record"
        ],
        changes=[one.note for one in of_code("change-between-trials")],
        days=trend_view(answer, zone=pages.zone),
        trials=curves_view(answer, zone=pages.zone),
    )


LEFT, RIGHT, HEIGHT = 0.0, 600.0, 60.0
_PAD: Final = 6.0
MOST_CURVES: Final = 8
"""Trials drawn side by side, the latest ones; this project's choice."""

_CURVE: Final = (30.0, 154.0, 8.0, 82.0)
"""Left, right, top and bottom of the field of one curve, within 160 by 100."""

_LEAST_FIO2: Final = 0.2
"""Below that of air no P/F is reckoned [1]."""


@dataclass(frozen=True, slots=True)
class Curve:
    """One trial as a small curve, compliance over set PEEP, in a field of 160 by 100.

    Attributes:
        told: closing pressure with its interval, PEEP suggested, and how compliance was obtained.
        text: every point, for those who cannot see it.
        band: left edge and width of the interval of closing; None where that is one level.
        closing_x, suggested_x: where they stand; None where there is none.
    """

    when: str
    told: str
    text: str
    points: str
    marks: tuple[tuple[float, float], ...]
    band: tuple[float, float] | None
    closing_x: float | None
    suggested_x: float | None


@dataclass(frozen=True, slots=True)
class Curves:
    """The curves of the latest trials on the same axes, oldest first.

    Attributes:
        curves: at most `MOST_CURVES`.
        mixed: whether some compliances are static and others dynamic, which cannot be compared.
    """

    curves: tuple[Curve, ...]
    peep: tuple[str, str]
    compliance: tuple[str, str]
    not_drawn: int
    mixed: bool


def curves_view(answer: Answer, *, zone: tzinfo) -> Curves | None:
    """Draw the latest trials side by side; None where none of them has a curve."""
    stated = {statement.span_s: statement for statement in answer.statements if statement.code == "trial-in-record"}
    read = trials_of_record(answer.request.readings, answer.request.protocol, most=MOST_CURVES).trials
    spans = [(trial.steps[0].start_s, max(step.end_s for step in trial.steps)) for trial in read]
    trials = [(trial, stated[span_s]) for trial, span_s in zip(read, spans, strict=True) if span_s in stated]
    steps = [step for trial, _ in trials for step in trial.steps]
    if not steps:
        return None
    tested = [step.peep_cmh2o for step in steps]
    # A PEEP that is marked lies within the axis, even where it was not a step of the trial.
    marked = [value for _, one in trials for value in _marked(one) if value is not None]
    peep = (min(tested + marked), max(tested + marked))
    compliances = [step.compliance_ml_per_cmh2o for step in steps]
    compliance = (min(compliances), max(compliances))
    return Curves(
        curves=tuple(_curve(trial, one, peep, compliance, zone) for trial, one in trials),
        peep=(level(peep[0]), level(peep[1])),
        compliance=(f"{compliance[0]:.0f}", f"{compliance[1]:.0f}"),
        not_drawn=len(stated) - len(trials),
        mixed=len({trial.kind.static for trial, _ in trials}) > 1,
    )


def _marked(stated: Statement) -> tuple[float | None, float | None, float | None, float | None]:
    """Closing pressure, the ends of its interval, and the PEEP suggested."""
    parts = dict(stated.parts)
    found = (stated.value, *map(parts.get, ("interval-low", "interval-high", "peep-suggested-then")))
    closing, low, high, suggested = (one.value if isinstance(one, Amount) else None for one in found)
    return closing, low, high, suggested


def _curve(
    trial: Trial, stated: Statement, peep: tuple[float, float], compliance: tuple[float, float], zone: tzinfo
) -> Curve:
    left, right, top, bottom = _CURVE

    def x_of(value: float) -> float:
        return round(left + (right - left) * (value - peep[0]) / (peep[1] - peep[0] or 1.0), 1)

    def y_of(value: float) -> float:
        return round(bottom - (bottom - top) * (value - compliance[0]) / (compliance[1] - compliance[0] or 1.0), 1)

    closing, low, high, suggested = _marked(stated)
    interval = (low, high) if low is not None and high is not None and low < high else None
    within = say("page.interval", interval=level(interval[0]), interval_2=level(interval[1])) if interval else ""
    told = (
        say("page.closing", closing=level(closing), within=within)
        if closing is not None
        else say("page.no-closing-pressure"),
        say("page.suggested", suggested=level(suggested)) if suggested is not None else say("page.no-peep-suggested"),
        say("page.compliance", ending="static" if trial.kind.static else "dynamic"),
    )
    steps = [(step.peep_cmh2o, step.compliance_ml_per_cmh2o) for step in trial.steps]
    when = day_and_time(stated.span_s[1] if stated.span_s else trial.steps[-1].end_s, zone)
    marks = tuple((x_of(at), y_of(value)) for at, value in steps)
    said = "; ".join(told)
    points = ", ".join(say("page.compliance-at-peep", value=f"{value:.1f}", at=level(at)) for at, value in steps)
    return Curve(
        when=when,
        told=said[:1].upper() + said[1:],
        text=say("page.trial", when=when, said=said, points=points),
        points=" ".join(f"{x:g},{y:g}" for x, y in marks),
        marks=marks,
        band=(x_of(interval[0]), round(x_of(interval[1]) - x_of(interval[0]), 1)) if interval else None,
        closing_x=x_of(closing) if closing is not None else None,
        suggested_x=x_of(suggested) if suggested is not None else None,
    )


def trend_view(answer: Answer, *, zone: tzinfo) -> dict[str, object] | None:
    """Lay out what was charted and found over the days; None where there is nothing of two moments."""
    courses = [(name, steps, values) for name, steps, values in _courses(answer) if values]
    moments = [at_s for _, _, values in courses for at_s, _ in values]
    if not moments or max(moments) == min(moments):
        return None
    start_s, end_s = min(moments), max(moments)
    panels = tuple(_panel(name, steps, values, start_s, end_s, zone) for name, steps, values in courses)
    return {
        "start": day_and_time(start_s, zone),
        "end": day_and_time(end_s, zone),
        "panels": panels,
    }


def _courses(answer: Answer) -> Iterator[tuple[str, bool, list[tuple[float, float]]]]:
    trials = [
        statement
        for statement in answer.statements
        if statement.code == "trial-in-record" and statement.span_s is not None
    ]
    readings = answer.request.readings
    closing = [
        (trial.span_s[1], trial.value.value) for trial in trials if trial.span_s and isinstance(trial.value, Amount)
    ]
    yield say("page.closing-pressure"), False, closing
    yield say("page.peep-set"), True, sorted((r.start_s, r.value) for r in readings if r.quantity is Quantity.PEEP_SET)
    found = [(trial.span_s, dict(trial.parts).get("compliance-at-suggestion")) for trial in trials]
    compliance = [(span_s[1], part.value) for span_s, part in found if span_s and isinstance(part, Amount)]
    yield say("page.compliance-suggested-peep"), False, compliance
    yield "P/F (mmHg)", False, sorted(_pf(readings))


def _pf(readings: Sequence[Reading]) -> Iterator[tuple[float, float]]:
    for gas in readings:
        if gas.quantity is Quantity.PAO2:
            fio2 = setting_at(readings, Quantity.FIO2_SET, gas.at_s)
            if fio2 is not None and fio2.value >= _LEAST_FIO2:
                yield gas.at_s, pf_ratio_mmhg(pao2_mmhg=gas.value, fio2=fio2.value)


def _panel(
    name: str, steps: bool, values: Sequence[tuple[float, float]], start_s: float, end_s: float, zone: tzinfo
) -> dict[str, object]:
    low, high = min(value for _, value in values), max(value for _, value in values)
    span = high - low or 1.0
    marks = tuple(
        (
            round(RIGHT * (at_s - start_s) / (end_s - start_s), 1),
            round(HEIGHT - _PAD - (HEIGHT - 2 * _PAD) * (value - low) / span, 1),
        )
        for at_s, value in values
    )
    points = []
    for place, (x, y) in enumerate(marks):
        if steps and place:
            points.append((x, marks[place - 1][1]))
        points.append((x, y))
    return {
        "name": name,
        "low": f"{low:.0f}",
        "high": f"{high:.0f}",
        "steps": steps,
        "points": " ".join(f"{x:g},{y:g}" for x, y in points),
        "marks": () if steps else marks,
        "rows": tuple((day_and_time(at_s, zone), f"{value:.0f}") for at_s, value in values),
    }
