"""Advice: what follows from the estimate for PEEP and tidal volume, why none is suggested, and what speaks against it.

Suggested PEEP is the closing pressure plus the protocol's margin (common practice, no published source), never below
the last step before the fall, never above the tested range and only where the limits can be kept. No closing pressure,
no number.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from enum import Enum
from statistics import median

from ebbmark.physiology.closing.result import Closing, Evidence, Shape, Verdict
from ebbmark.physiology.findings import (
    COMMON_PRACTICE,
    EVIDENCE,
    OWN_CHOICE,
    SOURCES,
    EvidenceLine,
    Finding,
    Value,
    Weight,
    gravest_first,
)
from ebbmark.physiology.mechanics import Sex, height_remark, predicted_body_weight_kg, tidal_volume_ml
from ebbmark.physiology.protocols import Protocol
from ebbmark.physiology.trial.steps import Observed, Step, Trial
from ebbmark.physiology.what_if import TidalVolume, WhatIf, what_if


class Severity(Enum):
    """How much a caution matters; the words of FHIR's detectedissue-severity."""

    HIGH = "high"
    MODERATE = "moderate"
    LOW = "low"


@dataclass(frozen=True, slots=True)
class Caution:
    """Something the reader must know before acting."""

    slug: str
    severity: Severity
    text: str
    citation: str
    of_this_patient: bool  # found in this patient's data (True) or true of every trial (False)
    in_few_words: str = ""  # what it says against the answer, with its value; empty where its slug alone says it


SEVERITY_OF_OBSERVED = {
    "disconnection": Severity.HIGH,
    "charted-compliance-differs": Severity.MODERATE,
    "driving-pressure-as-charted": Severity.MODERATE,
    "tidal-volume-varies": Severity.MODERATE,
    "tidal-volume-as-set": Severity.MODERATE,
    "step-without-compliance": Severity.MODERATE,
    "large-drop": Severity.MODERATE,
    "other-limb": Severity.MODERATE,
    "compliance-as-charted": Severity.MODERATE,
    "intrinsic-peep-partly-known": Severity.MODERATE,
    "plateau-above-peak": Severity.HIGH,
    "total-peep-below-set": Severity.MODERATE,
    "charted-driving-pressure-differs": Severity.MODERATE,
    "unit-slip": Severity.MODERATE,
    "measured-peep-contradicted": Severity.MODERATE,
    "short-trial": Severity.MODERATE,
    "leak-likely": Severity.MODERATE,
    "unsettled-steps": Severity.MODERATE,
}
"""How much each thing seen along the limb matters; what is not listed is low."""

RELIEF = 0.05
"""Relative rise of compliance below the top step that is worth naming as relief of overdistension. Our choice."""

NOT_SHOWN = frozenset({"lung-volume-falls-within-breaths"})
"""Lines that are the source of a rule of ours and tell a clinician nothing more."""


def findings_for(
    *, trial: Trial, closing: Closing, height_cm: float, protocol: Protocol, suggested_cmh2o: float | None = None
) -> tuple[Finding, ...]:
    """What this patient's data show that must be said, gravest first."""
    found = [
        *map(_seen, trial.observed),
        *_pressures_during_trial(trial.steps, protocol, suggested_cmh2o),
        *_quality(trial, closing),
        *_shape(closing),
    ]
    remark = height_remark(height_cm)
    if remark:
        found.append(Finding("height-outside-table", Weight.LOW, {"text": remark}, source=SOURCES["ards-network-2000"]))
    return gravest_first(found)


def evidence_for_trial(trial: Trial, closing: Closing) -> tuple[EvidenceLine, ...]:
    """The lines of published work that bear on this answer, in the order of the evidence table."""
    return tuple(line for line in EVIDENCE if _bears_on(line.slug, trial, closing))


def _bears_on(slug: str, trial: Trial, closing: Closing) -> bool:
    if slug == "intrinsic-peep":
        return all(sample.baseline_cmh2o == step.peep_cmh2o for step in trial.steps[:1] for sample in step.samples[:1])
    if slug in ("driving-pressure-association", "mechanical-power-association"):
        return closing.verdict is Verdict.FOUND
    return slug not in NOT_SHOWN


def _seen(observed: Observed) -> Finding:
    weight = Weight(SEVERITY_OF_OBSERVED.get(observed.slug, Severity.LOW).value)
    return Finding(
        observed.slug,
        weight,
        {"text": observed.sentence},
        (observed.peep_cmh2o,),
        observed.at_s,
        source=COMMON_PRACTICE,
    )


def _pressures_during_trial(
    steps: Sequence[Step], protocol: Protocol, suggested_cmh2o: float | None
) -> Iterator[Finding]:
    """Plateau above its limit; of low weight where that was above the suggestion only: nobody stays there."""
    limit = protocol.plateau_limit_cmh2o
    above = [step for step in steps if step.plateau_cmh2o is not None and step.plateau_cmh2o > limit]
    if above:
        values = {"limit_cmh2o": limit, "highest_cmh2o": max(step.plateau_cmh2o or 0.0 for step in above)}
        peeps = tuple(step.peep_cmh2o for step in above)
        left = suggested_cmh2o is not None and min(peeps) > suggested_cmh2o
        yield Finding(
            "plateau-above-limit-during-trial",
            Weight.LOW if left else Weight.MODERATE,
            values,
            peeps,
            above[0].start_s,
            source=SOURCES["ards-network-2000"],
        )


