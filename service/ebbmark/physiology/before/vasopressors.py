"""How much vasopressor runs at a moment, as noradrenaline equivalent, and how is that known?

Noradrenaline and adrenaline count one for one (Goradia et al 2020, read in a public query that cites it). Another
vasopressor is named and not converted, so that the dose is then at least what is given. Nothing sent is not nothing
given.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Final, NamedTuple

from ebbmark.physiology.timeline import span_words

__all__ = ["Infusion", "VasopressorDose", "dose_at"]

CHARTED_HOLDS_S: Final = 4 * 3600.0
"""A rate that was charted at a moment is taken to hold for so long. This project's choice."""


class Infusion(NamedTuple):
    """One documented rate of one drug.

    Attributes:
        drug: which.
        mcg_per_kg_per_min: its rate; None where it is not converted.
        start_s: when it began, or was charted [s since 1970-01-01T00:00:00Z].
        end_s: when it ended; None where that is not known.
        going_on: whether the record says that it goes on.
        charted: whether it was charted at a moment and not over a time.
        source: index of the input.
        shown: the rate as it was sent, where it is not converted; empty where none was.
    """

    drug: str
    mcg_per_kg_per_min: float | None
    start_s: float
    end_s: float | None
    going_on: bool
    charted: bool
    source: int
    shown: str = ""


class VasopressorDose(NamedTuple):
    """What runs.

    Attributes:
        mcg_per_kg_per_min: as noradrenaline equivalent, of what is converted; None where nothing of that is known.
        sources: indices of the inputs.
        sentence: in plain sentences.
        not_converted: names of the vasopressors that run and are not converted.
        doubled: those of which another infusion is charted as going on beside the one that is counted, as phrases.
    """

    mcg_per_kg_per_min: float | None
    sources: tuple[int, ...]
    sentence: str
    not_converted: tuple[str, ...] = ()
    doubled: tuple[str, ...] = ()


def dose_at(infusions: Iterable[Infusion], at_s: float) -> VasopressorDose | None:
    """What runs at a moment, of each drug the rate that began last; None where no rate is known to hold or have ended.

    Args:
        infusions: of one patient, in any order.
        at_s: the moment [s since 1970-01-01T00:00:00Z].

    Source: see the module; how long a charted rate holds is this project's choice.
    """
    infusions = tuple(infusions)
    by_drug: dict[str, Infusion] = {}
    for one in sorted(infusions, key=lambda one: (one.start_s, one.mcg_per_kg_per_min or 0.0, one.shown, one.source)):
        if one.start_s <= at_s:
            by_drug[one.drug] = one
    left_open = _left_open(by_drug, infusions, at_s)
    told: list[str] = []
    rates: list[float] = []
    others: list[str] = []
    doubled: list[str] = []
    sources: list[int] = []
    for drug, one in sorted(by_drug.items()):
        age = span_words(at_s - one.start_s)
        when = f"charted {age} ago" if one.charted else f"for {age}"
        if one.end_s is not None and one.end_s <= at_s:
            told.append(f"{drug} ended {span_words(at_s - one.end_s)} ago")
            rates += [] if one.mcg_per_kg_per_min is None else [0.0]
        elif not (one.going_on or one.end_s is not None or (one.charted and at_s - one.start_s <= CHARTED_HOLDS_S)):
            continue
        elif one.mcg_per_kg_per_min is None:
            told.append(f"{drug} runs ({one.shown or 'its rate was not sent'}, {when}) and is not converted")
            others.append(drug)
        else:
            rates.append(one.mcg_per_kg_per_min)
            told.append(f"{drug} {one.mcg_per_kg_per_min:g} mcg/kg/min, {when}")
        sources.append(one.source)
        for other in left_open.get(drug, ()):
            rate = other.shown if other.mcg_per_kg_per_min is None else f"{other.mcg_per_kg_per_min:g} mcg/kg/min"
            told.append(
                f"another {drug} ({rate or 'its rate was not sent'}, for {span_words(at_s - other.start_s)}) is "
                "charted as going on too and not counted, since whether both run is not known"
            )
            sources.append(other.source)
        doubled += [f"a second {drug} infusion"] if drug in left_open else []
    if not told:
        return None
    said = "; ".join(told)
    more = f" The dose as noradrenaline equivalent {'is' if others else 'may be'} more than what is counted."
    more = more if others or doubled else ""
    total = round(sum(rates), 6) if rates else None
    return VasopressorDose(total, tuple(sources), f"{said[0].upper()}{said[1:]}.{more}", tuple(others), tuple(doubled))


def _left_open(
    latest: Mapping[str, Infusion], infusions: Iterable[Infusion], at_s: float
) -> dict[str, tuple[Infusion, ...]]:
    """Earlier infusions of a drug that the record lets go on beside the latest: a second pump, or one never ended."""
    found: dict[str, tuple[Infusion, ...]] = {}
    for one in sorted(infusions, key=lambda one: (-one.start_s, one.source)):
        runs = one.going_on and one.start_s <= at_s and one.mcg_per_kg_per_min != 0.0
        if runs and one is not latest[one.drug]:
            found[one.drug] = (*found.get(one.drug, ()), one)
    return found
