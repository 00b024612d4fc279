"""The curve of a limb: one compliance per breath or charted row, and which readings must not become one.

Static compliance is tidal volume over plateau pressure less total PEEP (Suter et al, N Engl J Med 1975;292:284-9);
dynamic compliance takes peak pressure instead. Which of several sources is taken is decided once for a whole limb,
so that a step of the curve can never come from a change of source. Artefacts are no sample of the lung at a step: an
open circuit, a slip of the unit, an odd breath, a reading taken too early or while the lung was still recruiting.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from enum import Enum
from math import hypot
from operator import itemgetter
from statistics import median

from ebbmark.physiology.findings import Message, Value, message
from ebbmark.physiology.mechanics import dynamic_compliance_ml_per_cmh2o, static_compliance_ml_per_cmh2o
from ebbmark.physiology.protocols import Protocol
from ebbmark.physiology.readings import Quantity, Reading
from ebbmark.physiology.trial.steps import (
    ABOVE_PEEP,
    CHARTED,
    KIND_OF_LEAD,
    VOLUMES,
    ComplianceKind,
    Observed,
    Recipe,
    Sample,
    StepReadings,
    observed,
)

LEAST_COMPLIANCE, LARGEST_COMPLIANCE = 3.0, 200.0
"""Range of an adult's respiratory system, generously [mL/cmH2O]; a value beyond it is a mistake of unit or of entry.
This project's choice."""

COVERAGE = 0.8
"""A preferred source is taken when it covers this share of the steps that the best-covering source covers."""


def choose_recipe(steps: Sequence[StepReadings], set_volumes: Sequence[Reading]) -> Recipe | None:
    """Choose the sources for a whole limb.

    Args:
        set_volumes: every tidal volume setting of the record in order of time; a setting holds until changed.

    Returns:
        The first recipe in order of preference that covers nearly as many steps as the best one; None if none
        covers any step.
    """
    covered: list[tuple[int, Quantity, Quantity | None]] = []
    for lead in KIND_OF_LEAD:
        led = [step for step in steps if step.by_quantity.get(lead)]
        volumes: tuple[Quantity | None, ...] = (None,) if lead in CHARTED else VOLUMES
        for volume in volumes if led else ():
            held = volume is None or (volume is Quantity.TIDAL_VOLUME_SET and bool(set_volumes))
            count = sum(1 for step in led if held or (volume is not None and step.by_quantity.get(volume)))
            if count:
                covered.append((count, lead, volume))
    if not covered:
        return None
    enough = COVERAGE * max(count for count, _, _ in covered)
    _, lead, volume = next(row for row in covered if row[0] >= enough)
    return Recipe(lead, KIND_OF_LEAD[lead], volume, _baseline(steps, lead))


def _baseline(steps: Sequence[StepReadings], lead: Quantity) -> Quantity | None:
    """Total or intrinsic PEEP, if known in every step that has a leading reading."""
    relevant = [step for step in steps if step.by_quantity.get(lead)]
    for quantity in (Quantity.PEEP_TOTAL, Quantity.PEEP_INTRINSIC):
        if all(step.by_quantity.get(quantity) for step in relevant):
            return quantity
    return None


