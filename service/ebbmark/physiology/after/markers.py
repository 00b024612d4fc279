"""Where would other markers put the closing point, and do they agree?

Rules, with how far each was traced: a fall of SpO2 by 1 % (Hodgson et al 2011) or 2 % (PHARLAP) from its maximum, and
the level of highest static compliance (ART), as tabled in Cochrane review CD009098, 2021. No rule for PaO2, PaCO2 or
driving pressure could be read, so theirs are this project's own and say so. A level where something first falls
("closing") and a level where something is best ("best") are never mixed. The recruitment-to-inflation ratio
(Chen et al 2020) says how much of the lung can be opened; it names no level.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum
from typing import Final

from ebbmark.physiology.after.marker_rules import (
    Level,
    fio2_remark,
    first_lasting_fall,
    levels_of,
    saturation_remark,
    unrecorded_remark,
)
from ebbmark.physiology.after.measures import ASSUMED_NOISE, Measure, noise_of_difference
from ebbmark.physiology.closing.estimate import Closing
from ebbmark.physiology.message import Message, message
from ebbmark.physiology.readings import Quantity, Reading
from ebbmark.physiology.trial.steps import Trial

__all__ = ["Marker", "Markers", "Meaning", "read_markers"]

COCHRANE: Final = "methods table of Santa Cruz et al, Cochrane review CD009098, 2021"
OWN: Final = "this project's own choice, no published rule was read"
SAME_AS_COMPLIANCE: Final = "driving-pressure-rise"
"""At constant volume this is the same measurement as compliance, so it names no level of its own."""

VOLUME_SPREAD: Final = 0.05
"""Driving pressure is read as a marker only where tidal volume stayed within this share. This project's choice."""


class Meaning(Enum):
    """What the level that a marker names means."""

    CLOSING = "closing"
    BEST = "best"


@dataclass(frozen=True, slots=True)
class Marker:
    """One marker.

    Attributes:
        slug: stable name.
        meaning: closing (first level that is worse) or best.
        peep_cmh2o: level that it names; None where it names none.
        rule: how it is read.
        citation: of the rule.
        sources: indices of the inputs that it was read from.
        sentences: what it says, and what limits that.
    """

    slug: str
    meaning: Meaning
    peep_cmh2o: float | None
    rule: Message
    citation: str
    sources: tuple[int, ...]
    sentences: tuple[Message, ...]


@dataclass(frozen=True, slots=True)
class Markers:
    """All markers of one trial, beside the estimate.

    Attributes:
        markers: those that were recorded, in a fixed order.
        not_recorded: for each marker that could not be read, the reason.
        agree: whether all closing levels from independent measurements, the estimate's included, lie within one step
            of each other; None where there are not two to compare.
        sentence: what to make of it.
    """

    markers: tuple[Marker, ...]
    not_recorded: tuple[Message, ...]
    agree: bool | None
    sentence: Message


def read_markers(readings: Sequence[Reading], trial: Trial, closing: Closing) -> Markers:
    """Ask every marker that was recorded where it would put the closing point.

    Args:
        readings: of one patient, in any order.
        trial: the decremental limb.
        closing: the estimate from compliance.

    Returns:
        The markers, what was not recorded, and whether they agree.

    Source: see the module.
    """
    found = [
        *_saturation(readings, trial),
        *_gas(readings, trial, Quantity.PAO2, "pao2-fall"),
        *_gas(readings, trial, Quantity.PACO2, "paco2-rise"),
        *_driving_pressure(trial),
        *_best_compliance(trial),
    ]
    markers = tuple(one for one in found if isinstance(one, Marker))
    missing = tuple(one for one in found if isinstance(one, Message))
    agree, sentence = _agreement(markers, trial, closing)
    return Markers(markers, missing, agree, sentence)


def _saturation(readings: Sequence[Reading], trial: Trial) -> list[Marker | Message]:
    levels = levels_of(readings, trial, Quantity.SPO2)
    if isinstance(levels, Message):
        return [levels]
    return [
        _marker(
            f"spo2-fall-{fall:.0f}",
            levels,
            [
                round(max(one.value for one in levels[: index + 1]) - level.value, 6) >= fall
                for index, level in enumerate(levels)
            ],
            message("marker-rule.spo2-fall", fall_percent=fall),
            f"{work}; {COCHRANE}",
            [unrecorded_remark(levels, trial), saturation_remark(levels), fio2_remark(readings, levels)],
        )
        for fall, work in ((1.0, "Hodgson et al, Crit Care 2011;15:R133"), (2.0, "PHARLAP, 2019"))
    ]


