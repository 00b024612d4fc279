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
from ebbmark.physiology.readings import Quantity, Reading
from ebbmark.physiology.trial.steps import Trial
from ebbmark.physiology.wording import level as spelled

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
        title: for people.
        meaning: closing (first level that is worse) or best.
        peep_cmh2o: level that it names; None where it names none.
        rule: in plain words.
        citation: of the rule.
        sources: indices of the inputs that it was read from.
        sentence: one or two plain sentences.
    """

    slug: str
    title: str
    meaning: Meaning
    peep_cmh2o: float | None
    rule: str
    citation: str
    sources: tuple[int, ...]
    sentence: str


@dataclass(frozen=True, slots=True)
class Markers:
    """All markers of one trial, beside the estimate.

    Attributes:
        markers: those that were recorded, in a fixed order.
        not_recorded: markers that could not be read, each with its reason in a plain sentence.
        agree: whether all closing levels from independent measurements, the estimate's included, lie within one step
            of each other; None where there are not two to compare.
        sentence: what to make of it, in plain sentences.
    """

    markers: tuple[Marker, ...]
    not_recorded: tuple[str, ...]
    agree: bool | None
    sentence: str


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
    missing = tuple(one for one in found if isinstance(one, str))
    agree, sentence = _agreement(markers, trial, closing)
    return Markers(markers, missing, agree, sentence)


def _saturation(readings: Sequence[Reading], trial: Trial) -> list[Marker | str]:
    levels = levels_of(readings, trial, Quantity.SPO2)
    if isinstance(levels, str):
        return [levels]
    return [
        _marker(
            f"spo2-fall-{fall:.0f}",
            f"SpO2 fall of {fall:.0f} %",
            levels,
            [
                round(max(one.value for one in levels[: index + 1]) - level.value, 6) >= fall
                for index, level in enumerate(levels)
            ],
            f"first step from which on SpO2 stays {fall:g} % or more below its maximum; that it stays is our condition",
            f"{work}; {COCHRANE}",
            unrecorded_remark(levels, trial) + saturation_remark(levels) + fio2_remark(readings, levels),
        )
        for fall, work in ((1.0, "Hodgson et al, Crit Care 2011;15:R133"), (2.0, "PHARLAP, 2019"))
    ]


def _gas(readings: Sequence[Reading], trial: Trial, quantity: Quantity, slug: str) -> list[Marker | str]:
    levels = levels_of(readings, trial, quantity)
    if isinstance(levels, str):
        return [levels]
    oxygen = quantity is Quantity.PAO2
    noise = ASSUMED_NOISE[Measure.PF_RATIO if oxygen else Measure.PACO2]
    worse = []
    for index, level in enumerate(levels):
        so_far = [one.value for one in levels[: index + 1]]
        best = max(so_far) if oxygen else min(so_far)
        band = noise_of_difference(noise, before=best, after=level.value)
        worse.append((best - level.value if oxygen else level.value - best) > band)
    words, title = ("PaO2", "PaO2 fall") if oxygen else ("PaCO2", "PaCO2 rise")
    side = "below its maximum" if oxygen else "above its minimum"
    remark = fio2_remark(readings, levels) if oxygen else "PaCO2 also follows minute ventilation and lags behind it. "
    rule = f"first step from which on {words} is {side} by more than two samples of a steady patient may differ"
    return [_marker(slug, title, levels, worse, rule, OWN, unrecorded_remark(levels, trial) + remark)]


def _driving_pressure(trial: Trial) -> list[Marker | str]:
    levels = [
        Level(step.peep_cmh2o, step.driving_pressure_cmh2o, step.samples[-1].sources, step.end_s)
        for step in trial.steps
        if step.driving_pressure_cmh2o is not None
    ]
    volumes = [step.tidal_volume_ml for step in trial.steps if step.tidal_volume_ml is not None]
    if len(levels) < len(trial.steps) or not volumes:
        return ["Driving pressure is not known at every step, so it is not read as a marker."]
    if max(volumes) > (1 + VOLUME_SPREAD) * min(volumes):
        return ["Tidal volume was not constant, so driving pressure says nothing of its own here."]
    sources = tuple(sorted({source for level in levels for source in level.sources}))
    sentence = (
        "Driving pressure at constant volume is the same measurement as compliance: both are one marker, so it names "
        "no closing level of its own."
    )
    rule = "driving pressure at constant volume follows from compliance"
    return [Marker(SAME_AS_COMPLIANCE, "Driving pressure rise", Meaning.CLOSING, None, rule, OWN, sources, sentence)]


def _best_compliance(trial: Trial) -> list[Marker | str]:
    best = max(trial.steps, key=lambda step: step.compliance_ml_per_cmh2o)
    kind = "static" if trial.kind.static else "dynamic"
    work = "ART, JAMA 2017" if trial.kind.static else "Kacmarek et al, Crit Care Med 2016"
    rule = f"level of highest {kind} compliance"
    sentence = (
        f"Highest {kind} compliance was at {spelled(best.peep_cmh2o)} cmH2O. That is a best level, not a closing "
        "level: a margin meant for the one must not be added to the other."
    )
    sources = tuple(sorted({source for sample in best.samples for source in sample.sources}))
    return [
        Marker(
            "best-compliance",
            f"Highest {kind} compliance",
            Meaning.BEST,
            best.peep_cmh2o,
            rule,
            f"{work}; {COCHRANE}",
            sources,
            sentence,
        )
    ]


def _marker(
    slug: str,
    title: str,
    levels: Sequence[Level],
    worse: Sequence[bool],
    rule: str,
    citation: str,
    remark: str,
) -> Marker:
    index = first_lasting_fall(worse)
    sources = tuple(sorted({source for level in levels for source in level.sources}))
    if index is None:
        sentence = f"{title}: names no closing level, since by this rule it did not get worse for good. {remark}"
        return Marker(slug, title, Meaning.CLOSING, None, rule, citation, sources, sentence.rstrip())
    last = " It is the last step recorded, so whether that lasts is not known." if index == len(levels) - 1 else ""
    level = levels[index]
    sentence = f"{title}: would put closing at {spelled(level.peep_cmh2o)} cmH2O ({rule}).{last} {remark}"
    return Marker(slug, title, Meaning.CLOSING, level.peep_cmh2o, rule, citation, sources, sentence.rstrip())


def _agreement(markers: Sequence[Marker], trial: Trial, closing: Closing) -> tuple[bool | None, str]:
    named = [
        (one.title, one.peep_cmh2o) for one in markers if one.meaning is Meaning.CLOSING and one.peep_cmh2o is not None
    ]
    if closing.peep_cmh2o is not None:
        named.insert(0, ("compliance", closing.peep_cmh2o))
    if len(named) < 2:
        return None, "There are not two independent closing levels to compare."
    order = [step.peep_cmh2o for step in trial.steps]
    places = [_nearest(order, peep) for _, peep in named]
    listed = ", ".join(f"{name} {spelled(peep)}" for name, peep in named)
    if max(places) - min(places) <= 1:
        return True, f"The closing levels lie within one step of each other (cmH2O): {listed}."
    return False, (
        f"The markers disagree about closing (cmH2O): {listed}. Compliance, oxygenation and carbon dioxide can differ "
        "within one patient, and oxygenation settles more slowly than mechanics; no single marker decides. The "
        "suggestion here rests on compliance alone."
    )


def _nearest(levels: Sequence[float], peep: float) -> int:
    distances = [abs(level - peep) for level in levels]
    return distances.index(min(distances))
