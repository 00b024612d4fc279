"""Surveillance since the last titration: what has happened that makes its answer old.

Sources: common practice is to repeat after any disconnection (no published source). Pilbeam's Mechanical Ventilation,
chapter 13, asks for the same after PEEP was lost, after suctioning and after a marked change of PaO2 (read at second
hand). Whether to measure again is for whoever weighs its risk.

**Losses**, by more than readings wander: compliance, oxygenation, saturation, arterial pressure. A gas is drawn a few
times a day, a saturation is read every minute: where it falls, nobody should be told that nothing was seen. FiO2 that
was lowered since explains a fall, so that then nothing is said of it. PEEP that was raised may be what lowered arterial
pressure: a fall beyond noise is told, one to below a limit asks for somebody now. Source: this project's choice; the
noise is this project's assumption, each limit has its own.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from statistics import median_low
from types import MappingProxyType
from typing import Final

from ebbmark.physiology.after.comparison import (
    ASSUMED_NOISE,
    ChangeVerdict,
    Measure,
    Noise,
    Snapshot,
    assumed_noise,
    judge_change,
    noise_of_difference,
)
from ebbmark.physiology.after.events import (
    BEFORE_S,
    LARGE_LOSS,
    LATEST_S,
    Episode,
    Event,
    NotLookedFor,
    Occurrence,
    open_circuit_episodes,
    peep_below_episodes,
)
from ebbmark.physiology.after.patient_now import PatientNow
from ebbmark.physiology.after.snapshot import take_snapshot
from ebbmark.physiology.findings import COMMON_PRACTICE, SOURCES, EvidenceLine, evidence_for
from ebbmark.physiology.readings import Quantity, Reading, latest
from ebbmark.physiology.stop.limits import Limit
from ebbmark.physiology.timeline import FIO2, in_force_at

SAME_PEEP_CMH2O: Final = 1.0  # compliance is compared at PEEPs that differ by no more than this; this project's choice


def _losses(
    readings: Sequence[Reading],
    at_titration: Snapshot | None,
    at_s: float,
    titrated_s: float,
    pbw_kg: float,
    noise: Mapping[Measure, Noise],
) -> Iterator[Occurrence | NotLookedFor]:
    """Compliance and oxygenation of the last half hour against the time right after the titration."""
    if at_titration is None:
        yield NotLookedFor("titration-not-known")
        return
    from_s = max(titrated_s, at_s - LATEST_S)
    now = take_snapshot(readings, pbw_kg=pbw_kg, from_s=from_s, until_s=at_s)
    then, here = at_titration.peep, now.peep
    for measure, event in ((Measure.COMPLIANCE, Event.COMPLIANCE_LOST), (Measure.PF_RATIO, Event.OXYGENATION_LOST)):
        of_lung = measure is Measure.COMPLIANCE
        first, second = at_titration.figures.get(measure), now.figures.get(measure)
        if first is None or second is None:
            why = at_titration.not_known.get(measure) if first is None else now.not_known.get(measure)
            yield NotLookedFor("loss", {"measure": measure, "why": why})
        elif of_lung and then and here and abs(then.value - here.value) > SAME_PEEP_CMH2O:
            yield NotLookedFor("another-peep", {"now_cmh2o": here.value, "then_cmh2o": then.value})
        elif (change := judge_change(measure, first, second, noise[measure])).verdict is ChangeVerdict.WORSE:
            large = of_lung and second.value <= (1.0 - LARGE_LOSS) * first.value
            citation = change.noise_source if of_lung else f"{change.noise_source}; {SOURCES['pilbeam-13']}"
            yield Occurrence(event, event.value, from_s, at_s, second.sources, citation, {"change": change}, large)


THEN_S: Final = 3600.0
"""Saturation and arterial pressure right after the titration are those of its first hour [s]. Our choice."""

NOISE: Final = assumed_noise("spo2")


def _saturation_loss(readings: Sequence[Reading], titrated_s: float, at_s: float) -> Occurrence | NotLookedFor | None:
    """The latest saturation against the first hour after the titration; None where it did not fall."""
    found = [
        reading for reading in readings if reading.quantity is Quantity.SPO2 and titrated_s <= reading.at_s <= at_s
    ]
    now = latest(found, Quantity.SPO2, at_s - LATEST_S)
    then = [one for one in found if one.at_s <= titrated_s + THEN_S and one is not now]
    if now is None or not then:
        return NotLookedFor("no-saturation-now" if now is None else "no-saturation-then")
    first = median_low(one.value for one in then)
    band = noise_of_difference(NOISE, before=first, after=now.value, readings_before=len(then))
    if first - now.value <= band:
        return None
    before, after = (in_force_at(readings, FIO2, one.at_s).reading for one in (then[-1], now))
    if before is not None and after is not None and before.value - after.value > FIO2.same:
        fio2 = {"fio2_before": before.value, "fio2_now": after.value}
        return NotLookedFor("saturation-and-oxygen", {"before_percent": first, "now_percent": now.value, **fio2})
    known = before is not None and after is not None
    values = {
        "before_percent": first,
        "now_percent": now.value,
        "noise_percent": band,
        "fio2": after.value if known and after is not None else None,
    }
    return Occurrence(
        Event.OXYGENATION_LOST, "saturation-lost", now.at_s, now.at_s, (now.source,), NOISE.source, values
    )


_NOISE: Final = {
    Quantity.MEAN_ARTERIAL_PRESSURE: ASSUMED_NOISE[Measure.MEAN_ARTERIAL_PRESSURE],
    Quantity.SYSTOLIC_ARTERIAL_PRESSURE: assumed_noise("systolic-arterial-pressure"),
}


NO_PRESSURE_LIMITS: Final[Mapping[Quantity, Limit]] = MappingProxyType({})


def pressure_losses(
    readings: Sequence[Reading],
    *,
    began_s: float | None,
    titrated_s: float,
    at_s: float,
    limits: Mapping[Quantity, Limit],
) -> Iterator[Occurrence | NotLookedFor]:
    """Arterial pressure now against that before the trial, and that right after it."""
    any_now = False
    for quantity, noise in _NOISE.items():
        of_it = [reading for reading in readings if reading.quantity is quantity]
        now = [one for one in of_it if max(titrated_s, at_s - LATEST_S) <= one.at_s <= at_s]
        if not now:
            continue
        any_now = True
        before = [] if began_s is None else [one for one in of_it if began_s - BEFORE_S <= one.at_s < began_s]
        then = [one for one in of_it if titrated_s <= one.at_s <= titrated_s + THEN_S and one not in now]
        fell = {
            when: _middle(group)
            for group, when in ((before, "before_mmhg"), (then, "then_mmhg"))
            if group and _fell(group, now, noise)
        }
        limit = limits.get(quantity)
        low = limit is not None and _middle(now) < limit.value
        if fell or low:
            first_s, last_s = min(one.at_s for one in now), max(one.at_s for one in now)
            values = {"quantity": quantity, "now_mmhg": _middle(now), "limit": limit if low else None, **fell}
            sources, event = tuple(sorted({one.source for one in now})), Event.PRESSURE_LOST
            yield Occurrence(event, event.value, first_s, last_s, sources, noise.source, values, low)
    if not any_now:
        yield NotLookedFor("no-pressure")


def _middle(group: Sequence[Reading]) -> float:
    """Of two in the middle the lower: a value that was charted."""
    return median_low(one.value for one in group)


def _fell(earlier: Sequence[Reading], now: Sequence[Reading], noise: Noise) -> bool:
    before, after = _middle(earlier), _middle(now)
    band = noise_of_difference(noise, before=before, after=after, readings_before=len(earlier), readings_after=len(now))
    return before - after > band


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
    """Whether the last titration still describes this lung."""

    stale: bool  # something was seen that makes it old; False only says that nothing was seen
    seen: tuple[Occurrence, ...]  # a fall of arterial pressure first, then in order of time
    not_checked: tuple[NotLookedFor, ...]
    evidence: EvidenceLine
    titrated_s: float  # when PEEP was set after it
    at_s: float
    silent_s: float | None  # how long before the question the record ends [s]; None where it does not

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
    pressure_limits: Mapping[Quantity, Limit] = NO_PRESSURE_LIMITS,
    noise: Mapping[Measure, Noise] = ASSUMED_NOISE,
) -> Surveillance:
    """Look through the record since the last titration; of what lies before, only settings still in force count.

    Source: see the module; noise as each `Noise` says.
    """
    since = sorted((r for r in readings if titrated_s <= r.at_s <= at_s), key=lambda r: (r.start_s, r.source))
    opened = open_circuit_episodes(since)
    found: list[Occurrence | NotLookedFor | None] = []
    cited = f"{COMMON_PRACTICE}; {SOURCES['pilbeam-13']}"
    found += [_episode(Event.OPEN_CIRCUIT, one, cited, {"episode": one}) for one in opened]
    # A breath into the open circuit says nothing of the lung.
    of_the_circuit = {source for episode in opened for source in episode.sources}
    readings = [reading for reading in readings if reading.source not in of_the_circuit]
    kinds = {reading.quantity for reading in since}
    if suggested_peep_cmh2o is None:
        found.append(NotLookedFor("no-suggestion"))
    elif Quantity.PEEP_SET not in kinds:
        found.append(NotLookedFor("no-peep"))
    else:
        for peep_below_episode in peep_below_episodes(since, suggested_peep_cmh2o):
            values = {"episode": peep_below_episode, "suggested_cmh2o": suggested_peep_cmh2o}
            found.append(_episode(Event.PEEP_BELOW, peep_below_episode, COMMON_PRACTICE, values))
    if not kinds & {Quantity.PEEP_MEASURED, Quantity.TIDAL_VOLUME_EXPIRED}:
        found.append(NotLookedFor("no-circuit"))
    found += _losses(readings, at_titration, at_s, titrated_s, pbw_kg, noise)
    found.append(_saturation_loss(readings, titrated_s, at_s))
    found += pressure_losses(readings, began_s=began_s, titrated_s=titrated_s, at_s=at_s, limits=pressure_limits)
    seen = [one for one in found if isinstance(one, Occurrence)]
    not_checked = tuple(one for one in found if isinstance(one, NotLookedFor))
    if now is not None:
        # What was found here as grave is told once.
        grave = {one.event for one in seen if one.grave}
        now = replace(now, lung=tuple(one for one in now.lung if one.event not in grave))
        gas = any(one.event is Event.OXYGENATION_LOST for one in seen)
        seen += [one for one in now.not_comparable if not (gas and one is now.oxygen)]
        fell = any(one.event is Event.PRESSURE_LOST and one.grave for one in seen)
        seen += [alarm for alarm in now.alarms if not (fell and alarm.event is Event.PRESSURE_LOST)]
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
    return Surveillance(bool(seen), tuple(seen), not_checked, evidence, titrated_s, at_s, silent_s)


def _fails(one: Occurrence) -> bool:
    """Whether it is the patient who asks for somebody now, rather than a setting or the circuit."""
    return one.grave and one.event not in (Event.OPEN_CIRCUIT, Event.PEEP_BELOW)


def _silent_s(since: Sequence[Reading], titrated_s: float, at_s: float) -> float | None:
    """How long before the question the record ends; None where it does not."""
    last_s = max((one.at_s for one in since if one.quantity in _OF_THE_VENTILATOR), default=titrated_s)
    return None if at_s - last_s < SILENT_S else at_s - last_s


def _episode(event: Event, episode: Episode, citation: str, values: Mapping[str, object]) -> Occurrence:
    return Occurrence(
        event, event.value, episode.from_s, episode.until_s, episode.sources, citation, values, grave=True
    )
