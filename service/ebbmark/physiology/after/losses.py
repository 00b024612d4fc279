"""Losses since a titration, by more than readings wander: compliance, oxygenation, saturation, arterial pressure.

A gas is drawn a few times a day, a saturation is read every minute: where it falls, nobody should be told that nothing
was seen. FiO2 that was lowered since explains a fall, so that then nothing is said of it. PEEP that was raised may be
what lowered arterial pressure: a fall beyond noise is told, one to below a limit asks for somebody now.
Source: this project's choice; the noise is this project's assumption, each limit has its own.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from statistics import median_low
from types import MappingProxyType
from typing import Final

from ebbmark.physiology.after.measures import (
    ASSUMED_NOISE,
    Measure,
    Noise,
    Verdict,
    assumed_noise,
    judge_change,
    noise_of_difference,
)
from ebbmark.physiology.after.seen import Event, Gap, Seen
from ebbmark.physiology.after.snapshot import Figure, Snapshot, take_snapshot
from ebbmark.physiology.findings import SOURCES
from ebbmark.physiology.readings import Quantity, Reading
from ebbmark.physiology.timeline import FIO2, in_force_at

__all__ = [
    "NO_PRESSURE_LIMITS",
    "PressureLimit",
    "PressureLosses",
    "losses_since",
    "pressure_losses",
    "saturation_loss",
]

LATEST_S: Final = 1800.0
"""The state now is taken over the last half hour of readings. This project's choice."""

LARGE_LOSS: Final = 0.30
"""A loss of compliance of this share asks for somebody now [1]. This project's choice."""

NOW_S: Final = 3600.0
"""A vital sign of this long ago still says how the patient is [s]. This project's choice."""

SAME_PEEP_CMH2O: Final = 1.0
"""Compliance is compared at PEEPs that differ by no more than this. This project's choice."""


def losses_since(
    readings: Sequence[Reading],
    at_titration: Snapshot | None,
    at_s: float,
    titrated_s: float,
    pbw_kg: float,
    noise: Mapping[Measure, Noise],
) -> tuple[list[Seen], list[Gap]]:
    """Compare the last half hour with the time right after the titration.

    Args:
        readings: of one patient, in any order; settings from before may still be in force.
        at_titration: state then; None where not known.
        at_s: time of the question [s since 1970-01-01T00:00:00Z].
        titrated_s: when PEEP was set [s since 1970-01-01T00:00:00Z].
        pbw_kg: predicted body weight [kg].
        noise: of a single reading of each measure.

    Returns:
        Losses, and what could not be looked for.

    Source: this project's choice; noise as each `Noise` says.
    """
    watched = ((Measure.COMPLIANCE, Event.COMPLIANCE_LOST), (Measure.PF_RATIO, Event.OXYGENATION_LOST))
    if at_titration is None:
        return [], [Gap("titration-not-known")]
    now = take_snapshot(readings, pbw_kg=pbw_kg, from_s=max(titrated_s, at_s - LATEST_S), until_s=at_s)
    seen: list[Seen] = []
    unjudged: list[Gap] = []
    for measure, event in watched:
        first, second = at_titration.figures.get(measure), now.figures.get(measure)
        if first is None or second is None:
            why = at_titration.not_known.get(measure) if first is None else now.not_known.get(measure)
            unjudged.append(Gap("loss", {"measure": measure, "why": why}))
            continue
        then, here = at_titration.peep, now.peep
        if measure is Measure.COMPLIANCE and _at_another_peep(then, here) and then is not None and here is not None:
            unjudged.append(Gap("another-peep", {"now_cmh2o": here.value, "then_cmh2o": then.value}))
            continue
        lost = _loss(measure, event, first, second, at_s, titrated_s, noise[measure])
        if lost is not None:
            seen.append(lost)
    return seen, unjudged


def _at_another_peep(then: Figure | None, here: Figure | None) -> bool:
    """Whether compliance cannot be compared, since PEEP is known to be another one."""
    return then is not None and here is not None and abs(then.value - here.value) > SAME_PEEP_CMH2O


def _loss(
    measure: Measure, event: Event, first: Figure, second: Figure, at_s: float, titrated_s: float, noise: Noise
) -> Seen | None:
    change = judge_change(
        measure,
        before=first.value,
        after=second.value,
        readings_before=first.readings,
        readings_after=second.readings,
        noise=noise,
    )
    if change.verdict is not Verdict.WORSE:
        return None
    large = event is Event.COMPLIANCE_LOST and second.value <= (1.0 - LARGE_LOSS) * first.value
    citation = (
        f"{change.noise_source}; {SOURCES['pilbeam-13']}" if event is Event.OXYGENATION_LOST else change.noise_source
    )
    from_s = max(titrated_s, at_s - LATEST_S)
    return Seen(event, event.value, from_s, at_s, second.sources, citation, {"change": change}, grave=large)


