"""How severe is this ARDS by oxygenation, by two definitions, from which readings and how old are they?

The definitions also ask for onset within a week, bilateral opacities and oedema not fully explained by the heart. A
clinician judges those; they are named each time. A reading that is too old to speak of now, or that cannot be true, is
shown and not used.

Sources: Berlin definition, JAMA 2012;307:2526-33 (reprinted tables read); global definition, Matthay et al, Am J
Respir Crit Care Med 2024;209:37-47 (abstract and a summary of the criteria read).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import inf
from typing import Final, NamedTuple

from ebbmark.physiology.before.shown_inputs import ShownInput, shown
from ebbmark.physiology.formulas.gas_exchange import (
    HIGHEST_INFORMATIVE_SPO2_PERCENT,
    GasDoubt,
    Oxygenation,
    berlin_class,
    doubt_of,
    global_class_from_pf,
    global_class_from_sf,
    is_doubted,
    pf_ratio_at_altitude_mmhg,
    pf_ratio_mmhg,
    sf_ratio,
)
from ebbmark.physiology.message import Message, Value, joined, message
from ebbmark.physiology.readings import Quantity, Reading
from ebbmark.physiology.timeline import PEEP, SETTLES_S, InForce, breathed_at, in_force_at, span

__all__ = [
    "ALSO_NEEDED",
    "GAS_SPEAKS_S",
    "ArdsClass",
    "ards_classes",
    "gas_doubts",
    "latest",
    "severity_words",
]

ALSO_NEEDED: Final = message("ards.also-needed")
GAS_SPEAKS_S: Final = 12 * 3600.0
"""A gas older than this classes nothing any more. This project's choice."""
SATURATION_SPEAKS_S: Final = 2 * 3600.0
"""Nor does a saturation older than this: it moves faster. This project's choice."""
_CLOCK_SLACK_S: Final = 900.0  # device clocks are minutes off; a reading further ahead than this is not used

_BERLIN_SOURCE: Final = "Berlin definition, JAMA 2012;307:2526-33"
_GLOBAL_SOURCE: Final = "global definition, Matthay et al, Am J Respir Crit Care Med 2024;209:37-47"


def severity_words(oxygenation: Oxygenation) -> Message:
    """The class in words."""
    return message(f"ards.{oxygenation.value}")


@dataclass(frozen=True, slots=True)
class ArdsClass:
    """The class by one definition and one ratio.

    Attributes:
        definition: "berlin-2012" or "global-2023".
        ratio_name: "P/F" or "S/F".
        oxygenation: the class; None where an input is missing, too old or in doubt.
        ratio: P/F [mmHg] or S/F [%], corrected for altitude where a barometric pressure was given; None if missing.
        inputs: the readings used, or found and not used.
        missing: what would be needed.
        citation: of the definition.
        sentence: the class, or why there is none.
    """

    definition: str
    ratio_name: str
    oxygenation: Oxygenation | None
    ratio: float | None
    inputs: tuple[ShownInput, ...]
    missing: tuple[Value, ...]
    citation: str
    sentence: Value

    @property
    def age_s(self) -> float:
        """Of the gas or the saturation [s]; infinite where there is none."""
        return self.inputs[0].age_s if self.inputs else inf


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
    pao2, doubts = latest(readings, Quantity.PAO2, at_s), gas_doubts(readings, at_s=at_s)
    gas = _paired(readings, pao2, _GAS, at_s, doubts)
    ratio = None
    if gas.fio2 is not None and gas.reading is not None:
        ratio = pf_ratio_mmhg(pao2_mmhg=gas.reading.value, fio2=gas.fio2.value)
        if barometric_pressure_mmhg is not None:
            ratio = pf_ratio_at_altitude_mmhg(pf_ratio_mmhg=ratio, barometric_pressure_mmhg=barometric_pressure_mmhg)
    peep = InForce(None, "", "") if pao2 is None else in_force_at(readings, PEEP, pao2.start_s)
    with_peep = (*gas.inputs, *([shown(peep.reading, at_s, how=peep.how)] if peep.reading is not None else []))
    no_peep = () if peep.reading is not None else (message("ards.peep-needed"),)
    berlin = None
    if ratio is not None and peep.reading is not None:
        berlin = berlin_class(pf_ratio_mmhg=ratio, peep_cmh2o=peep.reading.value)
    by_pf = None if ratio is None else global_class_from_pf(pf_ratio_mmhg=ratio)
    return (
        _answer("berlin-2012", "P/F", berlin, ratio, with_peep, (*gas.missing, *no_peep), _BERLIN_SOURCE),
        _answer("global-2023", "P/F", by_pf, ratio, gas.inputs, gas.missing, _GLOBAL_SOURCE),
        _by_saturation(readings, at_s, doubts),
    )


