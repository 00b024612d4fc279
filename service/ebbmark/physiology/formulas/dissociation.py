"""How saturated is blood at an oxygen tension, and can a tension and a saturation both be true?

Source: Severinghaus JW, J Appl Physiol 1979;46:599-602, doi 10.1152/jappl.1979.46.3.599: equation 1, within 0.0055 of
the standard human curve; equation 4 for pH (abstract read, two copies agree).
"""

from __future__ import annotations

from typing import Final

from ebbmark.physiology.formulas.bounds import require_positive

__all__ = ["may_go_together", "saturation_percent"]

RIGHT: Final = 1.7
LEFT: Final = 1.4
"""By which factor the curve of a patient may lie to either side of the standard one. By equation 4 a pH of 7.0 moves it
right by 1.5 to 1.7 and one of 7.6 left by 1.2; temperature, carbon dioxide and haemoglobins move it further. These are
this project's choice, wide on purpose."""

MOST_PERCENT_APART: Final = 6.0
"""How far pulse oximetry may lie from that band [%]. This project's choice, wide on purpose."""


def saturation_percent(*, po2_mmhg: float) -> float:
    """Saturation of standard human blood at 37 degrees C and pH 7.4.

    Args:
        po2_mmhg: oxygen tension [mmHg].

    Returns:
        Saturation [%].

    Raises:
        ValueError: tension not above zero.

    Source: Severinghaus 1979, equation 1: S = 1 / (23,400 / (PO2^3 + 150 PO2) + 1).
    """
    require_positive(po2_mmhg=po2_mmhg)
    return 100.0 / (23_400.0 / (po2_mmhg**3 + 150.0 * po2_mmhg) + 1.0)


def may_go_together(*, pao2_mmhg: float, spo2_percent: float) -> bool:
    """Whether an arterial tension and a pulse-oximeter saturation of one moment can both be true.

    Args:
        pao2_mmhg: arterial oxygen tension [mmHg].
        spo2_percent: saturation [%].

    Returns:
        False only where they lie far apart on any curve that a patient may have.

    Raises:
        ValueError: tension not above zero.

    Source: the curve: Severinghaus 1979; the band around it is this project's choice.
    """
    lowest = saturation_percent(po2_mmhg=pao2_mmhg / RIGHT) - MOST_PERCENT_APART
    highest = saturation_percent(po2_mmhg=pao2_mmhg * LEFT) + MOST_PERCENT_APART
    return lowest <= spo2_percent <= highest
