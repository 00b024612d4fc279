"""Losses since a titration, by more than readings wander: compliance, oxygenation, saturation, arterial pressure.

A gas is drawn a few times a day, a saturation is read every minute: where it falls, nobody should be told that nothing
was seen. FiO2 that was lowered since explains a fall, so that then nothing is said of it. PEEP that was raised may be
what lowered arterial pressure: a fall beyond noise is told, one to below a limit asks for somebody now.
Source: this project's choice; the noise is this project's assumption, each limit has its own.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from statistics import median
from types import MappingProxyType
from typing import Final

from ebbmark.physiology.after.measures import (
    ASSUMED,
    ASSUMED_NOISE,
    Measure,
    Noise,
    Verdict,
    judge_change,
    noise_of_difference,
)
from ebbmark.physiology.after.seen import Event, Seen, after_titration
from ebbmark.physiology.after.snapshot import Figure, Snapshot, take_snapshot
from ebbmark.physiology.readings import Quantity, Reading
from ebbmark.physiology.stop.criteria import CRITERIA, StopCriterion
from ebbmark.physiology.stop.limits import StopLimits
from ebbmark.physiology.timeline import FIO2, fio2_words, in_force_at
from ebbmark.physiology.wording import level

__all__ = [
    "NO_PRESSURE_LIMITS",
    "PressureLimit",
    "PressureLosses",
    "beyond_now",
    "losses_since",
    "pressure_losses",
    "saturation_loss",
]

LATEST_S: Final = 1800.0
"""The state now is taken over the last half hour of readings. This project's choice."""

LARGE_LOSS: Final = 0.30
"""A loss of compliance of this share asks for somebody now [1]. This project's choice."""

NOW_S: Final = 3600.0
"""A vital sign of this long ago still says how the patient is [s]. This project's choice."""

SAME_PEEP_CMH2O: Final = 1.0
"""Compliance is compared at PEEPs that differ by no more than this. This project's choice."""

_TEXTBOOK: Final = "Pilbeam's Mechanical Ventilation, chapter 13 (read at second hand)"


def losses_since(
    readings: Sequence[Reading],
    at_titration: Snapshot | None,
    at_s: float,
    titrated_s: float,
    pbw_kg: float,
    noise: Mapping[Measure, Noise],
) -> tuple[list[Seen], list[str]]:
    """Compare the last half hour with the time right after the titration.

    Args:
        readings: of one patient, in any order; settings from before may still be in force.
        at_titration: state then; None where not known.
        at_s: time of the question [s since 1970-01-01T00:00:00Z].
        titrated_s: when PEEP was set [s since 1970-01-01T00:00:00Z].
        pbw_kg: predicted body weight [kg].
        noise: of a single reading of each measure.

    Returns:
        Losses, and what could not be looked for, in plain sentences.

    Source: this project's choice; noise as each `Noise` says.
    """
    watched = ((Measure.COMPLIANCE, Event.COMPLIANCE_LOST), (Measure.PF_RATIO, Event.OXYGENATION_LOST))
    if at_titration is None:
        return [], ["Compliance and oxygenation right after the titration are not known, so a loss would not show."]
    now = take_snapshot(readings, pbw_kg=pbw_kg, from_s=max(titrated_s, at_s - LATEST_S), until_s=at_s)
    seen: list[Seen] = []
    unjudged: list[str] = []
    for measure, event in watched:
        first, second = at_titration.figures.get(measure), now.figures.get(measure)
        if first is None or second is None:
            why = at_titration.not_known.get(measure) if first is None else now.not_known.get(measure)
            unjudged.append(f"A loss of {measure.words} could not be looked for: {why}.")
            continue
        if measure is Measure.COMPLIANCE and (elsewhere := _at_another_peep(at_titration, now)):
            unjudged.append(elsewhere)
            continue
        lost = _loss(measure, event, first, second, at_s, titrated_s, noise[measure])
        if lost is not None:
            seen.append(lost)
    return seen, unjudged


def _at_another_peep(at_titration: Snapshot, now: Snapshot) -> str:
    """Why compliance cannot be compared where PEEP is another one; empty where it is the same or not known."""
    then, here = at_titration.peep, now.peep
    if then is None or here is None or abs(then.value - here.value) <= SAME_PEEP_CMH2O:
        return ""
    return (
        f"PEEP is {level(here.value)} cmH2O now and was {level(then.value)} at the titration; compliance depends on "
        "it, so a loss of compliance could not be looked for."
    )


