"""Why is this PEEP suggested, or none, and what must be said beside it?"""

from __future__ import annotations

from statistics import median

from ebbmark.physiology.advice.cautions import DRIVING_PRESSURE, LOW_TIDAL_VOLUME, OWN_CHOICE, Caution, Severity
from ebbmark.physiology.advice.what_if import TidalVolume, WhatIf
from ebbmark.physiology.closing.estimate import Closing, Verdict
from ebbmark.physiology.protocols import Protocol
from ebbmark.physiology.trial.steps import Trial
from ebbmark.physiology.wording import interval, level, percent

__all__ = ["AT_SUGGESTION", "cautions_at", "why_suggested", "why_withheld"]

VOLUME_DIFFERENCE = 0.25
"""Tidal volume of the trial further than this from the one that figures are given for. This project's choice."""


AT_SUGGESTION = frozenset(
    {
        "interval-reaches-suggestion",
        "coarse-steps",
        "plateau-above-limit",
        "driving-pressure-above-limit",
        "volume-far-from-target",
    }
)
"""Cautions that speak of a suggestion, so that they fall with it."""


def why_withheld(chosen: WhatIf | None, trial: Trial, closing: Closing, protocol: Protocol) -> str:
    """Why no PEEP is suggested, and whose decision it is; empty when one is.

    Args:
        chosen: the row of the margin in use; None without a closing pressure.
        trial: the limb.
        closing: the estimate.
        protocol: the limits.
    """
    top, lowest = trial.steps[0].peep_cmh2o, trial.steps[-1].peep_cmh2o
    if closing.verdict is Verdict.NOT_REACHED:
        return (
            f"Compliance had not fallen for good at the lowest PEEP tested ({level(lowest)} cmH2O), so the closing "
            "pressure was not reached and no PEEP is suggested from it. Whether to test lower steps or to choose PEEP "
            "in another way is for local protocol."
        )
    if closing.verdict is Verdict.FALLING_FROM_FIRST_STEP:
        return (
            "Compliance fell from the first step on, so closing began at or above the highest PEEP tested "
            f"({level(top)} cmH2O) and no PEEP is suggested. PEEP has to be chosen in another way, by local protocol."
        )
    if chosen is None or closing.peep_cmh2o is None:
        return f"{closing.reason} No PEEP is suggested; PEEP has to be chosen in another way, by local protocol."
    if chosen.margin_cmh2o > max(*protocol.margins_cmh2o, protocol.margin_cmh2o):
        return (
            f"Compliance fell for good at the step of {level(closing.peep_cmh2o)} cmH2O, and the step above is "
            f"{level(chosen.margin_cmh2o)} cmH2O away: how far above it the fall began is not known, "
            f"so a margin of {protocol.margin_cmh2o:g} cmH2O may not reach above it. No PEEP is suggested."
        )
    if chosen.peep_cmh2o < protocol.least_peep_cmh2o:
        return (
            f"Closing plus margin is {level(chosen.peep_cmh2o)} cmH2O, below {protocol.least_peep_cmh2o:g} cmH2O, the "
            "least PEEP under which ARDS is defined (Berlin, 2012). No PEEP is suggested."
        )
    if not chosen.tested:
        return (
            f"Closing pressure {level(closing.peep_cmh2o)} plus a margin of {level(chosen.margin_cmh2o)} cmH2O lies "
            f"above the highest PEEP tested ({level(top)} cmH2O); compliance there is not known, so no PEEP is "
            "suggested."
        )
    if chosen.plateau_cmh2o is not None and chosen.plateau_cmh2o > protocol.plateau_limit_cmh2o:
        return (
            f"At {level(chosen.peep_cmh2o)} cmH2O (closing plus margin) the plateau would be about "
            f"{chosen.plateau_cmh2o:.1f} cmH2O even at the lowest tidal volume of the ladder, above "
            f"{protocol.plateau_limit_cmh2o:g}; no PEEP is suggested. A clinician has to weigh one against the other."
        )
    return ""