def _quality(trial: Trial, closing: Closing) -> Iterator[Finding]:
    if not trial.kind.static:
        yield Finding("dynamic-compliance-only", Weight.MODERATE, source=COMMON_PRACTICE)
    elif not trial.total_peep_known and all(seen.slug != "intrinsic-peep-partly-known" for seen in trial.observed):
        yield Finding("total-peep-not-charted", Weight.LOW, source=OWN_CHOICE)
    if trial.peep_source == "measured":
        yield Finding("peep-from-measurement", Weight.MODERATE, source=OWN_CHOICE)
    single = sum(1 for step in trial.steps if len(step.samples) == 1)
    if single:
        values = {"single": float(single), "steps": float(len(trial.steps))}
        yield Finding("single-readings", Weight.LOW, values, source=OWN_CHOICE)
    if closing.verdict is Verdict.FOUND and closing.evidence is Evidence.WEAK:
        yield Finding("weak-evidence", Weight.MODERATE, source=OWN_CHOICE)


def _shape(closing: Closing) -> Iterator[Finding]:
    last = closing.steps[-1].peep_cmh2o if closing.steps else None
    if closing.verdict is Verdict.FOUND and closing.peep_cmh2o == last:
        yield Finding("closing-at-last-step", Weight.MODERATE, source=OWN_CHOICE)
    if closing.verdict is Verdict.FOUND and closing.shape is Shape.GRADUAL:
        yield Finding("gradual-closing", Weight.LOW, source=OWN_CHOICE)
    fitted = [step.fitted_ml_per_cmh2o for step in closing.steps]
    stated = closing.verdict in (Verdict.FOUND, Verdict.NOT_REACHED)
    if stated and fitted and max(fitted) > (1 + RELIEF) * fitted[0]:
        best = closing.steps[fitted.index(max(fitted))].peep_cmh2o
        values = {"top_cmh2o": closing.steps[0].peep_cmh2o, "best_cmh2o": best}
        yield Finding("overdistension-at-top", Weight.LOW, values, source=OWN_CHOICE)


VOLUME_DIFFERENCE = 0.25
"""Tidal volume of the trial further than this from the one that figures are given for. This project's choice."""

COUNTED_INTRINSIC_CMH2O = 0.5
"""Intrinsic PEEP from here on is named beside the pressures that it raises. This project's choice."""

AT_SUGGESTION = frozenset(
    {
        "interval-reaches-suggestion",
        "coarse-steps",
        "plateau-above-limit",
        "driving-pressure-above-limit",
        "volume-far-from-target",
    }
)
"""Findings that speak of a suggestion, so that they fall with it."""


def withheld(chosen: WhatIf | None, trial: Trial, closing: Closing, protocol: Protocol) -> Finding | None:
    """Why no PEEP is suggested; None where one is."""
    if closing.verdict is Verdict.NOT_REACHED:
        return _why("withheld-not-reached", lowest_cmh2o=trial.steps[-1].peep_cmh2o)
    if closing.verdict is Verdict.FALLING_FROM_FIRST_STEP:
        return _why("withheld-falling", top_cmh2o=trial.steps[0].peep_cmh2o)
    if chosen is None or closing.peep_cmh2o is None:
        return _why("withheld-indeterminate", text=closing.why)
    at = {"closing_cmh2o": closing.peep_cmh2o, "margin_cmh2o": chosen.margin_cmh2o, "peep_cmh2o": chosen.peep_cmh2o}
    if chosen.margin_cmh2o > max(*protocol.margins_cmh2o, protocol.margin_cmh2o):
        return _why("withheld-coarse-steps", **at, asked_cmh2o=protocol.margin_cmh2o)
    if chosen.peep_cmh2o < protocol.least_peep_cmh2o:
        return _why("withheld-below-least", **at, least_cmh2o=protocol.least_peep_cmh2o)
    if not chosen.tested:
        return _why("withheld-above-tested", **at, top_cmh2o=trial.steps[0].peep_cmh2o)
    if chosen.plateau_cmh2o is not None and chosen.plateau_cmh2o > protocol.plateau_limit_cmh2o:
        limit = protocol.plateau_limit_cmh2o
        return _why("withheld-plateau", **at, plateau_cmh2o=chosen.plateau_cmh2o, limit_cmh2o=limit)
    return None


