"""The lung and the circuit now, against what the trial showed: what withholds a number in a trial counts after it, too.

Compliance that is lost, end-tidal carbon dioxide that vanished, a circuit that opened, air that is trapped, and PEEP
that is being lowered again. The limits are those of the checks of a trial.

Source: this project's choice.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import pairwise
from typing import Final

from ebbmark.physiology.after.losses import LARGE_LOSS, LATEST_S
from ebbmark.physiology.after.seen import Event, Seen
from ebbmark.physiology.after.surveillance import open_circuit_episodes
from ebbmark.physiology.findings import Finding, Weight
from ebbmark.physiology.patient.limits import LIMITS, OWN_CHOICE
from ebbmark.physiology.protocols import Protocol
from ebbmark.physiology.readings import Quantity, Reading
from ebbmark.physiology.trial.limb import peep_levels_of
from ebbmark.physiology.trial.steps import Step, Trial

__all__ = ["lung_findings", "lung_now"]

FEWEST_LEVELS: Final = 3
"""So many falling levels after a trial are another one that runs; fewer may be a change of setting. Our choice."""

_SETTLED_S: Final = 60.0
"""A reading that is this young after PEEP was changed says nothing of compliance there [s]; our choice."""

_VOLUMES: Final = (Quantity.TIDAL_VOLUME_EXPIRED, Quantity.TIDAL_VOLUME_UNSTATED, Quantity.TIDAL_VOLUME_INSPIRED)


def lung_now(readings: Sequence[Reading], trial: Trial, *, since_s: float, at_s: float) -> tuple[Seen, ...]:
    """What the latest readings show of the lung, gravest first.

    Args:
        readings: of one patient, in any order.
        trial: the limb that they are held against.
        since_s: its end [s since 1970-01-01T00:00:00Z].
        at_s: time of the question, or of the newest reading [s since 1970-01-01T00:00:00Z].
    """
    since = sorted((one for one in readings if since_s < one.at_s <= at_s), key=lambda one: (one.start_s, one.source))
    found = (_lost_compliance(since, trial, at_s), _lost_carbon_dioxide(readings, since, at_s), _trapped(since, at_s))
    return tuple(one for one in found if one is not None)


def lung_findings(
    readings: Sequence[Reading], trial: Trial, protocol: Protocol, *, since_s: float, at_s: float
) -> Iterator[Finding]:
    """The same as findings of a titration, with a circuit that opened and a limb that began since.

    Args:
        readings: of one patient, in any order.
        trial: the limb that was read.
        protocol: how far apart steps of one trial may be.
        since_s: its end [s since 1970-01-01T00:00:00Z].
        at_s: time of the newest reading [s since 1970-01-01T00:00:00Z].
    """
    for one in lung_now(readings, trial, since_s=since_s, at_s=at_s):
        weight = Weight.LOOK_FIRST if one.grave else Weight.HIGH
        yield Finding(f"{one.kind}-since", weight, one.values, (), one.from_s, one.sources, one.citation)
    since = sorted((one for one in readings if since_s < one.at_s <= at_s), key=lambda one: (one.start_s, one.source))
    opened = open_circuit_episodes(since)
    if opened:
        last = opened[-1]
        slug, weight = (
            ("open-circuit-since", Weight.LOOK_FIRST) if last.goes_on else ("opened-circuit-since", Weight.HIGH)
        )
        yield Finding(slug, weight, {"words": last.words}, (), last.from_s, last.sources, OWN_CHOICE)
    again = _lowered_again(readings, protocol, since_s)
    if again is not None:
        levels, from_s = again
        yield Finding("lowered-again-since", Weight.LOOK_FIRST, levels, (), from_s, (), OWN_CHOICE)


def _lost_compliance(since: Sequence[Reading], trial: Trial, at_s: float) -> Seen | None:
    plateau = _latest(since, Quantity.PLATEAU_PRESSURE, at_s)
    peep = _latest(since, Quantity.PEEP_SET, at_s) or _latest(since, Quantity.PEEP_MEASURED, at_s)
    volume = next((one for kind in _VOLUMES if (one := _latest(since, kind, at_s)) is not None), None)
    known = [one for one in trial.steps if one.plateau_cmh2o is not None]
    if plateau is None or peep is None or volume is None or not known or plateau.value <= peep.value:
        return None
    changed = [one.start_s for one in since if one.quantity is peep.quantity and one.value != peep.value]
    if changed and plateau.at_s - max(changed) < _SETTLED_S:
        return None
    step: Step = min(known, key=lambda one: abs(one.peep_cmh2o - peep.value))
    now = volume.value / (plateau.value - peep.value)
    if now > (1.0 - LARGE_LOSS) * step.compliance_ml_per_cmh2o:
        return None
    values = {
        "before": step.compliance_ml_per_cmh2o,
        "now": now,
        "then_cmh2o": step.peep_cmh2o,
        "peep_cmh2o": peep.value,
        "plateau_cmh2o": plateau.value,
    }
    sources = (plateau.source, peep.source, volume.source)
    event = Event.COMPLIANCE_LOST
    return Seen(event, "lung-lost", plateau.at_s, plateau.at_s, sources, OWN_CHOICE, values, grave=True)


def _lost_carbon_dioxide(readings: Sequence[Reading], since: Sequence[Reading], at_s: float) -> Seen | None:
    now = _latest(since, Quantity.END_TIDAL_CO2, at_s)
    worn = max((one.value for one in readings if one.quantity is Quantity.END_TIDAL_CO2), default=0.0)
    if now is None or worn < LIMITS.worn_carbon_dioxide_mmhg or now.value >= LIMITS.no_carbon_dioxide_mmhg:
        return None
    values = {"now": now.value, "limit": LIMITS.no_carbon_dioxide_mmhg}
    event = Event.CARBON_DIOXIDE_LOST
    return Seen(event, event.value, now.at_s, now.at_s, (now.source,), OWN_CHOICE, values, grave=True)


def _trapped(since: Sequence[Reading], at_s: float) -> Seen | None:
    total, peep = _latest(since, Quantity.PEEP_TOTAL, at_s), _latest(since, Quantity.PEEP_SET, at_s)
    own = _latest(since, Quantity.PEEP_INTRINSIC, at_s)
    shown = total if total is not None and peep is not None else own
    if shown is None:
        return None
    trapped = shown.value - peep.value if shown is total and peep is not None else shown.value
    if trapped < LIMITS.intrinsic_high_cmh2o:
        return None
    values = {"trapped_cmh2o": trapped, "limit_cmh2o": LIMITS.intrinsic_high_cmh2o}
    event = Event.AIR_TRAPPED
    return Seen(event, event.value, shown.at_s, shown.at_s, (shown.source,), OWN_CHOICE, values)


def _lowered_again(
    readings: Sequence[Reading], protocol: Protocol, since_s: float
) -> tuple[dict[str, float], float] | None:
    """The levels of a limb that began after the trial, and since when; None where there is none."""
    later = [one for one in peep_levels_of(readings) if one.start_s > since_s]
    run = later[:1]
    for above, below in pairwise(later):
        fall = above.peep_cmh2o - below.peep_cmh2o
        at_once = below.start_s - above.start_s <= protocol.longest_step_s
        run = [*run, below] if 0.0 < fall <= protocol.largest_decrement_cmh2o and at_once else [below]
    if len(run) < FEWEST_LEVELS:
        return None
    return {"top_cmh2o": run[0].peep_cmh2o, "now_cmh2o": run[-1].peep_cmh2o}, run[0].start_s


def _latest(readings: Sequence[Reading], quantity: Quantity, at_s: float) -> Reading | None:
    of_it = [one for one in readings if one.quantity is quantity and at_s - LATEST_S <= one.at_s <= at_s]
    return max(of_it, key=lambda one: (one.at_s, one.source), default=None)
