"""Does severity speak for higher PEEP, by the freshest readings?"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from ebbmark.physiology.before.ards_class import ArdsClass, severity_words
from ebbmark.physiology.formulas.gas_exchange import Oxygenation
from ebbmark.physiology.message import Message, Value, joined, message
from ebbmark.physiology.timeline import span

__all__ = ["Indication", "by_severity"]

ALIKE_S: Final = 3600.0
"""A saturation fresher than the gas by up to this speaks beside it; beyond, it speaks alone. This project's choice."""

BESIDE_S: Final = 900.0
"""A saturation that is no fresher than the gas by more than this says nothing that the gas does not say better: S/F
stands in where there is no gas. This project's choice."""

_CLEAR_ENOUGH: Final = (Oxygenation.SEVERE, Oxygenation.MODERATE)
_SOURCE: Final = "American Thoracic Society guideline update, Am J Respir Crit Care Med 2024;209:24-36"


@dataclass(frozen=True, slots=True)
class Indication:
    """One reason that would speak for a trial, or why there is none.

    Attributes:
        slug: stable name.
        speaks_for: True, False, or None where it cannot be judged.
        severity: what the readings show.
        sentence: the same, with what a guideline makes of it.
        citation: the source.
    """

    slug: str
    speaks_for: bool | None
    severity: Value
    sentence: Value
    citation: str


def by_severity(classes: Sequence[ArdsClass]) -> Indication:
    """Severity speaks for higher PEEP where any definition says moderate or severe; what is freshest speaks.

    A gas speaks instead of a saturation of about the same time, whichever of them is worse.

    Args:
        classes: by each definition.

    Source: the guideline that it cites; which reading speaks is this project's choice.
    """
    judged = [one for one in classes if one.oxygenation not in (None, Oxygenation.NOT_CLASSIFIED)]
    if not judged:
        sentence = message("indication.not-classed")
        return Indication("moderate-or-severe", None, sentence, sentence, _SOURCE)
    gases = [one for one in judged if one.ratio_name == "P/F"]
    overruled = [one for one in judged if one.ratio_name != "P/F" and gases and one.age_s >= gases[0].age_s - BESIDE_S]
    all_of_them, judged = judged, [one for one in judged if one not in overruled]
    youngest_s = min(one.age_s for one in judged)
    speaking = [one for one in judged if one.age_s <= youngest_s + ALIKE_S]
    left_out = [
        _overruled(one, gases) if one in overruled else _outdated(one) for one in all_of_them if one not in speaking
    ]
    told: list[Value] = [message("indication.told", what=_told(alike)) for alike in _by_ratio(speaking)]
    told += left_out
    speaks_for = any(one.oxygenation in _CLEAR_ENOUGH for one in speaking)
    if speaks_for and len({one.oxygenation for one in speaking}) > 1:
        told.append(message("indication.definitions-disagree"))
    guideline = message("indication.speaks-for" if speaks_for else "indication.speaks-for-worse-only")
    in_full = joined("sentences", [*told, guideline])
    return Indication("moderate-or-severe", speaks_for, joined("sentences", told), in_full, _SOURCE)


def _by_ratio(classes: Sequence[ArdsClass]) -> list[list[ArdsClass]]:
    """Classes of one ratio together: definitions that agree need not be told twice."""
    found: dict[tuple[str, Oxygenation | None], list[ArdsClass]] = {}
    for one in classes:
        found.setdefault((one.ratio_name, one.oxygenation), []).append(one)
    return list(found.values())


def _told(alike: Sequence[ArdsClass]) -> Message:
    one = alike[0]
    assert one.ratio is not None and one.oxygenation is not None  # noqa: PT018, S101 - only what is classed is told
    return message(
        "indication.class",
        ratio=one.ratio_name,
        value=round(one.ratio),
        inputs=joined("semicolons", [shown.sentence for shown in one.inputs[:2]]),
        old=message("indication.old") if one.inputs[0].old else "",
        severity=severity_words(one.oxygenation),
        definitions=joined("each-and", [message(f"indication.{each.definition}") for each in alike]),
    )


def _overruled(one: ArdsClass, gases: Sequence[ArdsClass]) -> Message:
    agrees = any(one.oxygenation is gas.oxygenation for gas in gases)
    return message("indication.agrees" if agrees else "indication.disagrees", what=_told([one]))


def _outdated(one: ArdsClass) -> Message:
    return message(
        f"indication.{'gas' if one.ratio_name == 'P/F' else 'saturation'}-outdated",
        ratio=one.ratio_name,
        definition=message(f"indication.{one.definition}"),
        age=span(one.age_s),
    )
