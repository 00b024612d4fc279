"""Since the last titration: what has happened that makes its answer old?

Sources: common practice is to repeat after any disconnection (no published source). Pilbeam's Mechanical Ventilation,
chapter 13, asks for the same after PEEP was lost, after suctioning and after a marked change of PaO2 (read at second
hand). Whether to measure again is for whoever weighs its risk.

Episodes of an open circuit or of PEEP set too low are runs of readings that show it.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from statistics import median
from typing import Final

from ebbmark.physiology.advice.evidence import EvidenceLine, evidence_for
from ebbmark.physiology.after.losses import (
    NO_PRESSURE_LIMITS,
    PressureLimit,
    losses_since,
    pressure_losses,
    saturation_loss,
)
from ebbmark.physiology.after.measures import ASSUMED_NOISE, Measure, Noise
from ebbmark.physiology.after.patient_now import PatientNow
from ebbmark.physiology.after.seen import CodedChange, Event, Gap, Seen
from ebbmark.physiology.after.snapshot import Snapshot
from ebbmark.physiology.findings import COMMON_PRACTICE, SOURCES
from ebbmark.physiology.message import Value, message
from ebbmark.physiology.readings import Quantity, Reading
from ebbmark.physiology.trial.artefacts import OPEN_CIRCUIT_PEEP_CMH2O, VANISHED_VOLUME

__all__ = ["CodedChange", "Event", "Gap", "Seen", "Surveillance", "watch"]


_ONE_EPISODE_S: Final = 300.0
"""Readings of an open circuit no further apart than this are one episode. This project's choice."""

_LOWEST_SETTING_CMH2O: Final = 5.0  # a measured PEEP near zero says something only where PEEP was set
_SAME_PEEP_CMH2O: Final = 0.5  # a conversion between units moves a setting by less


@dataclass(frozen=True, slots=True)
class Episode:
    """A run of readings that show the same thing.

    Attributes:
        from_s, until_s: first and last of them [s since 1970-01-01T00:00:00Z].
        readings: how many.
        sources: indices of the inputs.
        lowest: lowest value seen [unit of the quantity].
        goes_on: whether the last reading of the record still shows it.
        words: what was seen, in the order of time.
    """

    from_s: float
    until_s: float
    readings: int
    sources: tuple[int, ...]
    lowest: float
    goes_on: bool
    words: tuple[Value, ...] = ()


def open_circuit_episodes(readings: Sequence[Reading]) -> tuple[Episode, ...]:
    """Runs in which measured PEEP was about zero although it was set, or the expired volume had vanished.

    Args:
        readings: of one patient, in order of time.

    Source: thresholds are this project's own choice, the same as during a trial.
    """
    shown = sorted((*_lost_peep(readings), *_lost_volume(readings)), key=lambda pair: pair[0].start_s)
    runs: list[list[tuple[Reading, str]]] = []
    for pair in shown:
        if runs and pair[0].start_s - runs[-1][-1][0].start_s <= _ONE_EPISODE_S:
            runs[-1].append(pair)
        else:
            runs.append([pair])
    return tuple(
        Episode(
            from_s=run[0][0].start_s,
            until_s=run[-1][0].end_s,
            readings=len(run),
            sources=tuple(sorted({reading.source for reading, _ in run})),
            lowest=min(reading.value for reading, _ in run),
            goes_on=_is_last(run, readings),
            words=tuple(message(f"open-circuit.{which}") for which in dict.fromkeys(which for _, which in run)),
        )
        for run in runs
    )


def peep_below_episodes(readings: Sequence[Reading], suggested_cmh2o: float) -> tuple[Episode, ...]:
    """Runs in which PEEP was set below the suggestion; each lasts until a setting that is not.

    Args:
        readings: of one patient, in order of time.
        suggested_cmh2o: of the last titration [cmH2O].

    Source: this project's own choice; half a cmH2O below counts as the same.
    """
    settings = [reading for reading in readings if reading.quantity is Quantity.PEEP_SET]
    runs: list[tuple[list[Reading], float, bool]] = []
    run: list[Reading] = []
    for reading in settings:
        if reading.value < suggested_cmh2o - _SAME_PEEP_CMH2O:
            run.append(reading)
        elif run:
            runs.append((run, reading.start_s, False))
            run = []
    if run:
        runs.append((run, run[-1].end_s, True))
    return tuple(
        Episode(
            from_s=group[0].start_s,
            until_s=until_s,
            readings=len(group),
            sources=tuple(sorted({reading.source for reading in group})),
            lowest=min(reading.value for reading in group),
            goes_on=goes_on,
        )
        for group, until_s, goes_on in runs
    )


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


SILENT_S: Final = 2 * 3600.0
"""A record without anything of the ventilator for this long is said to end there [s]. This project's choice."""

_OF_THE_VENTILATOR: Final = frozenset(
    {
        Quantity.PEEP_SET,
        Quantity.PEEP_MEASURED,
        Quantity.TIDAL_VOLUME_EXPIRED,
        Quantity.PLATEAU_PRESSURE,
        Quantity.PEAK_PRESSURE,
    }
)


@dataclass(frozen=True, slots=True)
class Surveillance:
    """Whether the last titration still describes this lung.

    Attributes:
        stale: True where something was seen that makes it old; False only says that nothing was seen.
        seen: a fall of arterial pressure first, then in order of time.
        not_checked: what could not be looked for.
        evidence: the published line on disconnection.
        titrated_s: when PEEP was set after it [s since 1970-01-01T00:00:00Z].
        at_s: time of the question [s since 1970-01-01T00:00:00Z].
        silent_s: how long before the question the record ends, so that where nothing was seen nothing can be said;
            None where it does not [s].
    """

    stale: bool
    seen: tuple[Seen, ...]
    not_checked: tuple[Gap, ...]
    evidence: EvidenceLine
    titrated_s: float
    at_s: float
    silent_s: float | None

    @property
    def silent(self) -> bool:
        """Whether the record ends before the question."""
        return self.silent_s is not None

    @property
    def patient_first(self) -> bool:
        """Whether it is the patient who asks for somebody now, rather than a setting or the circuit."""
        return bool(self.seen) and _fails(self.seen[0])