def _gas(readings: Sequence[Reading], trial: Trial, quantity: Quantity, slug: str) -> list[Marker | Message]:
    levels = levels_of(readings, trial, quantity)
    if isinstance(levels, Message):
        return [levels]
    oxygen = quantity is Quantity.PAO2
    noise = ASSUMED_NOISE[Measure.PF_RATIO if oxygen else Measure.PACO2]
    worse = []
    for index, level in enumerate(levels):
        so_far = [one.value for one in levels[: index + 1]]
        best = max(so_far) if oxygen else min(so_far)
        band = noise_of_difference(noise, before=best, after=level.value)
        worse.append((best - level.value if oxygen else level.value - best) > band)
    remark = fio2_remark(readings, levels) if oxygen else message("marker-remark.carbon-dioxide")
    rule = message(f"marker-rule.{slug}")
    return [_marker(slug, levels, worse, rule, OWN, [unrecorded_remark(levels, trial), remark])]


def _driving_pressure(trial: Trial) -> list[Marker | Message]:
    levels = [
        Level(step.peep_cmh2o, step.driving_pressure_cmh2o, step.samples[-1].sources, step.end_s)
        for step in trial.steps
        if step.driving_pressure_cmh2o is not None
    ]
    volumes = [step.tidal_volume_ml for step in trial.steps if step.tidal_volume_ml is not None]
    if len(levels) < len(trial.steps) or not volumes:
        return [message("marker-missing.driving-pressure")]
    if max(volumes) > (1 + VOLUME_SPREAD) * min(volumes):
        return [message("marker-missing.volume-changed")]
    sources = tuple(sorted({source for level in levels for source in level.sources}))
    rule, sentence = message("marker-rule.driving-pressure-rise"), message("marker-says.driving-pressure-rise")
    return [Marker(SAME_AS_COMPLIANCE, Meaning.CLOSING, None, rule, OWN, sources, (sentence,))]


def _best_compliance(trial: Trial) -> list[Marker | Message]:
    best = max(trial.steps, key=lambda step: step.compliance_ml_per_cmh2o)
    kind = "static" if trial.kind.static else "dynamic"
    work = "ART, JAMA 2017" if trial.kind.static else "Kacmarek et al, Crit Care Med 2016"
    rule = message(f"marker-rule.best-{kind}-compliance")
    sentence = message(f"marker-says.best-{kind}-compliance", peep_cmh2o=round(best.peep_cmh2o, 1))
    sources = tuple(sorted({source for sample in best.samples for source in sample.sources}))
    citation = f"{work}; {COCHRANE}"
    return [Marker("best-compliance", Meaning.BEST, best.peep_cmh2o, rule, citation, sources, (sentence,))]


def _marker(
    slug: str,
    levels: Sequence[Level],
    worse: Sequence[bool],
    rule: Message,
    citation: str,
    remarks: Sequence[Message | None],
) -> Marker:
    index = first_lasting_fall(worse)
    sources = tuple(sorted({source for level in levels for source in level.sources}))
    title = message(f"marker-title.{slug}")
    said, peep = [message("marker-says.none", title=title)], None
    if index is not None:
        peep = levels[index].peep_cmh2o
        said = [message("marker-says.closing", title=title, peep_cmh2o=round(peep, 1), rule=rule)]
        if index == len(levels) - 1:
            said.append(message("marker-says.last-step"))
    told = (*said, *[one for one in remarks if one is not None])
    return Marker(slug, Meaning.CLOSING, peep, rule, citation, sources, told)


def _agreement(markers: Sequence[Marker], trial: Trial, closing: Closing) -> tuple[bool | None, Message]:
    named = [
        (f"marker-title.{one.slug}", one.peep_cmh2o)
        for one in markers
        if one.meaning is Meaning.CLOSING and one.peep_cmh2o is not None
    ]
    if closing.peep_cmh2o is not None:
        named.insert(0, ("marker.compliance", closing.peep_cmh2o))
    if len(named) < 2:
        return None, message("markers.not-compared")
    order = [step.peep_cmh2o for step in trial.steps]
    places = [_nearest(order, peep) for _, peep in named]
    listed = tuple(message("markers.named", title=message(title), peep_cmh2o=round(peep, 1)) for title, peep in named)
    agree = max(places) - min(places) <= 1
    return agree, message("markers.agree" if agree else "markers.disagree", listed=listed)


def _nearest(levels: Sequence[float], peep: float) -> int:
    distances = [abs(level - peep) for level in levels]
    return distances.index(min(distances))
