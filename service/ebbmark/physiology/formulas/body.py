"""Predicted body weight, and the tidal volume that follows from it.

Lung size goes with height and sex, not with what the patient weighs today. The formula is the one used by the
trial that found 6 mL/kg, so the two belong together.

Source: ARDS Network, N Engl J Med 2000;342:1301-8 (formula read in secondary copies of its protocol).
"""

from __future__ import annotations

from enum import Enum
from typing import Final

from ebbmark.physiology.formulas.bounds import require_positive
from ebbmark.physiology.message import Message, message

ACCEPTED_HEIGHT_RANGE_CM: Final = (120.0, 230.0)
"""Heights that are computed at all [cm]; outside, a slip is likelier than an adult. Our own choice."""

PUBLISHED_HEIGHT_RANGE_CM: Final = (152.4, 193.0)
"""Heights that our check table covers [cm]: 60 in, where the formula is anchored, to 76 in."""

ACCEPTED_WEIGHT_RANGE_KG: Final = (25.0, 400.0)
"""Actual body weights that are used [kg]; outside, a slip is likelier than an adult. Our own choice."""

OBESE_FROM_KG_PER_M2: Final = 30.0
"""Body mass index from which an adult is obese [kg/m2]. Source: World Health Organization, as public pages quote it."""

_ANCHOR_CM: Final = 152.4  # 60 inches
_KG_PER_CM: Final = 0.91  # 2.3 kg per inch over 2.54, as the protocol rounds it


class Sex(Enum):
    """The two forms of the formula; which one applies is never guessed."""

    FEMALE = "female"
    MALE = "male"


_KG_AT_ANCHOR: Final = {Sex.MALE: 50.0, Sex.FEMALE: 45.5}


def predicted_body_weight_kg(height_cm: float, sex: Sex) -> float:
    """Body weight predicted from height and sex, for adults.

    Args:
        height_cm: standing height, within `ACCEPTED_HEIGHT_RANGE_CM` [cm].

    Raises:
        ValueError: height not finite or outside the accepted range; a reader refuses it earlier.

    Source: ARDS Network, N Engl J Med 2000;342:1301-8:
    50 (male) or 45.5 (female) + 0.91 x (height in cm - 152.4).
    """
    _require_accepted_height(height_cm)
    return _KG_AT_ANCHOR[sex] + _KG_PER_CM * (height_cm - _ANCHOR_CM)


def body_mass_index(weight_kg: float, height_cm: float) -> float:
    """Actual body weight over height squared [kg/m2].

    Args:
        weight_kg: actual body weight, above zero [kg].
        height_cm: standing height, within `ACCEPTED_HEIGHT_RANGE_CM` [cm].

    Raises:
        ValueError: either argument is not finite, not above zero, or outside its range.

    Source: World Health Organization, as public pages quote it.
    """
    require_positive(weight_kg=weight_kg)
    _require_accepted_height(height_cm)
    return weight_kg / (height_cm / 100.0) ** 2


def height_remark(height_cm: float) -> Message | None:
    """What the reader should know about a height for which the formula stands on thinner ground.

    Args:
        height_cm: standing height, within `ACCEPTED_HEIGHT_RANGE_CM` [cm].

    Raises:
        ValueError: height not finite or outside the accepted range.

    Source: adults only: Martin and Richards, BMC Pulm Med 2017;17:85. Upper bound: our own check table.
    """
    _require_accepted_height(height_cm)
    lowest, highest = PUBLISHED_HEIGHT_RANGE_CM
    if height_cm < lowest:
        return message("height-remark.below", height_cm=height_cm, lowest_cm=lowest)
    if height_cm > highest:
        return message("height-remark.above", height_cm=height_cm, highest_cm=highest)
    return None


def tidal_volume_ml(pbw_kg: float, ml_per_kg: float) -> float:
    """Tidal volume of one rung of the ladder.

    Args:
        pbw_kg: predicted body weight, above zero [kg].
        ml_per_kg: volume per predicted body weight, above zero [mL/kg].

    Raises:
        ValueError: either argument not finite or not above zero.

    Source: ARDS Network, N Engl J Med 2000;342:1301-8.
    """
    require_positive(pbw_kg=pbw_kg, ml_per_kg=ml_per_kg)
    return pbw_kg * ml_per_kg


def _require_accepted_height(height_cm: float) -> None:
    lowest, highest = ACCEPTED_HEIGHT_RANGE_CM
    if not lowest <= height_cm <= highest:  # also false for a NaN
        raise ValueError(f"height must lie within {lowest:g} to {highest:g} cm, got {height_cm}")
