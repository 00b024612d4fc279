"""The stop criteria as one table, and the check of every reading of a trial against them.

One reading beyond a limit is enough to be named: a false stop costs a trial, a missed one may cost more. Whether it is
an artefact is for the person at the bedside; one long past, or an arterial pressure near zero between two good ones, is
told and stops nothing. A criterion counts as not met only where its latest reading is recent
enough to say so. Rhythm is no number and stands in `rhythm`; anything seen or heard is not among the readings. The
table is `data/stop_criteria.toml`; the sentences stand in `words/stopping.py`.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from enum import Enum
from itertools import pairwise
from statistics import median
from typing import Any, Final

from ebbmark.physiology.readings import Quantity, Reading, UnusableReading, latest_doubt
from ebbmark.physiology.stop.limits import CRITERIA_TABLE, Limit, Rhythm, RhythmState, StopLimits, rhythm_state

_RECENT: Final = 10  # volumes that make up the usual one
_FEWEST: Final = 2
_PAIR_S: Final = 30.0
"""An inspired and an expired volume this close in time belong to one breath or one row. This project's choice."""


class StopCriterion(Enum):
    """What ends a trial."""

    SATURATION = "spo2-low"
    MEAN_ARTERIAL_PRESSURE = "mean-arterial-pressure-low"
    MEAN_ARTERIAL_PRESSURE_FALL = "mean-arterial-pressure-fell"
    SYSTOLIC_PRESSURE = "systolic-arterial-pressure-low"
    HEART_RATE_LOW = "heart-rate-low"
    HEART_RATE_HIGH = "heart-rate-high"
    PEAK_PRESSURE = "peak-pressure-high"
    VOLUME_LOST = "volume-lost"
    AIR_LEAK = "air-leak-pattern"
    RHYTHM = "heart-rhythm-new"

    __hash__ = object.__hash__


@dataclass(frozen=True, slots=True)
class JudgedReading:
    """One reading against a limit."""

    reading: Reading
    value: float  # what is held against the limit [unit of the limit]
    beyond: float  # how far beyond the limit it lies; above zero: met
    against: float | None = None  # what it was compared with, where judged by a difference [unit of the reading]


_Judge = Callable[[Sequence[Reading], Sequence[Reading], float], list[JudgedReading]]


@dataclass(frozen=True, slots=True)
class Criterion:
    """One row of the table."""

    criterion: StopCriterion
    limit_name: str  # field of `StopLimits`
    words: str
    reading_words: str
    quantity: Quantity
    unit: str
    sign: int  # 1 where it is met below the limit, -1 above, 0 where it is judged by a difference
    limit_words: str  # the limit in words, a template with `value` and `percent`
    vital: str  # vital sign that it belongs to; empty for a quantity of the ventilator
    look: float | None  # value at which anybody would look where no limit is signed; None where there is none
    look_source: str  # who says so: empty for this project
    judge: _Judge  # every reading of the trial against the limit, in order of time

    def limit_of(self, limits: StopLimits) -> Limit | None:
        """Its limit among these; None where none is signed."""
        found: Limit | None = getattr(limits, self.limit_name)
        return found

    def passed_by(self, value: float, limit: float) -> float:
        """How far a value lies beyond a limit; above zero: met."""
        return self.sign * (limit - value)

    def shown_limit(self, value: float) -> str:
        """A limit in words, with its unit."""
        return self.limit_words.format(value=value, percent=100 * value)


@dataclass(frozen=True, slots=True)
class Bound:
    """A stop limit in force, or a value at which anybody would look."""

    row: Criterion
    limit: float
    in_force: bool

    @property
    def side(self) -> tuple[Quantity, int]:
        """What it bounds, and on which side."""
        return self.row.quantity, self.row.sign

    def passed_by(self, value: float) -> float:
        """How far beyond it a value lies."""
        return self.row.passed_by(value, self.limit)


def bounds_of(limits: StopLimits) -> Iterator[Bound]:
    """Limits in force, and where none is signed, values at which anybody would look."""
    for row in CRITERIA.values():
        limit = row.limit_of(limits)
        if row.sign and limit is not None:
            yield Bound(row, limit.value, True)
        if row.look is not None and (limit is None or (not limits.signed and row.passed_by(limit.value, row.look) > 0)):
            yield Bound(row, row.look, False)


PAST_S: Final = 1800.0
"""What met a limit longer ago than this, and lies within it since, is told and no longer asks for a stop [s]. This
project's choice."""

