"""The lung and the circuit now, against what the trial showed: what withholds a number in a trial counts after it, too.

Compliance that is lost, end-tidal carbon dioxide that vanished, a circuit that opened, air that is trapped, and PEEP
that is being lowered again. The limits are those of the checks of a trial.

Source: this project's choice.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import Final

from ebbmark.physiology.after.losses import LARGE_LOSS, LATEST_S
from ebbmark.physiology.after.seen import Event, Seen
from ebbmark.physiology.after.surveillance import open_circuit_episodes
from ebbmark.physiology.findings import OWN_CHOICE
from ebbmark.physiology.patient.limits import LIMITS
from ebbmark.physiology.protocols import Protocol
from ebbmark.physiology.readings import Quantity, Reading
from ebbmark.physiology.trial.limb import PeepLevel, peep_levels_of
from ebbmark.physiology.trial.steps import Trial

__all__ = ["lung_now"]

FEWEST_LEVELS: Final = 3
"""So many falling levels after a trial are another one that runs; fewer may be a change of setting. Our choice."""

_SETTLED_S: Final = 60.0
"""A reading this soon after another PEEP was last charted says nothing of compliance here [s]; our choice."""

_VOLUMES: Final = (Quantity.TIDAL_VOLUME_EXPIRED, Quantity.TIDAL_VOLUME_UNSTATED, Quantity.TIDAL_VOLUME_INSPIRED)


def lung_now(
    readings: Sequence[Reading], trial: Trial, protocol: Protocol, *, since_s: float, at_s: float
) -> tuple[Seen, ...]:
    """What the latest readings show of the lung and the circuit, gravest first.

    Args:
        readings: of one patient, in any order.
        trial: the limb that they are held against.
        protocol: how far apart steps of one trial may be.
        since_s: its end [s since 1970-01-01T00:00:00Z].
        at_s: time of the question, or of the newest reading [s since 1970-01-01T00:00:00Z].
    """
    since = sorted((one for one in readings if since_s < one.at_s <= at_s), key=lambda one: (one.start_s, one.source))
    if not since:
        return ()
    levels = peep_levels_of([one for one in readings if one.at_s <= at_s])
    found = (
        _lost_compliance(since, levels, trial, at_s),
        _lost_carbon_dioxide(readings, since, at_s),
        _open_circuit(since),
        _lowered_again([one for one in levels if one.start_s > since_s], protocol),
        _trapped(since, at_s),
    )
    return tuple(one for one in found if one is not None)


def _lost_compliance(since: Sequence[Reading], levels: Sequence[PeepLevel], trial: Trial, at_s: float) -> Seen | None:
    plateau = _latest(since, Quantity.PLATEAU_PRESSURE, at_s)
    volume = next((one for kind in _VOLUMES if (one := _latest(since, kind, at_s)) is not None), None)
    known = [one for one in trial.steps if one.plateau_cmh2o is not None]
    here = None if plateau is None else next((one for one in reversed(levels) if one.start_s <= plateau.at_s), None)
    if plateau is None or volume is None or here is None or not known:
        return None
    peep, driving = here.peep_cmh2o, plateau.value - here.peep_cmh2o
    step = min(known, key=lambda one: abs(one.peep_cmh2o - peep))
    before = step.compliance_ml_per_cmh2o
    trapped = _intrinsic([one for one in since if one.at_s >= here.start_s], peep, at_s)
    if trapped is not None:
        driving -= trapped[0]
    elif step.tidal_volume_ml is not None and step.plateau_cmh2o is not None:
        # Like with like: where total PEEP is not known now, it does not count on the other side either.
        before = step.tidal_volume_ml / (step.plateau_cmh2o - step.peep_cmh2o)
    left_s = max((one.readings[-1].at_s for one in levels if one.start_s < here.start_s), default=float("-inf"))
    settled = plateau.at_s - left_s >= _SETTLED_S
    if not settled or driving <= 0.0 or volume.value > (1.0 - LARGE_LOSS) * before * driving:
        return None
    values = {
        "before": before,
        "now": volume.value / driving,
        "then_cmh2o": step.peep_cmh2o,
        "peep_cmh2o": peep,
        "plateau_cmh2o": plateau.value,
    }
    sources = tuple(dict.fromkeys((plateau.source, here.readings[-1].source, volume.source)))
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


def _open_circuit(since: Sequence[Reading]) -> Seen | None:
    episodes = open_circuit_episodes(since)
    if not episodes:
        return None
    last = episodes[-1]
    kind, values = ("open-circuit" if last.goes_on else "opened-circuit"), {"words": last.words}
    event = Event.OPEN_CIRCUIT
    return Seen(event, kind, last.from_s, last.until_s, last.sources, OWN_CHOICE, values, grave=last.goes_on)


def _lowered_again(later: Sequence[PeepLevel], protocol: Protocol) -> Seen | None:
    """A limb that began after the trial and is the latest that PEEP did."""
    run = list(later[:1])
    for above, below in pairwise(later):
        fall = above.peep_cmh2o - below.peep_cmh2o
        at_once = below.start_s - above.start_s <= protocol.longest_step_s
        run = [*run, below] if 0.0 < fall <= protocol.largest_decrement_cmh2o and at_once else [below]
    if len(run) < FEWEST_LEVELS:
        return None
    values = {"top_cmh2o": run[0].peep_cmh2o, "now_cmh2o": run[-1].peep_cmh2o}
    sources = tuple(one.readings[0].source for one in run)
    return Seen(Event.LOWERED_AGAIN, "lowered-again", run[0].start_s, run[-1].start_s, sources, OWN_CHOICE, values)


def _trapped(since: Sequence[Reading], at_s: float) -> Seen | None:
    peep = _latest(since, Quantity.PEEP_SET, at_s)
    trapped = _intrinsic(since, None if peep is None else peep.value, at_s)
    if trapped is None or trapped[0] < LIMITS.intrinsic_high_cmh2o:
        return None
    value, shown = trapped
    values = {"trapped_cmh2o": value, "limit_cmh2o": LIMITS.intrinsic_high_cmh2o}
    event = Event.AIR_TRAPPED
    return Seen(event, event.value, shown.at_s, shown.at_s, (shown.source,), OWN_CHOICE, values)


def _intrinsic(readings: Sequence[Reading], peep_cmh2o: float | None, at_s: float) -> tuple[float, Reading] | None:
    """Intrinsic PEEP, and the reading that shows it; None where nothing does."""
    total = _latest(readings, Quantity.PEEP_TOTAL, at_s)
    if total is not None and peep_cmh2o is not None:
        return total.value - peep_cmh2o, total
    own = _latest(readings, Quantity.PEEP_INTRINSIC, at_s)
    return None if own is None else (own.value, own)


def _latest(readings: Sequence[Reading], quantity: Quantity, at_s: float) -> Reading | None:
    of_it = [one for one in readings if one.quantity is quantity and at_s - LATEST_S <= one.at_s <= at_s]
    return max(of_it, key=lambda one: (one.at_s, one.source), default=None)
