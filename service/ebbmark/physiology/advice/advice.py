"""What follows from the estimate for PEEP and tidal volume, with what must be said beside it?

Suggested PEEP is the closing pressure plus the protocol's margin (common practice, no published source), never below
the last step before the fall, never above the tested range and only where the limits can be kept. No closing pressure,
no number.
"""

from __future__ import annotations

from dataclasses import dataclass

from ebbmark.physiology.advice.cautions import Caution, Severity, cautions_for
from ebbmark.physiology.advice.suggestion import cautions_at, why_suggested, why_withheld
from ebbmark.physiology.advice.what_if import TidalVolume, WhatIf, what_if
from ebbmark.physiology.closing.estimate import Closing, Verdict
from ebbmark.physiology.formulas.body import Sex, predicted_body_weight_kg, tidal_volume_ml
from ebbmark.physiology.protocols import Protocol
from ebbmark.physiology.trial.steps import Trial

__all__ = ["Advice", "Caution", "Severity", "TidalVolume", "WhatIf", "advise"]

SAME_MARGIN_CMH2O = 0.25
"""Steps that exceed the margin by no more than this count as no larger: units were converted. Our choice."""


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
        look_first: whether a check of the patient or the circuit withholds the number.
    """

    predicted_body_weight_kg: float
    ladder: tuple[TidalVolume, ...]
    target: TidalVolume
    suggested_peep_cmh2o: float | None
    margin_cmh2o: float
    rationale: str
    what_if: tuple[WhatIf, ...]
    cautions: tuple[Caution, ...]
    look_first: bool = False


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
    margin = protocol.margin_cmh2o
    rows: tuple[WhatIf, ...] = ()
    if closing.verdict is Verdict.FOUND and closing.peep_cmh2o is not None:
        margin = _margin(closing, protocol)
        margins = sorted({*protocol.margins_cmh2o, protocol.margin_cmh2o, margin})
        rows = tuple(what_if(each, closing.peep_cmh2o, trial, closing, rungs, protocol) for each in margins)
    chosen = next((row for row in rows if row.margin_cmh2o == margin), None)
    withheld = why_withheld(chosen, trial, closing, protocol)
    suggested = chosen is not None and not withheld
    return Advice(
        predicted_body_weight_kg=weight_kg,
        ladder=ladder,
        target=target,
        suggested_peep_cmh2o=chosen.peep_cmh2o if chosen is not None and suggested else None,
        margin_cmh2o=margin,
        rationale=withheld or why_suggested(chosen, closing, trial),
        what_if=rows,
        cautions=cautions_for(
            trial=trial,
            closing=closing,
            height_cm=height_cm,
            at_suggestion=cautions_at(chosen, trial, closing, target, protocol) if suggested else (),
            protocol=protocol,
        ),
    )


def _margin(closing: Closing, protocol: Protocol) -> float:
    """The margin asked for, or up to the last step before the fall where that lies higher.

    Closing lies somewhere between that step and the step at which compliance had fallen.
    """
    levels = [step.peep_cmh2o for step in closing.steps]
    at = levels.index(closing.peep_cmh2o) if closing.peep_cmh2o in levels else 0
    gap = levels[at - 1] - levels[at] if at > 0 else 0.0
    return gap if gap > protocol.margin_cmh2o + SAME_MARGIN_CMH2O else protocol.margin_cmh2o
