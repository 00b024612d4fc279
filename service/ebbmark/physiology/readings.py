"""A reading: one number about one patient at one time, in the one unit of its quantity; and those that cannot be used.

Such a reading is no reading, and it is not nothing either: it may be one that meets a stop criterion.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import Enum
from math import inf
from typing import NamedTuple


class Quantity(Enum):
    """Every quantity that the physiology understands, with its canonical unit (UCUM spelling).

    Settings and measurements are different quantities: a PEEP that was ordered is not a PEEP that was seen.
    """

    PEEP_SET = ("peep-set", "cm[H2O]")
    PEEP_MEASURED = ("peep-measured", "cm[H2O]")
    PEEP_TOTAL = ("peep-total", "cm[H2O]")
    PEEP_INTRINSIC = ("peep-intrinsic", "cm[H2O]")
    PEAK_PRESSURE = ("peak-pressure", "cm[H2O]")
    PLATEAU_PRESSURE = ("plateau-pressure", "cm[H2O]")
    DRIVING_PRESSURE = ("driving-pressure", "cm[H2O]")
    PRESSURE_ABOVE_PEEP_SET = ("pressure-above-peep-set", "cm[H2O]")
    PRESSURE_SUPPORT_SET = ("pressure-support-set", "cm[H2O]")
    MEAN_AIRWAY_PRESSURE = ("mean-airway-pressure", "cm[H2O]")
    TIDAL_VOLUME_SET = ("tidal-volume-set", "mL")
    TIDAL_VOLUME_EXPIRED = ("tidal-volume-expired", "mL")
    TIDAL_VOLUME_INSPIRED = ("tidal-volume-inspired", "mL")
    TIDAL_VOLUME_UNSTATED = ("tidal-volume-side-not-stated", "mL")
    COMPLIANCE_STATIC = ("compliance-static", "mL/cm[H2O]")
    COMPLIANCE_DYNAMIC = ("compliance-dynamic", "mL/cm[H2O]")
    RESISTANCE = ("resistance", "cm[H2O].s/L")
    RESPIRATORY_RATE_SET = ("respiratory-rate-set", "/min")
    RESPIRATORY_RATE = ("respiratory-rate", "/min")
    RESPIRATORY_RATE_SPONTANEOUS = ("respiratory-rate-spontaneous", "/min")
    INSPIRATORY_TIME_SET = ("inspiratory-time-set", "s")
    MINUTE_VOLUME_EXPIRED = ("minute-volume-expired", "L/min")
    FIO2_SET = ("fio2-set", "1")
    FIO2_MEASURED = ("fio2-measured", "1")
    SPO2 = ("spo2", "%")
    PAO2 = ("pao2", "mm[Hg]")
    PACO2 = ("paco2", "mm[Hg]")
    END_TIDAL_CO2 = ("end-tidal-co2", "mm[Hg]")
    PH = ("ph", "[pH]")
    MEAN_ARTERIAL_PRESSURE = ("mean-arterial-pressure", "mm[Hg]")
    SYSTOLIC_ARTERIAL_PRESSURE = ("systolic-arterial-pressure", "mm[Hg]")
    HEART_RATE = ("heart-rate", "/min")

    # Members are compared by identity, and the inherited hash goes through Python code: this one does not.
    __hash__ = object.__hash__

    def __init__(self, slug: str, unit: str) -> None:
        self.slug = slug
        """Stable spelling for tables and messages."""
        self.unit = unit
        """Canonical unit, UCUM."""


class Reading(NamedTuple):
    """One value of one quantity.

    A named tuple rather than a dataclass only because hundreds are made per request.

    Attributes:
        value: in `quantity.unit`, finite.
        start_s: seconds since 1970-01-01T00:00:00Z; the start where the reading stands for a period.
        end_s: the end of that period; equal to `start_s` for an instant.
        source: index of the input resource that it came from; readings of one panel share it.
    """

    quantity: Quantity
    value: float
    start_s: float
    end_s: float
    source: int

    @property
    def at_s(self) -> float:
        """The middle of the period that the reading stands for [s since 1970-01-01T00:00:00Z]."""
        return 0.5 * (self.start_s + self.end_s)


def latest(
    readings: Iterable[Reading], quantity: Quantity, from_s: float = -inf, until_s: float = inf
) -> Reading | None:
    """The latest reading of a quantity within a time; None where there is none."""
    of_it = [reading for reading in readings if reading.quantity is quantity and from_s <= reading.at_s <= until_s]
    return max(of_it, key=lambda one: (one.at_s, one.source), default=None)


@dataclass(frozen=True, slots=True)
class UnusableReading:
    """One reading that was sent and cannot be used.

    Attributes:
        value: in the unit of the quantity as far as that can be told; None where nothing is known of it.
        side: "below" or "above" where the value is a bound; empty where it is the value itself.
        at_s: when; None where that is not known.
        shown: its value as it was sent; empty where there is none.
        why: why it cannot be used, as a plain sentence.
    """

    quantity: Quantity
    value: float | None
    side: str
    at_s: float | None
    shown: str
    why: str


@dataclass(frozen=True, slots=True)
class UnusableReadings:
    """All of one request, in an order that does not depend on the order received; for the identity of an answer."""

    doubts: tuple[UnusableReading, ...]


def latest_doubt(doubts: Sequence[UnusableReading], quantity: Quantity, *, since_s: float) -> UnusableReading | None:
    """The latest reading of a quantity that was sent since the trial began and cannot be used.

    Args:
        doubts: what was sent and cannot be used, in order of time.
    """
    of_it = [doubt for doubt in doubts if doubt.quantity is quantity and (doubt.at_s is None or doubt.at_s >= since_s)]
    return of_it[-1] if of_it else None
