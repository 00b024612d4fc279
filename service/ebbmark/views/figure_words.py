"""The words of a figure: its labels, its alternative text, and its data as a table."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime

from ebbmark.fhir.writing.sentences import closing_sentence
from ebbmark.physiology.closing.result import Verdict
from ebbmark.physiology.during.context import DEFAULT_CALL_RULE
from ebbmark.views.drawing import TIED
from ebbmark.views.figure import Figure, FigureStep, RunningFigure, Shown, VitalRow, beyond, scale_of
from ebbmark.words.messages import interval, level, percent, say, section

_say = section("figure")

PRELIMINARY = "short.preliminary"

MOST_LISTED = 4
"""Single readings of a step that a cell lists; of more it gives the range."""


@dataclass(frozen=True, slots=True)
class FigureTable:
    """The data behind the figure, as text; the caption says what the rows cannot."""

    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    caption: str


def peep_title(figure: Shown) -> str:
    """Title of the scale that both parts share."""
    return _say("peep", peep_source=figure.peep_source)


def suggestion_words(figure: Figure) -> str:
    """The suggested PEEP and what the other margins would lead to, or that none is suggested."""
    if figure.suggested_peep_cmh2o is None:
        return _say("no-peep-suggested")
    said = _say("suggested-peep", suggested_peep_cmh2o=level(figure.suggested_peep_cmh2o)) + _tied(
        _say("closing", margin_cmh2o=level(figure.margin_cmh2o))
    )
    others = [
        _tied(
            _say(
                "gives",
                margin_cmh2o=level(margin.margin_cmh2o),
                peep_cmh2o=level(margin.peep_cmh2o),
                ending="" if margin.tested else _say("not-tested"),
            )
        )
        for margin in figure.margins
        if margin.margin_cmh2o != figure.margin_cmh2o
    ]
    return _say("other-margins", said=said, listed=", ".join(others)) if others else said


def closing_words(figure: Figure) -> str:
    """The closing pressure with its interval, or why there is none."""
    closing = figure.closing
    sure = f"({percent(closing.probability)})"
    if closing.verdict is Verdict.FOUND and closing.peep_cmh2o is not None:
        low, high = closing.interval_cmh2o or (closing.peep_cmh2o, closing.peep_cmh2o)
        return _say(
            "closing-pressure",
            peep_cmh2o=level(closing.peep_cmh2o),
            value=_tied("90 % interval:"),
            low=_tied(interval(low, high)),
        )
    if closing.verdict is Verdict.NOT_REACHED:
        return _say("closing-not-reached", sure=sure)
    if closing.verdict is Verdict.FALLING_FROM_FIRST_STEP:
        top = level(figure.steps[0].peep_cmh2o)
        return _say("falling-first-step", top=top, sure=sure)
    return _say("no-statement-about")


def notes(figure: Figure, *, outside_drawn: bool) -> tuple[str, ...]:
    """What the panels cannot show in its place."""
    said = []
    if not figure.estimated:
        said.append(_say("no-probabilities-can"))
    elif not outside_drawn:
        said.append(f"{_say('not-reached')}: {percent(figure.closing.not_reached)}")
        said.append(f"{_say('falling-from-first')}: {percent(figure.closing.falling_from_first_step)}")
    return (*said, *(_say("bold-underlined", words=words) for words in _beyond_limits(figure)), *far_words(figure))


def _beyond_limits(figure: Figure) -> Iterator[str]:
    """Each vital sign that was beyond its stop limit, and at which steps."""
    for row in figure.vital_signs:
        met = [level(step.peep_cmh2o) for number, step in enumerate(figure.steps) if row.beyond(number)]
        if met:
            yield _say(
                "lowest", name=row.name, limit_words=_tied(f"{row.limit_words} {row.unit}"), listed=", ".join(met)
            )


def far_words(figure: Shown) -> tuple[str, ...]:
    """The readings that the scale does not reach, where there are any."""
    far = beyond(figure, scale_of(figure))
    if len(far) == 1:
        return (_say("reading-lies-beyond", far=f"{far[0]:.1f}"),)
    if far:
        ends = _say("to", far=f"{far[0]:.1f}", far_2=f"{far[-1]:.1f}")
        return (_say("readings-lie-beyond", count=len(far), ends=ends),)
    return ()


def origin_words(figure: Figure) -> str:
    """Which answer this is a picture of, for a picture that travels alone."""
    return f"{say(PRELIMINARY)} {_tied(f'Ebbmark {figure.engine_version},')} {_tied(f'answer {figure.identity[:16]}')}"


def alternative_text(figure: Figure) -> str:
    """Say in a few plain sentences what the figure shows, for those who cannot see it."""
    first, last = figure.steps[0].peep_cmh2o, figure.steps[-1].peep_cmh2o
    kind = "Static" if figure.static else "Dynamic"
    suggestion = suggestion_words(figure).replace(TIED, " ")
    met = "; ".join(_beyond_limits(figure)).replace(TIED, " ")
    return _say(
        "compliance-against-peep",
        kind=kind,
        peep_source=figure.peep_source,
        first=level(first),
        last=level(last),
        count=len(figure.steps),
        closing_sentence=closing_sentence(figure.closing),
        suggestion=suggestion[0].upper(),
        suggestion_2=suggestion[1:],
        met=f" {met[0].upper()}{met[1:]}." if met else "",
    )


def figure_table(figure: Figure) -> FigureTable:
    """The data of the figure, one row per step."""
    return FigureTable(
        heads=(
            _say("peep-title", capitalize=figure.peep_source.capitalize()),
            _say("single-readings"),
            _say("median"),
            _say("expected-true-compliance"),
            _say("band"),
            _say("probability-closing-started"),
            *(f"{row.title[0].upper()}{row.title[1:]}" for row in figure.vital_signs),
        ),
        rows=tuple(
            (*_row(step), *(_vital_cell(row, number) for row in figure.vital_signs))
            for number, step in enumerate(figure.steps)
        ),
        caption=_caption(figure),
    )


def _tied(words: str) -> str:
    return words.replace(" ", TIED)


def _row(step: FigureStep) -> tuple[str, ...]:
    expected, band = _say("not-known"), _say("not-known")
    if step.expected_ml_per_cmh2o is not None:
        value, low, high = step.expected_ml_per_cmh2o
        expected, band = f"{value:.1f}", _say("band-span", low=f"{low:.1f}", high=f"{high:.1f}")
    return (
        level(step.peep_cmh2o),
        _readings(step.readings_ml_per_cmh2o),
        f"{step.centre_ml_per_cmh2o:.1f}",
        expected,
        band,
        _say("not-known") if step.probability is None else percent(step.probability),
    )


def _vital_cell(row: VitalRow, step: int) -> str:
    value = row.spelled(step)
    if value is None:
        return _say("not-charted")
    return f"{value}, {row.limit_words}" if row.beyond(step) else value


def _readings(values: tuple[float, ...]) -> str:
    if len(values) <= MOST_LISTED:
        return ", ".join(f"{value:.1f}" for value in values)
    return _say("from-to", count=len(values), values=f"{min(values):.1f}", values_2=f"{max(values):.1f}")


def _caption(figure: Figure) -> str:
    kind = "static" if figure.static else "dynamic"
    said = _say("data-figure-compliance", kind=kind)
    if figure.vital_signs:
        said += _say("vital-signs-lowest")
    if not figure.estimated:
        return said
    return _say(
        "closing-none-steps",
        said=said,
        not_reached=_say("not-reached"),
        not_reached_2=percent(figure.closing.not_reached),
        falling=_say("falling-from-first"),
        falling_from_first_step=percent(figure.closing.falling_from_first_step),
    )


def running_notes(figure: RunningFigure) -> tuple[str, ...]:
    """What the panels cannot show in its place."""
    said = []
    if figure.waiting_cmh2o is not None:
        said.append(_say("no-settled-reading", waiting_cmh2o=level(figure.waiting_cmh2o)))
    without = [number for number, step in enumerate(figure.steps, start=1) if step.probability is None]
    if without and without[-1] < DEFAULT_CALL_RULE.fewest_steps:
        said.append(_say("closing-passed-no", fewest_steps=DEFAULT_CALL_RULE.fewest_steps))
    elif without:
        peeps = ", ".join(level(figure.steps[number - 1].peep_cmh2o) for number in without)
        said.append(_say("closing-passed-no-probability", peeps=peeps))
    return (*said, *far_words(figure))


def running_origin(figure: RunningFigure) -> str:
    """Up to when the readings go, for a picture that travels alone."""
    until = datetime.fromtimestamp(figure.until_s, UTC)
    return _say(
        "ebbmark-readings-up",
        preliminary=say(PRELIMINARY),
        tied=TIED,
        engine_version=figure.engine_version,
        until=f"{until:%Y-%m-%d %H:%M:%S}",
    )


def running_alternative_text(figure: RunningFigure) -> str:
    """Say in a few plain sentences what the figure shows, for those who cannot see it."""
    first, last = figure.steps[0], figure.steps[-1]
    kind = "Static" if figure.static else "Dynamic"
    count = "1 step" if len(figure.steps) == 1 else _say("steps", count=len(figure.steps))
    seen = [
        _say(
            "compliance-against-peep-so",
            kind=kind,
            peep_source=figure.peep_source,
            count=count,
            peep_cmh2o=level(first.peep_cmh2o),
            peep_cmh2o_2=level(last.peep_cmh2o),
            centre_ml_per_cmh2o=f"{first.centre_ml_per_cmh2o:.1f}",
            centre_ml_per_cmh2o_2=f"{last.centre_ml_per_cmh2o:.1f}",
        )
    ]
    if last.probability is not None:
        at = level(last.peep_cmh2o)
        seen.append(_say("probability-closing-has", at=at, probability=percent(last.probability)))
    if figure.waiting_cmh2o is not None:
        seen.append(_say("there-no-settled", waiting_cmh2o=level(figure.waiting_cmh2o)))
    said = figure.said if figure.said.endswith((".", "?")) else f"{figure.said}."
    return " ".join([*seen, f"{said[0].upper()}{said[1:]}"])
