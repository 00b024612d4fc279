"""Advice: what follows from the estimate for PEEP and tidal volume, as values.

Suggested PEEP is the closing pressure plus the protocol's margin (common practice, no published source), never below
the last step before the fall, never above the tested range and only where the limits can be kept. No closing pressure,
no number.
"""

from __future__ import annotations

from dataclasses import dataclass

from ebbmark.physiology.advice.cautions import Caution, Severity, evidence_for_trial, findings_for
from ebbmark.physiology.advice.evidence import EvidenceLine
from ebbmark.physiology.advice.suggestion import found_at, suggestion, withheld
from ebbmark.physiology.advice.what_if import TidalVolume, WhatIf, what_if
from ebbmark.physiology.closing.estimate import Closing, Verdict
from ebbmark.physiology.findings import Finding, Weight
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
        why: why this PEEP, or why none, as a value.
        what_if: one row per margin of the protocol; empty without a closing pressure.
        findings: what this patient's data show, gravest first.
        evidence: published lines that bear on the answer.
        rationale: why this PEEP, or why none and what to do about it; empty until it is worded.
        cautions: most severe first; empty until they are worded.
        because: what checks of the patient or the circuit found that withhold the number, in one short reason each.
    """

    predicted_body_weight_kg: float
    ladder: tuple[TidalVolume, ...]
    target: TidalVolume
    suggested_peep_cmh2o: float | None
    margin_cmh2o: float
    what_if: tuple[WhatIf, ...]
    why: Finding | None = None
    findings: tuple[Finding, ...] = ()
    evidence: tuple[EvidenceLine, ...] = ()
    rationale: str = ""
    cautions: tuple[Caution, ...] = ()
    because: tuple[str, ...] = ()

    @property
    def look_first(self) -> bool:
        """Whether a check of the patient or the circuit withholds the number."""
        return bool(self.because)


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
    because = withheld(chosen, trial, closing, protocol)
    suggested = chosen if because is None else None
    at = () if suggested is None else found_at(suggested, trial, closing, target, protocol)
    peep = None if suggested is None else suggested.peep_cmh2o
    beside = findings_for(trial=trial, closing=closing, height_cm=height_cm, protocol=protocol, suggested_cmh2o=peep)
    return Advice(
        predicted_body_weight_kg=weight_kg,
        ladder=ladder,
        target=target,
        suggested_peep_cmh2o=peep,
        margin_cmh2o=margin,
        what_if=rows,
        why=because if suggested is None else suggestion(suggested, closing, trial),
        findings=tuple(sorted((*at, *beside), key=lambda one: list(Weight).index(one.weight))),
        evidence=evidence_for_trial(trial, closing),
    )


def _margin(closing: Closing, protocol: Protocol) -> float:
    """The margin asked for, or up to the last step before the fall where that lies higher.

    Closing lies somewhere between that step and the step at which compliance had fallen.
    """
    levels = [step.peep_cmh2o for step in closing.steps]
    at = levels.index(closing.peep_cmh2o) if closing.peep_cmh2o in levels else 0
    gap = levels[at - 1] - levels[at] if at > 0 else 0.0
    return gap if gap > protocol.margin_cmh2o + SAME_MARGIN_CMH2O else protocol.margin_cmh2o