NO_PRESSURE_MMHG: Final = 20.0
"""A single arterial pressure below this, between two within the limit, is a line that was flushed, drawn from or
disconnected rather than a patient [mmHg]. This project's choice."""

BESIDE_S: Final = 600.0  # how near those two have to be [s]; this project's choice

_ARTERIAL: Final = frozenset({Quantity.MEAN_ARTERIAL_PRESSURE, Quantity.SYSTOLIC_ARTERIAL_PRESSURE})


class NotCheckedReason(Enum):
    """Why a criterion could not be checked."""

    NO_LIMIT = "no-limit"
    NOT_SENT = "not-sent"
    OLD = "old"


@dataclass(frozen=True, slots=True)
class CriterionMet:
    """One criterion that was met."""

    criterion: StopCriterion
    limit: Limit | None  # the number and its source; None for a rhythm, of which a list is signed
    beyond: tuple[JudgedReading, ...]  # readings beyond the limit, in order of time; empty for a rhythm
    latest: JudgedReading | None
    judged: int
    rhythm: RhythmState | None = None
    followed: bool = False  # whether readings within the limit lie close before and after the last one beyond it

    @property
    def worst(self) -> JudgedReading:
        """The reading furthest beyond the limit."""
        return max(self.beyond, key=lambda one: one.beyond)

    @property
    def value(self) -> float | None:
        """Of the reading furthest beyond the limit [unit of its quantity; a share for volumes]; None for a rhythm."""
        return self.worst.value if self.beyond else None

    @property
    def readings(self) -> int:
        """How many readings met it."""
        return len(self.beyond) if self.rhythm is None else len(self.rhythm.new)

    @property
    def source(self) -> int:
        """Index of the input of that reading."""
        return self.worst.reading.source if self.rhythm is None else self.rhythm.new[0].source

    @property
    def first_s(self) -> float:
        """First time that it was met [s since 1970-01-01T00:00:00Z]."""
        return self.beyond[0].reading.at_s if self.rhythm is None else self.rhythm.new[0].at_s

    @property
    def last_s(self) -> float:
        """Last time that it was met [s since 1970-01-01T00:00:00Z]."""
        return self.beyond[-1].reading.at_s if self.rhythm is None else self.rhythm.new[-1].at_s

    @property
    def still(self) -> bool:
        """Whether the latest reading of that quantity meets it too."""
        if self.rhythm is not None:
            return self.rhythm.still
        return self.latest is not None and self.latest.beyond > 0

    def pressing(self, at_s: float) -> bool:
        """Whether it asks for the trial to stop now; not where it is long past, or one value that no patient has."""
        return self.still or not (at_s - self.last_s > PAST_S or self.doubtful)

    @property
    def doubtful(self) -> bool:
        """Whether it rests on one arterial pressure near zero between two within the limit: a transducer, a flush."""
        if self.limit is None or len(self.beyond) != 1 or not self.followed:
            return False
        worst = self.worst.reading
        return worst.quantity in _ARTERIAL and worst.value < NO_PRESSURE_MMHG


@dataclass(frozen=True, slots=True)
class CriterionNotMet:
    """One criterion that was checked and not met."""

    criterion: StopCriterion
    source: int  # index of the input of the latest reading that was judged
    age_s: float
    latest: JudgedReading | None
    rhythm: RhythmState | None = None


@dataclass(frozen=True, slots=True)
class NotChecked:
    """One criterion that could not be checked."""

    criterion: StopCriterion
    why: NotCheckedReason
    latest: JudgedReading | Reading | None = None
    doubt: UnusableReading | None = None
    stand_in: bool = False  # whether a plateau pressure was sent that does not stand for a peak pressure
    rhythm: RhythmState | None = None


@dataclass(frozen=True, slots=True)
class StopAnswer:
    """What the readings say about stopping."""

    met: tuple[CriterionMet, ...]
    not_met: tuple[CriterionNotMet, ...]
    not_checked: tuple[NotChecked, ...]
    limits: StopLimits
    at_s: float
    rhythm_charted: bool

    @property
    def pressing(self) -> tuple[CriterionMet, ...]:
        """Those of the criteria met that ask for the trial to stop now."""
        return tuple(one for one in self.met if one.pressing(self.at_s))

    @property
    def not_pressing(self) -> tuple[CriterionMet, ...]:
        """Those that are long past or doubtful, so that they are told only."""
        return tuple(one for one in self.met if not one.pressing(self.at_s))


