"""Does severity speak for higher PEEP, by the freshest readings?"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from ebbmark.physiology.before.ards_class import SEVERITY_WORDS, ArdsClass
from ebbmark.physiology.formulas.gas_exchange import Oxygenation
from ebbmark.physiology.timeline import span_words

__all__ = ["Indication", "by_severity"]

ALIKE_S: Final = 3600.0
"""A saturation fresher than the gas by up to this speaks beside it; beyond, it speaks alone. This project's choice."""

BESIDE_S: Final = 900.0
"""A saturation that is no fresher than the gas by more than this says nothing that the gas does not say better: S/F
stands in where there is no gas. This project's choice."""

_CLEAR_ENOUGH: Final = (Oxygenation.SEVERE, Oxygenation.MODERATE)
_DEFINITIONS: Final = {"berlin-2012": "the Berlin definition", "global-2023": "the global definition"}
_SPEAKS_FOR: Final = (
    "In moderate to severe ARDS a guideline suggests higher PEEP without recruitment manoeuvres over lower PEEP "
    "(conditional, low to moderate certainty)."
)
_SPEAKS_FOR_WORSE_ONLY: Final = "The guidelines that were read suggest higher PEEP for moderate to severe ARDS only."


@dataclass(frozen=True, slots=True)
class Indication:
    """One reason that would speak for a trial, or why there is none.

    Attributes:
        slug: stable name.
        speaks_for: True, False, or None where it cannot be judged.
        severity: what the readings show, in plain sentences.
        sentence: the same, with what a guideline makes of it.
        citation: the source.
    """

    slug: str
    speaks_for: bool | None
    severity: str
    sentence: str
    citation: str


def by_severity(classes: Sequence[ArdsClass]) -> Indication:
    """Severity speaks for higher PEEP where any definition says moderate or severe; what is freshest speaks.

    A gas speaks instead of a saturation of about the same time, whichever of them is worse.

    Args:
        classes: by each definition.

    Source: the guideline that it cites; which reading speaks is this project's choice.
    """
    citation = "American Thoracic Society guideline update, Am J Respir Crit Care Med 2024;209:24-36"
    judged = [one for one in classes if one.oxygenation not in (None, Oxygenation.NOT_CLASSIFIED)]
    if not judged:
        sentence = "Oxygenation cannot be classed, so it is not known whether severity speaks for higher PEEP."
        return Indication("moderate-or-severe", None, sentence, sentence, citation)
    gases = [one for one in judged if one.ratio_name == "P/F"]
    overruled = [one for one in judged if one.ratio_name != "P/F" and gases and one.age_s >= gases[0].age_s - BESIDE_S]
    all_of_them, judged = judged, [one for one in judged if one not in overruled]
    youngest_s = min(one.age_s for one in judged)
    speaking = [one for one in judged if one.age_s <= youngest_s + ALIKE_S]
    left_out = [
        _overruled(one, gases) if one in overruled else _outdated(one) for one in all_of_them if one not in speaking
    ]
    named = " ".join([*map(_told, _by_ratio(speaking)), *left_out])
    if any(one.oxygenation in _CLEAR_ENOUGH for one in speaking):
        differ = len({one.oxygenation for one in speaking}) > 1
        note = " The definitions or ratios disagree; the more severe one is taken." if differ else ""
        return Indication("moderate-or-severe", True, f"{named}{note}", f"{named}{note} {_SPEAKS_FOR}", citation)
    return Indication("moderate-or-severe", False, named, f"{named} {_SPEAKS_FOR_WORSE_ONLY}", citation)


def _by_ratio(classes: Sequence[ArdsClass]) -> list[list[ArdsClass]]:
    """Classes of one ratio together: definitions that agree need not be told twice."""
    found: dict[tuple[str, Oxygenation | None], list[ArdsClass]] = {}
    for one in classes:
        found.setdefault((one.ratio_name, one.oxygenation), []).append(one)
    return list(found.values())


def _told(alike: Sequence[ArdsClass]) -> str:
    one = alike[0]
    names = " and ".join(_DEFINITIONS[each.definition] for each in alike)
    ratio = f"{one.ratio:.0f}" if one.ratio is not None else "not known"
    old = ", old" if one.inputs[0].old else ""
    words = SEVERITY_WORDS[one.oxygenation] if one.oxygenation is not None else "not classed"
    inputs = "; ".join(shown.sentence for shown in one.inputs[:2])
    return f"{one.ratio_name} {ratio} ({inputs}{old}): {words} by {names}."


def _overruled(one: ArdsClass, gases: Sequence[ArdsClass]) -> str:
    told = _told([one]).rstrip(".")
    if any(one.oxygenation is gas.oxygenation for gas in gases):
        return f"{told}: it agrees with the gas."
    return f"{told}. Gas and saturation disagree; the gas speaks, since S/F only stands in where there is none."


def _outdated(one: ArdsClass) -> str:
    return (
        f"{one.ratio_name} by {_DEFINITIONS[one.definition]} is not counted, since a fresher reading speaks: its "
        f"{'gas' if one.ratio_name == 'P/F' else 'saturation'} is {span_words(one.age_s)} old."
    )
