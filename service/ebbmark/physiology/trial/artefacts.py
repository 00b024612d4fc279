"""Artefact rules: open circuit, unit slip, odd breath, too early, still recruiting: no sample of the lung at a step."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from enum import Enum
from statistics import median

from ebbmark.physiology.findings import Message, message
from ebbmark.physiology.protocols import Protocol
from ebbmark.physiology.readings import Quantity, Reading
from ebbmark.physiology.trial.curve import ABOVE_PEEP, CHARTED, VOLUMES, Recipe, StepReadings
from ebbmark.physiology.trial.steps import Observed

OPEN_CIRCUIT_PEEP_CMH2O = 2.0
"""PEEP charted at or below this between higher levels: the circuit was open. This project's choice."""

VANISHED_PEEP = 0.5
"""Measured PEEP below this share of a set PEEP of 5 or more: the circuit was open or leaking. Our choice."""

VANISHED_VOLUME = 0.5
"""A tidal volume below this share of the limb's middle value is gone or odd. Our choice."""

STOOD_VOLUME = 0.8
"""A tidal volume of at least this share of the middle value in the same row: the circuit was closed. Our choice."""

STOOD_PRESSURE = 0.7
"""Pressure above PEEP of at least this share of its middle value in the same row: the breath was given. Our choice."""

GONE_S = 10.0
"""A volume that was gone for longer than this was no single breath [s]. Our choice."""

NO_VOLUME_ML = 50.0
"""A volume below this is none: a breath was given only where a pressure of its row shows one. Our choice."""

SAME_ROW_S = 1.0
"""Readings this near in time belong to one row [s]. Our choice."""

CMH2O_PER_KPA = 10.197162
"""By the definitions of both units (BIPM, SI brochure: standard gravity 9.80665 m/s2)."""

_THOUSANDFOLD = (1 / 2000, 1 / 500)
_SLIP_TOLERANCE = 0.06

STILL_RECRUITING_CMH2O = 5.0
"""Inspiratory pressure above PEEP this much higher than at the next step: still recruiting. Our choice."""


class OddReading(Enum):
    """What a reading that cannot be of this breath of this lung shows."""

    OPENED = "disconnection"
    UNIT_SLIP = "unit-slip"
    ODD_BREATH = "odd-breath"
    CONTRADICTED = "measured-peep-contradicted"

    __hash__ = object.__hash__


@dataclass(frozen=True, slots=True)
class Cut:
    """One reading that does not go with the others of its step.

    Attributes:
        value: as read, in the unit of the quantity.
    """

    oddity: OddReading
    at_s: float
    source: int
    quantity: Quantity
    value: float


_REASONS = {oddity: message(f"unused.{oddity.value}") for oddity in OddReading}


def odd_readings(limb: Sequence[StepReadings], lead: Quantity) -> tuple[tuple[Cut, ...], ...]:
    """For each step of the limb the readings that do not go with the others, told apart.

    A circuit was open where measured PEEP vanished, or where volume was gone together with the pressure, in more than
    one reading, or for longer than a breath. A thousandfold volume, or a measured PEEP in kPa, with everything else
    unchanged is a slip of the unit; one low volume under an unchanged pressure is one odd breath.

    Args:
        lead: the pressure that the curve is made of.
    """
    middles = {
        quantity: median(values)
        for quantity in VOLUMES[:3]
        if (values := [r.value for step in limb for r in step.by_quantity.get(quantity, ())])
    }
    return tuple((*_odd_volumes(step, middles, lead), *_odd_peeps(step, middles)) for step in limb)


def _odd_volumes(step: StepReadings, middles: Mapping[Quantity, float], lead: Quantity) -> Iterator[Cut]:
    gone: list[tuple[Quantity, Reading]] = []
    for quantity, middle in middles.items():
        for reading in step.by_quantity.get(quantity, ()):
            share = reading.value / middle if middle else 1.0
            if _THOUSANDFOLD[0] <= share <= _THOUSANDFOLD[1] and _pressure_stood(step, reading, lead):
                yield Cut(OddReading.UNIT_SLIP, reading.start_s, reading.source, quantity, reading.value)
            elif share < VANISHED_VOLUME:
                gone.append((quantity, reading))
    times = sorted({reading.start_s for _, reading in gone})
    longest_s = max((reading.end_s - reading.start_s for _, reading in gone), default=0.0)
    lasted = len(times) > 1 or longest_s > GONE_S
    for quantity, reading in gone:
        opened = lasted or not _pressure_stood(step, reading, lead, needed=reading.value < NO_VOLUME_ML)
        oddity = OddReading.OPENED if opened else OddReading.ODD_BREATH
        yield Cut(oddity, reading.start_s, reading.source, quantity, reading.value)


def _odd_peeps(step: StepReadings, middles: Mapping[Quantity, float]) -> Iterator[Cut]:
    if step.peep_cmh2o < 5.0:
        return
    for reading in step.by_quantity.get(Quantity.PEEP_MEASURED, ()):
        if reading.value >= VANISHED_PEEP * step.peep_cmh2o:
            continue
        in_kpa = abs(CMH2O_PER_KPA * reading.value / step.peep_cmh2o - 1.0) <= _SLIP_TOLERANCE
        volumes = [
            one.value / middle
            for quantity, middle in middles.items()
            for one in step.by_quantity.get(quantity, ())
            if middle and one.source == reading.source
        ]
        stood = bool(volumes) and min(volumes) >= STOOD_VOLUME
        oddity = OddReading.OPENED if not stood else OddReading.UNIT_SLIP if in_kpa else OddReading.CONTRADICTED
        yield Cut(oddity, reading.start_s, reading.source, Quantity.PEEP_MEASURED, reading.value)


