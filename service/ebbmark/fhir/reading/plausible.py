"""Which numbers can be true at all? Wide ranges that only typing, unit and sensor errors leave.

The ranges are this project's choice: no published table of them was found. They are wider than anything that is
seen in care, so that nothing real is thrown away; what lies outside is listed, never used.
"""

from __future__ import annotations

from ebbmark.physiology.readings import Quantity

__all__ = ["RANGES"]

RANGES: dict[Quantity, tuple[float, float]] = {
    Quantity.PEEP_SET: (0.0, 60.0),  # recruitment goes to 50 cm[H2O] at most
    Quantity.PEEP_MEASURED: (0.0, 60.0),
    Quantity.PEEP_TOTAL: (0.0, 60.0),
    Quantity.PEEP_INTRINSIC: (0.0, 40.0),
    Quantity.PEAK_PRESSURE: (0.0, 120.0),  # safety valves of ventilators open near 120 cm[H2O]
    Quantity.PLATEAU_PRESSURE: (0.0, 100.0),
    Quantity.DRIVING_PRESSURE: (0.0, 80.0),
    Quantity.PRESSURE_ABOVE_PEEP_SET: (0.0, 80.0),
    Quantity.PRESSURE_SUPPORT_SET: (0.0, 80.0),
    Quantity.MEAN_AIRWAY_PRESSURE: (0.0, 80.0),
    Quantity.TIDAL_VOLUME_SET: (20.0, 3000.0),
    Quantity.TIDAL_VOLUME_EXPIRED: (0.0, 3000.0),  # 0 is what a disconnected circuit shows
    Quantity.TIDAL_VOLUME_INSPIRED: (0.0, 3000.0),
    Quantity.TIDAL_VOLUME_UNSTATED: (0.0, 3000.0),
    Quantity.COMPLIANCE_STATIC: (1.0, 300.0),
    Quantity.COMPLIANCE_DYNAMIC: (1.0, 300.0),
    Quantity.RESISTANCE: (0.0, 300.0),
    Quantity.RESPIRATORY_RATE_SET: (0.0, 150.0),
    Quantity.RESPIRATORY_RATE: (0.0, 150.0),
    Quantity.RESPIRATORY_RATE_SPONTANEOUS: (0.0, 150.0),
    Quantity.INSPIRATORY_TIME_SET: (0.1, 20.0),
    Quantity.MINUTE_VOLUME_EXPIRED: (0.0, 60.0),
    Quantity.FIO2_SET: (0.15, 1.0),  # 0.21 is air; oxygen-poor mixtures exist
    Quantity.FIO2_MEASURED: (0.15, 1.0),
    Quantity.SPO2: (10.0, 100.0),
    Quantity.PAO2: (5.0, 800.0),  # 760 mm[Hg] is pure oxygen at sea level
    Quantity.PACO2: (5.0, 300.0),
    Quantity.END_TIDAL_CO2: (0.0, 200.0),  # 0 is what a tube in the wrong place shows
    Quantity.PH: (6.3, 8.2),
    Quantity.MEAN_ARTERIAL_PRESSURE: (0.0, 300.0),
    Quantity.SYSTOLIC_ARTERIAL_PRESSURE: (0.0, 350.0),
    Quantity.HEART_RATE: (0.0, 400.0),
}
"""Lowest and highest value that is used, in the unit of the quantity."""
