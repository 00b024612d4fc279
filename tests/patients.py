"""Invented trials with the patient beside the curve: vital signs and ventilator values per step."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from ebbmark.physiology.mechanics import Sex
from ebbmark.physiology.patient.context import PatientContext
from ebbmark.physiology.patient.titration import Titration, titrate
from ebbmark.physiology.protocols import DEFAULT_PROTOCOL, Protocol
from ebbmark.physiology.readings import Quantity, Reading
from ebbmark.physiology.trial.reading import read_trial
from ebbmark.physiology.trial.steps import Trial
from ebbmark.words.titration import worded
from trials import START_S, STEP_S, reading, staircase_down

PEEPS = (20, 18, 16, 14, 12, 10, 8, 6)
CLEAR = (38, 40, 41, 42, 41.5, 36, 31, 27)
"""Closing at 10."""

Values = Mapping[float, float] | float
"""One value for all steps, or one per PEEP."""


def beside(
    values: Mapping[Quantity, Values], peeps: Sequence[float] = PEEPS, *, after_s: float = 80.0
) -> list[Reading]:
    """Readings of the given quantities, one per step."""
    found: list[Reading] = []
    for quantity, given in values.items():
        for index, peep in enumerate(peeps):
            value = given.get(peep) if isinstance(given, Mapping) else given
            if value is not None:
                found.append(reading(quantity, value, START_S + index * STEP_S + after_s, 2000 + len(found)))
    return found


def titrated(
    values: Mapping[Quantity, Values] | None = None,
    *,
    readings: Sequence[Reading] | None = None,
    more: Sequence[Reading] = (),
    peeps: Sequence[float] = PEEPS,
    compliances: Sequence[float] = CLEAR,
    known: PatientContext | None = None,
    protocol: Protocol = DEFAULT_PROTOCOL,
    height_cm: float = 175.0,
) -> Titration:
    """The titration of a limb with this beside it, in words."""
    limb = list(readings) if readings is not None else staircase_down(peeps, compliances)
    every = [*limb, *beside(values or {}, peeps), *more]
    trial = read_trial(every, protocol)
    assert isinstance(trial, Trial), trial
    return worded(titrate(trial, every, height_cm=height_cm, sex=Sex.MALE, protocol=protocol, patient=known))


def slugs(titration: Titration, *weights: str) -> list[str]:
    return [finding.slug for finding in titration.findings if not weights or finding.weight.value in weights]


def without(readings: Sequence[Reading], *quantities: Quantity) -> list[Reading]:
    return [one for one in readings if one.quantity not in quantities]


def scaled(readings: Sequence[Reading], quantity: Quantity, factor: float) -> list[Reading]:
    return [replace_value(one, one.value * factor) if one.quantity is quantity else one for one in readings]


def replace_value(one: Reading, value: float) -> Reading:
    return one._replace(value=value)
