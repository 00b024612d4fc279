"""A slow inflation and deflation of the invented lung, as published loops of pressure and volume are drawn."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ebbmark.physiology.lung import Floats, Lung, lay_out, reach_airway


def pressure_volume_loop(
    lung: Lung, rising_cmh2o: Sequence[float], falling_cmh2o: Sequence[float]
) -> tuple[Floats, Floats]:
    """Inflate the collapsed lung slowly along rising airway pressures, then deflate it along falling ones.

    Returns:
        Lung volumes [mL] on the way up and on the way down.

    Source: Hickling 1998 (inflation) and 2001 (deflation); see the module.
    """
    units = lay_out(lung)
    open_now = units.all_closed()
    up, down = np.empty(len(rising_cmh2o)), np.empty(len(falling_cmh2o))
    for limb, pressures, move in ((up, rising_cmh2o, units.inflate), (down, falling_cmh2o, units.deflate)):
        for i, airway in enumerate(pressures):
            pressure, open_now = reach_airway(units, move, open_now, airway)
            limb[i] = units.volume_ml(pressure, open_now)
    return up, down
