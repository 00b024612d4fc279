"""Stop limits, and the heart's rhythm during a trial: what a clinician of the site signs, and the defaults until then.

Which criteria there are, their defaults with sources, and what may be signed at all stand in `data/stop_criteria.toml`.
Rhythms are codes only; words are never interpreted, and no list of them stands here: a site signs its own, with the
codes that its monitors or its staff chart.

Only a change of rhythm counts: a rhythm that was there before is none that the trial brought. A new rhythm that the
site signed as one that stops is a stop criterion. Any other new rhythm is told first and to be judged at the patient,
and so is one that was charted in a way that cannot be read. Source: arrhythmia ends the trials of common practice, with
no published list that was read; that any change asks for a look is this project's choice.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, fields
from math import isfinite
from typing import Any, Final

from ebbmark.data import table
from ebbmark.physiology.findings import SOURCES, Message, Value, joined, message


@dataclass(frozen=True, slots=True, order=True)
class RhythmCode:
    """One code of a rhythm."""

    system: str
    code: str
    display: str = ""

    @property
    def key(self) -> tuple[str, str]:
        """What the code is told by."""
        return self.system, self.code


@dataclass(frozen=True, slots=True)
class Rhythm:
    """One rhythm as it was charted."""

    at_s: float
    codes: tuple[RhythmCode, ...]
    source: int

    @property
    def words(self) -> Value:
        """For people; a bare code is said to be one."""
        named = " / ".join(dict.fromkeys(code.display for code in self.codes if code.display))
        return named or message("rhythm.coded", system=self.codes[0].system, code=self.codes[0].code)

    def same_as(self, other: Rhythm) -> bool:
        """Whether they share a code, and no code system tells them apart.

        Two that share none may mean the same, and nobody here knows that. Of two that share a wide code (abnormal, or
        the rhythm beneath an arrhythmia) the others of that system say whether they are one.
        """
        both = {code.system for code in self.codes} & {code.system for code in other.codes}
        mine, theirs = ({key for key in one.keys if key[0] in both} for one in (self, other))
        return bool(mine) and mine == theirs

    def among(self, codes: Collection[RhythmCode]) -> bool:
        """Whether one of its codes is among these."""
        return bool(self.keys & {code.key for code in codes})

    @property
    def keys(self) -> frozenset[tuple[str, str]]:
        """Its codes."""
        return frozenset(code.key for code in self.codes)


NEW_RHYTHM_NOT_LISTED: Final = "new-and-not-listed"
"""Why a rhythm that somebody entered as any other new one cannot be held against the list: nobody wrote which it is."""


@dataclass(frozen=True, slots=True)
class UnreadRhythm:
    """A rhythm that was charted and cannot be used."""

    at_s: float | None
    why: str

    @property
    def is_new(self) -> bool:
        """Whether whoever entered it said that it is a new one."""
        return self.why == NEW_RHYTHM_NOT_LISTED


@dataclass(frozen=True, slots=True)
class Rhythms:
    """Everything that was charted of the heart's rhythm; also for the identity of an answer."""

    read: tuple[Rhythm, ...] = ()  # in order of time
    unread: tuple[UnreadRhythm, ...] = ()


NO_RHYTHM: Final = Rhythms()  # nothing was charted


@dataclass(frozen=True, slots=True)
class RhythmsThatStop:
    """The rhythms at which a site stops where they are new."""

    codes: tuple[RhythmCode, ...]
    source: str

    def named(self, rhythm: Rhythm) -> Value:
        """A rhythm in the words that were signed for its code, and in the chart's own where they are others."""
        signed = next((code.display for code in self.codes if code.key in rhythm.keys and code.display), "")
        charted = rhythm.words
        if not signed or (isinstance(charted, str) and signed.casefold() == charted.casefold()):
            return charted
        return message("rhythm.charted-as", signed=signed, charted=charted)


CRITERIA_TABLE: Final = table("stop_criteria")
OWN_CHOICE: Final = SOURCES["own-unpublished"]


@dataclass(frozen=True, slots=True)
class Limit:
    """One limit and where it comes from."""

    value: float  # in the unit that the name of its field carries
    source: str  # citation, "common practice, no published source", or who decided


def _default(row: dict[str, Any]) -> Limit | None:
    return Limit(row["default"], SOURCES[row["source"]]) if "default" in row else None


_OLDEST: Final = CRITERIA_TABLE["oldest_reading_min"]
OLDEST_READING: Final = Limit(_OLDEST["default"], SOURCES[_OLDEST["source"]])
"""Age from which a reading no longer shows that a criterion is not met [min]: a step of a trial lasts two to five
minutes, and what was read before it says nothing about it."""


