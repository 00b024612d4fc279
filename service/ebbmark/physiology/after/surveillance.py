"""Since the last titration: what has happened that makes its answer old?

Sources: common practice is to repeat after any disconnection (no published source). Pilbeam's Mechanical Ventilation,
chapter 13, asks for the same after PEEP was lost, after suctioning and after a marked change of PaO2 (read at second
hand). Whether to measure again is for whoever weighs its risk.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from ebbmark.physiology.advice.evidence import EvidenceLine, evidence_for
from ebbmark.physiology.after.episodes import Episode, open_circuit_episodes, peep_below_episodes
from ebbmark.physiology.after.losses import (
    NO_PRESSURE_LIMITS,
    PressureLimit,
    beyond_now,
    losses_since,
    pressure_losses,
    saturation_loss,
)
from ebbmark.physiology.after.measures import ASSUMED_NOISE, Measure, Noise
from ebbmark.physiology.after.seen import CodedChange, Event, Seen, after_titration
from ebbmark.physiology.after.snapshot import Snapshot
from ebbmark.physiology.readings import Quantity, Reading
from ebbmark.physiology.stop.limits import StopLimits
from ebbmark.physiology.wording import level

__all__ = ["CodedChange", "Event", "Seen", "Surveillance", "watch"]

COMMON_PRACTICE: Final = "common practice, no published source"
_TEXTBOOK: Final = "Pilbeam's Mechanical Ventilation, chapter 13 (read at second hand)"
_OWN: Final = "this project's own choice"

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
        not_checked: what could not be looked for, in plain sentences.
        sentence: the answer in one to three plain sentences.
        evidence: the published line on disconnection.
        silent: whether the record ends before the question, so that where nothing was seen nothing can be said.
    """

    stale: bool
    seen: tuple[Seen, ...]
    not_checked: tuple[str, ...]
    sentence: str
    evidence: EvidenceLine
    silent: bool


