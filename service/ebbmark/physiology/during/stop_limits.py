"""At which readings should a trial stop? Limits as data that a clinician of the site signs.

A default holds until a site signs its own. Its source is a textbook that was read, or it is this project's own choice
and says so: the stop tables of the published trials were not found, so mean arterial pressure and heart rate have the
bounds at which any bedside would stop, whatever its protocol. A fall of mean arterial pressure has no default.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from math import isfinite
from typing import Final

from ebbmark.physiology.during.rhythm_codes import RhythmsThatStop

__all__ = ["DEFAULT_STOP_LIMITS", "OLDEST_READING", "Limit", "StopLimits", "faults_of_limits"]

TEXTBOOK: Final = "Pilbeam's Mechanical Ventilation, chapter 13 (read at second hand)"
COMMON_PRACTICE: Final = "common practice, no published source"
OWN_CHOICE: Final = "this project's own choice, no published source"


@dataclass(frozen=True, slots=True)
class Limit:
    """One limit and where it comes from.

    Attributes:
        value: in the unit that the name of its field carries.
        source: citation, "common practice, no published source", or who decided.
    """

    value: float
    source: str


OLDEST_READING: Final = Limit(5.0, OWN_CHOICE)
"""Age from which a reading no longer shows that a criterion is not met [min]: a step of a trial lasts two to five
minutes, and what was read before it says nothing about it."""


@dataclass(frozen=True, slots=True)
class StopLimits:
    """One signed set of limits; None means: not checked, because nobody has given a number.

    Attributes:
        version: of this set; changes whenever a value changes.
        signed_by: name of the clinician of the site who signed the set; empty where nobody has.
        signed_on: date of the signature, as year-month-day; empty where nobody has signed.
        spo2_below_percent: saturation below this.
        mean_arterial_pressure_below_mmhg: mean arterial pressure below this.
        mean_arterial_pressure_fall_mmhg: a fall of more than this from before the trial.
        heart_rate_below_per_min: heart rate below this.
        heart_rate_above_per_min: heart rate above this.
        peak_pressure_above_cmh2o: peak pressure above this.
        volume_lost_share: expired volume below its own middle before by more than this share [1].
        leak_share: expired volume below the inspired one by more than this share [1].
        oldest_reading_min: a reading older than this does not show that a criterion is not met; the default holds where
            a site does not sign its own.
        systolic_arterial_pressure_below_mmhg: systolic arterial pressure below this.
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

        Args:
            limit: of this set.
        """
        return limit is not None and (self.signed or limit.source != OWN_CHOICE)

    @property
    def signature(self) -> str:
        """Who answers for these limits, in one sentence."""
        if self.signed:
            said = f"Stop limits version {self.version}, signed by {self.signed_by} on {self.signed_on}."
            absent = [words for name, words in _WORDS.items() if getattr(self, name) is None]
            return f"{said} Not signed, and so not checked: {', '.join(absent)}." if absent else said
        return (
            f"Stop limits version {self.version}: defaults that no clinician of this site has signed. "
            "Local limits take precedence."
        )


_WORDS: Final = {
    "spo2_below_percent": "SpO2",
    "mean_arterial_pressure_below_mmhg": "mean arterial pressure",
    "mean_arterial_pressure_fall_mmhg": "a fall of mean arterial pressure",
    "systolic_arterial_pressure_below_mmhg": "systolic arterial pressure",
    "heart_rate_below_per_min": "low heart rate",
    "heart_rate_above_per_min": "high heart rate",
    "peak_pressure_above_cmh2o": "peak pressure",
    "volume_lost_share": "loss of expired volume",
    "leak_share": "an air leak",
    "rhythms_that_stop": "a new heart rhythm",
}

DEFAULT_STOP_LIMITS: Final = StopLimits(
    version="default-4",
    signed_by="",
    signed_on="",
    spo2_below_percent=Limit(85.0, TEXTBOOK),
    mean_arterial_pressure_below_mmhg=Limit(60.0, OWN_CHOICE),
    mean_arterial_pressure_fall_mmhg=None,  # 20 is remembered of trial protocols, not read
    heart_rate_below_per_min=Limit(40.0, OWN_CHOICE),
    heart_rate_above_per_min=Limit(150.0, OWN_CHOICE),
    peak_pressure_above_cmh2o=Limit(50.0, COMMON_PRACTICE),
    volume_lost_share=Limit(0.5, OWN_CHOICE),  # between charting noise (a few per cent) and an open circuit (75 %)
    leak_share=Limit(0.2, OWN_CHOICE),  # far beyond the 2 to 3 % by which two measured volumes differ
    systolic_arterial_pressure_below_mmhg=Limit(90.0, TEXTBOOK),
)

_PLAUSIBLE: Final = {
    "spo2_below_percent": (50.0, 100.0),
    "mean_arterial_pressure_below_mmhg": (30.0, 120.0),
    "mean_arterial_pressure_fall_mmhg": (1.0, 80.0),
    "systolic_arterial_pressure_below_mmhg": (50.0, 160.0),
    "heart_rate_below_per_min": (20.0, 120.0),
    "heart_rate_above_per_min": (60.0, 220.0),
    "peak_pressure_above_cmh2o": (20.0, 60.0),
    "volume_lost_share": (0.05, 0.95),
    "leak_share": (0.05, 0.95),
    "oldest_reading_min": (1.0, 60.0),
}
"""What a site may sign at all; outside, a slip is likelier (a percentage for a share, kPa for mmHg). Our choice."""


def faults_of_limits(limits: StopLimits) -> tuple[str, ...]:
    """What a set of limits must not contain, one plain sentence each; empty where it may be used.

    Args:
        limits: the set.

    Source: the plausible ranges are this project's own choice.
    """
    faults = []
    if not limits.version.strip():
        faults.append("The set of limits has no version.")
    if bool(limits.signed_by.strip()) != bool(limits.signed_on.strip()):
        faults.append("A signature needs both a name and a date.")
    for field in fields(limits):
        limit = getattr(limits, field.name)
        if not isinstance(limit, Limit):
            continue
        lowest, highest = _PLAUSIBLE[field.name]
        if not (isfinite(limit.value) and lowest <= limit.value <= highest):
            faults.append(f"{field.name} is {limit.value:g}; accepted is {lowest:g} to {highest:g}.")
        if not limit.source.strip():
            faults.append(f"{field.name} names no source.")
    stopping = limits.rhythms_that_stop
    if stopping is not None:
        if not stopping.codes:
            faults.append("rhythms_that_stop lists no code; leave it out where no rhythm is signed.")
        if any(not one.system.strip() or not one.code.strip() or not one.display.strip() for one in stopping.codes):
            faults.append("rhythms_that_stop: each rhythm needs its system, code and display.")
        if any(_is_no_code(one.system) or ":" not in one.system or _is_no_code(one.code) for one in stopping.codes):
            faults.append(
                "rhythms_that_stop: a system is an address such as https://site.example/rhythms, and neither it nor a "
                "code has spaces around it; any other would never be met."
            )
        if not stopping.source.strip():
            faults.append("rhythms_that_stop names no source.")
    low, high = limits.heart_rate_below_per_min, limits.heart_rate_above_per_min
    if low is not None and high is not None and low.value >= high.value:
        faults.append("The lower limit of heart rate is not below the upper one.")
    mean, systolic = limits.mean_arterial_pressure_below_mmhg, limits.systolic_arterial_pressure_below_mmhg
    if mean is not None and systolic is not None and mean.value >= systolic.value:
        faults.append("The limit of mean arterial pressure is not below that of systolic arterial pressure.")
    return tuple(faults)


def _is_no_code(text: str) -> bool:
    """Whether spaces around it keep it from ever being met: FHIR allows none."""
    return text != text.strip()
