"""What follows from the estimate for PEEP and tidal volume, with what must be said beside it?"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

__all__ = ["Advice", "Caution", "Severity", "TidalVolume", "WhatIf"]


class Severity(Enum):
    """How much a caution matters; the words of FHIR's detectedissue-severity."""

    HIGH = "high"
    MODERATE = "moderate"
    LOW = "low"


@dataclass(frozen=True, slots=True)
class Caution:
    """Something the reader must know before acting.

    Attributes:
        slug: stable code, for example "plateau-above-limit".
        severity: how much it matters.
        text: one or two plain sentences.
        citation: published source, or that there is none.
        of_this_patient: found in this patient's data (True) or true of every trial (False).
    """

    slug: str
    severity: Severity
    text: str
    citation: str
    of_this_patient: bool


@dataclass(frozen=True, slots=True)
class TidalVolume:
    """One rung of the ladder: volume per predicted body weight and in millilitres."""

    ml_per_kg: float
    volume_ml: float


@dataclass(frozen=True, slots=True)
class WhatIf:
    """What one margin would mean at the target tidal volume.

    Attributes:
        margin_cmh2o: above the closing pressure.
        peep_cmh2o: closing pressure plus margin.
        tested: whether that PEEP lies within the tested range; if not, all that follows is None.
        compliance_ml_per_cmh2o: expected true compliance there.
        driving_pressure_cmh2o: target tidal volume over that compliance.
        plateau_cmh2o: PEEP plus driving pressure.
        mechanical_power_j_per_min: None where the rate is not known.
        tidal_volume: the rung used: the target, or the largest lower rung that keeps plateau within its limit.
        limits_exceeded: plain sentences, one per limit.
    """

    margin_cmh2o: float
    peep_cmh2o: float
    tested: bool
    compliance_ml_per_cmh2o: float | None
    driving_pressure_cmh2o: float | None
    plateau_cmh2o: float | None
    mechanical_power_j_per_min: float | None
    tidal_volume: TidalVolume | None
    limits_exceeded: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Advice:
    """Everything that follows; a licensed clinician decides.

    Attributes:
        predicted_body_weight_kg: ARDS Network form.
        ladder: tidal volumes, smallest first.
        target: the rung that the protocol aims at.
        suggested_peep_cmh2o: None whenever the closing pressure is not known or the limits forbid it.
        margin_cmh2o: margin used.
        rationale: one or two plain sentences: why this PEEP, or why none and what to do about it.
        what_if: one row per margin of the protocol; empty without a closing pressure.
        cautions: most severe first.
    """

    predicted_body_weight_kg: float
    ladder: tuple[TidalVolume, ...]
    target: TidalVolume
    suggested_peep_cmh2o: float | None
    margin_cmh2o: float
    rationale: str
    what_if: tuple[WhatIf, ...]
    cautions: tuple[Caution, ...]