def samples_of(
    step: StepReadings, leads: Sequence[Reading], recipe: Recipe, set_volumes: Sequence[Reading]
) -> tuple[list[Sample], list[Reading], list[tuple[Reading, Message]]]:
    """Make the samples of one step.

    Each leading reading is paired with the volume and the baseline of the same input resource or instant, else with
    the nearest in time within the step.

    Args:
        leads: the leading readings that may become samples.

    Returns:
        The samples; the readings that they are made of; the leading readings that gave none, each with its reason.
    """
    samples: list[Sample] = []
    used: list[Reading] = []
    unused: list[tuple[Reading, Message]] = []
    volume_is_set = recipe.volume is Quantity.TIDAL_VOLUME_SET
    volume_for = _nearest(() if recipe.volume is None else step.by_quantity.get(recipe.volume, ()))
    baseline_for = _nearest(() if recipe.baseline is None else step.by_quantity.get(recipe.baseline, ()))
    peep_starts = [reading.start_s for reading in step.peep_readings]
    for lead in leads:
        governing = step.peep_readings[max(bisect_right(peep_starts, lead.start_s) - 1, 0)]
        parts = [lead, governing]
        volume = pressure = volume_from = None
        baseline = step.peep_cmh2o
        held = baseline_for(lead)
        if held is not None:
            parts.append(held)
            baseline = held.value + (step.peep_cmh2o if recipe.baseline is Quantity.PEEP_INTRINSIC else 0.0)
        compliance = lead.value
        if recipe.volume is not None:
            paired = volume_for(lead)
            if paired is None and volume_is_set:
                index = bisect_right(set_volumes, lead.start_s, key=itemgetter(2)) - 1
                paired = set_volumes[index] if index >= 0 else None
            if paired is None:
                unused.append((lead, message("unused.no-tidal-volume")))
                continue
            parts.append(paired)
            volume = paired.value
            if not volume_is_set:
                volume_from = (paired.source, paired.start_s)
            pressure = _pressure(lead, step.peep_cmh2o, baseline)
            compliance = _compliance(recipe.kind, volume, pressure, baseline)
        if not LEAST_COMPLIANCE <= compliance <= LARGEST_COMPLIANCE:
            unused.append((lead, _impossible(lead, volume, baseline, compliance)))
            continue
        sources = dict.fromkeys([part.source for part in parts])
        samples.append(Sample(compliance, volume, pressure, baseline, lead.at_s, tuple(sources), volume_from))
        used += parts
    return samples, used, unused


def _nearest(readings: Sequence[Reading]) -> Callable[[Reading], Reading | None]:
    """Find by the reading that it goes with: the one of the same input or instant, else the nearest in time."""
    by_source = {reading.source: reading for reading in readings}
    by_start = {reading.start_s: reading for reading in readings}

    def nearest(lead: Reading) -> Reading | None:
        partner = by_source.get(lead.source) or by_start.get(lead.start_s)
        if partner is None and readings:
            start_s = lead.start_s
            return min(readings, key=lambda one: (abs(one.start_s - start_s), one.start_s, one.value))
        return partner

    return nearest


def _compliance(kind: ComplianceKind, volume_ml: float, pressure_cmh2o: float, baseline_cmh2o: float) -> float:
    """Static or dynamic compliance [mL/cmH2O]; zero where volume and pressures give none."""
    if volume_ml <= 0.0 or pressure_cmh2o <= baseline_cmh2o:
        return 0.0
    if kind.static:
        return static_compliance_ml_per_cmh2o(
            tidal_volume_ml=volume_ml, plateau_cmh2o=pressure_cmh2o, total_peep_cmh2o=baseline_cmh2o
        )
    return dynamic_compliance_ml_per_cmh2o(
        tidal_volume_ml=volume_ml, peak_cmh2o=pressure_cmh2o, peep_cmh2o=baseline_cmh2o
    )


def _pressure(lead: Reading, peep_cmh2o: float, baseline_cmh2o: float) -> float:
    """Airway pressure at the end of inspiration that a leading reading stands for."""
    if lead.quantity is Quantity.DRIVING_PRESSURE:
        return baseline_cmh2o + lead.value  # plateau less total PEEP
    if lead.quantity is Quantity.PRESSURE_ABOVE_PEEP_SET:
        return peep_cmh2o + lead.value  # set above set PEEP
    return lead.value


def _impossible(lead: Reading, volume: float | None, baseline: float, compliance: float) -> Message:
    """Why a leading reading gives no compliance that a respiratory system could have."""
    possible = {"least": LEAST_COMPLIANCE, "largest": LARGEST_COMPLIANCE}
    if volume is None:
        return message("unused.impossible-charted", compliance=compliance, **possible)
    made_of = {"value": lead.value, "baseline_cmh2o": round(baseline, 1), "volume_ml": volume}
    if compliance == 0.0:
        return message("unused.gives-none", **made_of)
    return message("unused.impossible", compliance=f"{compliance:.3g}", **made_of, **possible)


