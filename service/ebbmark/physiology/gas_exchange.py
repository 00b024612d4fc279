"""Oxygenation and clearance of carbon dioxide, the class of ARDS by oxygenation, and gases that cannot be true.

The classes here speak of oxygenation alone. Onset, imaging and the origin of the oedema belong to the definitions
too, and a clinician judges those. Inspired oxygen is a fraction, 0.2 to 1; P/F is corrected for altitude where that
applies. A number that cannot exist is a mistake of the calling code, and raises a ValueError.

Sources: Berlin definition, JAMA 2012;307:2526-33 (thresholds read in reprinted tables); global definition, Matthay et
al, Am J Respir Crit Care Med 2024;209:37-47 (abstract and a summary of the criteria read).

A tension in kPa that is charted as mmHg is the commonest slip: 10 kPa are 75 mmHg. What cannot be true beside the
saturation by any dissociation curve that a patient may have is questioned, and not used.

Source of the dissociation curve: Severinghaus JW, J Appl Physiol 1979;46:599-602, doi 10.1152/jappl.1979.46.3.599:
equation 1, within 0.0055 of the standard human curve; equation 4 for pH (abstract read, two copies agree).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum
from math import isfinite
from typing import Final

from ebbmark.physiology.findings import SOURCES, Message, Value, joined, message
from ebbmark.physiology.mechanics import require_at_least_zero, require_positive
from ebbmark.physiology.readings import Quantity, Reading
from ebbmark.physiology.timeline import BESIDE_S, span

BERLIN_LOWEST_PEEP_CMH2O: Final = 5.0
"""Least support at which the Berlin definition classifies [cmH2O]."""

HIGHEST_INFORMATIVE_SPO2_PERCENT: Final = 97.0
"""Above this the saturation curve is flat and S/F says nothing [%]. Source: global definition 2024."""

REFERENCE_VENTILATION_ML_PER_KG_PER_MIN: Final = 100.0
"""Minute ventilation expected of healthy lungs [mL/kg/min]. Source: Sinha et al 2009."""

REFERENCE_PACO2_MMHG: Final = 37.5
"""Carbon dioxide tension expected at that ventilation, 5 kPa [mmHg]. Source: Sinha et al 2009."""

_LOWEST_FIO2: Final = 0.2  # room air reads as 0.21, a gas monitor may show 0.209
_STANDARD_BAROMETRIC_MMHG: Final = 760.0
_ML_PER_L: Final = 1000.0

_PF_BOUNDS_MMHG: Final = (100.0, 200.0, 300.0)  # Berlin 2012, kept by the global definition
_RATIO_DECIMALS: Final = 6
_SF_BOUNDS: Final = (148.0, 235.0, 315.0)  # global definition 2024, intubated


class Oxygenation(Enum):
    """Class by oxygenation alone, worst first."""

    SEVERE = "severe"
    MODERATE = "moderate"
    MILD = "mild"
    ABOVE_THRESHOLD = "above-threshold"
    """Oxygenation better than any class of ARDS."""
    NOT_CLASSIFIED = "not-classified"
    """The definition asks for more support than there was."""


def pf_ratio_mmhg(*, pao2_mmhg: float, fio2: float) -> float:
    """Arterial oxygen tension per fraction of inspired oxygen. Source: Berlin definition, JAMA 2012;307:2526-33."""
    require_positive(pao2_mmhg=pao2_mmhg)
    _require_fraction(fio2)
    return pao2_mmhg / fio2


def pf_ratio_at_altitude_mmhg(*, pf_ratio_mmhg: float, barometric_pressure_mmhg: float) -> float:
    """P/F made comparable with the thresholds above 1,000 m.

    Source: Berlin definition, JAMA 2012;307:2526-33: P/F x barometric pressure / 760.
    """
    require_positive(pf_ratio_mmhg=pf_ratio_mmhg, barometric_pressure_mmhg=barometric_pressure_mmhg)
    return pf_ratio_mmhg * barometric_pressure_mmhg / _STANDARD_BAROMETRIC_MMHG


def sf_ratio(*, spo2_percent: float, fio2: float) -> float | None:
    """S/F: pulse-oximeter saturation per fraction of inspired oxygen [%]; None above 97 %, where it tells nothing.

    Source: global definition, Matthay et al 2024.
    """
    require_positive(spo2_percent=spo2_percent)
    _require_fraction(fio2)
    if spo2_percent > 100.0:
        raise ValueError(f"saturation must not be over 100 %, got {spo2_percent}")
    if spo2_percent > HIGHEST_INFORMATIVE_SPO2_PERCENT:
        return None
    return spo2_percent / fio2


def ventilatory_ratio(*, minute_volume_l_per_min: float, paco2_mmhg: float, pbw_kg: float) -> float:
    """Ventilation spent for the carbon dioxide tension reached, against healthy lungs; about 1 is normal.

    Source: Sinha et al, Br J Anaesth 2009;102:692-7: minute ventilation x PaCO2 / (PBW x 100 x 37.5).
    """
    require_positive(minute_volume_l_per_min=minute_volume_l_per_min, paco2_mmhg=paco2_mmhg, pbw_kg=pbw_kg)
    expected = pbw_kg * REFERENCE_VENTILATION_ML_PER_KG_PER_MIN * REFERENCE_PACO2_MMHG
    return minute_volume_l_per_min * _ML_PER_L * paco2_mmhg / expected


def berlin_class(*, pf_ratio_mmhg: float, peep_cmh2o: float) -> Oxygenation:
    """Class by P/F; `NOT_CLASSIFIED` below 5 cmH2O.

    Source: Berlin definition, JAMA 2012;307:2526-33: severe to 100, moderate to 200, mild to 300, each included.
    """
    require_positive(pf_ratio_mmhg=pf_ratio_mmhg)
    require_at_least_zero(peep_cmh2o=peep_cmh2o)
    if peep_cmh2o < BERLIN_LOWEST_PEEP_CMH2O:
        return Oxygenation.NOT_CLASSIFIED
    return _class_within(_PF_BOUNDS_MMHG, pf_ratio_mmhg)


def global_class_from_pf(*, pf_ratio_mmhg: float) -> Oxygenation:
    """Class of an intubated patient by P/F.

    Source: global definition, Matthay et al 2024: severe to 100, moderate to 200, mild to 300, each included.
    """
    require_positive(pf_ratio_mmhg=pf_ratio_mmhg)
    return _class_within(_PF_BOUNDS_MMHG, pf_ratio_mmhg)


def global_class_from_sf(*, sf_ratio: float) -> Oxygenation:
    """Class of an intubated patient by S/F, with a saturation of 97 % or less.

    Source: global definition, Matthay et al 2024: severe to 148, moderate to 235, mild to 315, each included.
    """
    require_positive(sf_ratio=sf_ratio)
    return _class_within(_SF_BOUNDS, sf_ratio)


def _class_within(bounds: tuple[float, float, float], ratio: float) -> Oxygenation:
    classes = (Oxygenation.SEVERE, Oxygenation.MODERATE, Oxygenation.MILD)
    for upper, oxygenation in zip(bounds, classes, strict=True):
        # 58 mmHg at 0.58 is a ratio of 100, though the division answers 100.00000000000001
        if round(ratio, _RATIO_DECIMALS) <= upper:
            return oxygenation
    return Oxygenation.ABOVE_THRESHOLD


def _require_fraction(fio2: float) -> None:
    if not (isfinite(fio2) and _LOWEST_FIO2 <= fio2 <= 1.0):
        raise ValueError(f"inspired oxygen must be a fraction from {_LOWEST_FIO2} to 1, got {fio2}")


RIGHT: Final = 1.7
LEFT: Final = 1.4
"""By which factor the curve of a patient may lie to either side of the standard one. By equation 4 a pH of 7.0 moves it
right by 1.5 to 1.7 and one of 7.6 left by 1.2; temperature, carbon dioxide and haemoglobins move it further. These are
this project's choice, wide on purpose."""

