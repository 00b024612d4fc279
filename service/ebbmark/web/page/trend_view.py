"""The days of a patient as small panels over one scale of time: closing pressure, PEEP, compliance and P/F."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import tzinfo
from typing import Final

from ebbmark.fhir.answer import Amount, Answer
from ebbmark.physiology.formulas.gas_exchange import pf_ratio_mmhg
from ebbmark.physiology.readings import Quantity, Reading
from ebbmark.physiology.timeline import setting_at
from ebbmark.web.page.words import day_and_time

__all__ = ["Panel", "Trend", "trend_view"]

LEFT, RIGHT, HEIGHT = 0.0, 600.0, 60.0
_PAD: Final = 6.0
_LEAST_FIO2: Final = 0.2
"""Below that of air no P/F is reckoned [1]."""


@dataclass(frozen=True, slots=True)
class Panel:
    """One quantity over time, in a field of 600 by 60.

    Attributes:
        name: with its unit.
        low: lowest value shown.
        high: highest value shown.
        steps: whether a value holds until the next, as a setting does.
        points: of an SVG polyline.
        marks: where each value stands.
        rows: time and value of each, for those who cannot see the panel.
    """

    name: str
    low: str
    high: str
    steps: bool
    points: str
    marks: tuple[tuple[float, float], ...]
    rows: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class Trend:
    """The panels, and the ends of the scale of time that they share."""

    start: str
    end: str
    panels: tuple[Panel, ...]


def trend_view(answer: Answer, *, zone: tzinfo) -> Trend | None:
    """Lay out what was charted and found over the days; None where there is nothing of two moments.

    Args:
        answer: of `$follow-trials`.
        zone: of the site.
    """
    courses = [(name, steps, values) for name, steps, values in _courses(answer) if values]
    moments = [at_s for _, _, values in courses for at_s, _ in values]
    if not moments or max(moments) == min(moments):
        return None
    start_s, end_s = min(moments), max(moments)
    panels = tuple(_panel(name, steps, values, start_s, end_s, zone) for name, steps, values in courses)
    return Trend(day_and_time(start_s, zone), day_and_time(end_s, zone), panels)


def _courses(answer: Answer) -> Iterator[tuple[str, bool, list[tuple[float, float]]]]:
    trials = [one for one in answer.statements if one.code == "trial-in-record" and one.span_s is not None]
    readings = answer.request.readings
    closing = [(one.span_s[1], one.value.value) for one in trials if one.span_s and isinstance(one.value, Amount)]
    yield "Closing pressure (cmH2O)", False, closing
    yield "PEEP set (cmH2O)", True, sorted((r.start_s, r.value) for r in readings if r.quantity is Quantity.PEEP_SET)
    found = [(one.span_s, dict(one.parts).get("compliance-at-suggestion")) for one in trials]
    compliance = [(span_s[1], part.value) for span_s, part in found if span_s and isinstance(part, Amount)]
    yield "Compliance at the suggested PEEP (mL/cmH2O)", False, compliance
    yield "P/F (mmHg)", False, sorted(_pf(readings))


def _pf(readings: Sequence[Reading]) -> Iterator[tuple[float, float]]:
    for gas in readings:
        if gas.quantity is Quantity.PAO2:
            fio2 = setting_at(readings, Quantity.FIO2_SET, gas.at_s)
            if fio2 is not None and fio2.value >= _LEAST_FIO2:
                yield gas.at_s, pf_ratio_mmhg(pao2_mmhg=gas.value, fio2=fio2.value)


def _panel(
    name: str, steps: bool, values: Sequence[tuple[float, float]], start_s: float, end_s: float, zone: tzinfo
) -> Panel:
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
    return Panel(
        name=name,
        low=f"{low:.0f}",
        high=f"{high:.0f}",
        steps=steps,
        points=" ".join(f"{x:g},{y:g}" for x, y in points),
        marks=() if steps else marks,
        rows=tuple((day_and_time(at_s, zone), f"{value:.0f}") for at_s, value in values),
    )