def resolution_of(samples: Sequence[Sample], recipe: Recipe, leads: Sequence[float]) -> float:
    """Relative standard deviation of one compliance that comes from rounding of the charted values alone.

    A value rounded to a quantum q carries a uniform error of standard deviation q divided by the square root of 12.

    Args:
        leads: the leading values as read (pressure [cmH2O] or compliance [mL/cmH2O]).
    """
    if not samples or not leads:
        return 0.0
    if recipe.volume is None:
        middle = sorted(leads)[len(leads) // 2]
        return _quantum(leads, (1.0, 0.5, 0.1)) / 12**0.5 / middle
    above = [s.tidal_volume_ml / s.compliance_ml_per_cmh2o for s in samples if s.tidal_volume_ml]
    volumes = [s.tidal_volume_ml for s in samples if s.tidal_volume_ml]
    pressure_part = _quantum(leads, (1.0, 0.5, 0.1)) / 12**0.5 / sorted(above)[len(above) // 2]
    volume_part = _quantum(volumes, (50.0, 10.0, 5.0, 1.0)) / 12**0.5 / sorted(volumes)[len(volumes) // 2]
    return hypot(pressure_part, volume_part)


def _quantum(values: Sequence[float], quanta: Sequence[float]) -> float:
    """The coarsest of the quanta that all values are multiples of; 0 if none, or if all values are the same."""
    distinct = set(values)
    if len(distinct) > 1:
        for quantum in quanta:
            if all(abs(value / quantum - round(value / quantum)) < 1e-6 for value in distinct):
                return quantum
    return 0.0


# Limits of the artefact rules; each is our choice.
VANISHED_PEEP = 0.5  # measured PEEP below this share of a set PEEP of 5 or more: the circuit was open or leaking
VANISHED_VOLUME = 0.5  # a tidal volume below this share of the limb's middle value is gone or odd
STOOD_VOLUME = 0.8  # at least this share of the middle value in the same row: the circuit was closed
STOOD_PRESSURE = 0.7  # pressure above PEEP of at least this share of its middle in the same row: the breath was given
GONE_S = 10.0  # a volume that was gone for longer than this was no single breath
NO_VOLUME_ML = 50.0  # a volume below this is none: a breath was given only where a pressure of its row shows one
SAME_ROW_S = 1.0  # readings this near in time belong to one row
STILL_RECRUITING_CMH2O = 5.0  # pressure above PEEP this much higher than at the next step: still recruiting
_THOUSANDFOLD = (1 / 2000, 1 / 500)
_SLIP_TOLERANCE = 0.06
CMH2O_PER_KPA = 10.197162  # by the definitions of both units (BIPM, SI brochure: standard gravity 9.80665 m/s2)


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
    if not gone:
        return
    times = sorted({reading.start_s for _, reading in gone})
    longest_s = max((reading.end_s - reading.start_s for _, reading in gone))
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
        for oddity in OddReading if step_cuts else ():
            first = min((cut for cut in step_cuts if cut.oddity is oddity), key=lambda cut: cut.at_s, default=None)
            if first is not None:
                found.append(_remark(step, first))
    return tuple(found)


def _remark(step: StepReadings, first: Cut) -> Observed:
    slug, value = first.oddity.value, first.value
    peep = round(step.peep_cmh2o, 1)
    if first.oddity is OddReading.OPENED:
        return Observed(slug, message("observed.opened-at-step", peep_cmh2o=peep), first.at_s, step.peep_cmh2o)
    values: dict[str, Value] = {"measured_cmh2o": round(value, 1)}
    if first.oddity is OddReading.ODD_BREATH:
        values = {"volume_ml": round(value)}
    elif first.oddity is OddReading.UNIT_SLIP:
        values = {"value": value, "unit": first.quantity.unit, "quantity": first.quantity.slug}
    return observed(slug, first.at_s, step.peep_cmh2o, peep_cmh2o=peep, **values)


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
        odd = next((cut for cut in cuts if _spoils(cut, lead, recipe)), None) if cuts else None
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