def watch(
    readings: Sequence[Reading],
    *,
    titrated_s: float,
    at_s: float,
    pbw_kg: float,
    suggested_peep_cmh2o: float | None,
    at_titration: Snapshot | None,
    now: PatientNow | None = None,
    began_s: float | None = None,
    pressure_limits: Mapping[Quantity, PressureLimit] = NO_PRESSURE_LIMITS,
    noise: Mapping[Measure, Noise] = ASSUMED_NOISE,
) -> Surveillance:
    """Look through the record since the last titration.

    Args:
        readings: of one patient, in any order; of those before `titrated_s` only settings still in force
            count.
        titrated_s: when PEEP was set after the last titration [s since 1970-01-01T00:00:00Z].
        at_s: time of the question [s since 1970-01-01T00:00:00Z].
        pbw_kg: predicted body weight [kg].
        suggested_peep_cmh2o: of the last titration; None where there was none [cmH2O].
        at_titration: compliance and oxygenation at the new setting; None where not known.
        now: the patient now, since PEEP was set; None where nobody looks.
        began_s: when PEEP was first moved for the trial; None where not known [s since 1970-01-01T00:00:00Z].
        pressure_limits: below which arterial pressure asks for somebody now.
        noise: of a single reading of each measure.

    Returns:
        What was seen, when, and what could not be looked for.

    Source: see the module; noise as each `Noise` says.
    """
    since = sorted((r for r in readings if titrated_s <= r.at_s <= at_s), key=lambda r: (r.start_s, r.source))
    opened = open_circuit_episodes(since)
    seen = [_open_circuit(episode) for episode in opened]
    # A breath into the open circuit says nothing of the lung.
    of_the_circuit = {source for episode in opened for source in episode.sources}
    readings = [one for one in readings if one.source not in of_the_circuit]
    not_checked: list[Gap] = []
    if suggested_peep_cmh2o is None:
        not_checked.append(Gap("no-suggestion"))
    elif not any(reading.quantity is Quantity.PEEP_SET for reading in since):
        not_checked.append(Gap("no-peep"))
    else:
        below = peep_below_episodes(since, suggested_peep_cmh2o)
        seen += [_peep_below(episode, suggested_peep_cmh2o) for episode in below]
    kinds = {reading.quantity for reading in since}
    if not kinds & {Quantity.PEEP_MEASURED, Quantity.TIDAL_VOLUME_EXPIRED}:
        not_checked.append(Gap("no-circuit"))
    losses, unjudged = losses_since(readings, at_titration, at_s, titrated_s, pbw_kg, noise)
    seen += losses
    not_checked += unjudged
    saturation = saturation_loss(readings, titrated_s=titrated_s, at_s=at_s)
    if isinstance(saturation, Seen):
        seen.append(saturation)
    elif saturation is not None:
        not_checked.append(saturation)
    pressure = pressure_losses(readings, began_s=began_s, titrated_s=titrated_s, at_s=at_s, limits=pressure_limits)
    seen += pressure.seen
    not_checked += pressure.not_checked
    if now is not None:
        # What was found here as grave is told once.
        told = {one.event for one in seen if one.grave}
        now = replace(now, lung=tuple(one for one in now.lung if one.event not in told))
        gas = any(one.event is Event.OXYGENATION_LOST for one in seen)
        seen += [one for one in now.beside if not (gas and one is now.oxygen)]
        fell = any(one.event is Event.PRESSURE_LOST and one.grave for one in seen)
        seen += [one for one in now.alarms if not (fell and one.event is Event.PRESSURE_LOST)]
        seen += now.changed
    # A patient who fails comes before what makes a number old, and the circulation first.
    seen.sort(
        key=lambda one: (
            not _fails(one),
            one.event is not Event.PNEUMOTHORAX,
            one.event is not Event.PRESSURE_LOST,
            one.from_s,
            one.event.value,
        )
    )
    evidence = evidence_for("after-disconnection")
    silent_s = _silent_s(since, titrated_s, at_s)
    return Surveillance(bool(seen), tuple(seen), tuple(not_checked), evidence, titrated_s, at_s, silent_s)


def _fails(one: Seen) -> bool:
    """Whether it is the patient who asks for somebody now, rather than a setting or the circuit."""
    return one.grave and one.event not in (Event.OPEN_CIRCUIT, Event.PEEP_BELOW)


def _silent_s(since: Sequence[Reading], titrated_s: float, at_s: float) -> float | None:
    """How long before the question the record ends; None where it does not."""
    last_s = max((one.at_s for one in since if one.quantity in _OF_THE_VENTILATOR), default=titrated_s)
    return None if at_s - last_s < SILENT_S else at_s - last_s


def _open_circuit(episode: Episode) -> Seen:
    return _episode(Event.OPEN_CIRCUIT, episode, f"{COMMON_PRACTICE}; {SOURCES['pilbeam-13']}", {"episode": episode})


def _peep_below(episode: Episode, suggested: float) -> Seen:
    return _episode(Event.PEEP_BELOW, episode, COMMON_PRACTICE, {"episode": episode, "suggested_cmh2o": suggested})


def _episode(event: Event, episode: Episode, citation: str, values: Mapping[str, object]) -> Seen:
    return Seen(event, event.value, episode.from_s, episode.until_s, episode.sources, citation, values, grave=True)
