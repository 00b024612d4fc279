"""Why a PEEP is suggested or withheld, and what limits, uncertainty and tidal volume say about it: as values."""

from __future__ import annotations

from statistics import median

from ebbmark.physiology.advice.what_if import TidalVolume, WhatIf
from ebbmark.physiology.closing.estimate import Closing, Verdict
from ebbmark.physiology.findings import OWN_CHOICE, SOURCES, Finding, Weight
from ebbmark.physiology.message import Value
from ebbmark.physiology.protocols import Protocol
from ebbmark.physiology.trial.steps import Trial

__all__ = ["AT_SUGGESTION", "found_at", "suggestion", "withheld"]

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
    """Why no PEEP is suggested; None where one is.

    Args:
        chosen: the row of the margin in use; None without a closing pressure.
        trial: the limb.
        closing: the estimate.
        protocol: the limits.
    """
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
    """What is suggested, with its certainty and what is expected there.

    Args:
        chosen: the row that is suggested.
        closing: the estimate.
        trial: the limb.
    """
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
    """What limits, uncertainty and tidal volume say about the suggestion.

    Args:
        chosen: the row that is suggested.
        trial: the limb.
        closing: the estimate.
        target: the rung that the protocol aims at.
        protocol: the limits.
    """
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