def why_suggested(chosen: WhatIf | None, closing: Closing, trial: Trial) -> str:
    """The suggestion in plain sentences.

    Args:
        chosen: the row that is suggested.
        closing: the estimate.
        trial: the limb.
    """
    if chosen is None or closing.peep_cmh2o is None or closing.interval_cmh2o is None:
        return ""
    here = next(step.probability for step in closing.steps if step.peep_cmh2o == closing.peep_cmh2o)
    volume = chosen.tidal_volume
    said = (
        f"Compliance fell for good at the step of {level(closing.peep_cmh2o)} cmH2O (probability {percent(here)} for "
        f"this very step, {percent(closing.probability)} for closing at one of the steps tested; 90 % interval: "
        f"{interval(*closing.interval_cmh2o)}). {level(chosen.margin_cmh2o)} cmH2O above it is "
        f"{level(chosen.peep_cmh2o)} cmH2O"
    )
    if volume is None:
        said += ". The plateau there is not known, since only dynamic compliance was measured: a hold would tell."
    else:
        said += (
            f"; expected there at {volume.ml_per_kg:g} mL/kg ({volume.volume_ml:.0f} mL): driving pressure about "
            f"{chosen.driving_pressure_cmh2o:.0f} and plateau about {chosen.plateau_cmh2o:.0f} cmH2O."
        )
    if chosen.total_peep_cmh2o is not None and chosen.total_peep_cmh2o >= chosen.peep_cmh2o + 0.5:
        said += f" Intrinsic PEEP of about {chosen.total_peep_cmh2o - chosen.peep_cmh2o:.0f} cmH2O is counted in."
    if not trial.kind.static and volume is not None:
        said += " Both follow from the plateau that was measured at that step."
    return said


def cautions_at(
    chosen: WhatIf | None, trial: Trial, closing: Closing, target: TidalVolume, protocol: Protocol
) -> tuple[Caution, ...]:
    """What limits, uncertainty and tidal volume say about the suggestion.

    Args:
        chosen: the row that is suggested.
        trial: the limb.
        closing: the estimate.
        target: the rung that the protocol aims at.
        protocol: the limits.
    """
    if chosen is None:
        return ()
    found = []
    if closing.interval_cmh2o is not None and closing.interval_cmh2o[1] >= chosen.peep_cmh2o:
        text = (
            f"Closing may have started as high as {level(closing.interval_cmh2o[1])} cmH2O (90 % interval), which is "
            f"not below the suggested {level(chosen.peep_cmh2o)} cmH2O: part of the lung may already be closing there."
        )
        found.append(Caution("interval-reaches-suggestion", Severity.MODERATE, text, OWN_CHOICE, True))
    if chosen.margin_cmh2o > protocol.margin_cmh2o:
        text = (
            f"The steps are {level(chosen.margin_cmh2o)} cmH2O apart where compliance fell, so the suggestion is the "
            f"last step before the fall and not {protocol.margin_cmh2o:g} cmH2O above closing."
        )
        found.append(Caution("coarse-steps", Severity.MODERATE, text, OWN_CHOICE, True))
    if chosen.tidal_volume is None or chosen.driving_pressure_cmh2o is None:
        return tuple(found)
    if chosen.tidal_volume.ml_per_kg < target.ml_per_kg:
        found.append(Caution("plateau-above-limit", Severity.HIGH, chosen.limits_exceeded[0], LOW_TIDAL_VOLUME, True))
    if chosen.driving_pressure_cmh2o > protocol.driving_pressure_limit_cmh2o:
        text = (
            f"Driving pressure at the suggested PEEP would be about {chosen.driving_pressure_cmh2o:.1f} cmH2O, above "
            f"{protocol.driving_pressure_limit_cmh2o:g}."
        )
        found.append(Caution("driving-pressure-above-limit", Severity.MODERATE, text, DRIVING_PRESSURE, True))
    volumes = [step.tidal_volume_ml for step in trial.steps if step.tidal_volume_ml is not None]
    if volumes and abs(median(volumes) / chosen.tidal_volume.volume_ml - 1) > VOLUME_DIFFERENCE:
        text = (
            f"Compliance was measured at {median(volumes):.0f} mL, and the pressures above are given for "
            f"{chosen.tidal_volume.volume_ml:.0f} mL; that compliance does not change with volume is an assumption."
        )
        found.append(Caution("volume-far-from-target", Severity.MODERATE, text, OWN_CHOICE, True))
    return tuple(found)