MOST_PERCENT_APART: Final = 6.0
"""How far pulse oximetry may lie from that band [%]. This project's choice, wide on purpose."""


def saturation_percent(*, po2_mmhg: float) -> float:
    """Saturation of standard human blood at 37 degrees C and pH 7.4.

    Source: Severinghaus 1979, equation 1: S = 1 / (23,400 / (PO2^3 + 150 PO2) + 1).
    """
    require_positive(po2_mmhg=po2_mmhg)
    return 100.0 / (23_400.0 / (po2_mmhg**3 + 150.0 * po2_mmhg) + 1.0)


def may_go_together(*, pao2_mmhg: float, spo2_percent: float) -> bool:
    """Whether an arterial tension and a pulse-oximeter saturation of one moment can both be true.

    False only where they lie far apart on any curve that a patient may have.

    Source: the curve: Severinghaus 1979; the band around it is this project's choice.
    """
    lowest = saturation_percent(po2_mmhg=pao2_mmhg / RIGHT) - MOST_PERCENT_APART
    highest = saturation_percent(po2_mmhg=pao2_mmhg * LEFT) + MOST_PERCENT_APART
    return lowest <= spo2_percent <= highest


LOWEST_PAO2_MMHG: Final = 20.0
"""An arterial tension below this is questioned even where no saturation was read. This project's choice."""

