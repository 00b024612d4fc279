"""Can this PaO2 be true beside the saturation read with it, or is it a slip of the unit?

A tension in kPa that is charted as mmHg is the commonest slip: 10 kPa are 75 mmHg. What cannot be true beside the
saturation by any dissociation curve that a patient may have is questioned, and not used.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from ebbmark.physiology.formulas.dissociation import may_go_together
from ebbmark.physiology.message import Message, Value, joined, message
from ebbmark.physiology.readings import Quantity, Reading
from ebbmark.physiology.timeline import BESIDE_S, span

__all__ = ["GasDoubt", "doubt_of", "is_doubted"]

LOWEST_PAO2_MMHG: Final = 20.0
"""An arterial tension below this is questioned even where no saturation was read. This project's choice."""

MMHG_PER_KPA: Final = 7.50062
"""Source: definition of the millimetre of mercury, 133.322 Pa."""

_CURVE_SOURCE: Final = "Severinghaus, J Appl Physiol 1979;46:599-602"


@dataclass(frozen=True, slots=True)
class GasDoubt:
    """A gas that cannot be true as it was sent.

    Attributes:
        pao2: the tension.
        spo2: the saturation that it contradicts; None where the tension cannot be true by itself.
        unit_slip: whether the tension would fit in the other unit: then the saturation is not in doubt.
        sentence: what cannot be true.
    """

    pao2: Reading
    spo2: Reading | None
    unit_slip: bool
    sentence: Value


def doubt_of(readings: Sequence[Reading], pao2: Reading) -> GasDoubt | None:
    """What is wrong with a PaO2, where something is.

    Args:
        readings: of the same patient, in any order.
        pao2: in mmHg.

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
    doubt = message("gas-doubt.contradicts", when=when, curve=_CURVE_SOURCE, **values)
    sentence = joined("sentences", [doubt, slip or message("gas-doubt.which-is-not-known")])
    return GasDoubt(pao2, spo2, bool(slip), sentence)


def is_doubted(reading: Reading, doubts: Sequence[GasDoubt]) -> bool:
    """Whether a reading must not be used.

    Args:
        reading: a PaO2 or an SpO2.
        doubts: what was found.
    """
    return any(reading == one.pao2 or (reading == one.spo2 and not one.unit_slip) for one in doubts)


def _slip(pao2_mmhg: float, spo2_percent: float) -> Message | None:
    if may_go_together(pao2_mmhg=pao2_mmhg * MMHG_PER_KPA, spo2_percent=spo2_percent) and pao2_mmhg < 60.0:
        return message("gas-doubt.was-kpa", pao2_kpa=pao2_mmhg, meant_mmhg=round(pao2_mmhg * MMHG_PER_KPA))
    if may_go_together(pao2_mmhg=pao2_mmhg / MMHG_PER_KPA, spo2_percent=spo2_percent):
        return message("gas-doubt.was-mmhg", meant_mmhg=round(pao2_mmhg / MMHG_PER_KPA))
    return None
