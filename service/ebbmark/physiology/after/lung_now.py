"""What forbids reading mechanics after a titration as better, or says that the lung needs more oxygen than before.

A patient who triggers breaths has no passive mechanics; FiO2 that was raised hides what saturation would have lost.
Source: this project's choice; each limit is that of the checks of a trial or has its own words.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from statistics import median
from typing import Final

from ebbmark.physiology.after.losses import BEFORE_S, LATEST_S, NOW_S
from ebbmark.physiology.after.measures import ASSUMED, Measure, Noise, noise_of_difference
from ebbmark.physiology.after.seen import Event, Seen
from ebbmark.physiology.after.snapshot import Snapshot
from ebbmark.physiology.patient.limits import LIMITS, OWN_CHOICE
from ebbmark.physiology.readings import Quantity, Reading
from ebbmark.physiology.timeline import FIO2, in_force_at

__all__ = ["oxygen_need", "triggers_now", "without_mechanics"]

_TOO_FULL_PERCENT: Final = 97.0
"""Above this saturation says little of oxygenation: the global definition of ARDS (2023) uses S/F up to 97 %."""

_NOISE: Final = Noise(0.04, 0.0, f"4 % of S/F, that of saturation with FiO2 as it is charted; {ASSUMED}")
_MECHANICS: Final = (
    Measure.COMPLIANCE,
    Measure.COMPLIANCE_DYNAMIC,
    Measure.DRIVING_PRESSURE,
    Measure.MECHANICAL_POWER,
)


def triggers_now(readings: Sequence[Reading], *, titrated_s: float, at_s: float) -> Seen | None:
    """Spontaneous breaths, a rate above its setting, or pressure support that is not known to be passive.

    Args:
        readings: of one patient, in any order.
        titrated_s: when PEEP was set [s since 1970-01-01T00:00:00Z].
        at_s: time of the question [s since 1970-01-01T00:00:00Z].
    """
    since_s = max(titrated_s, at_s - NOW_S)
    own = _latest(readings, Quantity.RESPIRATORY_RATE_SPONTANEOUS, since_s, at_s)
    measured = _latest(readings, Quantity.RESPIRATORY_RATE, since_s, at_s)
    support = _latest(readings, Quantity.PRESSURE_SUPPORT_SET, since_s, at_s)
    ordered = _latest(readings, Quantity.RESPIRATORY_RATE_SET, float("-inf"), at_s)
    if own is not None and own.value > LIMITS.spontaneous_per_min:
        shown, words = own, f"spontaneous rate {own.value:.0f} /min"
    elif (
        measured is not None and ordered is not None and measured.value - ordered.value > LIMITS.rate_above_set_per_min
    ):
        shown, words = measured, f"rate {measured.value:.0f} /min with {ordered.value:.0f} set"
    elif support is not None and support.value > 0.0 and (measured is None or ordered is None):
        shown, words = support, f"pressure support {support.value:.0f} cmH2O"
    else:
        return None
    event = Event.TRIGGERS
    return Seen(event, event.value, shown.at_s, shown.at_s, (shown.source,), OWN_CHOICE, {"words": words})


def without_mechanics(snapshot: Snapshot) -> Snapshot:
    """The same state without what holds for a passive patient only.

    Args:
        snapshot: of a patient who triggers breaths.
    """
    figures = dict(snapshot.figures)
    for measure in _MECHANICS:
        figures.pop(measure, None)
    not_known = {**snapshot.not_known, **dict.fromkeys(_MECHANICS, "the patient triggers breaths")}
    return replace(snapshot, figures=figures, not_known=not_known, plateau=None)


def oxygen_need(readings: Sequence[Reading], *, began_s: float | None, titrated_s: float, at_s: float) -> Seen | None:
    """FiO2 that was raised with saturation that did not rise with it: S/F now against that before the trial.

    Args:
        readings: of one patient, in any order.
        began_s: when PEEP was first moved for the trial; None where not known [s since 1970-01-01T00:00:00Z].
        titrated_s: when PEEP was set after it [s since 1970-01-01T00:00:00Z].
        at_s: time of the question [s since 1970-01-01T00:00:00Z].
    """
    spo2 = [one for one in readings if one.quantity is Quantity.SPO2 and one.at_s <= at_s]
    now = max(
        (one for one in spo2 if one.at_s >= max(titrated_s, at_s - LATEST_S)),
        key=lambda one: (one.at_s, one.source),
        default=None,
    )
    groups = [
        [one for one in spo2 if end_s - BEFORE_S <= one.at_s < end_s]
        for end_s in (began_s, titrated_s)
        if end_s is not None
    ]
    before = next((group for group in groups if group), [])
    if now is None or not before or now.value > _TOO_FULL_PERCENT:
        return None
    last = max(before, key=lambda one: (one.at_s, one.source))
    first_fio2, fio2 = (in_force_at(readings, FIO2, one.at_s).reading for one in (last, now))
    if first_fio2 is None or fio2 is None or fio2.value - first_fio2.value <= FIO2.same:
        return None
    then_percent = median(one.value for one in before)
    then, here = then_percent / first_fio2.value, now.value / fio2.value
    if then - here <= noise_of_difference(_NOISE, before=then, after=here, readings_before=len(before)):
        return None
    values = {
        "fio2_before": f"{100 * first_fio2.value:.0f}",
        "fio2_now": f"{100 * fio2.value:.0f}",
        "before": f"{then_percent:.0f}",
        "now": f"{now.value:.0f}",
    }
    sources = tuple(sorted({now.source, fio2.source}))
    return Seen(Event.OXYGENATION_LOST, "oxygen-need", now.at_s, now.at_s, sources, _NOISE.source, values)


def _latest(readings: Sequence[Reading], quantity: Quantity, from_s: float, until_s: float) -> Reading | None:
    of_it = [one for one in readings if one.quantity is quantity and from_s <= one.at_s <= until_s]
    return max(of_it, key=lambda one: (one.at_s, one.source), default=None)