def check_stop(
    readings: Sequence[Reading],
    limits: StopLimits,
    *,
    since_s: float,
    at_s: float,
    doubts: Sequence[UnusableReading] = (),
    rhythms: Sequence[Rhythm] = (),
) -> StopAnswer:
    """Check every reading since the start of the trial against the limits; earlier ones are the level before it.

    Args:
        rhythms: in order of time.

    Source: each limit's own, see `limits`.
    """
    ordered = sorted(readings, key=lambda reading: (reading.start_s, reading.source))
    during = [reading for reading in ordered if reading.at_s >= since_s]
    before = [reading for reading in ordered if reading.at_s < since_s]
    oldest_s = 60.0 * limits.oldest_reading_min.value
    found: list[CriterionMet | CriterionNotMet | NotChecked] = []
    for criterion, row in CRITERIA.items():
        limit = row.limit_of(limits)
        if limit is None:
            of_it = [one for one in during if one.quantity is row.quantity and row.sign]
            found.append(NotChecked(criterion, NotCheckedReason.NO_LIMIT, of_it[-1] if of_it else None))
            continue
        judged = row.judge(during, before, limit.value)
        beyond = tuple(one for one in judged if one.beyond > 0)
        last_s = judged[-1].reading.at_s if judged else since_s
        doubt = latest_doubt(doubts, row.quantity, since_s=last_s) if criterion is not StopCriterion.AIR_LEAK else None
        if not judged:
            stand_in = any(one.quantity is Quantity.PLATEAU_PRESSURE for one in during)
            found.append(NotChecked(criterion, NotCheckedReason.NOT_SENT, None, doubt, stand_in))
        elif beyond:
            followed = _followed(judged, beyond[-1])
            found.append(CriterionMet(criterion, limit, beyond, judged[-1], len(judged), followed=followed))
        elif at_s - last_s > oldest_s:
            found.append(NotChecked(criterion, NotCheckedReason.OLD, judged[-1]))
        elif doubt is not None and doubt.at_s != last_s:
            # An earlier value does not speak for the one that came after it and cannot be used.
            found.append(NotChecked(criterion, NotCheckedReason.NOT_SENT, judged[-1], doubt))
        else:
            found.append(CriterionNotMet(criterion, judged[-1].reading.source, at_s - last_s, judged[-1]))
    found.append(_of_rhythm(rhythm_state(rhythms, limits, since_s=since_s, at_s=at_s), at_s))
    return StopAnswer(
        tuple(one for one in found if isinstance(one, CriterionMet)),
        tuple(one for one in found if isinstance(one, CriterionNotMet)),
        tuple(one for one in found if isinstance(one, NotChecked)),
        limits,
        at_s,
        any(rhythm.at_s >= since_s for rhythm in rhythms),
    )


def _followed(judged: Sequence[JudgedReading], beyond: JudgedReading) -> bool:
    """Whether readings within the limit lie close before and close after this one."""
    within_s = [one.reading.at_s - beyond.reading.at_s for one in judged if one.beyond <= 0]
    return any(-BESIDE_S <= apart < 0 for apart in within_s) and any(0 < apart <= BESIDE_S for apart in within_s)


def _of_rhythm(state: RhythmState, at_s: float) -> CriterionMet | CriterionNotMet | NotChecked:
    criterion = StopCriterion.RHYTHM
    if state.stopping is None:
        return NotChecked(criterion, NotCheckedReason.NO_LIMIT, rhythm=state)
    if state.last is None:
        return NotChecked(criterion, NotCheckedReason.NOT_SENT, rhythm=state)
    if state.new:
        return CriterionMet(criterion, None, (), None, 0, state)
    if not state.current:
        return NotChecked(criterion, NotCheckedReason.OLD, rhythm=state)
    return CriterionNotMet(criterion, state.last.source, at_s - state.last.at_s, None, state)


def _each(quantity: Quantity, sign: int) -> _Judge:
    """Every reading of one quantity by itself."""

    def judge(during: Sequence[Reading], _before: Sequence[Reading], limit: float) -> list[JudgedReading]:
        return [JudgedReading(one, one.value, sign * (limit - one.value)) for one in during if one.quantity is quantity]

    return judge


def _peak(during: Sequence[Reading], _before: Sequence[Reading], limit: float) -> list[JudgedReading]:
    """Peak pressure; a plateau pressure beyond the limit meets it too, since the peak is no lower.

    In volume control the plateau lies well below the peak, so that a plateau within the limit shows nothing.
    """
    return [
        JudgedReading(one, one.value, one.value - limit)
        for one in during
        if one.quantity is Quantity.PEAK_PRESSURE or (one.quantity is Quantity.PLATEAU_PRESSURE and one.value > limit)
    ]


