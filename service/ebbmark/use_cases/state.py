"""Before a trial: in which state is this patient, and how much vasopressor runs?"""

from __future__ import annotations

from ebbmark.fhir.answer import Amount, Part, Statement, Whole
from ebbmark.fhir.quantities import ACIDITY, BLOOD_PRESSURE, DOSE_RATE, PER_MINUTE, PERCENT, Unit
from ebbmark.fhir.reading.request import Request
from ebbmark.physiology.before.present_state import PresentState
from ebbmark.physiology.readings import Quantity
from ebbmark.physiology.vasopressors import dose_at
from ebbmark.use_cases.answer_builder import sentences
from ebbmark.words.messages import spell

__all__ = ["dose_of", "not_converted", "sources_of_dose", "state_statement"]

_STATE_PARTS: dict[Quantity, tuple[str, Unit]] = {
    Quantity.MEAN_ARTERIAL_PRESSURE: ("mean-arterial-pressure", BLOOD_PRESSURE),
    Quantity.SYSTOLIC_ARTERIAL_PRESSURE: ("systolic-arterial-pressure", BLOOD_PRESSURE),
    Quantity.HEART_RATE: ("heart-rate", PER_MINUTE),
    Quantity.SPO2: ("oxygen-saturation", PERCENT),
    Quantity.PH: ("arterial-ph", ACIDITY),
    Quantity.PACO2: ("arterial-carbon-dioxide", BLOOD_PRESSURE),
}

_NOT_LOOKED_FOR = (
    "Dopamine, phenylephrine and vasopressin are found by their ATC codes only; other vasopressors than these, "
    "noradrenaline and adrenaline are not looked for. Rates charted as Observations are not read."
)


def state_statement(state: PresentState, request: Request) -> Statement:
    """Circulation and gas exchange as they were read, each with its age, and vasopressors.

    Args:
        state: what the readings show.
        request: for vasopressors.
    """
    dose = dose_of(request)
    told, of_dose = _of_vasopressor(request)
    parts: list[Part] = [
        (code, Amount(one.reading.value, unit))
        for one in state.shown
        for code, unit in (_STATE_PARTS[one.reading.quantity],)
    ]
    if state.lowest_pressure is not None:
        parts.append(("lowest-mean-arterial-pressure", Amount(state.lowest_pressure.reading.value, BLOOD_PRESSURE)))
    if dose is not None:
        parts.append(("noradrenaline-equivalent", Amount(dose, DOSE_RATE)))
    inputs = (*state.shown, *([state.lowest_pressure] if state.lowest_pressure is not None else []))
    return Statement(
        kind="present-state",
        code="present-state",
        value=Whole(len(parts)),
        note=sentences(spell(state.sentence), told),
        method="Latest reading of the last 24 hours; lowest mean arterial pressure of the last hour (our choice)",
        sources=(*[one.reading.source for one in inputs], *of_dose),
        parts=tuple(parts),
    )


def dose_of(request: Request) -> float | None:
    """Vasopressor dose as noradrenaline equivalent: as it was sent, else as infusions show [mcg/kg/min]."""
    sent = request.asked.noradrenaline_equivalent_mcg_per_kg_per_min
    if sent is not None:
        return sent
    dose = dose_at(request.infusions, request.as_of_s)
    return None if dose is None else dose.mcg_per_kg_per_min


def not_converted(request: Request) -> tuple[str, ...]:
    """Vasopressors that run, or may run, and are in no dose: neither the sender's nor that of this service."""
    if request.asked.noradrenaline_equivalent_mcg_per_kg_per_min is not None:
        return ()
    dose = dose_at(request.infusions, request.as_of_s)
    return () if dose is None else (*dose.not_converted, *dose.doubled)


def sources_of_dose(request: Request) -> tuple[int, ...]:
    """Indices of the infusions that the dose rests on; none where it was sent as such."""
    if request.asked.noradrenaline_equivalent_mcg_per_kg_per_min is not None:
        return ()
    dose = dose_at(request.infusions, request.as_of_s)
    return () if dose is None else dose.sources


def _of_vasopressor(request: Request) -> tuple[str, tuple[int, ...]]:
    """What is known of vasopressors, in a sentence, and the inputs that show it."""
    sent = request.asked.noradrenaline_equivalent_mcg_per_kg_per_min
    dose = dose_at(request.infusions, request.as_of_s)
    told = "Vasopressors: not documented; that does not mean none." if dose is None else spell(dose.sentence)
    if sent is not None:
        said = f"Vasopressor dose as sent: {sent:g} mcg/kg/min of noradrenaline equivalent."
        told = said if dose is None else f"{said} Infusions of the record: {spell(dose.sentence)}"
    return (
        f"{told} {_NOT_LOOKED_FOR}",
        dose.sources if dose else (),
    )
