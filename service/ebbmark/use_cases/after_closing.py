"""What follows once closing has been passed in a trial in progress, so that nobody is left at its lowest step."""

from __future__ import annotations

from dataclasses import dataclass

from ebbmark.fhir.bedside.site import NO_SITE
from ebbmark.fhir.reading.request import Request
from ebbmark.physiology.before.staircase import StaircaseRules
from ebbmark.physiology.during.running import RunningTrial
from ebbmark.physiology.trial.reading import read_trial
from ebbmark.physiology.trial.steps import NoTrial
from ebbmark.physiology.wording import level
from ebbmark.use_cases.said import titration_of

__all__ = ["Follows", "what_follows"]

_REOPENS = (
    "What follows after closing is in the unit's protocol; a clinician decides. The American Thoracic Society "
    "recommends against prolonged recruitment (2024)."
)


@dataclass(frozen=True, slots=True)
class Follows:
    """What follows.

    Attributes:
        suggested_peep_cmh2o: as `$titrate-peep` would suggest on the same readings; None where it would not.
        sentence: in plain sentences.
    """

    suggested_peep_cmh2o: float | None
    sentence: str


def what_follows(request: Request, running: RunningTrial, staircase: StaircaseRules, *, quiet: bool) -> Follows:
    """The suggested PEEP of the trial so far, where PEEP stands now, and who decides what the protocol does next.

    Args:
        request: the readings.
        running: the trial as it stands.
        staircase: in use.
        quiet: whether no condition, limit or look speaks against raising pressure; only then is a protocol named that
            opens the lung again, and never where nobody chose that protocol.
    """
    suggested, said = _suggestion(request)
    now = running.now_cmh2o
    here = ""
    if now is not None and (suggested is None or now < suggested):
        here = f" PEEP is {level(now)} cmH2O now: a step of the trial, not a setting to leave."
    chosen = staircase != NO_SITE.default_staircase
    reopens = f" {_REOPENS}" if quiet and chosen and staircase.reopens else ""
    return Follows(suggested, f"{said}{here}{reopens}")


def _suggestion(request: Request) -> tuple[float | None, str]:
    if request.person is None:
        return None, "A suggested PEEP needs height and sex; $titrate-peep gives it."
    trial = read_trial(request.readings, request.protocol)
    if isinstance(trial, NoTrial):
        return None, f"No PEEP is suggested from this trial yet: {trial.found}."
    advice = titration_of(trial, request).advice
    peep = advice.suggested_peep_cmh2o
    if peep is None:
        return None, f"No PEEP is suggested from this trial: {advice.rationale}"
    return peep, (
        f"Suggested PEEP: {level(peep)} cmH2O, {level(advice.margin_cmh2o)} above closing; $titrate-peep gives its "
        "certainty and its cautions."
    )