def gas_doubts(readings: Sequence[Reading], *, at_s: float) -> tuple[GasDoubt, ...]:
    """What cannot be true of the latest gas, if anything.

    Args:
        readings: of one patient, in any order.
        at_s: time of the question [s since 1970-01-01T00:00:00Z].

    Source: see `gas_doubts`.
    """
    pao2 = latest(readings, Quantity.PAO2, at_s)
    doubt = None if pao2 is None else doubt_of(readings, pao2)
    return () if doubt is None else (doubt,)


def latest(readings: Sequence[Reading], quantity: Quantity, at_s: float) -> Reading | None:
    """The latest reading of a quantity that is not from the future beyond what a device clock may be off."""
    usable = [r for r in readings if r.quantity is quantity and r.start_s <= at_s + _CLOCK_SLACK_S]
    return max(usable, key=lambda r: (r.start_s, r.source), default=None)


class _Kind(NamedTuple):
    """What is paired with FiO2: its name in the catalogue, and how old it may be [s]."""

    name: str
    speaks_s: float


_GAS: Final = _Kind("pao2", GAS_SPEAKS_S)
_SATURATION: Final = _Kind("spo2", SATURATION_SPEAKS_S)


class _Found(NamedTuple):
    """A gas or a saturation with its FiO2, both None where they may not be used; what was found; what is missing."""

    reading: Reading | None
    fio2: Reading | None
    inputs: tuple[ShownInput, ...]
    missing: tuple[Value, ...]


def _paired(
    readings: Sequence[Reading], found: Reading | None, kind: _Kind, at_s: float, doubts: Sequence[GasDoubt]
) -> _Found:
    if found is None:
        return _Found(None, None, (), (message(f"ards.{kind.name}"),))
    inputs = (shown(found, at_s),)
    if at_s - found.start_s > kind.speaks_s:
        old = span(at_s - found.start_s)
        too_old = message(f"ards.{kind.name}-too-old", hours=kind.speaks_s / 3600, age=old)
        return _Found(None, None, inputs, (too_old,))
    if is_doubted(found, doubts):
        return _Found(None, None, inputs, (message(f"ards.{kind.name}-in-doubt"),))
    fio2 = breathed_at(readings, found.start_s)
    if fio2.unsettled:
        settled = message(f"ards.{kind.name}-unsettled", minutes=SETTLES_S / 60, why=fio2.why_not)
        return _Found(None, None, inputs, (settled,))
    if fio2.reading is None:
        return _Found(None, None, inputs, (message(f"ards.{kind.name}-without-fio2", why=fio2.why_not),))
    return _Found(found, fio2.reading, (*inputs, shown(fio2.reading, at_s, how=fio2.how)), ())


def _by_saturation(readings: Sequence[Reading], at_s: float, doubts: Sequence[GasDoubt]) -> ArdsClass:
    found = latest(readings, Quantity.SPO2, at_s)
    spo2 = _paired(readings, found, _SATURATION, at_s, doubts)
    missing, ratio = spo2.missing, None
    if spo2.reading is not None and spo2.fio2 is not None:
        ratio = sf_ratio(spo2_percent=spo2.reading.value, fio2=spo2.fio2.value)
        if ratio is None:
            missing = (
                message(
                    "ards.spo2-too-high",
                    limit_percent=HIGHEST_INFORMATIVE_SPO2_PERCENT,
                    spo2_percent=spo2.reading.value,
                ),
            )
    oxygenation = None if ratio is None else global_class_from_sf(sf_ratio=ratio)
    return _answer("global-2023", "S/F", oxygenation, ratio, spo2.inputs, missing, _GLOBAL_SOURCE)


def _answer(
    definition: str,
    ratio_name: str,
    oxygenation: Oxygenation | None,
    ratio: float | None,
    inputs: tuple[ShownInput, ...],
    missing: tuple[Value, ...],
    citation: str,
) -> ArdsClass:
    by: dict[str, Value] = {"definition": message(f"ards.{definition}"), "ratio": ratio_name}
    sentence: Value
    if oxygenation is None or ratio is None:
        sentence = message("ards.cannot-be-judged", listed=joined("commas", missing), **by)
    elif oxygenation is Oxygenation.NOT_CLASSIFIED:
        sentence = message("ards.peep-below-5", value=round(ratio), **by)
    else:
        classed = message("ards.classed", value=round(ratio), severity=severity_words(oxygenation), **by)
        sentence = joined("sentences", [classed, *([message("ards.old")] if inputs[0].old else [])])
    return ArdsClass(definition, ratio_name, oxygenation, ratio, inputs, missing, citation, sentence)
