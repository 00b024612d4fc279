"""Stop limits and rhythms that stop as data: those that a clinician of the site signs, and the defaults until then.

Which criteria there are, their defaults with sources, and what may be signed at all stand in `data/stop_criteria.toml`.
Rhythms are codes only; words are never interpreted, and no list of them stands here: a site signs its own, with the
codes that its monitors or its staff chart.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, fields
from math import isfinite
from typing import Any, Final

from ebbmark.data import table
from ebbmark.physiology.findings import SOURCES, Message, Value, joined, message


@dataclass(frozen=True, slots=True, order=True)
class RhythmCode:
    """One code of a rhythm.

    Attributes:
        display: in words; may be empty.
    """

    system: str
    code: str
    display: str = ""

    @property
    def key(self) -> tuple[str, str]:
        """What the code is told by."""
        return self.system, self.code


@dataclass(frozen=True, slots=True)
class Rhythm:
    """One rhythm as it was charted.

    Attributes:
        codes: all codes that it was given, at least one.
    """

    at_s: float
    codes: tuple[RhythmCode, ...]
    source: int

    @property
    def words(self) -> Value:
        """For people; a bare code is said to be one."""
        named = " / ".join(dict.fromkeys(one.display for one in self.codes if one.display))
        return named or message("rhythm.coded", system=self.codes[0].system, code=self.codes[0].code)

    def same_as(self, other: Rhythm) -> bool:
        """Whether they share a code, and no code system tells them apart.

        Two that share none may mean the same, and nobody here knows that. Of two that share a wide code (abnormal, or
        the rhythm beneath an arrhythmia) the others of that system say whether they are one.
        """
        both = {one.system for one in self.codes} & {one.system for one in other.codes}
        mine, theirs = ({key for key in one.keys if key[0] in both} for one in (self, other))
        return bool(mine) and mine == theirs

    def among(self, codes: Collection[RhythmCode]) -> bool:
        """Whether one of its codes is among these."""
        return bool(self.keys & {one.key for one in codes})

    @property
    def keys(self) -> frozenset[tuple[str, str]]:
        """Its codes."""
        return frozenset(one.key for one in self.codes)


NEW_RHYTHM_NOT_LISTED: Final = "new-and-not-listed"
"""Why a rhythm that somebody entered as any other new one cannot be held against the list: nobody wrote which it is."""


@dataclass(frozen=True, slots=True)
class UnreadRhythm:
    """A rhythm that was charted and cannot be used.

    Attributes:
        at_s: when; None where that is not known.
    """

    at_s: float | None
    why: str

    @property
    def is_new(self) -> bool:
        """Whether whoever entered it said that it is a new one."""
        return self.why == NEW_RHYTHM_NOT_LISTED


@dataclass(frozen=True, slots=True)
class Rhythms:
    """Everything that was charted of the heart's rhythm; also for the identity of an answer.

    Attributes:
        read: in order of time.
        unread: what was charted and cannot be used.
    """

    read: tuple[Rhythm, ...] = ()
    unread: tuple[UnreadRhythm, ...] = ()


NO_RHYTHM: Final = Rhythms()
"""Nothing was charted."""


@dataclass(frozen=True, slots=True)
class RhythmsThatStop:
    """The rhythms at which a site stops where they are new.

    Attributes:
        codes: at least one, each with its words.
        source: who decided, or a citation.
    """

    codes: tuple[RhythmCode, ...]
    source: str

    def named(self, rhythm: Rhythm) -> Value:
        """A rhythm in the words that were signed for its code, and in the chart's own where they are others."""
        signed = next((one.display for one in self.codes if one.key in rhythm.keys and one.display), "")
        charted = rhythm.words
        if not signed or (isinstance(charted, str) and signed.casefold() == charted.casefold()):
            return charted
        return message("rhythm.charted-as", signed=signed, charted=charted)


CRITERIA_TABLE: Final = table("stop_criteria")
OWN_CHOICE: Final = SOURCES["own-unpublished"]


@dataclass(frozen=True, slots=True)
class Limit:
    """One limit and where it comes from.

    Attributes:
        value: in the unit that the name of its field carries.
        source: citation, "common practice, no published source", or who decided.
    """

    value: float
    source: str


def _default(row: dict[str, Any]) -> Limit | None:
    return Limit(row["default"], SOURCES[row["source"]]) if "default" in row else None


_OLDEST: Final = CRITERIA_TABLE["oldest_reading_min"]
OLDEST_READING: Final = Limit(_OLDEST["default"], SOURCES[_OLDEST["source"]])
"""Age from which a reading no longer shows that a criterion is not met [min]: a step of a trial lasts two to five
minutes, and what was read before it says nothing about it."""


@dataclass(frozen=True, slots=True)
class StopLimits:
    """One signed set of limits; None means: not checked, because nobody has given a number.

    Attributes:
        version: of this set; changes whenever a value changes.
        signed_by: name of the clinician of the site who signed the set; empty where nobody has.
        signed_on: date of the signature, as year-month-day; empty where nobody has signed.
        mean_arterial_pressure_fall_mmhg: a fall of more than this from before the trial.
        volume_lost_share: expired volume below its own middle before by more than this share [1].
        leak_share: expired volume below the inspired one by more than this share [1].
        oldest_reading_min: a reading older than this does not show that a criterion is not met; the default holds where
            a site does not sign its own.
        rhythms_that_stop: heart rhythms at which the trial stops where they are new.
    """

    version: str
    signed_by: str
    signed_on: str
    spo2_below_percent: Limit | None
    mean_arterial_pressure_below_mmhg: Limit | None
    mean_arterial_pressure_fall_mmhg: Limit | None
    heart_rate_below_per_min: Limit | None
    heart_rate_above_per_min: Limit | None
    peak_pressure_above_cmh2o: Limit | None
    volume_lost_share: Limit | None
    leak_share: Limit | None
    oldest_reading_min: Limit = OLDEST_READING
    systolic_arterial_pressure_below_mmhg: Limit | None = None
    rhythms_that_stop: RhythmsThatStop | None = None

    @property
    def signed(self) -> bool:
        """Whether a clinician of the site has signed them."""
        return bool(self.signed_by and self.signed_on)

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
    if any(not one.system.strip() or not one.code.strip() or not one.display.strip() for one in stopping.codes):
        faults.append(message("stop-limits.rhythm-incomplete"))
    if any(_is_no_code(one.system) or ":" not in one.system or _is_no_code(one.code) for one in stopping.codes):
        faults.append(message("stop-limits.rhythm-not-a-code"))
    if not stopping.source.strip():
        faults.append(message("stop-limits.without-source", name="rhythms_that_stop"))
    return faults


def _is_no_code(text: str) -> bool:
    """Whether spaces around it keep it from ever being met: FHIR allows none."""
    return text != text.strip()
