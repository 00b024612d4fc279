"""What follows once closing has been passed in a trial in progress, so that nobody is left at its lowest step."""

from __future__ import annotations

from dataclasses import dataclass

from ebbmark.fhir.reading.request import Request
from ebbmark.physiology.before.staircase import StaircaseRules
from ebbmark.physiology.during.running import RunningTrial
from ebbmark.physiology.trial.reading import read_trial
from ebbmark.physiology.trial.steps import NoTrial
from ebbmark.physiology.wording import level
from ebbmark.use_cases.said import titration_of

__all__ = ["Follows", "what_follows"]

_REOPENING = {
    True: (
        "This staircase's protocol opens the lung once more before PEEP is set: an act of the clinician, who weighs "
        "its risk."
    ),
    False: (
        "This staircase's protocol sets PEEP without opening the lung again, so what closed on the way down may stay "
        "closed; any re-opening is an act of the clinician, who weighs its risk."
    ),
    None: (
        "Whether this staircase's protocol opens the lung again before PEEP is set was not verified; any re-opening is "
        "an act of the clinician, who weighs its risk."
    ),
}


@dataclass(frozen=True, slots=True)
class Follows:
    """What follows.

    Attributes:
        suggested_peep_cmh2o: as `$titrate-peep` would suggest on the same readings; None where it would not.
        sentence: in plain sentences.
    """

    suggested_peep_cmh2o: float | None
    sentence: str


def what_follows(request: Request, running: RunningTrial, staircase: StaircaseRules) -> Follows:
    """The suggested PEEP of the trial so far, where PEEP stands now, and what the protocol does next.

    Args:
        request: the readings.
        running: the trial as it stands.
        staircase: in use.
    """
    suggested, said = _suggestion(request)
    now = running.now_cmh2o
    here = ""
    if now is not None and (suggested is None or now < suggested):
        here = f" PEEP is {level(now)} cmH2O now: a step of the trial, not a level to stay at undecided."
    return Follows(suggested, f"{said}{here} {_REOPENING[staircase.reopens]}")


def _suggestion(request: Request) -> tuple[float | None, str]:
    if request.person is None:
        return None, "What follows is a setting; a suggested PEEP needs height and sex, and is given by $titrate-peep."
    trial = read_trial(request.readings, request.protocol)
    if isinstance(trial, NoTrial):
        return None, f"What follows is a setting; no PEEP is suggested from this trial yet: {trial.found}."
    advice = titration_of(trial, request).advice
    peep = advice.suggested_peep_cmh2o
    if peep is None:
        return None, f"What follows is a setting; no PEEP is suggested from this trial: {advice.rationale}"
    return peep, (
        f"What follows is a setting: the suggested PEEP is {level(peep)} cmH2O, {level(advice.margin_cmh2o)} above "
        "closing; $titrate-peep gives it with its certainty and its cautions."
    )
