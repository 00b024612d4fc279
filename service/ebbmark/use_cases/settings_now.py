"""Where is this patient now: PEEP, the pressure above it, and what flow takes in resistance on top of that?

Settings come from the latest readings of the last twelve hours; what is older is no longer taken as in force. In volume
control at constant flow peak pressure lies above plateau pressure by flow times resistance, and keeps that distance
while volume and flow stay as they are; in pressure control the set pressure is the peak. Source: equation of motion.
"""

from __future__ import annotations

from ebbmark.fhir.reading.request import Request
from ebbmark.physiology.after.measures import Measure
from ebbmark.physiology.after.snapshot import take_snapshot
from ebbmark.physiology.before.plan_steps import Control, Settings
from ebbmark.physiology.formulas.body import predicted_body_weight_kg
from ebbmark.physiology.readings import Quantity, Reading
from ebbmark.physiology.timeline import SETTING_HOLDS_S
from ebbmark.physiology.trial.limb import same_setting
from ebbmark.use_cases.answer_builder import missing
from ebbmark.words.numbers import level

__all__ = ["settings_now"]

CONTRADICTION_CMH2O = 3.0
"""Measured PEEP this far from its setting: the setting is not the one in force. This project's choice."""

BESIDE_S = 900.0
"""Peak pressure this near in time to plateau pressure is of the same breaths. This project's choice."""

BELOW_CMH2O = 1.0
"""Peak pressure this far below the plateau cannot be true, since a plateau is no higher. This project's choice."""

_NOW_S = 3600.0
"""Compliance now is taken over the last hour of readings. This project's choice."""


def settings_now(request: Request) -> Settings:
    """Where this patient is now.

    Args:
        request: readings, height and sex.

    Raises:
        Rejected: PEEP, or the pressure above it, is not known.
    """
    weight_kg = predicted_body_weight_kg(request.known_person.height_cm, request.known_person.sex)
    now_s = request.as_of_s
    snapshot = take_snapshot(request.readings, pbw_kg=weight_kg, from_s=now_s - _NOW_S, until_s=now_s + _NOW_S)
    peep = _latest(request, Quantity.PEEP_SET) or _latest(request, Quantity.PEEP_MEASURED)
    if peep is None:
        accepted = "set PEEP of the last 12 hours (LOINC 20077-4)"
        raise missing(request, "no PEEP", accepted, f"To plan from where this patient is now, {accepted} is needed.")
    _refuse_contradicted(request, peep)
    figure = snapshot.figures.get(Measure.COMPLIANCE) or snapshot.figures.get(Measure.COMPLIANCE_DYNAMIC)
    above_cmh2o, resistive_cmh2o = _pressures(request, peep)
    return Settings(
        peep_cmh2o=peep.value,
        pressure_above_peep_cmh2o=above_cmh2o,
        pbw_kg=weight_kg,
        compliance_ml_per_cmh2o=figure.value if figure else None,
        resistive_cmh2o=resistive_cmh2o,
        control=_control(request),
    )


def _pressures(request: Request, peep: Reading) -> tuple[float, float | None]:
    """The end-inspiratory pressure above PEEP, and by how much peak pressure lies above that; None where not known.

    Of a setting and a pressure read since the larger one counts: a setting may have been charted long ago, and a plan
    from too small a pressure would pass the limits unseen. Without plateau pressure peak pressure stands for it.

    Raises:
        Rejected: no pressure above PEEP is known.
    """
    setting = _latest(request, Quantity.PRESSURE_ABOVE_PEEP_SET)
    plateau = _since_peep(request, peep, Quantity.PLATEAU_PRESSURE)
    peak = _since_peep(request, peep, Quantity.PEAK_PRESSURE, beside=plateau)
    read = plateau or peak
    above = max(
        (one for one in (setting.value if setting else None, read.value - peep.value if read else None) if one),
        default=None,
    )
    if above is None:
        accepted = (
            "the inspiratory pressure above PEEP: as it is set (LOINC 76152-8), or from plateau (76259-1) or peak "
            "pressure (76531-3) of the last 12 hours"
        )
        raise missing(request, "no pressure above PEEP", accepted, f"A plan needs {accepted}.")
    above = round(above, 1)
    contradicted = peak is not None and plateau is not None and peak.value < plateau.value - BELOW_CMH2O
    if peak is not None and not contradicted:
        return above, round(max(peak.value - peep.value - above, 0.0), 1)
    return above, 0.0 if _control(request) is Control.PRESSURE else None


def _control(request: Request) -> Control | None:
    """What is controlled, where one setting and not the other tells it."""
    pressure = _latest(request, Quantity.PRESSURE_ABOVE_PEEP_SET) is not None
    volume = _latest(request, Quantity.TIDAL_VOLUME_SET) is not None
    if pressure == volume:
        return None
    return Control.PRESSURE if pressure else Control.VOLUME


def _since_peep(
    request: Request, peep: Reading, quantity: Quantity, *, beside: Reading | None = None
) -> Reading | None:
    """The latest pressure above PEEP read since PEEP is what it is, or the one read beside another reading."""
    since_s = _since(request, peep)
    found = [
        one
        for one in request.readings
        if one.quantity is quantity
        and one.start_s >= max(since_s, request.as_of_s - SETTING_HOLDS_S)
        and one.value > peep.value
    ]
    if beside is None:
        return max(found, key=lambda one: (one.start_s, one.source), default=None)
    near = [one for one in found if abs(one.start_s - beside.start_s) <= BESIDE_S]
    # Of two equally near the higher one: what a ceiling is held against is not taken too low.
    return min(near, key=lambda one: (abs(one.start_s - beside.start_s), -one.value), default=None)


def _refuse_contradicted(request: Request, peep: Reading) -> None:
    """Refuse a plan from a PEEP setting that a later measurement contradicts.

    Raises:
        Rejected: set and measured PEEP differ by more than rounding and leaks explain.
    """
    measured = _latest(request, Quantity.PEEP_MEASURED)
    if peep.quantity is not Quantity.PEEP_SET or measured is None or measured.start_s < peep.start_s:
        return
    if abs(measured.value - peep.value) > CONTRADICTION_CMH2O:
        found = f"PEEP set {level(peep.value)} and measured since {level(measured.value)} cmH2O"
        sentence = f"{found[0].upper()}{found[1:]}: from which of them to plan is not known. Send the setting in force."
        raise missing(request, found, "a PEEP setting that agrees with what is measured", sentence)


def _since(request: Request, peep: Reading) -> float:
    """Since when PEEP has been what it is now [s since 1970-01-01T00:00:00Z]."""
    group = sorted((one for one in request.readings if one.quantity is peep.quantity), key=lambda one: one.start_s)
    since_s = peep.start_s
    for one in reversed(group):
        if not same_setting(one.value, peep.value):
            break
        since_s = one.start_s
    return since_s


def _latest(request: Request, quantity: Quantity) -> Reading | None:
    recent = [
        one for one in request.readings if one.quantity is quantity and one.start_s >= request.as_of_s - SETTING_HOLDS_S
    ]
    return max(recent, key=lambda one: (one.start_s, one.source), default=None)
