"""The figure of a trial in progress: what it shows so far, and that it concludes and suggests nothing by itself."""

from __future__ import annotations

from datetime import datetime
from itertools import combinations

import pytest

from bedside_builders import body_of, row, rows_down, stamp
from ebbmark.fhir.operations import BY_SLUG
from ebbmark.fhir.reading.request import RequestContext
from ebbmark.use_cases.questions import answer_request
from ebbmark.views.drawing import Area, Drawing, Label, Line, Marks, box_of
from ebbmark.views.figure import RunningFigure, running_figure_of
from ebbmark.views.figure_words import running_alternative_text
from ebbmark.views.panels import NARROW, WIDE, Aspect
from ebbmark.views.picture import draw, running_laid_out
from fhir_builders import Json

# Invented by us, as in the tests of the question.
DOWN = ((20.0, 36.0), (18.0, 38.0), (16.0, 40.0), (14.0, 41.0), (12.0, 40.5), (10.0, 36.0), (8.0, 31.0))
NOT_YET = [row(stamp(2 * 4), "set-only", peep_set=12.0)]

by_steps = pytest.mark.parametrize("steps", [2, 3, 4, 7])
by_aspect = pytest.mark.parametrize("aspect", [WIDE, NARROW], ids=["wide", "narrow"])


def seen(resources: list[Json], minute: float) -> RunningFigure | None:
    at_s = datetime.fromisoformat(stamp(minute)).timestamp()
    return running_figure_of(answer_request(BY_SLUG["next-step"], body_of(resources, []), RequestContext(at_s)))


def after(steps: int, *, minute: float = 0.0, more: list[Json] | None = None) -> RunningFigure:
    figure = seen([*rows_down(DOWN[:steps]), *(more or [])], 2 * steps + minute)
    assert figure is not None
    return figure


def layout(figure: RunningFigure, aspect: Aspect = WIDE) -> Drawing:
    return running_laid_out(figure, aspect)


def said(drawing: Drawing) -> str:
    return " ".join(ink.text for ink in drawing.inks if isinstance(ink, Label))


def meet(one: tuple[float, float, float, float], other: tuple[float, float, float, float]) -> bool:
    return one[0] < other[2] and other[0] < one[2] and one[1] < other[3] and other[1] < one[3]


@by_steps
def test_every_step_so_far_has_its_readings_and_their_median(steps: int) -> None:
    figure = after(steps)
    rings = [ink for ink in layout(figure).inks if isinstance(ink, Marks) and ink.shape == "ring"]

    assert figure.levels_cmh2o == tuple(peep for peep, _ in DOWN[:steps])
    in_the_key = 1
    assert sum(len(ink.points) for ink in rings) == in_the_key + 2 * steps
    assert [round(step.centre_ml_per_cmh2o) for step in figure.steps] == [
        pytest.approx(compliance, abs=1) for _, compliance in DOWN[:steps]
    ]


@by_steps
@by_aspect
def test_neither_a_suggestion_nor_a_closing_pressure_is_marked(steps: int, aspect: Aspect) -> None:
    drawing = layout(after(steps), aspect)
    roles = {
        role
        for ink in drawing.inks
        for role in ((ink.fill, ink.edge) if isinstance(ink, Area) else (ink.role,))
    }  # fmt: skip

    assert not roles & {"closing", "suggestion"}
    assert "suggested" not in said(drawing)
    assert "expected" not in said(drawing)
    assert "PEEP lowered" in said(drawing)
    assert [ink for ink in drawing.inks if isinstance(ink, Line) and ink.arrow]


@by_aspect
def test_while_nothing_is_concluded_the_figure_says_so(aspect: Aspect) -> None:
    assert "trial in progress; nothing is concluded yet" in said(layout(after(4), aspect))


@by_aspect
def test_once_closing_has_been_passed_the_figure_says_the_sentence_of_the_answer(aspect: Aspect) -> None:
    text = said(layout(after(7), aspect))

    assert "Closing has been passed at or above 8 cmH2O (probability" in text
    assert "nothing is concluded" not in text


def test_a_met_stop_criterion_is_not_called_nothing() -> None:
    low = row(stamp(7.9), "low", spo2=70.0)

    assert after(4, more=[low]).said.startswith("Stop criterion met")


def test_a_bar_stands_at_every_step_that_may_be_past_closing() -> None:
    figure = after(7)
    bars = [ink for ink in layout(figure).inks if isinstance(ink, Area)]

    assert [step.probability is None for step in figure.steps] == [True, True, *[False] * 5]
    assert len(bars) == sum((step.probability or 0.0) >= 0.01 for step in figure.steps) >= 1
    assert "closing passed (%)" in said(layout(figure))


def test_where_there_is_no_probability_yet_the_figure_says_from_when_on() -> None:
    drawing = layout(after(2))

    assert [ink for ink in drawing.inks if isinstance(ink, Area)] == []
    assert "closing passed: no probability before step 3 of the way down" in said(drawing)


def test_a_level_without_a_reading_has_its_place_and_neither_mark_nor_bar() -> None:
    figure = after(4, minute=0.2, more=NOT_YET)

    assert (figure.waiting_cmh2o, len(figure.steps)) == (12.0, 4)
    assert "12" in [ink.text for ink in layout(figure).inks if isinstance(ink, Label)]
    assert "no settled reading yet at 12 cmH2O" in said(layout(figure))


def test_before_a_step_has_a_reading_there_is_no_figure() -> None:
    first = rows_down(DOWN[:1])

    assert seen(first, 2) is None
    assert seen([*first, row(stamp(2), "set-only", peep_set=18.0)], 2.2) is None


def test_the_clock_alone_changes_no_figure() -> None:
    assert after(4, minute=0.5) == after(4)
    assert draw(after(4, minute=0.5)) == draw(after(4))


def test_another_reading_changes_the_figure() -> None:
    assert after(4) != seen(rows_down(DOWN[:4])[:-1], 8)


@by_steps
@by_aspect
def test_no_label_meets_another_or_leaves_the_figure(steps: int, aspect: Aspect) -> None:
    drawing = layout(after(steps, minute=0.2, more=NOT_YET if steps == 4 else None), aspect)
    boxes = [(ink.text, box_of(ink)) for ink in drawing.inks if isinstance(ink, Label)]

    assert [(a, b) for (a, one), (b, other) in combinations(boxes, 2) if meet(one, other)] == []
    assert [text for text, (left, bottom, *_) in boxes if left < 0 or bottom < 0] == []
    assert [text for text, (*_, right, top) in boxes if right > drawing.width_in or top > drawing.height_in] == []


def test_the_text_alternative_names_the_steps_the_probability_and_what_is_concluded() -> None:
    text = running_alternative_text(after(4))

    assert text.startswith("Static compliance against set PEEP in 4 steps so far, from 20 to 14 cmH2O: the median went")
    assert "The probability that closing has been passed at 14 cmH2O is under 1 %." in text
    assert text.endswith("Trial in progress; nothing is concluded yet.")


def test_the_text_alternative_names_a_level_without_a_reading() -> None:
    text = running_alternative_text(after(4, minute=0.2, more=NOT_YET))

    assert "At 12 cmH2O there is no settled reading yet." in text
