"""How severe is this ARDS by oxygenation, by two definitions, from which readings and how old are they?

The definitions also ask for onset within a week, bilateral opacities and oedema not fully explained by the heart. A
clinician judges those; they are named each time.

Sources: Berlin definition, JAMA 2012;307:2526-33 (reprinted tables read); global definition, Matthay et al, Am J
Respir Crit Care Med 2024;209:37-47 (abstract and a summary of the criteria read).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from ebbmark.physiology.formulas.gas_exchange import (
    HIGHEST_INFORMATIVE_SPO2_PERCENT,
    Oxygenation,
    berlin_class,
    global_class_from_pf,
    global_class_from_sf,
    pf_ratio_at_altitude_mmhg,
    pf_ratio_mmhg,
    sf_ratio,
)
from ebbmark.physiology.readings import Quantity, Reading

__all__ = ["ALSO_NEEDED", "ArdsClass", "ShownInput", "ards_classes", "latest", "setting_at"]

ALSO_NEEDED: Final = (
    "Onset within one week of a known insult, bilateral opacities and an oedema that the heart does not fully explain "
    "belong to the definition too; they are not among the readings and a clinician judges them."
)
SETTING_HOLDS_S: Final = 12 * 3600.0
"""A setting older than this is no longer taken as in force. This project's choice."""
OLD_AFTER_S: Final = 6 * 3600.0
"""A reading older than this is shown as old. This project's choice."""
_MEASURED_BESIDE_S: Final = 900.0  # a measured FiO2 belongs to a gas within a quarter of an hour; our choice
_AIR: Final = 0.2  # the definitions do not speak of mixtures with less oxygen than air
_CLOCK_SLACK_S: Final = 900.0  # device clocks are minutes off; a reading further ahead than this is not used

_BERLIN: Final = "Berlin definition, JAMA 2012;307:2526-33"
_GLOBAL: Final = "global definition, Matthay et al, Am J Respir Crit Care Med 2024;209:37-47"
_NAMES: Final = {
    Quantity.PAO2: "PaO2",
    Quantity.SPO2: "SpO2",
    Quantity.FIO2_SET: "FiO2 set",
    Quantity.FIO2_MEASURED: "FiO2 measured",
    Quantity.PEEP_SET: "PEEP set",
    Quantity.PEEP_MEASURED: "PEEP measured",
}
_WORDS: Final = {
    Oxygenation.SEVERE: "severe",
    Oxygenation.MODERATE: "moderate",
    Oxygenation.MILD: "mild",
    Oxygenation.ABOVE_THRESHOLD: "oxygenation better than any class of ARDS",
}


@dataclass(frozen=True, slots=True)
class ShownInput:
    """One reading that a class rests on.

    Attributes:
        reading: the reading itself, with its source index.
        age_s: before the time of the question; below zero where its clock ran ahead [s].
        old: more than six hours.
        sentence: value, unit and age in words.
    """

    reading: Reading
    age_s: float
    old: bool
    sentence: str


@dataclass(frozen=True, slots=True)
class ArdsClass:
    """The class by one definition and one ratio.

    Attributes:
        definition: "berlin-2012" or "global-2023".
        ratio_name: "P/F" or "S/F".
        oxygenation: the class; None where an input is missing.
        ratio: P/F [mmHg] or S/F [%], corrected for altitude where a barometric pressure was given; None if missing.
        inputs: the readings used.
        missing: what would be needed, in plain phrases.
        citation: of the definition.
        sentence: one or two plain sentences.
    """

    definition: str
    ratio_name: str
    oxygenation: Oxygenation | None
    ratio: float | None
    inputs: tuple[ShownInput, ...]
    missing: tuple[str, ...]
    citation: str
    sentence: str


def ards_classes(
    readings: Sequence[Reading], *, at_s: float, barometric_pressure_mmhg: float | None = None
) -> tuple[ArdsClass, ...]:
    """Class by Berlin (P/F), by the global definition (P/F), and by the global definition (S/F), in that order.

    Args:
        readings: of one intubated patient, in any order.
        at_s: time of the question [s since 1970-01-01T00:00:00Z].
        barometric_pressure_mmhg: at the bedside, where it lies above 1,000 m [mmHg].

    Returns:
        Three answers; each shows its inputs and their age, or what is missing.

    Source: see the module; the altitude factor is of the Berlin definition and used for P/F only.
    """
    pao2, fio2_of_gas, ratio = _pf(readings, at_s, barometric_pressure_mmhg)
    gas = [found for found in (pao2, fio2_of_gas) if found is not None]
    missing = _missing(pao2, fio2_of_gas, "PaO2", "gas")
    peep = None if pao2 is None else setting_at(readings, Quantity.PEEP_SET, pao2.start_s)
    if peep is None and pao2 is not None:
        peep = _beside(readings, Quantity.PEEP_MEASURED, pao2.start_s)
    with_peep = [*gas, peep] if peep is not None else gas
    no_peep = () if peep is not None else ("PEEP at the time of the gas",)
    berlin = None if ratio is None or peep is None else berlin_class(pf_ratio_mmhg=ratio, peep_cmh2o=peep.value)
    by_pf = None if ratio is None else global_class_from_pf(pf_ratio_mmhg=ratio)
    return (
        _answer("berlin-2012", "P/F", berlin, ratio, with_peep, (*missing, *no_peep), _BERLIN, at_s),
        _answer("global-2023", "P/F", by_pf, ratio, gas, missing, _GLOBAL, at_s),
        _by_saturation(readings, at_s),
    )


