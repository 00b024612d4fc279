"""One step of the trial as a statement: the curve at that step, and the patient beside it."""

from __future__ import annotations

from collections.abc import Iterator

from ebbmark.fhir.answer import Statement, Whole
from ebbmark.fhir.writing.components import amounts
from ebbmark.physiology.closing.estimate import StepEstimate
from ebbmark.physiology.patient.steps_seen import StepSeen
from ebbmark.physiology.patient.titration import Titration
from ebbmark.physiology.readings import Quantity
from ebbmark.physiology.trial.reading import Step

__all__ = ["step_kind", "step_statement"]


def step_kind(number: int) -> str:
    """Kind of the Observation of one step, counted from the highest PEEP."""
    return f"step-{number}"


def step_statement(titration: Titration, number: int, step: Step, estimate: StepEstimate | None) -> Statement:
    """What is said of one step."""
    trial, seen = titration.trial, titration.seen
    row = seen[number - 1] if number <= len(seen) else None
    sources = list(step.sources or (source for sample in step.samples for source in sample.sources))
    rows = [
        (f"peep-{trial.peep_source}", step.peep_cmh2o),
        ("compliance-static" if trial.kind.static else "compliance-dynamic", step.compliance_ml_per_cmh2o),
        ("tidal-volume", step.tidal_volume_ml),
        ("plateau-pressure", step.plateau_cmh2o),
        ("peak-pressure", step.peak_cmh2o),
        ("driving-pressure", step.driving_pressure_cmh2o),
    ]
    if estimate is not None:
        rows += [
            ("closing-probability", estimate.probability),
            ("fitted-compliance", estimate.fitted_ml_per_cmh2o),
            ("fitted-compliance-low", estimate.fitted_low_ml_per_cmh2o),
            ("fitted-compliance-high", estimate.fitted_high_ml_per_cmh2o),
        ]
    parts = [*amounts(rows), ("readings-used", Whole(len(step.samples)))]
    if row is not None:
        sources += [source for one in row.by_quantity.values() for source in one.sources]
        parts += amounts(_patient(row, trial.peep_source))
    return Statement(
        kind=step_kind(number),
        code="peep-trial-step",
        value=None,
        sources=tuple(sources),
        parts=tuple(parts),
        span_s=(step.start_s, step.end_s),
        absent="",
    )


_SEEN: tuple[tuple[Quantity, str, float], ...] = (
    (Quantity.SPO2, "oxygen-saturation", 1.0),
    (Quantity.MEAN_ARTERIAL_PRESSURE, "mean-arterial-pressure", 1.0),
    (Quantity.SYSTOLIC_ARTERIAL_PRESSURE, "systolic-arterial-pressure", 1.0),
    (Quantity.HEART_RATE, "heart-rate", 1.0),
    (Quantity.END_TIDAL_CO2, "end-tidal-carbon-dioxide", 1.0),
    (Quantity.PACO2, "arterial-carbon-dioxide", 1.0),
    (Quantity.FIO2_SET, "oxygen-set", 100.0),
    (Quantity.FIO2_MEASURED, "oxygen-measured", 100.0),
    (Quantity.PEEP_MEASURED, "peep-measured", 1.0),
    (Quantity.PEEP_TOTAL, "total-peep", 1.0),
    (Quantity.RESPIRATORY_RATE_SET, "respiratory-rate-set", 1.0),
    (Quantity.RESPIRATORY_RATE, "respiratory-rate", 1.0),
    (Quantity.RESPIRATORY_RATE_SPONTANEOUS, "respiratory-rate-spontaneous", 1.0),
    (Quantity.PRESSURE_SUPPORT_SET, "pressure-support-set", 1.0),
    (Quantity.TIDAL_VOLUME_SET, "tidal-volume-set", 1.0),
    (Quantity.TIDAL_VOLUME_INSPIRED, "tidal-volume-inspired", 1.0),
    (Quantity.TIDAL_VOLUME_EXPIRED, "tidal-volume-expired", 1.0),
)
"""What leaves of the table of each step: the quantity, its part, and the factor to its unit."""

_VITAL = (Quantity.SPO2, Quantity.MEAN_ARTERIAL_PRESSURE, Quantity.SYSTOLIC_ARTERIAL_PRESSURE, Quantity.HEART_RATE)


def _patient(row: StepSeen, peep_source: str) -> Iterator[tuple[str, float | None]]:
    """Last values of the patient at one step, the worst of the vital signs, and the age of the oldest of these."""
    for quantity, part, factor in _SEEN:
        seen = row.by_quantity.get(quantity)
        # The steps of a limb without settings are those of measured PEEP, which stands there already.
        if seen is not None and not (quantity is Quantity.PEEP_MEASURED and peep_source == "measured"):
            yield part, factor * seen.last
    worst = zip(_VITAL, ("least-saturation", *_LOWEST, "greatest-heart-rate"), strict=True)
    for quantity, part in worst:
        seen = row.by_quantity.get(quantity)
        if seen is not None:
            yield part, seen.greatest if quantity is Quantity.HEART_RATE else seen.least
    ages = [row.by_quantity[quantity].age_s for quantity in _VITAL if quantity in row.by_quantity]
    if ages:
        yield "oldest-vital-sign-age", max(ages)


_LOWEST = ("least-mean-arterial-pressure", "least-systolic-arterial-pressure")