def watch(
    readings: Sequence[Reading],
    *,
    titrated_s: float,
    at_s: float,
    pbw_kg: float,
    suggested_peep_cmh2o: float | None,
    at_titration: Snapshot | None,
    changes: Sequence[CodedChange] = (),
    began_s: float | None = None,
    pressure_limits: Mapping[Quantity, PressureLimit] = NO_PRESSURE_LIMITS,
    stop_limits: StopLimits | None = None,
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
        changes: documented changes of position, mode or place.
        began_s: when PEEP was first moved for the trial; None where not known [s since 1970-01-01T00:00:00Z].
        pressure_limits: below which arterial pressure asks for somebody now.
        stop_limits: beyond which the latest vital sign asks for somebody now; None where none is looked at.
        noise: of a single reading of each measure.

    Returns:
        What was seen, when, and what could not be looked for.

    Source: see the module; noise as each `Noise` says.
    """
    since = sorted((r for r in readings if titrated_s <= r.at_s <= at_s), key=lambda r: (r.start_s, r.source))
    opened = open_circuit_episodes(since)
    seen = [_open_circuit(episode, titrated_s) for episode in opened]
    # A breath into the open circuit says nothing of the lung.
    of_the_circuit = {source for episode in opened for source in episode.sources}
    readings = [one for one in readings if one.source not in of_the_circuit]
    not_checked: list[str] = []
    if suggested_peep_cmh2o is None:
        not_checked.append("The last titration suggested no PEEP, so nothing says whether PEEP is below it.")
    elif not any(reading.quantity is Quantity.PEEP_SET for reading in since):
        not_checked.append("No set PEEP was sent since the titration.")
    else:
        below = peep_below_episodes(since, suggested_peep_cmh2o)
        seen += [_peep_below(episode, suggested_peep_cmh2o, titrated_s) for episode in below]
    kinds = {reading.quantity for reading in since}
    if not kinds & {Quantity.PEEP_MEASURED, Quantity.TIDAL_VOLUME_EXPIRED}:
        not_checked.append(
            "Neither measured PEEP nor expired volume was sent since the titration, so a disconnection would not show."
        )
    losses, unjudged = losses_since(readings, at_titration, at_s, titrated_s, pbw_kg, noise)
    seen += losses
    not_checked += unjudged
    saturation = saturation_loss(readings, titrated_s=titrated_s, at_s=at_s)
    if isinstance(saturation, Seen):
        seen.append(saturation)
    elif saturation:
        not_checked.append(saturation)
    pressure = pressure_losses(readings, began_s=began_s, titrated_s=titrated_s, at_s=at_s, limits=pressure_limits)
    seen += pressure.seen
    not_checked += pressure.not_checked
    seen += [_coded(change, titrated_s) for change in changes if titrated_s < change.at_s <= at_s]
    if stop_limits is not None:
        fell = any(one.event is Event.PRESSURE_LOST and one.grave for one in seen)
        alarms = beyond_now(readings, stop_limits, titrated_s=titrated_s, at_s=at_s)
        seen += [one for one in alarms if not (fell and one.event is Event.PRESSURE_LOST)]
    # A patient who fails comes before what makes a number old, and the circulation first.
    seen.sort(key=lambda one: (not _fails(one), one.event is not Event.PRESSURE_LOST, one.from_s, one.event.value))
    silence = _silence(since, titrated_s, at_s)
    sentence = _answer(seen, silence, not_checked, (at_s - titrated_s) / 3600.0)
    evidence = evidence_for("after-disconnection")
    return Surveillance(bool(seen), tuple(seen), tuple(not_checked), sentence, evidence, bool(silence))


def _fails(one: Seen) -> bool:
    """Whether it is the patient who asks for somebody now, rather than a setting or the circuit."""
    return one.grave and one.event not in (Event.OPEN_CIRCUIT, Event.PEEP_BELOW)


def _silence(since: Sequence[Reading], titrated_s: float, at_s: float) -> str:
    """Say that the record ends before the question; empty where it does not."""
    last_s = max((one.at_s for one in since if one.quantity in _OF_THE_VENTILATOR), default=titrated_s)
    if at_s - last_s < SILENT_S:
        return ""
    return (
        f"Nothing of the ventilator was charted in the last {(at_s - last_s) / 3600.0:.1f} h: what happened in that "
        "time is not known."
    )


def _open_circuit(episode: Episode, titrated_s: float) -> Seen:
    count = "one reading" if episode.readings == 1 else f"{episode.readings} readings"
    when = after_titration(episode.from_s, titrated_s)
    sentence = (
        f"{when} the circuit seems to have been open ({episode.words}, {count}), as in a "
        "disconnection or suction. The lung may have lost volume that the titration counted on. Common practice is to "
        "repeat the titration after any disconnection."
    )
    citation = f"{COMMON_PRACTICE}; {_TEXTBOOK}"
    return Seen(Event.OPEN_CIRCUIT, episode.from_s, episode.until_s, episode.sources, citation, sentence, grave=True)


def _peep_below(episode: Episode, suggested: float, titrated_s: float) -> Seen:
    lasts = "and has not come back since" if episode.goes_on else "and came back later"
    sentence = (
        f"{after_titration(episode.from_s, titrated_s)} PEEP was set to {level(episode.lowest)} cmH2O, below the "
        f"suggested {level(suggested)}, {lasts}. If that was below closing, the lung may have lost volume."
    )
    sources, citation = episode.sources, COMMON_PRACTICE
    return Seen(Event.PEEP_BELOW, episode.from_s, episode.until_s, sources, citation, sentence, grave=True)


def _coded(change: CodedChange, titrated_s: float) -> Seen:
    kind = {
        Event.POSITION_CHANGED: "position was changed",
        Event.MODE_CHANGED: "the ventilator mode was changed",
        Event.TRANSPORT: "the patient was moved",
    }.get(change.event, "a change was documented")
    when = after_titration(change.at_s, titrated_s)
    sentence = (
        f"{when} {kind} ({change.words}). Compliance and closing may be others there; the "
        "titration does not describe them."
    )
    return Seen(change.event, change.at_s, change.at_s, (change.source,), _OWN, sentence)


def _answer(seen: Sequence[Seen], silence: str, not_checked: Sequence[str], hours: float) -> str:
    if seen:
        told = " ".join([one.sentence for one in seen] + ([silence] if silence else []))
        first = "Look at the patient first. " if _fails(seen[0]) else ""
        return f"{first}The last titration, {hours:.1f} h ago, may no longer describe this lung. {told}"
    gaps = f" Not looked for: {' '.join(not_checked)}" if not_checked else ""
    if silence:
        return f"Whether the last titration, {hours:.1f} h ago, still holds cannot be said. {silence}{gaps}"
    return (
        f"Since the last titration, {hours:.1f} h ago, nothing was seen in the record that makes it old. That is not "
        f"the same as nothing having happened.{gaps}"
    )