def latest(readings: Sequence[Reading], quantity: Quantity, at_s: float) -> Reading | None:
    """The latest reading of a quantity that is not from the future beyond what a device clock may be off."""
    usable = [r for r in readings if r.quantity is quantity and r.start_s <= at_s + _CLOCK_SLACK_S]
    return max(usable, key=lambda r: (r.start_s, r.source), default=None)


def setting_at(readings: Sequence[Reading], quantity: Quantity, at_s: float) -> Reading | None:
    """The setting in force at a time: the last one made before it, unless that is more than twelve hours ago."""
    made = [r for r in readings if r.quantity is quantity and at_s - SETTING_HOLDS_S <= r.start_s <= at_s]
    return max(made, key=lambda r: (r.start_s, r.source), default=None)


def _pf(
    readings: Sequence[Reading], at_s: float, barometric_mmhg: float | None
) -> tuple[Reading | None, Reading | None, float | None]:
    pao2 = latest(readings, Quantity.PAO2, at_s)
    fio2 = None if pao2 is None else _fio2_at(readings, pao2.start_s)
    if pao2 is None or fio2 is None:
        return pao2, fio2, None
    ratio = pf_ratio_mmhg(pao2_mmhg=pao2.value, fio2=fio2.value)
    if barometric_mmhg is not None:
        ratio = pf_ratio_at_altitude_mmhg(pf_ratio_mmhg=ratio, barometric_pressure_mmhg=barometric_mmhg)
    return pao2, fio2, ratio


def _by_saturation(readings: Sequence[Reading], at_s: float) -> ArdsClass:
    spo2 = latest(readings, Quantity.SPO2, at_s)
    fio2 = None if spo2 is None else _fio2_at(readings, spo2.start_s)
    inputs = [found for found in (spo2, fio2) if found is not None]
    missing = _missing(spo2, fio2, "SpO2", "saturation")
    ratio = None
    if spo2 is not None and fio2 is not None:
        ratio = sf_ratio(spo2_percent=spo2.value, fio2=fio2.value)
        if ratio is None:
            missing = (
                f"an SpO2 of {HIGHEST_INFORMATIVE_SPO2_PERCENT:g} % or less (it is {spo2.value:g} %, and above that "
                "the ratio says nothing)",
            )
    oxygenation = None if ratio is None else global_class_from_sf(sf_ratio=ratio)
    return _answer("global-2023", "S/F", oxygenation, ratio, inputs, missing, _GLOBAL, at_s)


def _fio2_at(readings: Sequence[Reading], at_s: float) -> Reading | None:
    found = setting_at(readings, Quantity.FIO2_SET, at_s) or _beside(readings, Quantity.FIO2_MEASURED, at_s)
    return found if found is not None and found.value >= _AIR else None


def _beside(readings: Sequence[Reading], quantity: Quantity, at_s: float) -> Reading | None:
    near = [r for r in readings if r.quantity is quantity and abs(r.start_s - at_s) <= _MEASURED_BESIDE_S]
    return min(near, key=lambda r: (abs(r.start_s - at_s), r.source), default=None)


def _missing(measured: Reading | None, fio2: Reading | None, words: str, beside: str) -> tuple[str, ...]:
    if measured is None:
        return (words,)
    return () if fio2 is not None else (f"FiO2 at the time of the {beside}",)


def _answer(
    definition: str,
    ratio_name: str,
    oxygenation: Oxygenation | None,
    ratio: float | None,
    inputs: Sequence[Reading],
    missing: tuple[str, ...],
    citation: str,
    at_s: float,
) -> ArdsClass:
    shown = tuple(_shown(reading, at_s) for reading in inputs)
    name = "Berlin definition" if definition == "berlin-2012" else "Global definition"
    if oxygenation is None or ratio is None:
        sentence = f"{name} by {ratio_name}: cannot be judged; missing: {', '.join(missing)}."
    elif oxygenation is Oxygenation.NOT_CLASSIFIED:
        sentence = f"{name} by {ratio_name} ({ratio:.0f}): not classified, since PEEP is below 5 cmH2O."
    else:
        old = " The readings are old." if any(one.old for one in shown) else ""
        sentence = f"{name} by {ratio_name} ({ratio:.0f}): {_WORDS[oxygenation]}.{old}"
    return ArdsClass(definition, ratio_name, oxygenation, ratio, shown, missing, citation, sentence)


def _shown(reading: Reading, at_s: float) -> ShownInput:
    age_s = at_s - reading.start_s
    if age_s < 0:
        age = f"stamped {-age_s / 60:.0f} min after the time of the question: one of the clocks is off"
    else:
        age = f"{age_s / 60:.0f} min old" if age_s < 5400 else f"{age_s / 3600:.1f} h old"
    unit = (
        "" if reading.quantity.unit in ("1", "[pH]") else f" {reading.quantity.unit.replace('[', '').replace(']', '')}"
    )
    name = _NAMES.get(reading.quantity, reading.quantity.slug.replace("-", " "))
    return ShownInput(reading, age_s, age_s > OLD_AFTER_S, f"{name} {reading.value:g}{unit}, {age}")
