"""What does the figure of a trial in progress say in words? Its labels, and its alternative text."""

from __future__ import annotations

from datetime import UTC, datetime

from ebbmark.physiology.during.call_rule import DEFAULT_CALL_RULE
from ebbmark.physiology.wording import level, percent
from ebbmark.views.placing import TIED
from ebbmark.views.running_content import RunningFigure
from ebbmark.views.words import PRELIMINARY, far_words

__all__ = ["running_alternative_text", "running_notes", "running_origin"]


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
