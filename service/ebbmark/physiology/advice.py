"""What follows from the estimate for PEEP and tidal volume, with what must be said beside it?

Suggested PEEP is the closing pressure plus the protocol's margin (common practice, no published source), never above
the tested range and only where the limits can be kept. No closing pressure, no number.
"""

from __future__ import annotations

from dataclasses import dataclass

from ebbmark.physiology.body import Sex, predicted_body_weight_kg, tidal_volume_ml
from ebbmark.physiology.cautions import (
    DRIVING_PRESSURE,
    LOW_TIDAL_VOLUME,
    OWN_CHOICE,
    Caution,
    Severity,
    cautions_for,
)
from ebbmark.physiology.closing import Closing, Verdict
from ebbmark.physiology.protocols import Protocol
from ebbmark.physiology.steps import Trial
from ebbmark.physiology.what_if import TidalVolume, WhatIf, what_if
from ebbmark.physiology.wording import interval, level, percent

__all__ = ["Advice", "Caution", "Severity", "TidalVolume", "WhatIf", "advise"]


@dataclass(frozen=True, slots=True)
class Advice:
    """Everything that follows; a licensed clinician decides.

    Attributes:
        predicted_body_weight_kg: ARDS Network form.
        ladder: tidal volumes, smallest first.
        target: the rung that the protocol aims at.
        suggested_peep_cmh2o: None whenever the closing pressure is not known or the limits forbid it.
        margin_cmh2o: margin used.
        rationale: plain sentences: why this PEEP, or why none and what to do about it.
        what_if: one row per margin of the protocol; empty without a closing pressure.
        cautions: most severe first.
    """

    predicted_body_weight_kg: float
    ladder: tuple[TidalVolume, ...]
    target: TidalVolume
    suggested_peep_cmh2o: float | None
    margin_cmh2o: float
    rationale: str
    what_if: tuple[WhatIf, ...]
    cautions: tuple[Caution, ...]


def advise(*, height_cm: float, sex: Sex, trial: Trial, closing: Closing, protocol: Protocol) -> Advice:
    """Add the protocol's margin to the closing pressure, look at the limits, and say what must be said.

    Args:
        height_cm: height [cm].
        sex: which form of the predicted body weight applies.
        trial: the limb.
        closing: the estimate made from it.
        protocol: margins and limits.
    """
    weight_kg = predicted_body_weight_kg(height_cm, sex)
    ladder = tuple(TidalVolume(rung, tidal_volume_ml(weight_kg, rung)) for rung in protocol.ladder_ml_per_kg)
    target = TidalVolume(protocol.target_ml_per_kg, tidal_volume_ml(weight_kg, protocol.target_ml_per_kg))
    rungs = [rung for rung in reversed(ladder) if rung.ml_per_kg <= target.ml_per_kg]
    rows: tuple[WhatIf, ...] = ()
    if closing.verdict is Verdict.FOUND and closing.peep_cmh2o is not None:
        margins = sorted({*protocol.margins_cmh2o, protocol.margin_cmh2o})
        rows = tuple(what_if(margin, closing.peep_cmh2o, trial, closing, rungs, protocol) for margin in margins)
    chosen = next((row for row in rows if row.margin_cmh2o == protocol.margin_cmh2o), None)
    withheld = _withheld(chosen, trial, closing, protocol)
    return Advice(
        predicted_body_weight_kg=weight_kg,
        ladder=ladder,
        target=target,
        suggested_peep_cmh2o=chosen.peep_cmh2o if chosen is not None and not withheld else None,
        margin_cmh2o=protocol.margin_cmh2o,
        rationale=withheld or _why(chosen, closing, trial),
        what_if=rows,
        cautions=cautions_for(
            trial=trial,
            closing=closing,
            height_cm=height_cm,
            at_suggestion=_at_suggestion(chosen, closing, target, protocol) if not withheld else (),
            protocol=protocol,
        ),
    )


