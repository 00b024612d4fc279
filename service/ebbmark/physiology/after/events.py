"""Events since a titration in one form, the times that they share, and episodes of an open circuit or low PEEP.

Episodes are runs of readings that show it. Thresholds are this project's own choice.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from enum import Enum
from statistics import median
from typing import Any, Final

from ebbmark.physiology.findings import Value, message
from ebbmark.physiology.readings import Quantity, Reading
from ebbmark.physiology.trial.curve import VANISHED_VOLUME
from ebbmark.physiology.trial.limb import OPEN_CIRCUIT_PEEP_CMH2O

LATEST_S: Final = 1800.0  # the state now is taken over the last half hour of readings; this project's choice
NOW_S: Final = 3600.0  # a vital sign of this long ago still says how the patient is [s]; this project's choice
BEFORE_S: Final = 3600.0  # arterial pressure before the trial is that of its last hour [s]; this project's choice
LARGE_LOSS: Final = 0.30  # a loss of compliance of this share asks for somebody now [1]; this project's choice


class Event(Enum):
    """What was seen."""

    OPEN_CIRCUIT = "disconnection-or-suction"
    PEEP_BELOW = "peep-below-suggestion"
    COMPLIANCE_LOST = "compliance-lost"
    OXYGENATION_LOST = "oxygenation-lost"
    PRESSURE_LOST = "arterial-pressure-fell"
    HEART_RATE_LOW = "heart-rate-low"
    HEART_RATE_HIGH = "heart-rate-high"
    POSITION_CHANGED = "position-changed"
    MODE_CHANGED = "mode-changed"
    TRANSPORT = "transport"
    TRIGGERS = "patient-triggers"
    PNEUMOTHORAX = "standing-pneumothorax"
    CARBON_DIOXIDE_LOST = "end-tidal-lost"
    AIR_TRAPPED = "air-trapped"
    LOWERED_AGAIN = "peep-lowered-again"


@dataclass(frozen=True, slots=True)
class Occurrence:
    """One thing that happened."""

    event: Event
    kind: str  # which message of `words/after_trial.py` tells it; several may belong to one event
    from_s: float  # first and last reading that shows it
    until_s: float
    sources: tuple[int, ...]
    citation: str
    values: Mapping[str, Any] = field(default_factory=dict)
    grave: bool = False  # whether it asks for somebody now


@dataclass(frozen=True, slots=True)
class NotLookedFor:
    """One thing that could not be looked for."""

    kind: str
    values: Mapping[str, Any] = field(default_factory=dict)


_ONE_EPISODE_S: Final = 300.0
"""Readings of an open circuit no further apart than this are one episode. This project's choice."""

_LOWEST_SETTING_CMH2O: Final = 5.0  # a measured PEEP near zero says something only where PEEP was set
_SAME_PEEP_CMH2O: Final = 0.5  # a conversion between units moves a setting by less


@dataclass(frozen=True, slots=True)
class Episode:
    """A run of readings that show the same thing."""

    from_s: float
    until_s: float
    readings: int
    sources: tuple[int, ...]
    lowest: float  # lowest value seen [unit of the quantity]
    goes_on: bool  # whether the last reading of the record still shows it
    words: tuple[Value, ...] = ()


def open_circuit_episodes(readings: Sequence[Reading]) -> tuple[Episode, ...]:
    """Runs of readings in order of time in which measured PEEP was about zero although set, or the volume had vanished.

    Source: thresholds are this project's own choice, the same as during a trial.
    """
    shown = sorted((*_lost_peep(readings), *_lost_volume(readings)), key=lambda pair: pair[0].start_s)
    runs: list[list[tuple[Reading, str]]] = []
    for pair in shown:
        if runs and pair[0].start_s - runs[-1][-1][0].start_s <= _ONE_EPISODE_S:
            runs[-1].append(pair)
        else:
            runs.append([pair])
    found = []
    for run in runs:
        words = tuple(message(f"open-circuit.{which}") for which in dict.fromkeys(which for _, which in run))
        found.append(_episode([one for one, _ in run], run[-1][0].end_s, _is_last(run, readings), words))
    return tuple(found)


def peep_below_episodes(readings: Sequence[Reading], suggested_cmh2o: float) -> tuple[Episode, ...]:
    """Runs of readings in order of time with PEEP set below the suggestion; each lasts until a setting that is not.

    Source: this project's own choice; half a cmH2O below counts as the same.
    """
    found: list[Episode] = []
    run: list[Reading] = []
    for reading in (reading for reading in readings if reading.quantity is Quantity.PEEP_SET):
        if reading.value < suggested_cmh2o - _SAME_PEEP_CMH2O:
            run.append(reading)
        elif run:
            found.append(_episode(run, reading.start_s, False))
            run = []
    return (*found, _episode(run, run[-1].end_s, True)) if run else tuple(found)


def _episode(run: Sequence[Reading], until_s: float, goes_on: bool, words: tuple[Value, ...] = ()) -> Episode:
    sources = tuple(sorted({one.source for one in run}))
    return Episode(run[0].start_s, until_s, len(run), sources, min(one.value for one in run), goes_on, words)


def _lost_peep(readings: Sequence[Reading]) -> list[tuple[Reading, str]]:
    settings = [reading for reading in readings if reading.quantity is Quantity.PEEP_SET]
    times = [reading.start_s for reading in settings]
    measured = [reading for reading in readings if reading.quantity is Quantity.PEEP_MEASURED]
    if not measured:
        return []
    usual = median(reading.value for reading in measured)
    lost = []
    for reading in measured:
        index = bisect_right(times, reading.start_s) - 1
        expected = settings[index].value if index >= 0 else usual
        if reading.value <= OPEN_CIRCUIT_PEEP_CMH2O and expected >= _LOWEST_SETTING_CMH2O:
            lost.append((reading, "peep-lost"))
    return lost


def _lost_volume(readings: Sequence[Reading]) -> list[tuple[Reading, str]]:
    volumes = [reading for reading in readings if reading.quantity is Quantity.TIDAL_VOLUME_EXPIRED]
    if len(volumes) < 3:  # with fewer there is no usual volume to vanish from
        return []
    usual = median(reading.value for reading in volumes)
    return [(reading, "volume-lost") for reading in volumes if reading.value < VANISHED_VOLUME * usual]


def _is_last(run: Sequence[tuple[Reading, str]], readings: Sequence[Reading]) -> bool:
    kinds = {reading.quantity for reading, _ in run}
    last = max((reading.start_s for reading in readings if reading.quantity in kinds), default=float("-inf"))
    return run[-1][0].start_s >= last
