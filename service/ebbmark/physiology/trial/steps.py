"""The types of a trial: readings by step, how samples are made of them, samples, steps, limb, what was left out."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import Enum
from typing import NamedTuple

from ebbmark.physiology.findings import Message, Value, message
from ebbmark.physiology.readings import Quantity, Reading

PRESSURE_DIFFERENCE_CMH2O = 1.0
"""A pressure that must not lie below another is remarked on from this difference on: charts round. Our choice."""

LEAK = 0.15
"""Expired volume short of inspired by more than this share: a leak is likely. Our choice."""


class ComplianceKind(Enum):
    """How the compliances of one curve were obtained; never mixed along one curve."""

    STATIC_COMPUTED = ("static-computed", True)  # tidal volume over plateau pressure less total PEEP
    STATIC_FROM_DRIVING_PRESSURE = ("static-from-charted-driving-pressure", True)
    STATIC_CHARTED = ("static-charted", True)
    DYNAMIC_COMPUTED = ("dynamic-computed", False)  # tidal volume over peak pressure less total PEEP
    DYNAMIC_FROM_SET_PRESSURE = ("dynamic-from-set-pressure", False)  # over the set pressure above PEEP
    DYNAMIC_CHARTED = ("dynamic-charted", False)

    # Members are compared by identity, and the inherited hash goes through Python code: this one does not.
    __hash__ = object.__hash__

    def __init__(self, slug: str, static: bool) -> None:
        self.slug = slug
        self.static = static


KIND_OF_LEAD: Mapping[Quantity, ComplianceKind] = {
    Quantity.PLATEAU_PRESSURE: ComplianceKind.STATIC_COMPUTED,
    Quantity.DRIVING_PRESSURE: ComplianceKind.STATIC_FROM_DRIVING_PRESSURE,
    Quantity.COMPLIANCE_STATIC: ComplianceKind.STATIC_CHARTED,
    Quantity.PEAK_PRESSURE: ComplianceKind.DYNAMIC_COMPUTED,
    Quantity.PRESSURE_ABOVE_PEEP_SET: ComplianceKind.DYNAMIC_FROM_SET_PRESSURE,
    Quantity.COMPLIANCE_DYNAMIC: ComplianceKind.DYNAMIC_CHARTED,
}
"""In order of preference: what leads a sample, and which kind of compliance it gives."""

VOLUMES = (
    Quantity.TIDAL_VOLUME_EXPIRED,
    Quantity.TIDAL_VOLUME_UNSTATED,
    Quantity.TIDAL_VOLUME_INSPIRED,
    Quantity.TIDAL_VOLUME_SET,
)
"""In order of preference: expired volume is what left the lung."""

ABOVE_PEEP = (Quantity.DRIVING_PRESSURE, Quantity.PRESSURE_ABOVE_PEEP_SET)
CHARTED = (Quantity.COMPLIANCE_STATIC, Quantity.COMPLIANCE_DYNAMIC)


@dataclass(frozen=True, slots=True)
class StepReadings:
    """All readings that fall into one step.

    Attributes:
        peep_readings: the PEEP readings that define the step, in order of time.
        by_quantity: the rest, each list in order of time.
    """

    peep_cmh2o: float
    peep_readings: tuple[Reading, ...]
    by_quantity: Mapping[Quantity, Sequence[Reading]]


@dataclass(frozen=True, slots=True)
class Recipe:
    """How samples are made, the same for every step of a limb.

    Attributes:
        lead: pressure or charted compliance; one sample per reading of it.
        volume: tidal volume that goes with it; None for a charted compliance.
        baseline: total or intrinsic PEEP; None where set PEEP must stand for it.
    """

    lead: Quantity
    kind: ComplianceKind
    volume: Quantity | None
    baseline: Quantity | None


class Sample(NamedTuple):
    """One compliance, and the readings that it came from; a named tuple, since a hundred are made per request.

    Attributes:
        compliance_ml_per_cmh2o: tidal volume over plateau (static) or peak (dynamic) pressure less total PEEP,
            or as charted.
        tidal_volume_ml: None where only a charted compliance exists.
        pressure_cmh2o: plateau or peak pressure used; None where only a charted compliance exists.
        baseline_cmh2o: total PEEP where total or intrinsic PEEP is known in every step, else set PEEP.
        sources: indices of the inputs used.
        volume_from: source and time of the measured volume, by which samples that share one are known; None for a
            set volume or none.
    """

    compliance_ml_per_cmh2o: float
    tidal_volume_ml: float | None
    pressure_cmh2o: float | None
    baseline_cmh2o: float
    at_s: float
    sources: tuple[int, ...]
    volume_from: tuple[int, float] | None = None


@dataclass(frozen=True, slots=True)
class Step:
    """The settled samples while set PEEP stood still; medians over them.

    Attributes:
        start_s, end_s: first and last reading.
        samples: in order of time, at least one.
        tidal_volume_ml, plateau_cmh2o, peak_cmh2o, driving_pressure_cmh2o: medians; None where not known.
            Driving pressure is plateau less total PEEP: known only with plateau pressure.
        baseline_cmh2o: median of what the samples took as total PEEP.
        sources: indices of every input that the step rests on, those of its PEEP and peak pressure included.
        until_s: when PEEP was changed again, at most the longest step after the start.
    """

    peep_cmh2o: float
    start_s: float
    end_s: float
    samples: tuple[Sample, ...]
    compliance_ml_per_cmh2o: float
    tidal_volume_ml: float | None
    plateau_cmh2o: float | None
    peak_cmh2o: float | None
    driving_pressure_cmh2o: float | None
    baseline_cmh2o: float = 0.0
    sources: tuple[int, ...] = ()
    until_s: float = 0.0

    @property
    def plateau_above_peak(self) -> bool:
        """Whether plateau pressure lies above peak pressure by more than rounding."""
        plateau, peak = self.plateau_cmh2o, self.peak_cmh2o
        return plateau is not None and peak is not None and plateau > peak + PRESSURE_DIFFERENCE_CMH2O


@dataclass(frozen=True, slots=True)
class Unused:
    """A reading that did not enter the curve, and why."""

    reading: Reading
    reason: Message


@dataclass(frozen=True, slots=True)
class Observed:
    """Something seen along the way that a reader must know.

    Attributes:
        slug: stable code: disconnection, other-limb, step-without-compliance, tidal-volume-varies,
            charted-compliance-differs, intrinsic-peep-partly-known,
            peep-from-measurement, volume-side-not-stated, driving-pressure-as-charted, large-drop.
        peeps_cmh2o: set PEEP of every step that it concerns, where it concerns several.
    """

    slug: str
    sentence: Message
    at_s: float
    peep_cmh2o: float
    peeps_cmh2o: tuple[float, ...] = ()


def observed(slug: str, at_s: float, peep_cmh2o: float, /, **values: Value) -> Observed:
    """Something seen at a step, in the sentence of its slug."""
    return Observed(slug, message(f"observed.{slug}", **values), at_s, peep_cmh2o)


@dataclass(frozen=True, slots=True)
class Trial:
    """The decremental limb that the estimate rests on.

    Attributes:
        steps: strictly falling set PEEP, highest first.
        kind: of all compliances along the limb.
        resolution: relative standard deviation per sample that rounding of the charted values gives.
        peep_source: "set" or "measured".
        observed: what else was seen that matters (disconnection, steps without a usable reading ...).
        context: latest readings per quantity used for derived numbers (rate, flow, gases), by quantity slug.
        unused: readings that did not enter the curve.
        total_peep_known: whether total or intrinsic PEEP is known in every step; else set PEEP stands for it.
    """

    steps: tuple[Step, ...]
    kind: ComplianceKind
    resolution: float
    peep_source: str
    observed: tuple[Observed, ...]
    context: dict[str, Reading]
    unused: tuple[Unused, ...]
    total_peep_known: bool = False

    @property
    def resistive_pressures(self) -> list[tuple[Step, float]]:
        """The steps with both pressures, each with peak less plateau pressure [cmH2O]."""
        return [
            (step, step.peak_cmh2o - step.plateau_cmh2o)
            for step in self.steps
            if step.peak_cmh2o is not None and step.plateau_cmh2o is not None
        ]


class NoTrialReason(Enum):
    """Why no decremental limb could be read."""

    NO_PEEP = "no-peep"
    ALL_PEEP_EQUAL = "all-peep-equal"
    PEEP_ONLY_RISING = "peep-only-rising"
    TOO_FEW_STEPS = "too-few-steps"
    NO_COMPLIANCE = "no-compliance"


@dataclass(frozen=True, slots=True)
class NoTrial:
    """The readings do not hold a decremental limb."""

    reason: NoTrialReason
    found: Message
    accepted: Message