def _fell(during: Sequence[Reading], before: Sequence[Reading], limit: float) -> list[JudgedReading]:
    quantity = Quantity.MEAN_ARTERIAL_PRESSURE
    earlier = [reading.value for reading in before if reading.quantity is quantity]
    if not earlier:
        return []
    start = median(earlier)
    return [
        JudgedReading(one, start - one.value, start - one.value - limit, start)
        for one in during
        if one.quantity is quantity
    ]


def _lost(during: Sequence[Reading], before: Sequence[Reading], limit: float) -> list[JudgedReading]:
    """Each expired volume against the middle of the last ones at the same pressure and volume settings."""
    record = (*before, *during)
    changed_s = [
        one.at_s
        for setting in (Quantity.PRESSURE_ABOVE_PEEP_SET, Quantity.TIDAL_VOLUME_SET)
        for last, one in pairwise(r for r in record if r.quantity is setting)
        if one.value != last.value
    ]
    changed_s.sort()
    volumes = [r for r in record if r.quantity is Quantity.TIDAL_VOLUME_EXPIRED]
    judged = []
    for index, reading in enumerate(volumes):
        if not during or reading.at_s < during[0].at_s:
            continue
        past = bisect_right(changed_s, reading.at_s) - 1
        unchanged_since_s = changed_s[past] if past >= 0 else float("-inf")
        last = volumes[max(0, index - _RECENT) : index]
        earlier = [one.value for one in last if one.at_s >= unchanged_since_s]
        if len(earlier) >= _FEWEST and (usual := median(earlier)) > 0:
            share = 1.0 - reading.value / usual
            judged.append(JudgedReading(reading, share, round(share - limit, 9), usual))
    return judged


def _leak(during: Sequence[Reading], _before: Sequence[Reading], limit: float) -> list[JudgedReading]:
    inspired = sorted(
        (r for r in during if r.quantity is Quantity.TIDAL_VOLUME_INSPIRED and r.value > 0), key=lambda one: one.at_s
    )
    times = [one.at_s for one in inspired]
    of_source = {one.source: one for one in reversed(inspired)}
    judged = []
    for out in during:
        if out.quantity is not Quantity.TIDAL_VOLUME_EXPIRED:
            continue
        near = inspired[bisect_left(times, out.at_s - _PAIR_S) : bisect_right(times, out.at_s + _PAIR_S)]
        paired = of_source.get(out.source) or min(near, key=lambda one: abs(one.at_s - out.at_s), default=None)
        if paired is not None:
            share = 1.0 - out.value / paired.value
            judged.append(JudgedReading(out, share, round(share - limit, 9), paired.value))
    return judged


_JUDGES: Final[Mapping[StopCriterion, _Judge]] = {
    StopCriterion.PEAK_PRESSURE: _peak,
    StopCriterion.MEAN_ARTERIAL_PRESSURE_FALL: _fell,
    StopCriterion.VOLUME_LOST: _lost,
    StopCriterion.AIR_LEAK: _leak,
}
_QUANTITIES: Final = {one.slug: one for one in Quantity}
_SIGNS: Final = {"below": 1, "above": -1, "": 0}


def _criterion(row: dict[str, Any]) -> Criterion:
    criterion = StopCriterion(row["slug"])
    quantity, sign, look = _QUANTITIES[row["quantity"]], _SIGNS[row.get("side", "")], row.get("look", {})
    return Criterion(
        criterion=criterion,
        limit_name=row["limit"],
        words=row["words"],
        reading_words=row.get("reading", row["words"]),
        quantity=quantity,
        unit=row.get("unit", "mL"),
        sign=sign,
        limit_words=row["limit_words"],
        vital=row.get("vital", ""),
        look=look.get("value"),
        look_source=look.get("source", ""),
        judge=_JUDGES.get(criterion) or _each(quantity, sign),
    )


_OF_READINGS: Final = [row for row in CRITERIA_TABLE["criterion"] if row["slug"] != StopCriterion.RHYTHM.value]
CRITERIA: Final[Mapping[StopCriterion, Criterion]] = {one.criterion: one for one in map(_criterion, _OF_READINGS)}
"""Every criterion but that of rhythm, in the order in which they are shown."""