def _loss(
    measure: Measure, event: Event, first: Figure, second: Figure, at_s: float, titrated_s: float, noise: Noise
) -> Seen | None:
    change = judge_change(
        measure,
        before=first.value,
        after=second.value,
        readings_before=first.readings,
        readings_after=second.readings,
        noise=noise,
    )
    if change.verdict is not Verdict.WORSE:
        return None
    large = event is Event.COMPLIANCE_LOST and second.value <= (1.0 - LARGE_LOSS) * first.value
    causes = " Look at the patient: a pneumothorax, secretions, a displaced tube or a leak would look so." * large
    sentence = (
        f"{after_titration(at_s, titrated_s)}: {change.sentence} The lung is no longer as it was at the titration."
        f"{causes}"
    )
    citation = f"{change.noise_source}; {_TEXTBOOK}" if event is Event.OXYGENATION_LOST else change.noise_source
    return Seen(event, max(titrated_s, at_s - LATEST_S), at_s, second.sources, citation, sentence, grave=large)


THEN_S: Final = 3600.0
"""Saturation and arterial pressure right after the titration are those of its first hour [s]. Our choice."""


NOISE: Final = Noise(0.0, 2.0, f"2 points of one reading of saturation; {ASSUMED}")


def saturation_loss(readings: Sequence[Reading], *, titrated_s: float, at_s: float) -> Seen | str:
    """Compare the latest saturation with the first hour after the titration.

    Args:
        readings: of one patient, in any order.
        titrated_s: when PEEP was set [s since 1970-01-01T00:00:00Z].
        at_s: time of the question [s since 1970-01-01T00:00:00Z].

    Returns:
        The fall; why it could not be looked for, as a sentence; or an empty string where there was none.
    """
    found = [one for one in readings if one.quantity is Quantity.SPO2 and titrated_s <= one.at_s <= at_s]
    now = max(
        (one for one in found if one.at_s >= at_s - LATEST_S), key=lambda one: (one.at_s, one.source), default=None
    )
    then = [one for one in found if one.at_s <= titrated_s + THEN_S and one is not now]
    if now is None or not then:
        when = "in the last half hour" if now is None else "in the first hour after it"
        return f"A fall of SpO2 could not be looked for: none was sent {when}."
    first = median(one.value for one in then)
    band = noise_of_difference(NOISE, before=first, after=now.value, readings_before=len(then))
    if first - now.value <= band:
        return ""
    before, after = (in_force_at(readings, FIO2, one.at_s).reading for one in (then[-1], now))
    if before is not None and after is not None and before.value - after.value > FIO2.same:
        return (
            f"SpO2 fell from {first:g} to {now.value:g} %, and FiO2 was lowered from {fio2_words(before.value)} to "
            f"{fio2_words(after.value)} meanwhile: whether the lung lost anything cannot be told from it."
        )
    known = before is not None and after is not None
    oxygen = f"at an FiO2 of {fio2_words(after.value)}" if known and after is not None else "(FiO2 is not known)"
    sentence = (
        f"{after_titration(now.at_s, titrated_s)}: SpO2 fell from {round(first, 1):g} to {round(now.value, 1):g} % "
        f"{oxygen}; a difference of up to {band:.0f} points would be measurement noise (assumed). What it comes from "
        "is to be looked for at the bedside."
    )
    return Seen(Event.OXYGENATION_LOST, now.at_s, now.at_s, (now.source,), NOISE.source, sentence)


_BEYOND: Final = (
    (StopCriterion.SATURATION, Event.OXYGENATION_LOST),
    (StopCriterion.MEAN_ARTERIAL_PRESSURE, Event.PRESSURE_LOST),
    (StopCriterion.SYSTOLIC_PRESSURE, Event.PRESSURE_LOST),
    (StopCriterion.HEART_RATE_LOW, Event.HEART_RATE_LOW),
    (StopCriterion.HEART_RATE_HIGH, Event.HEART_RATE_HIGH),
)


def beyond_now(readings: Sequence[Reading], limits: StopLimits, *, titrated_s: float, at_s: float) -> tuple[Seen, ...]:
    """Vital signs of which the latest reading lies beyond a stop limit: they ask for somebody now.

    Args:
        readings: of one patient, in any order.
        limits: of a trial; they hold at its new settings, too.
        titrated_s: when PEEP was set [s since 1970-01-01T00:00:00Z].
        at_s: time of the question [s since 1970-01-01T00:00:00Z].
    """
    found = []
    for criterion, event in _BEYOND:
        row = CRITERIA[criterion]
        limit = row.limit_of(limits)
        since_s = max(titrated_s, at_s - NOW_S)
        of_it = [one for one in readings if one.quantity is row.quantity and since_s <= one.at_s <= at_s]
        if limit is None or not of_it:
            continue
        now = max(of_it, key=lambda one: (one.at_s, one.source))
        if row.sign * (limit.value - now.value) <= 0:
            continue
        words = row.reading_words[0].upper() + row.reading_words[1:]
        minutes = round((at_s - now.at_s) / 60)
        old = "less than a minute old" if minutes < 1 else f"{minutes} min old"
        sentence = (
            f"{words} is {round(now.value, 1):g} {row.unit} ({old}), limit {row.shown_limit(limit.value)} "
            f"({limit.source}): look at the patient first."
        )
        found.append(Seen(event, now.at_s, now.at_s, (now.source,), limit.source, sentence, grave=True))
    return tuple(found)


