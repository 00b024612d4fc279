"""How much vasopressor runs at a moment, as noradrenaline equivalent, and how is that known?

Noradrenaline and adrenaline count one for one (Goradia et al 2020, read in a public query that cites it); what else may
run is not looked for. Nothing sent is not nothing given.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final, NamedTuple

from ebbmark.physiology.before.in_force import span_words

__all__ = ["Infusion", "VasopressorDose", "dose_at"]

CHARTED_HOLDS_S: Final = 4 * 3600.0
"""A rate that was charted at a moment is taken to hold for so long. This project's choice."""


class Infusion(NamedTuple):
    """One documented rate of one drug.

    Attributes:
        drug: noradrenaline or adrenaline.
        mcg_per_kg_per_min: its rate.
        start_s: when it began, or was charted [s since 1970-01-01T00:00:00Z].
        end_s: when it ended; None where that is not known.
        going_on: whether the record says that it goes on.
        charted: whether it was charted at a moment and not over a time.
        source: index of the input.
    """

    drug: str
    mcg_per_kg_per_min: float
    start_s: float
    end_s: float | None
    going_on: bool
    charted: bool
    source: int


class VasopressorDose(NamedTuple):
    """What runs.

    Attributes:
        mcg_per_kg_per_min: as noradrenaline equivalent.
        sources: indices of the inputs.
        sentence: in one plain sentence.
    """

    mcg_per_kg_per_min: float
    sources: tuple[int, ...]
    sentence: str


def dose_at(infusions: Iterable[Infusion], at_s: float) -> VasopressorDose | None:
    """What runs at a moment, of each drug the rate that began last; None where no rate is known to hold or have ended.

    Args:
        infusions: of one patient, in any order.
        at_s: the moment [s since 1970-01-01T00:00:00Z].

    Source: see the module; how long a charted rate holds is this project's choice.
    """
    by_drug: dict[str, Infusion] = {}
    for one in sorted(infusions, key=lambda one: (one.start_s, one.mcg_per_kg_per_min, one.source)):
        if one.start_s <= at_s:
            by_drug[one.drug] = one
    told, total, sources = [], 0.0, []
    for drug, one in sorted(by_drug.items()):
        age = span_words(at_s - one.start_s)
        if one.end_s is not None and one.end_s <= at_s:
            told.append(f"{drug} ended {span_words(at_s - one.end_s)} ago")
        elif one.going_on or one.end_s is not None or (one.charted and at_s - one.start_s <= CHARTED_HOLDS_S):
            total += one.mcg_per_kg_per_min
            when = f"charted {age} ago" if one.charted else f"for {age}"
            told.append(f"{drug} {one.mcg_per_kg_per_min:g} mcg/kg/min, {when}")
        else:
            continue
        sources.append(one.source)
    if not told:
        return None
    said = "; ".join(told)
    return VasopressorDose(round(total, 6), tuple(sources), f"{said[0].upper()}{said[1:]}.")
