"""How much of this lung does a higher PEEP open, by the recruitment-to-inflation ratio?

PEEP is released from high to low in one breath; what comes out beyond the usual breath is more than inflation alone
explains. Source: Chen et al, Am J Respir Crit Care Med 2020;201:178-87, doi 10.1164/rccm.201902-0334OC (abstract
read): from 15 to 5 cmH2O, 45 patients, median 0.5, range 0 to 2.0.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from ebbmark.physiology.findings import SOURCES
from ebbmark.physiology.formulas.bounds import require_at_least_zero, require_positive
from ebbmark.physiology.message import Message, message

__all__ = ["Recruitability", "recruitment_to_inflation"]

MEDIAN_OF_SAMPLE: Final = 0.5
"""Median of the 45 patients of Chen et al 2020 [1]; not tested against any outcome."""

CITATION: Final = SOURCES["chen-2020"]


@dataclass(frozen=True, slots=True)
class Recruitability:
    """What one release of PEEP showed.

    Attributes:
        ratio: recruited over inflated, per cmH2O [1]; below zero where less came out than inflation explains.
        recruited_ml: volume beyond what inflation at low PEEP explains [mL].
        sentence: what it says, and what not.
        citation: the source.
    """

    ratio: float
    recruited_ml: float
    sentence: Message
    citation: str


def recruitment_to_inflation(
    *,
    released_ml: float,
    usual_tidal_volume_ml: float,
    compliance_at_low_peep_ml_per_cmh2o: float,
    high_peep_cmh2o: float,
    low_peep_cmh2o: float,
) -> Recruitability:
    """The ratio from one release breath. Where the airway opens only above low PEEP, give that pressure for low PEEP.

    Args:
        released_ml: volume expired in the breath in which PEEP was released [mL].
        usual_tidal_volume_ml: volume expired in a usual breath [mL].
        compliance_at_low_peep_ml_per_cmh2o: static compliance at low PEEP [mL/cmH2O].
        high_peep_cmh2o: before the release [cmH2O].
        low_peep_cmh2o: after it, or the airway opening pressure if that is higher [cmH2O].

    Returns:
        The ratio, and what it does and does not say.

    Raises:
        ValueError: a volume or compliance not above zero, low PEEP below zero, or high PEEP not above low PEEP.

    Source: Chen et al 2020: ((released - usual) - compliance x PEEP difference) / PEEP difference / compliance.
    """
    require_positive(
        released_ml=released_ml,
        usual_tidal_volume_ml=usual_tidal_volume_ml,
        compliance_at_low_peep_ml_per_cmh2o=compliance_at_low_peep_ml_per_cmh2o,
    )
    require_at_least_zero(low_peep_cmh2o=low_peep_cmh2o)
    drop = high_peep_cmh2o - low_peep_cmh2o
    require_positive(peep_difference_cmh2o=drop)
    recruited_ml = (released_ml - usual_tidal_volume_ml) - compliance_at_low_peep_ml_per_cmh2o * drop
    ratio = recruited_ml / drop / compliance_at_low_peep_ml_per_cmh2o
    sentence = message(
        "markers.recruitment-at-or-above" if ratio >= MEDIAN_OF_SAMPLE else "markers.recruitment-below",
        ratio=f"{ratio:.2f}",
        high_cmh2o=round(high_peep_cmh2o, 1),
        low_cmh2o=round(low_peep_cmh2o, 1),
        median=MEDIAN_OF_SAMPLE,
    )
    return Recruitability(ratio, recruited_ml, sentence, CITATION)