def _withheld(chosen: WhatIf | None, trial: Trial, closing: Closing, protocol: Protocol) -> str:
    """Why no PEEP is suggested, and what to do about it; empty when one is."""
    top, lowest = trial.steps[0].peep_cmh2o, trial.steps[-1].peep_cmh2o
    if closing.verdict is Verdict.NOT_REACHED:
        return (
            f"Compliance had not fallen for good at the lowest PEEP tested ({level(lowest)} cmH2O), so the closing "
            "pressure was not reached and no PEEP is suggested from it. Whether to test lower steps or to choose PEEP "
            "in another way is for local protocol."
        )
    if closing.verdict is Verdict.FALLING_FROM_FIRST_STEP:
        return (
            f"Compliance fell from the first step on, so closing began at or above the highest PEEP tested "
            f"({level(top)} cmH2O) and no PEEP is suggested. PEEP has to be chosen in another way, by local protocol."
        )
    if chosen is None or closing.peep_cmh2o is None:
        return f"{closing.reason} No PEEP is suggested. Another reading or two at each step may settle it."
    early = [seen for seen in trial.observed if seen.slug == "disconnection" and seen.peep_cmh2o >= closing.peep_cmh2o]
    if early:
        return (
            f"The circuit seems to have been open at the step of {level(early[0].peep_cmh2o)} cmH2O, before or "
            "at closing: the lung may have lost volume that the steps below did not give back. No PEEP is suggested; "
            "common practice is to repeat the trial after any disconnection."
        )
    if not chosen.tested:
        return (
            f"Closing pressure {level(closing.peep_cmh2o)} plus a margin of {chosen.margin_cmh2o:g} cmH2O lies above "
            f"the highest PEEP tested ({level(top)} cmH2O); compliance there is not known, so no PEEP is suggested."
        )
    if chosen.plateau_cmh2o is not None and chosen.plateau_cmh2o > protocol.plateau_limit_cmh2o:
        return (
            f"At {level(chosen.peep_cmh2o)} cmH2O (closing plus margin) the plateau would be about "
            f"{chosen.plateau_cmh2o:.0f} cmH2O even at the lowest tidal volume of the ladder, above "
            f"{protocol.plateau_limit_cmh2o:g}; no PEEP is suggested. A clinician has to weigh one against the other."
        )
    return ""


def _why(chosen: WhatIf | None, closing: Closing, trial: Trial) -> str:
    """The suggestion in plain sentences."""
    if chosen is None or chosen.tidal_volume is None or closing.peep_cmh2o is None or closing.interval_cmh2o is None:
        return ""
    low, high = closing.interval_cmh2o
    here = next(step.probability for step in closing.steps if step.peep_cmh2o == closing.peep_cmh2o)
    about = "about" if trial.kind.static else "at most about"
    volume = chosen.tidal_volume
    return (
        f"Compliance fell for good at the step of {level(closing.peep_cmh2o)} cmH2O (probability {percent(here)} for "
        f"this very step, {percent(closing.probability)} for closing at one of the steps tested; 90 % interval: "
        f"{interval(low, high)}). {chosen.margin_cmh2o:g} cmH2O above it is {level(chosen.peep_cmh2o)} cmH2O; "
        f"expected there at {volume.ml_per_kg:g} mL/kg ({volume.volume_ml:.0f} mL): driving pressure {about} "
        f"{chosen.driving_pressure_cmh2o:.0f} and plateau {about} {chosen.plateau_cmh2o:.0f} cmH2O."
    )


def _at_suggestion(
    chosen: WhatIf | None, closing: Closing, target: TidalVolume, protocol: Protocol
) -> tuple[Caution, ...]:
    """What the limits and the uncertainty of closing say about the suggestion."""
    if chosen is None or chosen.driving_pressure_cmh2o is None or chosen.tidal_volume is None:
        return ()
    found = []
    if closing.interval_cmh2o is not None and closing.interval_cmh2o[1] >= chosen.peep_cmh2o:
        text = (
            f"Closing may have started as high as {level(closing.interval_cmh2o[1])} cmH2O (90 % interval), which is "
            f"not below the suggested {level(chosen.peep_cmh2o)} cmH2O: part of the lung may already be closing there."
        )
        found.append(Caution("interval-reaches-suggestion", Severity.MODERATE, text, OWN_CHOICE, True))
    if chosen.tidal_volume.ml_per_kg < target.ml_per_kg:
        found.append(Caution("plateau-above-limit", Severity.HIGH, chosen.limits_exceeded[0], LOW_TIDAL_VOLUME, True))
    if chosen.driving_pressure_cmh2o > protocol.driving_pressure_limit_cmh2o:
        text = (
            f"Driving pressure at the suggested PEEP would be about {chosen.driving_pressure_cmh2o:.0f} cmH2O, above "
            f"{protocol.driving_pressure_limit_cmh2o:g}."
        )
        found.append(Caution("driving-pressure-above-limit", Severity.MODERATE, text, DRIVING_PRESSURE, True))
    return tuple(found)
