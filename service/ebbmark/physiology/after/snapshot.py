"""What were compliance, pressures, gas exchange and circulation in one stretch of time?

Each figure is computed from the middle values of that stretch, and names the inputs that it came from. What cannot be
computed is listed with the reason; nothing is filled in.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from ebbmark.physiology.after.figures import (
    RECIPES,
    Figure,
    Middles,
    NotKnown,
    baseline,
    joined,
    middles_of,
    tidal_volume,
)
from ebbmark.physiology.after.measures import Measure
from ebbmark.physiology.after.oxygenation import pf_figure
from ebbmark.physiology.readings import Quantity, Reading

__all__ = ["Figure", "Snapshot", "take_snapshot"]


@dataclass(frozen=True, slots=True)
class Snapshot:
    """The state in one stretch of time.

    Attributes:
        from_s, until_s: the stretch asked about [s since 1970-01-01T00:00:00Z].
        figures: by measure; those that could be computed.
        not_known: by measure, why it could not be computed, as a plain phrase.
        peep: total PEEP where known, else set, else measured; None where none was sent or it was changed [cmH2O].
        plateau: None where no plateau pressure was sent [cmH2O].
        tidal_volume: None where none was sent [mL].
        tidal_volume_per_kg: per predicted body weight [mL/kg].
    """

    from_s: float
    until_s: float
    figures: Mapping[Measure, Figure]
    not_known: Mapping[Measure, str]
    peep: Figure | None
    plateau: Figure | None
    tidal_volume: Figure | None
    tidal_volume_per_kg: Figure | None


def take_snapshot(readings: Sequence[Reading], *, pbw_kg: float, from_s: float, until_s: float) -> Snapshot:
    """Compute every figure that the readings of one stretch of time allow.

    Args:
        readings: of one patient, in any order; those whose middle lies in the stretch are used, and settings in force
            at its start.
        pbw_kg: predicted body weight [kg].
        from_s: start of the stretch, included [s since 1970-01-01T00:00:00Z].
        until_s: end of the stretch, included [s since 1970-01-01T00:00:00Z].

    Returns:
        The figures, and the reason for each that is missing.

    Source: each formula's own, see `mechanics`, `mechanical_power` and `gas_exchange`.
    """
    middles = middles_of(readings, from_s, until_s)
    figures: dict[Measure, Figure] = {}
    not_known: dict[Measure, str] = {}
    for measure in Measure:
        try:
            if measure is Measure.PF_RATIO:
                figures[measure] = pf_figure(readings, from_s, until_s)
            else:
                figures[measure] = RECIPES[measure](middles, pbw_kg)
        except NotKnown as missing:
            not_known[measure] = str(missing)
        except ValueError:
            not_known[measure] = "the values sent for it cannot be"
    volume = tidal_volume(middles)
    return Snapshot(
        from_s=from_s,
        until_s=until_s,
        figures=figures,
        not_known=not_known,
        peep=_peep(middles),
        plateau=middles.get(Quantity.PLATEAU_PRESSURE),
        tidal_volume=volume,
        tidal_volume_per_kg=None if volume is None else joined(volume.value / pbw_kg, volume),
    )


def _peep(middles: Middles) -> Figure | None:
    try:
        return baseline(middles)
    except NotKnown:
        return None