THEN_S: Final = 3600.0
"""Saturation and arterial pressure right after the titration are those of its first hour [s]. Our choice."""


NOISE: Final = assumed_noise("spo2")


def saturation_loss(readings: Sequence[Reading], *, titrated_s: float, at_s: float) -> Seen | Gap | None:
    """Compare the latest saturation with the first hour after the titration.

    Args:
        readings: of one patient, in any order.
        titrated_s: when PEEP was set [s since 1970-01-01T00:00:00Z].
        at_s: time of the question [s since 1970-01-01T00:00:00Z].

    Returns:
        The fall; why it could not be looked for; None where there was none.
    """
    found = [one for one in readings if one.quantity is Quantity.SPO2 and titrated_s <= one.at_s <= at_s]
    now = max(
        (one for one in found if one.at_s >= at_s - LATEST_S), key=lambda one: (one.at_s, one.source), default=None
    )
    then = [one for one in found if one.at_s <= titrated_s + THEN_S and one is not now]
    if now is None or not then:
        return Gap("no-saturation-now" if now is None else "no-saturation-then")
    first = median_low(one.value for one in then)
    band = noise_of_difference(NOISE, before=first, after=now.value, readings_before=len(then))
    if first - now.value <= band:
        return None
    before, after = (in_force_at(readings, FIO2, one.at_s).reading for one in (then[-1], now))
    if before is not None and after is not None and before.value - after.value > FIO2.same:
        fio2 = {"fio2_before": before.value, "fio2_now": after.value}
        return Gap("saturation-and-oxygen", {"before_percent": first, "now_percent": now.value, **fio2})
    known = before is not None and after is not None
    values = {
        "before_percent": first,
        "now_percent": now.value,
        "noise_percent": band,
        "fio2": after.value if known and after is not None else None,
    }
    return Seen(Event.OXYGENATION_LOST, "saturation-lost", now.at_s, now.at_s, (now.source,), NOISE.source, values)


BEFORE_S: Final = 3600.0
"""Arterial pressure before the trial is that of its last hour [s]. This project's choice."""

_NOISE: Final = {
    Quantity.MEAN_ARTERIAL_PRESSURE: ASSUMED_NOISE[Measure.MEAN_ARTERIAL_PRESSURE],
    Quantity.SYSTOLIC_ARTERIAL_PRESSURE: assumed_noise("systolic-arterial-pressure"),
}


@dataclass(frozen=True, slots=True)
class PressureLimit:
    """Below which an arterial pressure asks for somebody now, and who says so."""

    below_mmhg: float
    source: str


NO_PRESSURE_LIMITS: Final[Mapping[Quantity, PressureLimit]] = MappingProxyType({})


@dataclass(frozen=True, slots=True)
class PressureLosses:
    """What was seen of arterial pressure, and what could not be looked for."""

    seen: tuple[Seen, ...]
    not_checked: tuple[Gap, ...]


def pressure_losses(
    readings: Sequence[Reading],
    *,
    began_s: float | None,
    titrated_s: float,
    at_s: float,
    limits: Mapping[Quantity, PressureLimit],
) -> PressureLosses:
    """Compare arterial pressure now with that before the trial, and with that right after it.

    Args:
        readings: of one patient, in any order.
        began_s: when PEEP was first moved for the trial; None where not known [s since 1970-01-01T00:00:00Z].
        titrated_s: when PEEP was set after it [s since 1970-01-01T00:00:00Z].
        at_s: time of the question [s since 1970-01-01T00:00:00Z].
        limits: below which it asks for somebody now.
    """
    found = []
    any_now = False
    for quantity, noise in _NOISE.items():
        of_it = [one for one in readings if one.quantity is quantity]
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
        low = limit is not None and _middle(now) < limit.below_mmhg
        if fell or low:
            found.append(_seen(quantity, now, noise, fell, limit if low else None))
    return PressureLosses(tuple(found), () if any_now else (Gap("no-pressure"),))


def _middle(group: Sequence[Reading]) -> float:
    """Of two in the middle the lower: a value that was charted."""
    return median_low(one.value for one in group)


def _fell(earlier: Sequence[Reading], now: Sequence[Reading], noise: Noise) -> bool:
    before, after = _middle(earlier), _middle(now)
    band = noise_of_difference(noise, before=before, after=after, readings_before=len(earlier), readings_after=len(now))
    return before - after > band


def _seen(
    quantity: Quantity, now: Sequence[Reading], noise: Noise, fell: Mapping[str, float], limit: PressureLimit | None
) -> Seen:
    first_s, last_s = min(one.at_s for one in now), max(one.at_s for one in now)
    values = {"quantity": quantity, "now_mmhg": _middle(now), "limit": limit, **fell}
    sources, event = tuple(sorted({one.source for one in now})), Event.PRESSURE_LOST
    return Seen(event, event.value, first_s, last_s, sources, noise.source, values, grave=limit is not None)
