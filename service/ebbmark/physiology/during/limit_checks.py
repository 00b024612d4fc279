"""Checks of vital signs before PEEP is lowered: beyond a limit, possibly so, never sent, or too old to say."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

from ebbmark.physiology.during.scene import Concern, Scene
from ebbmark.physiology.readings import Quantity, latest_doubt
from ebbmark.physiology.stop.criteria import CRITERIA, StopCriterion, Why
from ebbmark.physiology.stop.limits import StopLimits
from ebbmark.physiology.stop.rhythm import (
    NOT_READABLE,
    RhythmChange,
    not_readable,
    rhythm_changes,
    signed_and_long_known,
)

__all__ = [
    "RHYTHM_NOT_SENT",
    "VITAL_SIGNS",
    "Bound",
    "all_rhythm_changes",
    "beyond",
    "beyond_if_slow",
    "bounds_of",
    "circulation_alarms",
    "criteria_old",
    "doubtful_pressure",
    "may_be_beyond",
    "no_limit",
    "not_seen",
    "rhythm_changed",
    "rhythm_not_readable",
    "signed_and_uncheckable",
    "vitals_not_sent",
]

AFTER_S: Final = 3600.0
"""A reading of this long ago says nothing about now, however alarming it is [s]."""

SLOW_S: Final = 60.0
"""A newest reading of up to this age shows no slow clock [s]."""


RHYTHM_NOT_SENT: Final = "heart-rhythm-not-sent"
VITAL_SIGNS: Final = {
    "spo2": "spo2-not-sent",
    "arterial-pressure": "arterial-pressure-not-sent",
    "heart-rate": "heart-rate-not-sent",
}
"""Each vital sign of the criteria, with the word by which it is acknowledged that it is not sent."""

CIRCULATION: Final = frozenset(
    {Quantity.MEAN_ARTERIAL_PRESSURE, Quantity.SYSTOLIC_ARTERIAL_PRESSURE, Quantity.HEART_RATE}
)
_SHOWN_AS_SEEN: Final = (Quantity.SPO2, Quantity.MEAN_ARTERIAL_PRESSURE, Quantity.HEART_RATE)


@dataclass(frozen=True, slots=True)
class Bound:
    """A limit in force, or a value at which anybody would look.

    Attributes:
        quantity: of which.
        sign: 1 where it lies below, -1 above.
        limit: the value.
        signed: whether it is the stop limit in force.
        source: who says so, where it is not; empty for this project.
    """

    quantity: Quantity
    sign: int
    limit: float
    signed: bool
    source: str

    def passed_by(self, value: float) -> float:
        """How far beyond it a value lies."""
        return self.sign * (self.limit - value)


def bounds_of(limits: StopLimits) -> Iterator[Bound]:
    """Limits in force, and where none is signed, values at which anybody would look.

    Args:
        limits: in force.
    """
    for row in CRITERIA.values():
        if not row.sign:
            continue
        limit = row.limit_of(limits)
        if limit is not None:
            yield Bound(row.quantity, row.sign, limit.value, True, "")
        if row.look is not None and (limit is None or (not limits.signed and row.sign * (row.look - limit.value) > 0)):
            yield Bound(row.quantity, row.sign, row.look, False, row.look_source)


def beyond(scene: Scene) -> Iterator[Concern]:
    """Latest readings beyond a limit although they meet no criterion: none was signed, or it was too early."""
    named: set[tuple[Quantity, int]] = set()
    for bound in bounds_of(scene.limits):
        latest = scene.latest(bound.quantity, scene.at_s - AFTER_S)
        if latest is not None and bound.passed_by(latest.value) > 0 and (bound.quantity, bound.sign) not in named:
            named.add((bound.quantity, bound.sign))
            yield Concern("beyond", {"bound": bound, "reading": latest})


def circulation_alarms(scene: Scene) -> bool:
    """Whether blood pressure or heart rate met a criterion, or lies where anybody would look.

    Args:
        scene: what is known.
    """
    vitals = {row.criterion for row in CRITERIA.values() if row.quantity in CIRCULATION}
    looked_at = (one.values["reading"].quantity for one in beyond(scene))
    return any(one.criterion in vitals for one in scene.stops.pressing) or any(one in CIRCULATION for one in looked_at)


def beyond_if_slow(scene: Scene) -> Iterator[Concern]:
    """Readings beyond a limit from just before the trial, which a slow monitor's clock may have stamped too early.

    Monitor and ventilator keep clocks of their own. Where the newest reading of a vital sign lies some minutes back,
    its clock may be slow by as much. Newer good readings do not settle that: a stop criterion that was met stays met.
    A newest reading of this very minute does, since a clock that is right now was right then.
    """
    named: set[tuple[Quantity, int]] = set()
    for bound in bounds_of(scene.limits):
        of_it = sorted((one for one in scene.readings if one.quantity is bound.quantity), key=lambda one: one.at_s)
        lag_s = min(scene.at_s - of_it[-1].at_s, AFTER_S) if of_it else 0.0
        # The latest itself is looked at whenever it was.
        before = [one for one in of_it[:-1] if scene.since_s - lag_s <= one.at_s < scene.since_s]
        low = [one for one in before if bound.passed_by(one.value) > 0]
        if lag_s > SLOW_S and low and (bound.quantity, bound.sign) not in named:
            named.add((bound.quantity, bound.sign))
            worst = max(low, key=lambda one: (bound.passed_by(one.value), one.at_s))
            yield Concern("beyond-if-slow", {"bound": bound, "reading": worst, "newest": of_it[-1]})


def doubtful_pressure(scene: Scene) -> Iterator[Concern]:
    """A recent arterial pressure near zero between two good ones: the line is looked at, the trial not stopped."""
    for one in scene.stops.told:
        if one.doubtful and scene.at_s - one.last_s <= 60.0 * scene.limits.oldest_reading_min.value:
            yield Concern("doubtful-pressure", {"reading": one.worst.reading})
            return


def may_be_beyond(scene: Scene) -> Iterator[Concern]:
    """Readings that cannot be used, may lie beyond a limit, and were not followed by a usable one."""
    bounds = tuple(bounds_of(scene.limits))
    # Of several that are alike the latest is enough.
    alike = {(doubt.quantity, doubt.value, doubt.side, doubt.why): doubt for doubt in scene.doubts}
    for doubt in alike.values():
        latest = scene.latest(doubt.quantity)
        settled = latest is not None and doubt.at_s is not None and latest.at_s > doubt.at_s
        if settled or (doubt.at_s is not None and doubt.at_s < scene.since_s) or doubt.value is None:
            continue
        reached: set[int] = set()
        for bound in bounds:
            open_side = "below" if bound.sign > 0 else "above"
            reaches = doubt.side == open_side or bound.passed_by(doubt.value) > 0
            if bound.quantity is doubt.quantity and reaches and bound.sign not in reached:
                reached.add(bound.sign)
                yield Concern("may-be-beyond", {"doubt": doubt, "bound": bound})


def all_rhythm_changes(scene: Scene) -> list[RhythmChange]:
    """Every change of rhythm since the trial began, those signed and known only from long before included."""
    known = signed_and_long_known(scene.rhythms.read, scene.limits, since_s=scene.since_s)
    return [*rhythm_changes(scene.rhythms.read, since_s=scene.since_s), *known]


def rhythm_changed(scene: Scene) -> Iterator[Concern]:
    """A rhythm that is new, or signed and known only from long before; one on the signed list is a criterion."""
    stopping = scene.limits.rhythms_that_stop
    for one in all_rhythm_changes(scene):
        if one.known_s or stopping is None or not one.new.among(stopping.codes):
            yield Concern("rhythm-changed", {"change": one}, one.slug)


def rhythm_not_readable(scene: Scene) -> Iterator[Concern]:
    """A rhythm that was charted since the trial began and cannot be read."""
    unread = not_readable(scene.rhythms, since_s=scene.since_s)
    if unread is not None:
        yield Concern("rhythm-not-readable", {"unread": unread}, NOT_READABLE)


def vitals_not_sent(scene: Scene) -> Iterator[Concern]:
    """Vital signs with a stop limit of which no usable reading was sent since the trial began.

    A limit that is never held against anything protects nobody. One pressure judged by its own limit is enough to know
    the circulation by; where only defaults hold, the mean stands for the systolic pressure. A reading that is merely
    old is not among them: its criterion says its age, and one more reading is asked for.
    """
    limits = scene.limits
    sent = {one.quantity for one in scene.readings if one.at_s >= scene.since_s}
    recent_s = max(scene.since_s, scene.at_s - 60.0 * limits.oldest_reading_min.value)
    recent = {one.quantity for one in scene.readings if one.at_s >= recent_s}
    for vital, name in VITAL_SIGNS.items():
        rows = [row for row in CRITERIA.values() if row.vital == vital]
        limited = [row for row in rows if limits.asks_for(row.limit_of(limits))]
        # Before anybody of the site has signed, the pressure that is at hand is better than none.
        enough = sent & {row.quantity for row in limited} or (not limits.signed and recent & {r.quantity for r in rows})
        if limited and not enough:
            quantities = dict.fromkeys(row.quantity for row in rows)
            doubts = [latest_doubt(scene.doubts, one, since_s=scene.since_s) for one in quantities]
            values = {"words": vital, "rows": limited, "doubts": [one for one in doubts if one is not None]}
            yield Concern("vital-not-sent", values, name)
    if limits.rhythms_that_stop is not None and not any(one.at_s >= scene.since_s for one in scene.rhythms.read):
        yield Concern("vital-not-sent", {"words": "heart rhythm", "rows": [], "doubts": []}, RHYTHM_NOT_SENT)


def criteria_old(scene: Scene) -> Iterator[Concern]:
    """Vital signs whose latest reading is too old to show that a criterion is not met."""
    wanted = {row.criterion for row in CRITERIA.values() if row.vital}
    if RHYTHM_NOT_SENT not in scene.acknowledged:
        wanted.add(StopCriterion.RHYTHM)
    for one in scene.stops.not_checked:
        if one.why is Why.OLD and one.criterion in wanted:
            yield Concern("criterion-old", {"criterion": one})


def not_seen(scene: Scene) -> Iterator[Concern]:
    """Vital signs that were not sent during the trial, for whoever stands at the bedside."""
    seen = {one.quantity for one in scene.readings if one.at_s >= scene.since_s}
    missing = [one for one in _SHOWN_AS_SEEN if one not in seen]
    doubts = [latest_doubt(scene.doubts, one, since_s=scene.since_s) for one in _SHOWN_AS_SEEN]
    if missing or any(doubts):
        yield Concern("not-seen", {"quantities": missing, "doubts": [one for one in doubts if one is not None]})


def signed_and_uncheckable(scene: Scene) -> Iterator[Concern]:
    """Signed limits that nothing sent can be held against, such as a fall from before."""
    rows = [row for row in CRITERIA.values() if row.vital and VITAL_SIGNS[row.vital] not in scene.acknowledged]
    of_vitals = {row.criterion for row in rows}
    found = [one for one in scene.stops.not_checked if one.why is Why.NOT_SENT and one.criterion in of_vitals]
    if found and scene.limits.signed:
        yield Concern("signed-and-uncheckable", {"criteria": found})


def no_limit(scene: Scene) -> Iterator[Concern]:
    """Vital signs that nothing here judges because no limit is signed."""
    of_vitals = {*[row.criterion for row in CRITERIA.values() if row.vital], StopCriterion.RHYTHM}
    found = [one.criterion for one in scene.stops.not_checked if one.why is Why.NO_LIMIT and one.criterion in of_vitals]
    if found:
        yield Concern("no-limit", {"criteria": found})
