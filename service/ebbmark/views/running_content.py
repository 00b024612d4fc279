"""What does the figure of a trial in progress show? The steps so far, and whether closing has been passed."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from ebbmark import __version__
from ebbmark.fhir.writing.sentences import first_sentence
from ebbmark.fhir.writing.statements import Amount, Answer, Coded, Statement
from ebbmark.physiology.during.next_move import Action
from ebbmark.physiology.during.running import running_trial
from ebbmark.views.content import FigureStep

__all__ = ["NOTHING_YET", "RunningFigure", "running_figure_of"]

NOTHING_YET: Final = "trial in progress; nothing is concluded yet"

_GOES_ON: Final = frozenset(
    one.value for one in (Action.LOWER, Action.READ_AGAIN, Action.LOOK_FIRST, Action.MEASURE_FIRST)
)
"""Moves that conclude nothing; of every other one the figure says the sentence."""


@dataclass(frozen=True, slots=True)
class RunningFigure:
    """Everything drawn of a trial in progress.

    It changes with a reading of compliance and not with the clock, so that it need not be drawn anew each time it is
    looked at.

    Attributes:
        steps: those with readings, highest PEEP first, at least one; no expected curve.
        waiting_cmh2o: the newest level, where it has no settled reading yet; None otherwise.
        static: whether the compliances are static (from plateau pressure) or dynamic.
        peep_source: "set" or "measured".
        said: what the answer concludes, or that nothing is concluded yet.
        until_s: end of the latest reading drawn [s since 1970-01-01T00:00:00Z].
        engine_version: version of this software.
    """

    steps: tuple[FigureStep, ...]
    waiting_cmh2o: float | None
    static: bool
    peep_source: str
    said: str
    until_s: float
    engine_version: str = __version__

    @property
    def levels_cmh2o(self) -> tuple[float, ...]:
        """PEEP of every step, the one that waits for its first reading included."""
        seen = tuple(step.peep_cmh2o for step in self.steps)
        return seen if self.waiting_cmh2o is None else (*seen, self.waiting_cmh2o)


def running_figure_of(answer: Answer) -> RunningFigure | None:
    """Take what is drawn out of the answer to the next-step question; None where no step has a reading yet.

    Args:
        answer: of `$next-step`.
    """
    passed = {
        one.value.value: dict(one.parts).get("closing-passed-probability")
        for one in answer.statements
        if one.code == "running-step" and isinstance(one.value, Amount)
    }
    read = running_trial(answer.request.readings, answer.request.protocol).trial
    if read is None:
        return None
    steps = tuple(
        FigureStep(
            peep_cmh2o=step.peep_cmh2o,
            readings_ml_per_cmh2o=tuple(sample.compliance_ml_per_cmh2o for sample in step.samples),
            centre_ml_per_cmh2o=step.compliance_ml_per_cmh2o,
            expected_ml_per_cmh2o=None,
            probability=chance.value if isinstance(chance := passed[step.peep_cmh2o], Amount) else None,
        )
        for step in read.steps
        if step.peep_cmh2o in passed
    )
    if not steps:
        return None
    latest = min(passed)
    return RunningFigure(
        steps=steps,
        waiting_cmh2o=latest if latest < steps[-1].peep_cmh2o else None,
        static=read.kind.static,
        peep_source=read.peep_source,
        said=_said(next(one for one in answer.statements if one.code == "next-step")),
        until_s=max(sample.at_s for step in read.steps for sample in step.samples),
    )


def _said(move: Statement) -> str:
    if isinstance(move.value, Coded) and move.value.code in _GOES_ON:
        return NOTHING_YET
    return first_sentence(move.note)[0]
