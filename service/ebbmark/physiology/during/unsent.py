"""Which vital sign has a stop limit and no reading that could meet it? Without one nobody is sent to a lower PEEP.

A limit that is never held against anything protects nobody: where one holds, by signature or by default, and nothing
usable of that vital sign was sent since the trial began, a lower step cannot be judged, and the measurement comes
first. A clinician who watches it at the bedside may say so by name. A vital sign without a limit is told and stops
nothing. One pressure judged by its own limit is enough to know the circulation by; where only defaults hold, the mean
stands for the systolic pressure. Source: this project's choice, after what a careful colleague would ask for.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from typing import Final

from ebbmark.physiology.during.doubts import Doubt, not_usable
from ebbmark.physiology.during.rhythm_codes import Rhythm
from ebbmark.physiology.during.stop_answer import StopAnswer, Why
from ebbmark.physiology.during.stop_criteria import CRITERIA, WORDS, StopCriterion, shown_limit
from ebbmark.physiology.during.stop_limits import Limit, StopLimits
from ebbmark.physiology.readings import Quantity, Reading

__all__ = [
    "RHYTHM_NOT_SENT",
    "UNSENT_SLUGS",
    "Unsent",
    "listed",
    "measure_first",
    "uncheckable_vitals",
    "unjudged_vitals",
    "unsent_vitals",
]


@dataclass(frozen=True, slots=True)
class _Vital:
    """One vital sign: by what it is acknowledged, its words, and the criteria that judge it."""

    slug: str
    words: str
    criteria: tuple[tuple[StopCriterion, Quantity], ...]


_MAP: Final = Quantity.MEAN_ARTERIAL_PRESSURE
_VITALS: Final = (
    _Vital("spo2-not-sent", "SpO2", ((StopCriterion.SATURATION, Quantity.SPO2),)),
    _Vital(
        "arterial-pressure-not-sent",
        "arterial pressure",
        (
            (StopCriterion.MEAN_ARTERIAL_PRESSURE, _MAP),
            (StopCriterion.MEAN_ARTERIAL_PRESSURE_FALL, _MAP),
            (StopCriterion.SYSTOLIC_PRESSURE, Quantity.SYSTOLIC_ARTERIAL_PRESSURE),
        ),
    ),
    _Vital(
        "heart-rate-not-sent",
        "heart rate",
        ((StopCriterion.HEART_RATE_LOW, Quantity.HEART_RATE), (StopCriterion.HEART_RATE_HIGH, Quantity.HEART_RATE)),
    ),
)
RHYTHM_NOT_SENT: Final = "heart-rhythm-not-sent"
UNSENT_SLUGS: Final = frozenset({*[one.slug for one in _VITALS], RHYTHM_NOT_SENT})
"""Words by which a clinician acknowledges that a vital sign is not sent."""


@dataclass(frozen=True, slots=True)
class Unsent:
    """One vital sign that has a stop limit and nothing to hold against it.

    Attributes:
        slug: the word by which it is acknowledged.
        words: for people.
        limits: the stop limits in force, as a phrase.
        sent: what was sent of it and cannot be used, as sentences; empty where nothing was.
    """

    slug: str
    words: str
    limits: str
    sent: str


def unsent_vitals(
    readings: Sequence[Reading],
    doubts: Sequence[Doubt],
    rhythms: Sequence[Rhythm],
    limits: StopLimits,
    *,
    since_s: float,
    at_s: float,
) -> tuple[Unsent, ...]:
    """Vital signs with a stop limit of which no usable reading was sent since the trial began.

    A reading that is merely old is not among them: the criterion says its age, and one more reading is asked for.

    Args:
        readings: what can be used, in any order.
        doubts: what was sent and cannot be used.
        rhythms: as they were charted.
        limits: in force.
        since_s: start of the trial [s since 1970-01-01T00:00:00Z].
        at_s: the instant that counts as now [s since 1970-01-01T00:00:00Z].

    Source: this project's choice, see the module.
    """
    sent = {one.quantity for one in readings if one.at_s >= since_s}
    recent_s = at_s - 60.0 * limits.oldest_reading_min.value
    recent = {one.quantity for one in readings if one.at_s >= max(since_s, recent_s)}
    found = []
    for vital in _VITALS:
        limited = [(one, quantity) for one, quantity in vital.criteria if limits.asks_for(_limit(one, limits))]
        # Before anybody of the site has signed, the pressure that is at hand is better than none.
        enough = sent & {quantity for _, quantity in limited} or (
            not limits.signed and recent & {quantity for _, quantity in vital.criteria}
        )
        if limited and not enough:
            shown = "; ".join(_shown(one, limits) for one, _ in limited)
            told = [
                not_usable(doubts, one, since_s=since_s, at_s=at_s)
                for one in dict.fromkeys(quantity for _, quantity in vital.criteria)
            ]
            found.append(Unsent(vital.slug, vital.words, shown, " ".join(text for text in told if text)))
    if limits.rhythms_that_stop is not None and not any(one.at_s >= since_s for one in rhythms):
        found.append(Unsent(RHYTHM_NOT_SENT, "heart rhythm", "a new heart rhythm of those signed", ""))
    return tuple(found)


def measure_first(missing: Sequence[Unsent]) -> str:
    """Say what is to be measured before PEEP is lowered; empty where nothing is missing.

    Args:
        missing: vital signs that have a limit and no reading.
    """
    if not missing:
        return ""
    named = listed([one.words for one in missing])
    be, it = ("is", "it") if len(missing) == 1 else ("are", "each of them")
    limits = "; ".join(one.limits for one in missing)
    sent = "".join(f" {one.sent}" for one in missing if one.sent)
    return (
        f"Before PEEP is lowered, {named} {be} to be measured and sent. A stop limit holds for {it} ({limits}), but no "
        f"usable reading has come since the trial began, so whether a lower PEEP would be borne cannot be judged from "
        f"here; look at the patient first.{sent}"
    )


def unjudged_vitals(stops: StopAnswer) -> str:
    """Name the vital signs that nothing here judges because no limit is signed; empty where all have one.

    Args:
        stops: what was checked.
    """
    of_vitals = {criterion for vital in _VITALS for criterion, _ in vital.criteria}
    of_vitals.add(StopCriterion.RHYTHM)
    unsigned = [one.criterion for one in stops.not_checked if one.why is Why.NO_LIMIT and one.criterion in of_vitals]
    if not unsigned:
        return ""
    named = listed([WORDS[one] for one in unsigned])
    return f"Not checked here, since no limit is signed, and so for whoever is at the bedside: {named}."


def uncheckable_vitals(stops: StopAnswer, limits: StopLimits, acknowledged: Collection[str]) -> str:
    """Name signed limits that nothing sent can be held against, such as a fall from before; empty where none is.

    Args:
        stops: what was checked.
        limits: in force.
        acknowledged: vital signs that a clinician watches, by their words; those are said there.
    """
    of_vitals = {one for vital in _VITALS if vital.slug not in acknowledged for one, _ in vital.criteria}
    found = [one for one in stops.not_checked if one.why is Why.NOT_SENT and one.criterion in of_vitals]
    if not found or not limits.signed:
        return ""
    sentences = " ".join(one.sentence for one in found)
    return (
        f"Not checked here although a limit is signed, and so for whoever is at the bedside: "
        f"{listed([WORDS[one.criterion] for one in found])}. {sentences}"
    )


def _shown(criterion: StopCriterion, limits: StopLimits) -> str:
    limit = _limit(criterion, limits)
    return "" if limit is None else f"{WORDS[criterion]} {shown_limit(criterion, limit.value)}"


def _limit(criterion: StopCriterion, limits: StopLimits) -> Limit | None:
    found: Limit | None = getattr(limits, CRITERIA[criterion][0])
    return found


def listed(words: Sequence[str]) -> str:
    """Words as a sentence lists them.

    Args:
        words: at least one.
    """
    *most, last = words
    return f"{', '.join(most)} and {last}" if most else last
