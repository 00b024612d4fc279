"""Compliance, pressures, gas exchange and circulation in one stretch of time.

Each figure is computed from the middle values of that stretch, and names the inputs that it came from; each gas is
paired with the FiO2 that was breathed when it was drawn. What cannot be computed is listed with the reason; nothing is
filled in. Source: Berlin definition, JAMA 2012;307:2526-33, for P/F; each other formula has its own (`mechanics`,
`gas_exchange`).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from statistics import median
from typing import Final

from ebbmark.physiology.after.comparison import Figure, Measure, Snapshot
from ebbmark.physiology.findings import Message, message
from ebbmark.physiology.gas_exchange import doubt_of, pf_ratio_mmhg, ventilatory_ratio
from ebbmark.physiology.mechanics import (
    driving_pressure_cmh2o,
    dynamic_compliance_ml_per_cmh2o,
    mechanical_power_pressure_control_j_per_min,
    mechanical_power_volume_control_j_per_min,
    static_compliance_ml_per_cmh2o,
)
from ebbmark.physiology.readings import Quantity, Reading
from ebbmark.physiology.timeline import FIO2, SETTLES_S, breathed_at, setting_at
from ebbmark.physiology.trial.limb import SAME_PEEP_CMH2O

_VOLUMES = (Quantity.TIDAL_VOLUME_EXPIRED, Quantity.TIDAL_VOLUME_UNSTATED, Quantity.TIDAL_VOLUME_INSPIRED)
_RATES = (Quantity.RESPIRATORY_RATE, Quantity.RESPIRATORY_RATE_SET)
MOST_GASES: Final = 100
"""No patient has more arterial gases in one stretch: they are something else, and pairing each costs. This project's
choice."""
_SETTINGS = frozenset(quantity for quantity in Quantity if quantity.slug.endswith("-set"))


class NotKnown(Exception):
    """A figure cannot be computed."""

    def __init__(self, why: Message) -> None:
        super().__init__(why.identifier)
        self.why = why


Middles = Mapping[Quantity, Figure]  # middle value of each quantity in one stretch of time


def _middles_of(readings: Sequence[Reading], from_s: float, until_s: float) -> dict[Quantity, Figure]:
    """Middle value of each quantity over the readings whose middle lies in the stretch, ends included.

    A setting holds until it is changed: where none was charted in the stretch, the one in force at its start counts.
    """
    grouped: dict[Quantity, list[Reading]] = {}
    for reading in readings:
        if from_s <= reading.at_s <= until_s:
            grouped.setdefault(reading.quantity, []).append(reading)
    for quantity in _SETTINGS - grouped.keys():
        in_force = setting_at(readings, quantity, from_s)
        if in_force is not None:
            grouped[quantity] = [in_force]
    return {quantity: _middle(group) for quantity, group in grouped.items()}


def _middle(group: Sequence[Reading]) -> Figure:
    is_setting = group[0].quantity in _SETTINGS
    values = [reading.value for reading in group]
    sources = tuple(sorted({reading.source for reading in group}))
    return Figure(median(values), len(group), sources, max(values) - min(values), is_setting)


def _first(middles: Middles, quantities: Sequence[Quantity]) -> Figure | None:
    return next((middles[quantity] for quantity in quantities if quantity in middles), None)


def _baseline(middles: Middles) -> Figure | None:
    """Total PEEP where known, else set, else measured; None where none was sent [cmH2O].

    Raises:
        NotKnown: set PEEP was changed within the stretch.
    """
    settings = middles.get(Quantity.PEEP_SET)
    if settings is not None and settings.spread >= SAME_PEEP_CMH2O:
        raise NotKnown(message("not-known.peep-changed"))
    if Quantity.PEEP_TOTAL in middles:
        return middles[Quantity.PEEP_TOTAL]
    peep = _first(middles, (Quantity.PEEP_SET, Quantity.PEEP_MEASURED))
    intrinsic = middles.get(Quantity.PEEP_INTRINSIC)
    if peep is None or intrinsic is None:
        return peep
    return _computed(peep.value + intrinsic.value, peep, intrinsic)


def _needed(figure: Figure | None, what: str) -> Figure:
    if figure is None:
        raise NotKnown(message(f"not-known.{what}"))
    return figure


def _above_zero(value: float, what: str) -> float:
    if value <= 0:
        raise NotKnown(message(f"not-known.{what}-not-above-zero"))
    return value


def _computed(value: float, *parts: Figure) -> Figure:
    """A computed figure, with the inputs of its parts and the fewest readings of those that were measured."""
    sources = sorted({source for part in parts for source in part.sources})
    measured = [part.readings for part in parts if not part.is_setting]
    return Figure(value, min(measured, default=1), tuple(sources))


def _driving_pressure(middles: Middles, _pbw_kg: float) -> Figure:
    plateau = middles.get(Quantity.PLATEAU_PRESSURE)
    peep = _baseline(middles)
    if plateau is not None and peep is not None:
        _above_zero(plateau.value - peep.value, "plateau-less-peep")
        value = driving_pressure_cmh2o(plateau_cmh2o=plateau.value, total_peep_cmh2o=peep.value)
        return _computed(value, plateau, peep)
    charted = middles.get(Quantity.DRIVING_PRESSURE)
    return _needed(charted, "no-driving-pressure")


def _compliance(middles: Middles, pbw_kg: float) -> Figure:
    volume = _first(middles, _VOLUMES)
    if volume is not None and (Quantity.PLATEAU_PRESSURE in middles or Quantity.DRIVING_PRESSURE in middles):
        driving = _driving_pressure(middles, pbw_kg)
        compliance = static_compliance_ml_per_cmh2o(
            tidal_volume_ml=_above_zero(volume.value, "tidal-volume"), plateau_cmh2o=driving.value, total_peep_cmh2o=0.0
        )
        return _computed(compliance, volume, driving)
    return _needed(middles.get(Quantity.COMPLIANCE_STATIC), "no-static-compliance")


def _compliance_dynamic(middles: Middles, _pbw_kg: float) -> Figure:
    volume, peak, peep = _first(middles, _VOLUMES), middles.get(Quantity.PEAK_PRESSURE), _baseline(middles)
    if volume is not None and peak is not None and peep is not None:
        _above_zero(peak.value - peep.value, "peak-less-peep")
        compliance = dynamic_compliance_ml_per_cmh2o(
            tidal_volume_ml=_above_zero(volume.value, "tidal-volume"), peak_cmh2o=peak.value, peep_cmh2o=peep.value
        )
        return _computed(compliance, volume, peak, peep)
    return _needed(middles.get(Quantity.COMPLIANCE_DYNAMIC), "no-dynamic-compliance")


def _ventilatory_ratio(middles: Middles, pbw_kg: float) -> Figure:
    paco2 = _needed(middles.get(Quantity.PACO2), "no-paco2")
    minute = middles.get(Quantity.MINUTE_VOLUME_EXPIRED)
    if minute is None:
        volume, rate = _first(middles, _VOLUMES), _first(middles, _RATES)
        if volume is None or rate is None:
            raise NotKnown(message("not-known.no-minute-volume"))
        minute = _computed(volume.value * rate.value / 1000.0, volume, rate)
    ventilation = _above_zero(minute.value, "minute-volume")
    ratio = ventilatory_ratio(minute_volume_l_per_min=ventilation, paco2_mmhg=paco2.value, pbw_kg=pbw_kg)
    return _computed(ratio, paco2, minute)


def _mechanical_power(middles: Middles, pbw_kg: float) -> Figure:
    rate = _needed(_first(middles, _RATES), "no-rate")
    volume = _needed(_first(middles, _VOLUMES), "no-tidal-volume")
    peep = _needed(_baseline(middles), "no-peep")
    above = middles.get(Quantity.PRESSURE_ABOVE_PEEP_SET)
    if (above is None) == (Quantity.TIDAL_VOLUME_SET not in middles):
        raise NotKnown(message("not-known.control"))
    if above is not None:
        power = mechanical_power_pressure_control_j_per_min(
            rate_per_min=rate.value,
            tidal_volume_ml=volume.value,
            peep_cmh2o=peep.value,
            pressure_above_peep_cmh2o=above.value,
        )
        return _computed(power, rate, volume, peep, above)
    plateau = _needed(middles.get(Quantity.PLATEAU_PRESSURE), "no-plateau")
    peak = _needed(middles.get(Quantity.PEAK_PRESSURE), "no-peak")
    if not peep.value < plateau.value <= peak.value:
        raise NotKnown(message("not-known.pressures-out-of-order"))
    power = mechanical_power_volume_control_j_per_min(
        rate_per_min=rate.value,
        tidal_volume_ml=volume.value,
        peep_cmh2o=peep.value,
        plateau_cmh2o=plateau.value,
        peak_cmh2o=peak.value,
    )
    return _computed(power, rate, volume, peep, plateau, peak)


_RECIPES: Final[dict[Measure, Callable[[Middles, float], Figure]]] = {
    Measure.COMPLIANCE: _compliance,
    Measure.COMPLIANCE_DYNAMIC: _compliance_dynamic,
    Measure.DRIVING_PRESSURE: _driving_pressure,
    Measure.PACO2: lambda middles, _: _needed(middles.get(Quantity.PACO2), "no-paco2"),
    Measure.VENTILATORY_RATIO: _ventilatory_ratio,
    Measure.MECHANICAL_POWER: _mechanical_power,
    Measure.MEAN_ARTERIAL_PRESSURE: lambda middles, _: _needed(
        middles.get(Quantity.MEAN_ARTERIAL_PRESSURE), "no-mean-arterial-pressure"
    ),
}


def _pf_figure(readings: Sequence[Reading], from_s: float, until_s: float) -> Figure:
    """The middle P/F of the gases of a stretch of time [mmHg]; FiO2 may lie before it.

    Raises:
        NotKnown: no gas of that time can be used; the text says why.
    """
    gases = [reading for reading in readings if reading.quantity is Quantity.PAO2 and from_s <= reading.at_s <= until_s]
    if not gases:
        raise NotKnown(message("not-known.no-pao2"))
    if len(gases) > MOST_GASES:
        raise NotKnown(message("not-known.too-many-gases", count=len(gases), most=MOST_GASES))
    oxygen = [reading for reading in readings if reading.quantity in (FIO2.setting, FIO2.measured)]
    saturations = [reading for reading in readings if reading.quantity is Quantity.SPO2]
    ratios: list[float] = []
    sources: set[int] = set()
    why_not = message("not-known.no-pao2")
    for gas in gases:
        doubt = doubt_of(saturations, gas)
        if doubt is not None:
            why = "not-known.gas-unit-in-doubt" if doubt.unit_slip else "not-known.gas-in-doubt"
            why_not = message(why, pao2_mmhg=gas.value)
            continue
        fio2 = breathed_at(oxygen, gas.start_s)
        if fio2.reading is None:
            why_not = (
                message("not-known.oxygen-unsettled", minutes=SETTLES_S / 60, why=fio2.why_not)
                if fio2.unsettled
                else message("not-known.oxygen", why=fio2.why_not)
            )
            continue
        ratios.append(pf_ratio_mmhg(pao2_mmhg=gas.value, fio2=fio2.reading.value))
        sources |= {gas.source, fio2.reading.source}
    if not ratios:
        raise NotKnown(why_not)
    return Figure(median(ratios), len(ratios), tuple(sorted(sources)))


def take_snapshot(readings: Sequence[Reading], *, pbw_kg: float, from_s: float, until_s: float) -> Snapshot:
    """Compute every figure that the readings of one stretch of time allow, ends included, and settings in force then.

    Source: each formula's own, see `mechanics` and `gas_exchange`.
    """
    middles = _middles_of(readings, from_s, until_s)
    figures: dict[Measure, Figure] = {}
    not_known: dict[Measure, Message] = {}
    for measure in Measure:
        try:
            if measure is Measure.PF_RATIO:
                figures[measure] = _pf_figure(readings, from_s, until_s)
            else:
                figures[measure] = _RECIPES[measure](middles, pbw_kg)
        except NotKnown as missing:
            not_known[measure] = missing.why
        except ValueError:
            not_known[measure] = message("not-known.impossible")
    volume = _first(middles, _VOLUMES)
    return Snapshot(
        from_s=from_s,
        until_s=until_s,
        figures=figures,
        not_known=not_known,
        peep=_peep(middles),
        plateau=middles.get(Quantity.PLATEAU_PRESSURE),
        tidal_volume=volume,
        tidal_volume_per_kg=None if volume is None else _computed(volume.value / pbw_kg, volume),
    )


def _peep(middles: Middles) -> Figure | None:
    try:
        return _baseline(middles)
    except NotKnown:
        return None


_MECHANICS: Final = (
    Measure.COMPLIANCE,
    Measure.COMPLIANCE_DYNAMIC,
    Measure.DRIVING_PRESSURE,
    Measure.MECHANICAL_POWER,
)


def without_mechanics(snapshot: Snapshot) -> Snapshot:
    """The same state without what holds for a passive patient only."""
    figures = dict(snapshot.figures)
    for measure in _MECHANICS:
        figures.pop(measure, None)
    not_known = {**snapshot.not_known, **dict.fromkeys(_MECHANICS, message("not-known.patient-triggers"))}
    return replace(snapshot, figures=figures, not_known=not_known, plateau=None)