BEFORE_S: Final = 3600.0
"""Arterial pressure before the trial is that of its last hour [s]. This project's choice."""

_NOISE: Final = {
    Quantity.MEAN_ARTERIAL_PRESSURE: ASSUMED_NOISE[Measure.MEAN_ARTERIAL_PRESSURE],
    Quantity.SYSTOLIC_ARTERIAL_PRESSURE: Noise(0.0, 6.0, f"6 mmHg between two charted values; {ASSUMED}"),
}
_WORDS: Final = {
    Quantity.MEAN_ARTERIAL_PRESSURE: "Mean arterial pressure",
    Quantity.SYSTOLIC_ARTERIAL_PRESSURE: "Systolic arterial pressure",
}


@dataclass(frozen=True, slots=True)
class PressureLimit:
    """Below which an arterial pressure asks for somebody now, and who says so."""

    below_mmhg: float
    source: str


NO_PRESSURE_LIMITS: Final[Mapping[Quantity, PressureLimit]] = MappingProxyType({})


@dataclass(frozen=True, slots=True)
class PressureLosses:
    """What was seen of arterial pressure, and what could not be looked for, in plain sentences."""

    seen: tuple[Seen, ...]
    not_checked: tuple[str, ...]


def pressure_losses(
    readings: Sequence[Reading],
    *,
    began_s: float | None,
    titrated_s: float,
    at_s: float,
    limits: Mapping[Quantity, PressureLimit],
) -> PressureLosses:
    """Compare arterial pressure now with that before the trial, and with that right after it.

    Args:
        readings: of one patient, in any order.
        began_s: when PEEP was first moved for the trial; None where not known [s since 1970-01-01T00:00:00Z].
        titrated_s: when PEEP was set after it [s since 1970-01-01T00:00:00Z].
        at_s: time of the question [s since 1970-01-01T00:00:00Z].
        limits: below which it asks for somebody now.
    """
    found = []
    any_now = False
    for quantity, noise in _NOISE.items():
        of_it = [one for one in readings if one.quantity is quantity]
        now = [one for one in of_it if max(titrated_s, at_s - LATEST_S) <= one.at_s <= at_s]
        if not now:
            continue
        any_now = True
        before = [] if began_s is None else [one for one in of_it if began_s - BEFORE_S <= one.at_s < began_s]
        then = [one for one in of_it if titrated_s <= one.at_s <= titrated_s + THEN_S and one not in now]
        told = [
            f"from {_middle(group):.0f} mmHg {when}"
            for group, when in ((before, "before the trial"), (then, "right after the titration"))
            if group and _fell(group, now, noise)
        ]
        limit = limits.get(quantity)
        low = limit is not None and _middle(now) < limit.below_mmhg
        if told or low:
            found.append(_seen(quantity, now, titrated_s, noise, told, limit if low else None))
    gap = () if any_now else ("No arterial pressure was sent in the last half hour, so a fall would not show.",)
    return PressureLosses(tuple(found), gap)


def _middle(group: Sequence[Reading]) -> float:
    return median(one.value for one in group)


def _fell(earlier: Sequence[Reading], now: Sequence[Reading], noise: Noise) -> bool:
    before, after = _middle(earlier), _middle(now)
    band = noise_of_difference(noise, before=before, after=after, readings_before=len(earlier), readings_after=len(now))
    return before - after > band


def _seen(
    quantity: Quantity,
    now: Sequence[Reading],
    titrated_s: float,
    noise: Noise,
    told: Sequence[str],
    limit: PressureLimit | None,
) -> Seen:
    first_s, last_s = min(one.at_s for one in now), max(one.at_s for one in now)
    fell = f"fell {' and '.join(told)} to {_middle(now):.0f} mmHg" if told else f"is {_middle(now):.0f} mmHg"
    low = f", below the limit of {limit.below_mmhg:g} mmHg ({limit.source})" if limit is not None else ""
    sentence = (
        f"{_WORDS[quantity]} {fell}{low}, {after_titration(last_s, titrated_s)}. A higher PEEP may by itself lower "
        "blood pressure: look at the patient before any number here is used."
    )
    sources = tuple(sorted({one.source for one in now}))
    return Seen(Event.PRESSURE_LOST, first_s, last_s, sources, noise.source, sentence, grave=limit is not None)