MMHG_PER_KPA: Final = 7.50062
"""Source: definition of the millimetre of mercury, 133.322 Pa."""


@dataclass(frozen=True, slots=True)
class GasDoubt:
    """A gas that cannot be true as it was sent.

    Attributes:
        spo2: the saturation that it contradicts; None where the tension cannot be true by itself.
        unit_slip: whether the tension would fit in the other unit: then the saturation is not in doubt.
    """

    pao2: Reading
    spo2: Reading | None
    unit_slip: bool
    sentence: Value


def doubt_of(readings: Sequence[Reading], pao2: Reading) -> GasDoubt | None:
    """What is wrong with a PaO2, where something is.

    Source: Severinghaus 1979 for the curve; how far a patient may lie from it is this project's choice.
    """
    beside = [r for r in readings if r.quantity is Quantity.SPO2 and abs(r.start_s - pao2.start_s) <= BESIDE_S]
    spo2 = min(beside, key=lambda one: (abs(one.start_s - pao2.start_s), one.source), default=None)
    if spo2 is None:
        if pao2.value >= LOWEST_PAO2_MMHG:
            return None
        meant = round(pao2.value * MMHG_PER_KPA)
        too_low = message("gas-doubt.too-low", pao2_mmhg=pao2.value, meant_mmhg=meant)
        return GasDoubt(pao2, None, True, too_low)
    if may_go_together(pao2_mmhg=pao2.value, spo2_percent=spo2.value):
        return None
    slip = _slip(pao2.value, spo2.value)
    apart_s = abs(spo2.start_s - pao2.start_s)
    when = message("gas-doubt.apart", span=span(apart_s)) if apart_s else message("gas-doubt.at-once")
    values = {"pao2_mmhg": pao2.value, "spo2_percent": spo2.value}
    doubt = message("gas-doubt.contradicts", when=when, curve=SOURCES["severinghaus-1979"], **values)
    sentence = joined("sentences", [doubt, slip or message("gas-doubt.which-is-not-known")])
    return GasDoubt(pao2, spo2, bool(slip), sentence)


def is_doubted(reading: Reading, doubts: Sequence[GasDoubt]) -> bool:
    """Whether a PaO2 or an SpO2 must not be used."""
    return any(reading == doubt.pao2 or (reading == doubt.spo2 and not doubt.unit_slip) for doubt in doubts)


def _slip(pao2_mmhg: float, spo2_percent: float) -> Message | None:
    if may_go_together(pao2_mmhg=pao2_mmhg * MMHG_PER_KPA, spo2_percent=spo2_percent) and pao2_mmhg < 60.0:
        return message("gas-doubt.was-kpa", pao2_kpa=pao2_mmhg, meant_mmhg=round(pao2_mmhg * MMHG_PER_KPA))
    if may_go_together(pao2_mmhg=pao2_mmhg / MMHG_PER_KPA, spo2_percent=spo2_percent):
        return message("gas-doubt.was-mmhg", meant_mmhg=round(pao2_mmhg / MMHG_PER_KPA))
    return None