def _pressure_stood(step: StepReadings, reading: Reading, lead: Quantity, *, needed: bool = False) -> bool:
    """Whether the pressures of the same row were as high as in the other rows.

    Args:
        needed: whether a row without any pressure shows none; else it says nothing against the breath.
    """
    if lead in CHARTED and not needed:
        return True
    stood = []
    for quantity in dict.fromkeys((lead, Quantity.PLATEAU_PRESSURE, Quantity.PEAK_PRESSURE)):
        found = () if quantity in CHARTED else step.by_quantity.get(quantity, ())
        own = [_above_peep(step, one, quantity) for one in found if _same_row(one, reading)]
        others = [_above_peep(step, one, quantity) for one in found if not _same_row(one, reading)]
        if own and others:
            stood.append(min(own) >= STOOD_PRESSURE * median(others))
    return all(stood) if stood else not needed


def _same_row(one: Reading, other: Reading) -> bool:
    return one.source == other.source or abs(one.start_s - other.start_s) < SAME_ROW_S


def odd_remarks(limb: Sequence[StepReadings], cuts: Sequence[Sequence[Cut]]) -> tuple[Observed, ...]:
    """One remark per step and kind of oddity."""
    found = []
    for step, step_cuts in zip(limb, cuts, strict=True):
        for oddity in OddReading:
            own = [cut for cut in step_cuts if cut.oddity is oddity]
            if own:
                first = min(own, key=lambda cut: cut.at_s)
                found.append(Observed(oddity.value, _remark(step, oddity, first), first.at_s, step.peep_cmh2o))
    return tuple(found)


def _remark(step: StepReadings, oddity: OddReading, first: Cut) -> Message:
    peep = round(step.peep_cmh2o, 1)
    if oddity is OddReading.OPENED:
        return message("observed.opened-at-step", peep_cmh2o=peep)
    if oddity is OddReading.ODD_BREATH:
        return message("observed.odd-breath", peep_cmh2o=peep, volume_ml=round(first.value))
    if oddity is OddReading.UNIT_SLIP:
        quantity = first.quantity
        return message(
            "observed.unit-slip", peep_cmh2o=peep, value=first.value, unit=quantity.unit, quantity=quantity.slug
        )
    return message("observed.measured-peep-contradicted", peep_cmh2o=peep, measured_cmh2o=round(first.value, 1))


def settled_from_s(step: StepReadings, leads: Sequence[Reading], before_s: float | None, protocol: Protocol) -> float:
    """From when on the readings of a step have settled, as well as the record tells.

    A PEEP charted on its own is the change. A PEEP charted together with a pressure was changed some time before,
    after the last reading of the step above: the middle of that gap stands for it.

    Args:
        before_s: last reading of any kind before this step; None where there is none.
    """
    first = step.peep_readings[0]
    if all(lead.source != first.source and lead.start_s != first.start_s for lead in leads):
        changed_s = first.start_s
    else:
        changed_s = float("-inf") if before_s is None else 0.5 * (before_s + first.start_s)
    return changed_s + protocol.settling_s


def dropped_leads(
    limb: Sequence[StepReadings],
    index: int,
    recipe: Recipe,
    cuts: Sequence[Cut],
    span_s: tuple[float, float],
    settled_s: float,
    protocol: Protocol,
) -> list[tuple[Reading, Message]]:
    """The leading readings of one step that must not become samples, each with its reason.

    Args:
        cuts: readings of this step that do not go with the others.
        span_s: earliest and latest time that still belongs to the trial.
    """
    step = limb[index]
    leads = step.by_quantity.get(recipe.lead, ())
    settled = any(reading.at_s >= settled_s for reading in leads)
    ceiling = _recruiting_above(limb, recipe) if index == 0 else None
    dropped: list[tuple[Reading, Message]] = []
    for lead in leads:
        odd = next((cut for cut in cuts if _spoils(cut, lead, recipe)), None)
        if odd is not None:
            reason = _REASONS[odd.oddity]
        elif not span_s[0] <= lead.at_s <= span_s[1]:
            reason = message("unused.far-away", minutes=protocol.longest_step_s / 60)
        elif ceiling is not None and _above_peep(step, lead, recipe.lead) > ceiling:
            reason = message("unused.recruiting")
        elif settled and lead.at_s < settled_s:
            reason = message("unused.unsettled", settling_s=protocol.settling_s)
        else:
            continue
        dropped.append((lead, reason))
    return dropped


def _spoils(cut: Cut, lead: Reading, recipe: Recipe) -> bool:
    """Whether an odd reading takes a leading one with it: an open circuit does, a volume only where it is paired."""
    if lead.source != cut.source and abs(lead.start_s - cut.at_s) >= SAME_ROW_S:
        return False
    return cut.oddity is OddReading.OPENED or cut.quantity is recipe.volume


def _above_peep(step: StepReadings, lead: Reading, quantity: Quantity) -> float:
    """Inspiratory pressure above set PEEP of a leading pressure."""
    return lead.value if quantity in ABOVE_PEEP else lead.value - step.peep_cmh2o


def _recruiting_above(limb: Sequence[StepReadings], recipe: Recipe) -> float | None:
    """Pressure above PEEP beyond which the first step was still recruiting; None where that cannot be seen."""
    if recipe.lead in CHARTED:
        return None
    following = [_above_peep(limb[1], lead, recipe.lead) for lead in limb[1].by_quantity.get(recipe.lead, ())]
    return median(following) + STILL_RECRUITING_CMH2O if following else None