@dataclass(frozen=True, slots=True)
class StopLimits:
    """One signed set of limits; None means: not checked, because nobody has given a number."""

    version: str  # of this set; changes whenever a value changes
    signed_by: str  # the clinician of the site who signed the set; empty where nobody has
    signed_on: str  # date of the signature, as year-month-day; empty where nobody has signed
    spo2_below_percent: Limit | None
    mean_arterial_pressure_below_mmhg: Limit | None
    mean_arterial_pressure_fall_mmhg: Limit | None  # a fall of more than this from before the trial
    heart_rate_below_per_min: Limit | None
    heart_rate_above_per_min: Limit | None
    peak_pressure_above_cmh2o: Limit | None
    volume_lost_share: Limit | None  # expired volume below its own middle before by more [1]
    leak_share: Limit | None  # expired volume below the inspired one by more [1]
    oldest_reading_min: Limit = OLDEST_READING  # an older reading does not show that a criterion is not met
    systolic_arterial_pressure_below_mmhg: Limit | None = None
    rhythms_that_stop: RhythmsThatStop | None = None

    @property
    def signed(self) -> bool:
        """Whether a clinician of the site has signed them."""
        return bool(self.signed_by and self.signed_on)

    @property
    def source(self) -> Value:
        """Of signed limits; empty for the defaults, whose sources stand beside each."""
        return message("stop-limits.source-signed", version=self.version) if self.signed else ""

    def asks_for(self, limit: Limit | None) -> bool:
        """Whether a vital sign of this limit must be sent before anybody is sent on.

        A signed limit and one with a source ask for it; a default that is this project's own is held against what is
        sent and asks for nothing.
        """
        return limit is not None and (self.signed or limit.source != OWN_CHOICE)

    @property
    def signature(self) -> Value:
        """Who answers for these limits."""
        if self.signed:
            said = message(
                "stop-limits.signed", version=self.version, signed_by=self.signed_by, signed_on=self.signed_on
            )
            absent = [_NOT_SIGNED[name] for name in _NOT_SIGNED if getattr(self, name) is None]
            not_signed = [message("stop-limits.not-signed", listed=joined("commas", absent))] if absent else []
            return joined("sentences", [said, *not_signed])
        return message("stop-limits.defaults", version=self.version)


_NOT_SIGNED: Final = {row["limit"]: row.get("absent", row["words"]) for row in CRITERIA_TABLE["criterion"]}

_DEFAULTS: Final[dict[str, Any]] = {row["limit"]: _default(row) for row in CRITERIA_TABLE["criterion"]}
DEFAULT_STOP_LIMITS: Final = StopLimits(version=CRITERIA_TABLE["version"], signed_by="", signed_on="", **_DEFAULTS)

_ACCEPTED: Final[dict[str, Any]] = {
    **{row["limit"]: tuple(row["accepted"]) for row in CRITERIA_TABLE["criterion"] if "accepted" in row},
    "oldest_reading_min": tuple(_OLDEST["accepted"]),
}


def faults_of_limits(limits: StopLimits) -> tuple[Message, ...]:
    """What a set of limits must not contain; empty where it may be used.

    Source: the accepted ranges are this project's own choice.
    """
    faults = []
    if not limits.version.strip():
        faults.append(message("stop-limits.without-version"))
    if bool(limits.signed_by.strip()) != bool(limits.signed_on.strip()):
        faults.append(message("stop-limits.half-signed"))
    for field in fields(limits):
        limit = getattr(limits, field.name)
        if not isinstance(limit, Limit):
            continue
        lowest, highest = _ACCEPTED[field.name]
        if not (isfinite(limit.value) and lowest <= limit.value <= highest):
            faults.append(
                message("stop-limits.out-of-range", name=field.name, value=limit.value, lowest=lowest, highest=highest)
            )
        if not limit.source.strip():
            faults.append(message("stop-limits.without-source", name=field.name))
    faults += _faults_of_rhythms(limits.rhythms_that_stop)
    low, high = limits.heart_rate_below_per_min, limits.heart_rate_above_per_min
    if low is not None and high is not None and low.value >= high.value:
        faults.append(message("stop-limits.heart-rates-crossed"))
    mean, systolic = limits.mean_arterial_pressure_below_mmhg, limits.systolic_arterial_pressure_below_mmhg
    if mean is not None and systolic is not None and mean.value >= systolic.value:
        faults.append(message("stop-limits.pressures-crossed"))
    return tuple(faults)


def _faults_of_rhythms(stopping: RhythmsThatStop | None) -> list[Message]:
    if stopping is None:
        return []
    faults = []
    if not stopping.codes:
        faults.append(message("stop-limits.rhythms-without-code"))
    if any(not code.system.strip() or not code.code.strip() or not code.display.strip() for code in stopping.codes):
        faults.append(message("stop-limits.rhythm-incomplete"))
    if any(_is_no_code(code.system) or ":" not in code.system or _is_no_code(code.code) for code in stopping.codes):
        faults.append(message("stop-limits.rhythm-not-a-code"))
    if not stopping.source.strip():
        faults.append(message("stop-limits.without-source", name="rhythms_that_stop"))
    return faults


def _is_no_code(text: str) -> bool:
    """Whether spaces around it keep it from ever being met: FHIR allows none."""
    return text != text.strip()


CHANGED: Final = "rhythm-changed-to-"  # what the word begins with by which a change is acknowledged; its code follows

