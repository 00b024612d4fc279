"""The parts that a result of the titration can have: one table of the part and the one unit that it leaves in."""

from __future__ import annotations

from collections.abc import Iterable

from ebbmark.fhir.answer import Amount, Part
from ebbmark.fhir.quantities import (
    BLOOD_PRESSURE,
    COMPLIANCE,
    FRACTION,
    PER_MINUTE,
    PERCENT,
    POWER,
    PRESSURE,
    PROBABILITY,
    SECONDS,
    VOLUME,
    VOLUME_PER_WEIGHT,
    Unit,
)

__all__ = ["PARTS", "amount", "amounts"]

PARTS: dict[str, Unit] = {
    # of the tidal volume target; the rungs of every protocol must be here (held by a test)
    "tidal-volume-per-predicted-weight": VOLUME_PER_WEIGHT,
    "tidal-volume-at-4-ml-per-kg": VOLUME,
    "tidal-volume-at-5-ml-per-kg": VOLUME,
    "tidal-volume-at-6-ml-per-kg": VOLUME,
    "tidal-volume-at-7-ml-per-kg": VOLUME,
    "tidal-volume-at-8-ml-per-kg": VOLUME,
    # of the closing pressure
    "verdict-probability": PROBABILITY,
    "interval-low": PRESSURE,
    "interval-high": PRESSURE,
    "not-reached-probability": PROBABILITY,
    "falling-from-first-step-probability": PROBABILITY,
    "fall-threshold": FRACTION,
    # of the suggested PEEP and of each margin
    "margin": PRESSURE,
    "margin-used": PRESSURE,
    "what-if-peep": PRESSURE,
    "expected-total-peep": PRESSURE,
    "expected-compliance": COMPLIANCE,
    "expected-driving-pressure": PRESSURE,
    "expected-plateau-pressure": PRESSURE,
    "expected-mechanical-power": POWER,
    "tidal-volume-used": VOLUME,
    # of each step
    "peep-set": PRESSURE,
    "peep-measured": PRESSURE,
    "compliance-static": COMPLIANCE,
    "compliance-dynamic": COMPLIANCE,
    "tidal-volume": VOLUME,
    "plateau-pressure": PRESSURE,
    "peak-pressure": PRESSURE,
    "driving-pressure": PRESSURE,
    "closing-probability": PROBABILITY,
    "fitted-compliance": COMPLIANCE,
    "fitted-compliance-low": COMPLIANCE,
    "fitted-compliance-high": COMPLIANCE,
    # of the patient at each step
    "oxygen-saturation": PERCENT,
    "least-saturation": PERCENT,
    "mean-arterial-pressure": BLOOD_PRESSURE,
    "least-mean-arterial-pressure": BLOOD_PRESSURE,
    "systolic-arterial-pressure": BLOOD_PRESSURE,
    "least-systolic-arterial-pressure": BLOOD_PRESSURE,
    "heart-rate": PER_MINUTE,
    "greatest-heart-rate": PER_MINUTE,
    "end-tidal-carbon-dioxide": BLOOD_PRESSURE,
    "arterial-carbon-dioxide": BLOOD_PRESSURE,
    "oxygen-set": PERCENT,
    "oxygen-measured": PERCENT,
    "total-peep": PRESSURE,
    "respiratory-rate-set": PER_MINUTE,
    "respiratory-rate": PER_MINUTE,
    "respiratory-rate-spontaneous": PER_MINUTE,
    "pressure-support-set": PRESSURE,
    "tidal-volume-set": VOLUME,
    "tidal-volume-inspired": VOLUME,
    "tidal-volume-expired": VOLUME,
    "oldest-vital-sign-age": SECONDS,
}
"""Unit by part; the part is a key of our LOINC terms or of our own codes."""


def amount(part: str, value: float) -> Part:
    """A part with a number, in the unit of its row in the table."""
    return part, Amount(value, PARTS[part])


def amounts(rows: Iterable[tuple[str, float | None]]) -> list[Part]:
    """Parts of the rows that have a value."""
    return [(part, Amount(value, PARTS[part])) for part, value in rows if value is not None]
