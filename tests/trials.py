"""Builders of invented trials in trade words, for the tests of the core."""

from __future__ import annotations

from collections.abc import Sequence

from ebbmark.physiology.closing.result import Closing, Evidence, Shape, StepEstimate, Verdict
from ebbmark.physiology.protocols import DEFAULT_PROTOCOL, Protocol
from ebbmark.physiology.readings import Quantity, Reading
from ebbmark.physiology.trial.reading import read_trial
from ebbmark.physiology.trial.steps import NoTrial, Trial

START_S = 1_790_000_000.0
STEP_S = 120.0


def reading(quantity: Quantity, value: float, at_s: float, source: int = 0, *, until_s: float | None = None) -> Reading:
    return Reading(quantity, value, at_s, at_s if until_s is None else until_s, source)


def charted_row(
    peep: float,
    *,
    at_s: float,
    source: int,
    plateau: float | None = None,
    volume: float | None = 420.0,
    peak: float | None = None,
) -> list[Reading]:
    """One panel: set PEEP, expired tidal volume and a pressure, all of one input resource."""
    values = {
        Quantity.PEEP_SET: peep,
        Quantity.TIDAL_VOLUME_EXPIRED: volume,
        Quantity.PLATEAU_PRESSURE: plateau,
        Quantity.PEAK_PRESSURE: peak,
    }
    return [reading(quantity, value, at_s, source) for quantity, value in values.items() if value is not None]


def staircase_down(
    peeps: Sequence[float] = (20, 18, 16, 14, 12, 10, 8, 6),
    compliances: Sequence[float] = (38, 40, 41, 42, 41.5, 36, 31, 27),
    *,
    rows_per_step: int = 2,
    start_s: float = START_S,
    volume: float = 420.0,
) -> list[Reading]:
    """A decremental limb with rows charted 60 and 100 s (and so on) after each change of PEEP."""
    rows: list[Reading] = []
    for index, (peep, compliance) in enumerate(zip(peeps, compliances, strict=True)):
        changed_s = start_s + index * STEP_S
        rows.append(reading(Quantity.PEEP_SET, peep, changed_s, 1000 + index))
        for row in range(rows_per_step):
            rows += charted_row(
                peep,
                at_s=changed_s + 60 + 40 * row / max(rows_per_step - 1, 1),
                source=len(rows),
                plateau=peep + volume / compliance,
                volume=volume,
            )
    return rows


def trial_of(readings: Sequence[Reading], protocol: Protocol = DEFAULT_PROTOCOL) -> Trial:
    trial = read_trial(readings, protocol)
    assert isinstance(trial, Trial), trial
    return trial


def no_trial_of(readings: Sequence[Reading], protocol: Protocol = DEFAULT_PROTOCOL) -> NoTrial:
    refusal = read_trial(readings, protocol)
    assert isinstance(refusal, NoTrial), refusal
    return refusal


def closing_at(
    peep: float | None,
    *,
    peeps: Sequence[float] = (20, 18, 16, 14, 12, 10, 8, 6),
    fitted: Sequence[float] = (38, 40, 41, 42, 41.5, 36, 31, 27),
    verdict: Verdict = Verdict.FOUND,
    evidence: Evidence = Evidence.STRONG,
    shape: Shape | None = Shape.ABRUPT,
    reason: str = "",
) -> Closing:
    """An estimate with a given answer, for tests of what follows from it."""
    found = verdict is Verdict.FOUND
    return Closing(
        verdict=verdict,
        peep_cmh2o=peep if found else None,
        interval_cmh2o=(peep, peep) if found and peep is not None else None,
        probability=0.9,
        not_reached=0.05 if found else 0.9 * (verdict is Verdict.NOT_REACHED),
        falling_from_first_step=0.05 if found else 0.9 * (verdict is Verdict.FALLING_FROM_FIRST_STEP),
        steps=tuple(
            StepEstimate(level, 2, value, value, value * 0.98, value * 1.02, 0.9 if level == peep and found else 0.0)
            for level, value in zip(peeps, fitted, strict=True)
        ),
        shape=shape if found else None,
        evidence=evidence,
        reason=reason,
    )