NOT_READABLE: Final = "rhythm-not-readable"
"""The word by which it is acknowledged that a charted rhythm could not be read here."""

LONG_AGO_S: Final = 3600.0
"""A rhythm charted longer before the trial than this does not show that the same one is not new [s]. Our choice."""


@dataclass(frozen=True, slots=True)
class RhythmChange:
    """One rhythm of the trial that was not there before it."""

    before: Rhythm | None
    new: Rhythm  # when it was first charted
    last: Rhythm
    known_s: float = 0.0  # how long before the trial it was charted last, where signed and too long ago [s]; else 0

    @property
    def slug(self) -> str:
        """The word by which it is acknowledged: all of its codes, so that it covers no other that shares one."""
        return CHANGED + "+".join(dict.fromkeys(code for _, code in sorted(self.new.keys)))


@dataclass(frozen=True, slots=True)
class RhythmState:
    """The rhythms of a trial against the signed list."""

    stopping: RhythmsThatStop | None
    new: tuple[Rhythm, ...]  # rhythms of the trial on that list that were not there before it, in order of time
    before: Rhythm | None  # what the first of them differs from; None where none was charted before
    last: Rhythm | None
    charted: int
    current: bool

    @property
    def still(self) -> bool:
        """Whether the latest rhythm is on the list."""
        return self.stopping is not None and self.last is not None and self.last.among(self.stopping.codes)


def rhythm_state(rhythms: Sequence[Rhythm], limits: StopLimits, *, since_s: float, at_s: float) -> RhythmState:
    """Hold the rhythms of the trial against the signed list."""
    stopping = limits.rhythms_that_stop
    during = [rhythm for rhythm in rhythms if rhythm.at_s >= since_s]
    usual = _just_before(rhythms, since_s)
    listed = [one for one in during if stopping is not None and one.among(stopping.codes)]
    new = tuple(one for one in listed if not usual or _differing(one, usual) is not None)
    return RhythmState(
        stopping=stopping,
        new=new,
        before=_differing(new[0], usual) if new else None,
        last=during[-1] if during else None,
        charted=len(during),
        current=rhythm_is_current(during, limits, since_s=since_s, at_s=at_s),
    )


def rhythm_changes(rhythms: Sequence[Rhythm], *, since_s: float) -> tuple[RhythmChange, ...]:
    """Rhythms since the start of the trial that differ from the one before it, each once, in order of time.

    Where none was charted before, the first one of the trial is what the others are held against.
    """
    during = [rhythm for rhythm in rhythms if rhythm.at_s >= since_s]
    if not during:
        return ()
    usual = _just_before(rhythms, since_s) or during[:1]
    found: list[RhythmChange] = []
    for one in during:
        other = _differing(one, usual)
        if other is not None and not any(one.same_as(seen.new) for seen in found):
            found.append(RhythmChange(other, one, during[-1]))
    return tuple(found)


def signed_and_long_known(rhythms: Sequence[Rhythm], limits: StopLimits, *, since_s: float) -> tuple[RhythmChange, ...]:
    """Rhythms of the trial that are signed to stop at and are not new only by a chart of long before; our choice."""
    stopping, usual = limits.rhythms_that_stop, _just_before(rhythms, since_s)
    if stopping is None or not usual or since_s - usual[-1].at_s <= LONG_AGO_S:
        return ()
    during = [rhythm for rhythm in rhythms if rhythm.at_s >= since_s]
    same = [one for one in during if one.among(stopping.codes) and _differing(one, usual) is None]
    return tuple(RhythmChange(usual[-1], one, during[-1], since_s - usual[-1].at_s) for one in same[:1])


def _just_before(rhythms: Sequence[Rhythm], since_s: float) -> list[Rhythm]:
    """The latest rhythm before the trial; several where the chart gave more than one for that moment."""
    before = [rhythm for rhythm in rhythms if rhythm.at_s < since_s]
    return [one for one in before if one.at_s == before[-1].at_s]


def _differing(one: Rhythm, usual: Sequence[Rhythm]) -> Rhythm | None:
    """What it differs from: where the chart contradicted itself, a rhythm is new unless it agrees with all of it."""
    return next((other for other in usual if not one.same_as(other)), None)


def not_readable(rhythms: Rhythms, *, since_s: float) -> UnreadRhythm | None:
    """The rhythm that was charted since the trial began and cannot be read, where none was charted after it."""
    latest_s = max((one.at_s for one in rhythms.read), default=float("-inf"))
    open_ones = [one for one in rhythms.unread if one.at_s is None or one.at_s >= max(since_s, latest_s)]
    return open_ones[-1] if open_ones else None


def rhythm_is_current(rhythms: Sequence[Rhythm], limits: StopLimits, *, since_s: float, at_s: float) -> bool:
    """Whether a rhythm of the trial is recent enough to show that a criterion is not met."""
    oldest_s = at_s - 60.0 * limits.oldest_reading_min.value
    return any(rhythm.at_s >= max(since_s, oldest_s) for rhythm in rhythms)