def suggestion(chosen: WhatIf, closing: Closing, trial: Trial) -> Finding:
    """What is suggested, with its certainty and what is expected there."""
    low, high = closing.interval_cmh2o or (chosen.peep_cmh2o, chosen.peep_cmh2o)
    values: dict[str, Value] = {
        "closing_cmh2o": closing.peep_cmh2o or 0.0,
        "here_share": next(step.probability for step in closing.steps if step.peep_cmh2o == closing.peep_cmh2o),
        "reached_share": closing.probability,
        "low_cmh2o": low,
        "high_cmh2o": high,
        "margin_cmh2o": chosen.margin_cmh2o,
        "peep_cmh2o": chosen.peep_cmh2o,
    }
    if closing.peep_cmh2o == trial.steps[-1].peep_cmh2o:
        values["last_step"] = 1.0
    volume, driving, plateau = chosen.tidal_volume, chosen.driving_pressure_cmh2o, chosen.plateau_cmh2o
    if volume is not None and driving is not None and plateau is not None:
        values |= {"volume_ml": volume.volume_ml, "ml_per_kg": volume.ml_per_kg, "driving": driving, "plateau": plateau}
        if not trial.kind.static:
            values["plateau_measured"] = 1.0
    intrinsic = (chosen.total_peep_cmh2o or 0.0) - chosen.peep_cmh2o
    if intrinsic >= COUNTED_INTRINSIC_CMH2O:
        values["intrinsic"] = intrinsic
    return Finding("suggested", Weight.LOW, values)


def found_at(
    chosen: WhatIf, trial: Trial, closing: Closing, target: TidalVolume, protocol: Protocol
) -> tuple[Finding, ...]:
    """What limits, uncertainty and tidal volume say about the suggestion."""
    found = []
    if closing.interval_cmh2o is not None and closing.interval_cmh2o[1] >= chosen.peep_cmh2o:
        values = {"high_cmh2o": closing.interval_cmh2o[1], "peep_cmh2o": chosen.peep_cmh2o}
        found.append(Finding("interval-reaches-suggestion", Weight.MODERATE, values, source=OWN_CHOICE))
    if chosen.margin_cmh2o > protocol.margin_cmh2o:
        values = {"margin_cmh2o": chosen.margin_cmh2o, "asked_cmh2o": protocol.margin_cmh2o}
        found.append(Finding("coarse-steps", Weight.MODERATE, values, source=OWN_CHOICE))
    if chosen.tidal_volume is None or chosen.driving_pressure_cmh2o is None:
        return tuple(found)
    if chosen.tidal_volume.ml_per_kg < target.ml_per_kg:
        values = dict(chosen.beyond[0].values)  # type: ignore[arg-type]
        found.append(Finding("plateau-above-limit", Weight.HIGH, values, source=SOURCES["ards-network-2000"]))
    if chosen.driving_pressure_cmh2o > protocol.driving_pressure_limit_cmh2o:
        values = {"driving_cmh2o": chosen.driving_pressure_cmh2o, "limit_cmh2o": protocol.driving_pressure_limit_cmh2o}
        found.append(Finding("driving-pressure-above-limit", Weight.MODERATE, values, source=SOURCES["amato-2015"]))
    volumes = [step.tidal_volume_ml for step in trial.steps if step.tidal_volume_ml is not None]
    if volumes and abs(median(volumes) / chosen.tidal_volume.volume_ml - 1) > VOLUME_DIFFERENCE:
        values = {"trial_ml": median(volumes), "given_ml": chosen.tidal_volume.volume_ml}
        found.append(Finding("volume-far-from-target", Weight.MODERATE, values, source=OWN_CHOICE))
    return tuple(found)


def _why(slug: str, **values: Value) -> Finding:
    return Finding(slug, Weight.MODERATE, values)


SAME_MARGIN_CMH2O = 0.25
"""Steps that exceed the margin by no more than this count as no larger: units were converted. Our choice."""


@dataclass(frozen=True, slots=True)
class Advice:
    """Everything that follows; a licensed clinician decides."""

    predicted_body_weight_kg: float
    ladder: tuple[TidalVolume, ...]  # tidal volumes, smallest first
    target: TidalVolume  # the rung that the protocol aims at
    suggested_peep_cmh2o: float | None  # None where the closing pressure is not known or the limits forbid it
    margin_cmh2o: float
    what_if: tuple[WhatIf, ...]  # one row per margin of the protocol; empty without a closing pressure
    why: Finding | None = None
    findings: tuple[Finding, ...] = ()
    evidence: tuple[EvidenceLine, ...] = ()
    rationale: str = ""  # why this PEEP, or why none and what to do about it; empty until it is worded
    cautions: tuple[Caution, ...] = ()  # most severe first; empty until they are worded
    because: tuple[str, ...] = ()  # short reasons of the checks that withhold the number

    @property
    def look_first(self) -> bool:
        """Whether a check of the patient or the circuit withholds the number."""
        return bool(self.because)


def advise(*, height_cm: float, sex: Sex, trial: Trial, closing: Closing, protocol: Protocol) -> Advice:
    """Add the protocol's margin to the closing pressure, look at the limits, and say what must be said."""
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
        findings=gravest_first((*at, *beside)),
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
