"""Which parts can a result have? One table: the part, its code and the one unit that it leaves in.

Code and unit are encoded once; an answer with a dozen steps has about a hundred parts.
"""

from __future__ import annotations

from collections.abc import Iterable
from math import inf

import msgspec

from ebbmark.fhir.writing.quantities import (
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
    quantity,
)
from ebbmark.fhir.writing.terms import ABSENT_BECAUSE, LOINC_TERMS, OWN

__all__ = ["PARTS", "amount", "amounts", "choice", "count", "yes_or_no"]

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

_CODE = {part: LOINC_TERMS.get(part) or OWN[part] for part in PARTS}
_TEMPLATE = {
    part: b'{"code":%b,"valueQuantity":%b}' % (bytes(_CODE[part]).replace(b"%", b"%%"), unit.template)
    for part, unit in PARTS.items()
}


def amount(part: str, value: float) -> msgspec.Raw:
    """Observation.component with a Quantity, or with the reason for having none where the number is not finite.

    Args:
        part: row of the table.
        value: in the unit of that row.
    """
    if value >= 0 and value != inf:
        return msgspec.Raw(_TEMPLATE[part] % value)
    negative = quantity(value, PARTS[part])
    if negative is not None:
        return msgspec.Raw(b'{"code":%b,"valueQuantity":%b}' % (bytes(_CODE[part]), bytes(negative)))
    return msgspec.Raw(
        b'{"code":%b,"dataAbsentReason":%b}' % (bytes(_CODE[part]), bytes(ABSENT_BECAUSE["not-a-number"]))
    )


def amounts(rows: Iterable[tuple[str, float | None]]) -> list[msgspec.Raw]:
    """Components of the rows that have a value."""
    return [amount(part, value) for part, value in rows if value is not None]


def choice(part: str, code: str) -> msgspec.Raw:
    """Observation.component with one of our own codes as its value."""
    return msgspec.Raw(b'{"code":%b,"valueCodeableConcept":%b}' % (bytes(OWN[part]), bytes(OWN[code])))


def count(part: str, value: int) -> msgspec.Raw:
    """Observation.component with a whole number."""
    return msgspec.Raw(b'{"code":%b,"valueInteger":%d}' % (bytes(OWN[part]), value))


def yes_or_no(part: str, value: bool) -> msgspec.Raw:
    """Observation.component with true or false."""
    return msgspec.Raw(b'{"code":%b,"valueBoolean":%b}' % (bytes(OWN[part]), b"true" if value else b"false"))
