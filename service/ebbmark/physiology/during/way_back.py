"""The settings before the trial, as a way back: read from the chart, named wherever a trial stops."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from ebbmark.physiology.readings import Quantity, Reading

__all__ = ["SettingsBefore", "settings_before"]

HOLDS_S: Final = 12 * 3600.0
"""A setting charted longer before the trial than this is not taken as in force [s]. This project's choice."""

_PEEPS: Final = (Quantity.PEEP_SET, Quantity.PEEP_MEASURED)
_VOLUMES: Final = (Quantity.TIDAL_VOLUME_SET, Quantity.TIDAL_VOLUME_EXPIRED)


@dataclass(frozen=True, slots=True)
class SettingsBefore:
    """What held just before PEEP was first moved; None where the chart does not show it.

    Attributes:
        peep: set PEEP, else measured [cmH2O].
        tidal_volume: set, else expired [mL].
        pressure_above_peep: set inspiratory pressure above PEEP [cmH2O].
        fio2: set [1].
    """

    peep: Reading | None
    tidal_volume: Reading | None
    pressure_above_peep: Reading | None
    fio2: Reading | None


def settings_before(readings: Sequence[Reading], *, since_s: float, top_cmh2o: float) -> SettingsBefore | None:
    """The settings that held before the trial.

    Args:
        readings: of one patient, in any order.
        since_s: when PEEP was first moved for the trial [s since 1970-01-01T00:00:00Z].
        top_cmh2o: highest PEEP of the trial.

    Returns:
        None where PEEP before the trial is not known to have been lower than its top: then the chart begins within the
        trial, and its first level is no way back.
    """
    before = [one for one in readings if since_s - HOLDS_S <= one.at_s < since_s]

    def latest(*quantities: Quantity) -> Reading | None:
        for quantity in quantities:
            of_it = [one for one in before if one.quantity is quantity]
            if of_it:
                return max(of_it, key=lambda one: (one.at_s, one.source))
        return None

    peep = latest(*_PEEPS)
    if peep is None or peep.value >= top_cmh2o:
        return None
    return SettingsBefore(peep, latest(*_VOLUMES), latest(Quantity.PRESSURE_ABOVE_PEEP_SET), latest(Quantity.FIO2_SET))
