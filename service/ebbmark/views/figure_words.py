"""The words of a figure: its labels, its alternative text, and its data as a table."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime

from ebbmark.fhir.writing.sentences import closing_sentence
from ebbmark.physiology.closing.estimate import Verdict
from ebbmark.physiology.during.running import DEFAULT_CALL_RULE
from ebbmark.views.drawing import TIED
from ebbmark.views.figure import Figure, FigureStep, RunningFigure, Shown, beyond, scale_of
from ebbmark.views.vital_signs import NOT_CHARTED, VitalRow
from ebbmark.words.numbers import interval, level, percent

__all__ = [
    "FALLING", "NOT_REACHED", "PRELIMINARY", "FigureTable", "alternative_text", "closing_words", "compliance_title",
    "far_words", "figure_table", "notes", "origin_words", "peep_title", "running_alternative_text", "running_notes",
    "running_origin", "suggestion_words",
]  # fmt: skip

NOT_REACHED = "not reached in this trial"
FALLING = "falling from the first step"

PRELIMINARY = "Preliminary; a licensed clinician decides."

MOST_LISTED = 4
"""Single readings of a step that a cell lists; of more it gives the range."""


@dataclass(frozen=True, slots=True)
class FigureTable:
    """The data behind the figure, as text.

    Attributes:
        heads: one per column, with the unit.
        rows: one per step, highest PEEP first.
        caption: what the rows cannot say.
    """

    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    caption: str


def compliance_title(figure: Shown, *, short: bool = False) -> str:
    """Title of the upper scale.

    Args:
        figure: what is shown.
        short: by the trade's abbreviation, where the scale is low.
    """
    if short:
        return f"{'Cstat' if figure.static else 'Cdyn'} (mL/cmH2O)"
    return f"{'static' if figure.static else 'dynamic'} compliance (mL/cmH2O)"


def peep_title(figure: Shown) -> str:
    """Title of the scale that both parts share."""
    return f"{figure.peep_source} PEEP (cmH2O)"


def suggestion_words(figure: Figure) -> str:
    """The suggested PEEP and what the other margins would lead to, or that none is suggested."""
    if figure.suggested_peep_cmh2o is None:
        return "no PEEP is suggested"
    said = f"suggested PEEP {level(figure.suggested_peep_cmh2o)} cmH2O " + _tied(
        f"(closing + {level(figure.margin_cmh2o)})"
    )
    others = [
        _tied(
            f"+ {level(margin.margin_cmh2o)} gives {level(margin.peep_cmh2o)}{'' if margin.tested else ' (not tested)'}"
        )
        for margin in figure.margins
        if margin.margin_cmh2o != figure.margin_cmh2o
    ]
    return f"{said}; other margins: {', '.join(others)}" if others else said


def closing_words(figure: Figure) -> str:
    """The closing pressure with its interval, or why there is none."""
    closing = figure.closing
    sure = f"({percent(closing.probability)})"
    if closing.verdict is Verdict.FOUND and closing.peep_cmh2o is not None:
        low, high = closing.interval_cmh2o or (closing.peep_cmh2o, closing.peep_cmh2o)
        return (
            f"closing pressure {level(closing.peep_cmh2o)} cmH2O ({_tied('90 % interval:')} "
            f"{_tied(interval(low, high))})"
        )
    if closing.verdict is Verdict.NOT_REACHED:
        return f"closing was not reached in this trial {sure}"
    if closing.verdict is Verdict.FALLING_FROM_FIRST_STEP:
        top = level(figure.steps[0].peep_cmh2o)
        return f"falling from the first step: closing lies at or above {top} cmH2O {sure}"
    return "no statement about closing can be made (indeterminate)"


def notes(figure: Figure, *, outside_drawn: bool) -> tuple[str, ...]:
    """What the panels cannot show in its place.

    Args:
        figure: what is drawn.
        outside_drawn: whether closing at none of the steps has bars of its own.
    """
    said = []
    if not figure.estimated:
        said.append("no probabilities can be given")
    elif not outside_drawn:
        said.append(f"{NOT_REACHED}: {percent(figure.closing.not_reached)}")
        said.append(f"{FALLING}: {percent(figure.closing.falling_from_first_step)}")
    return (*said, *(f"{words} (bold, underlined)" for words in _beyond_limits(figure)), *far_words(figure))


def _beyond_limits(figure: Figure) -> Iterator[str]:
    """Each vital sign that was beyond its stop limit, and at which steps."""
    for row in figure.vital_signs:
        met = [level(step.peep_cmh2o) for number, step in enumerate(figure.steps) if row.beyond(number)]
        if met:
            yield f"lowest {row.name} {_tied(f'{row.limit_words} {row.unit}')} at {', '.join(met)} cmH2O"


def far_words(figure: Shown) -> tuple[str, ...]:
    """The readings that the scale does not reach, where there are any."""
    far = beyond(figure, scale_of(figure))
    if len(far) == 1:
        return (f"1 reading lies beyond the scale (cross at its edge): {far[0]:.1f} mL/cmH2O",)
    if far:
        ends = f"{far[0]:.1f} to {far[-1]:.1f} mL/cmH2O"
        return (f"{len(far)} readings lie beyond the scale (crosses at its edge): {ends}",)
    return ()


def origin_words(figure: Figure) -> str:
    """Which answer this is a picture of, for a picture that travels alone."""
    return f"{PRELIMINARY} {_tied(f'Ebbmark {figure.engine_version},')} {_tied(f'answer {figure.identity[:16]}')}"


def alternative_text(figure: Figure) -> str:
    """Say in a few plain sentences what the figure shows, for those who cannot see it.

    Args:
        figure: what is drawn.
    """
    first, last = figure.steps[0].peep_cmh2o, figure.steps[-1].peep_cmh2o
    kind = "Static" if figure.static else "Dynamic"
    suggestion = suggestion_words(figure).replace(TIED, " ")
    met = "; ".join(_beyond_limits(figure)).replace(TIED, " ")
    return (
        f"{kind} compliance against {figure.peep_source} PEEP, lowered from {level(first)} to {level(last)} cmH2O in "
        f"{len(figure.steps)} steps. {closing_sentence(figure.closing)} {suggestion[0].upper()}{suggestion[1:]}."
        f"{f' {met[0].upper()}{met[1:]}.' if met else ''}"
    )


def figure_table(figure: Figure) -> FigureTable:
    """The data of the figure, one row per step.

    Args:
        figure: what is drawn.
    """
    return FigureTable(
        heads=(
            f"{figure.peep_source.capitalize()} PEEP (cmH2O)",
            "Single readings (mL/cmH2O)",
            "Median (mL/cmH2O)",
            "Expected true compliance (mL/cmH2O)",
            "90 % band (mL/cmH2O)",
            "Probability that closing started here",
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
    expected, band = "not known", "not known"
    if step.expected_ml_per_cmh2o is not None:
        value, low, high = step.expected_ml_per_cmh2o
        expected, band = f"{value:.1f}", f"{low:.1f} to {high:.1f}"
    return (
        level(step.peep_cmh2o),
        _readings(step.readings_ml_per_cmh2o),
        f"{step.centre_ml_per_cmh2o:.1f}",
        expected,
        band,
        "not known" if step.probability is None else percent(step.probability),
    )


def _vital_cell(row: VitalRow, step: int) -> str:
    value = row.spelled(step)
    if value is None:
        return NOT_CHARTED
    return f"{value}, {row.limit_words}" if row.beyond(step) else value


def _readings(values: tuple[float, ...]) -> str:
    if len(values) <= MOST_LISTED:
        return ", ".join(f"{value:.1f}" for value in values)
    return f"{len(values)} from {min(values):.1f} to {max(values):.1f}"


def _caption(figure: Figure) -> str:
    kind = "static" if figure.static else "dynamic"
    said = f"The data of the figure: {kind} compliance at each step, in the order in which PEEP was lowered."
    if figure.vital_signs:
        said += " Vital signs: lowest charted value of each step, once it had settled where such a value was charted."
    if not figure.estimated:
        return said
    return (
        f"{said} Closing at none of the steps: {NOT_REACHED} {percent(figure.closing.not_reached)}, "
        f"{FALLING} {percent(figure.closing.falling_from_first_step)}."
    )


def running_notes(figure: RunningFigure) -> tuple[str, ...]:
    """What the panels cannot show in its place.

    Args:
        figure: what is drawn.
    """
    said = []
    if figure.waiting_cmh2o is not None:
        said.append(f"no settled reading yet at {level(figure.waiting_cmh2o)} cmH2O")
    without = [number for number, step in enumerate(figure.steps, start=1) if step.probability is None]
    if without and without[-1] < DEFAULT_CALL_RULE.fewest_steps:
        said.append(f"closing passed: no probability before step {DEFAULT_CALL_RULE.fewest_steps} of the way down")
    elif without:
        peeps = ", ".join(level(figure.steps[number - 1].peep_cmh2o) for number in without)
        said.append(f"closing passed: no probability can be given at {peeps} cmH2O")
    return (*said, *far_words(figure))


def running_origin(figure: RunningFigure) -> str:
    """Up to when the readings go, for a picture that travels alone.

    Args:
        figure: what is drawn.
    """
    until = datetime.fromtimestamp(figure.until_s, UTC)
    return f"{PRELIMINARY} Ebbmark{TIED}{figure.engine_version}, readings up to {until:%Y-%m-%d %H:%M:%S} UTC"


def running_alternative_text(figure: RunningFigure) -> str:
    """Say in a few plain sentences what the figure shows, for those who cannot see it.

    Args:
        figure: what is drawn.
    """
    first, last = figure.steps[0], figure.steps[-1]
    kind = "Static" if figure.static else "Dynamic"
    count = "1 step" if len(figure.steps) == 1 else f"{len(figure.steps)} steps"
    seen = [
        f"{kind} compliance against {figure.peep_source} PEEP in {count} so far, from {level(first.peep_cmh2o)} "
        f"to {level(last.peep_cmh2o)} cmH2O: the median went from {first.centre_ml_per_cmh2o:.1f} to "
        f"{last.centre_ml_per_cmh2o:.1f} mL/cmH2O."
    ]
    if last.probability is not None:
        at = level(last.peep_cmh2o)
        seen.append(f"The probability that closing has been passed at {at} cmH2O is {percent(last.probability)}.")
    if figure.waiting_cmh2o is not None:
        seen.append(f"At {level(figure.waiting_cmh2o)} cmH2O there is no settled reading yet.")
    said = figure.said if figure.said.endswith((".", "?")) else f"{figure.said}."
    return " ".join([*seen, f"{said[0].upper()}{said[1:]}"])
