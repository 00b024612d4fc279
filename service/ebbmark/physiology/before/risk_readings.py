"""What in the readings themselves speaks against a trial?

The thresholds of mean arterial pressure and vasopressors come from one unit's public guide and are weak; those of
systolic pressure and saturation are a textbook's for stopping a manoeuvre, which nobody should begin beyond; that of a
low pH is where a published ventilation protocol lets go of its other limits; those of heart rate, high pH and carbon
dioxide are this project's own, so that no extreme is passed over; what lies beyond a stop limit in force is high risk;
those of breaths of the patient's own, trapped air and a leak are those of a titration; the others are exclusions of
one trial, which say that there is no evidence, not that there is harm.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Final

from ebbmark.physiology.before.ards_class import GAS_SPEAKS_S, latest
from ebbmark.physiology.before.present_state import RECENT_S, lowest_of_last_hour
from ebbmark.physiology.before.risk_concepts import Risk
from ebbmark.physiology.patient.breathing_checks import EFFORT_SOURCE
from ebbmark.physiology.patient.limits import COMMON_PRACTICE, LIMITS, OWN_CHOICE
from ebbmark.physiology.readings import Quantity, Reading
from ebbmark.physiology.stop.limits import DEFAULT_STOP_LIMITS, Limit, StopLimits
from ebbmark.physiology.timeline import SETTING_HOLDS_S, span_words

__all__ = ["OF_THE_DOSE", "READING_RISKS", "ReadingRisk", "breathing_risks", "risks_in_readings"]

_UNIT_GUIDE: Final = "a public unit guide, not a trial (read at second hand, weak)"
_TEXTBOOK: Final = "Pilbeam's Mechanical Ventilation, chapter 13 (read at second hand)"
_OURS: Final = "this project's own choice, no published source"
_ARDSNET: Final = "ARDS Network ventilation protocol (read in a stored summary)"
_TRIAL: Final = "exclusions of Kacmarek et al, Crit Care Med 2016;44:32-42, in Cochrane review CD006667"


@dataclass(frozen=True, slots=True)
class ReadingRisk:
    """One thing that the numbers show.

    Attributes:
        slug: stable name.
        risk: high or caution.
        value: the number, in the unit that its sentence names.
        source: index of the input; None for what came with the question.
        citation: of the threshold.
        sentence: one plain sentence.
    """

    slug: str
    risk: Risk
    value: float
    source: int | None
    citation: str
    sentence: str


def risks_in_readings(
    readings: Sequence[Reading],
    *,
    at_s: float,
    pbw_kg: float | None,
    age_years: float | None,
    body_mass_index: float | None,
    noradrenaline_equivalent_mcg_per_kg_per_min: float | None,
    not_converted: Sequence[str] = (),
    limits: StopLimits = DEFAULT_STOP_LIMITS,
) -> tuple[tuple[ReadingRisk, ...], list[str]]:
    """Compare the numbers with the thresholds that were read.

    Args:
        readings: of one patient, in any order.
        at_s: time of the question [s since 1970-01-01T00:00:00Z].
        pbw_kg: predicted body weight; None where not known [kg].
        age_years: None where not known [years].
        body_mass_index: None where not known [kg/m2].
        noradrenaline_equivalent_mcg_per_kg_per_min: None where not known [mcg/kg/min].
        not_converted: vasopressors that run and are not in that dose.
        limits: stop limits of the site; they count where they are signed.

    Returns:
        What was found, high risk first, and what was missing to look.

    Source: each threshold's own, see `ReadingRisk.citation`.
    """
    shown = {
        _MEAN: lowest_of_last_hour(readings, Quantity.MEAN_ARTERIAL_PRESSURE, at_s),
        _SYSTOLIC: lowest_of_last_hour(readings, Quantity.SYSTOLIC_ARTERIAL_PRESSURE, at_s),
        _SATURATION: _latest(readings, Quantity.SPO2, at_s, RECENT_S),
        _HEART_RATE: _latest(readings, Quantity.HEART_RATE, at_s, RECENT_S),
        _PH: _latest(readings, Quantity.PH, at_s, GAS_SPEAKS_S),
        _PACO2: _latest(readings, Quantity.PACO2, at_s, GAS_SPEAKS_S),
    }
    values = {
        **{words: None if one is None else one.value for words, one in shown.items()},
        "vasopressor dose": noradrenaline_equivalent_mcg_per_kg_per_min,
        "predicted body weight": pbw_kg,
        "age": age_years,
        "body mass index": body_mass_index,
    }
    found = []
    for threshold in (_as_signed(one, limits) for one in _THRESHOLDS):
        value = values[threshold.of]
        if value is not None and threshold.sign * (value - threshold.limit) > 0:
            reading = shown.get(threshold.of)
            when = "" if reading is None else _when(reading, readings, at_s)
            source = None if reading is None else reading.source
            sentence = threshold.sentence.format(value=round(value, 2), when=when)
            risk, beyond = _beyond_default(threshold, value, limits)
            sentence = f"{sentence}{beyond}"
            found.append(ReadingRisk(threshold.slug, risk, value, source, threshold.citation, sentence))
    found += breathing_risks(readings, at_s=at_s)
    if not_converted:
        named = " and ".join(not_converted)
        sentence = (
            f"{named[0].upper()}{named[1:]} {_runs(not_converted)}, so whether "
            "the vasopressor dose lies above 0.2 mcg/kg/min of noradrenaline, above which one unit's guide avoids "
            "manoeuvres, cannot be judged from here; a site that converts it sends noradrenaline-equivalent."
        )
        if not any(one.slug == "vasopressor-high" for one in found):
            found.append(ReadingRisk(NOT_CONVERTED, Risk.HIGH, float(len(not_converted)), None, _UNIT_GUIDE, sentence))
    # One pressure is enough to judge a circulation by; of extremes the present state says what was not sent.
    known = {_HEART_RATE, _PH, _PACO2, *([_SYSTOLIC] if shown[_MEAN] is not None else [])}
    return tuple(found), [words for words, value in values.items() if value is None and words not in known]


def _runs(not_converted: Sequence[str]) -> str:
    """What keeps them from being counted; of a second infusion of one drug it is that nobody knows whether both run."""
    several = len(not_converted) > 1
    if any(one.startswith("a second ") for one in not_converted):
        return f"{'are' if several else 'is'} charted as going on and not counted"
    return f"{'run and are' if several else 'runs and is'} not converted"


def _as_signed(threshold: _Threshold, limits: StopLimits) -> _Threshold:
    """The threshold, or the site's signed stop limit in its place."""
    limit: Limit | None = getattr(limits, _SIGNED_AS.get(threshold.slug, ""), None) if limits.signed else None
    stricter = limit is not None and threshold.sign * (limit.value - threshold.limit) < 0
    if limit is None or not (stricter or threshold.citation == _OURS):
        return threshold
    side, unit = ("above", "below")[threshold.sign < 0], _UNIT_OF[threshold.of]
    sentence = (
        f"{_WAS[threshold.of]} {{value:g}} {unit}{{when}}, {side} the signed stop limit of {limit.value:g} {unit}, "
        "so a trial would begin beyond it."
    )
    citation = f"stop limits version {limits.version}, signed by {limits.signed_by} ({limit.source})"
    return replace(threshold, limit=limit.value, risk=Risk.HIGH, sentence=sentence, citation=citation)


def _beyond_default(threshold: _Threshold, value: float, limits: StopLimits) -> tuple[Risk, str]:
    """A value beyond the default stop limit is high risk, whatever its threshold: a trial would begin there."""
    limit: Limit | None = getattr(limits, _SIGNED_AS.get(threshold.slug, ""), None)
    if limits.signed or limit is None or threshold.sign * (value - limit.value) <= 0 or threshold.risk is Risk.HIGH:
        return threshold.risk, ""
    unit = _UNIT_OF[threshold.of]
    return Risk.HIGH, f" A trial would begin beyond the stop limit of {limit.value:g} {unit} ({limit.source})."


def breathing_risks(readings: Sequence[Reading], *, at_s: float) -> list[ReadingRisk]:
    """Breaths of the patient's own, trapped air and a leak: a trial read under either says nothing sure of the lung.

    Args:
        readings: of one patient, in any order.
        at_s: time of the question [s since 1970-01-01T00:00:00Z].

    Source: as for the checks of a titration, `patient.limits`.
    """

    def newest(quantity: Quantity, speaks_s: float = RECENT_S) -> Reading | None:
        return _latest(readings, quantity, at_s, speaks_s)

    found = []
    support, ordered = newest(Quantity.PRESSURE_SUPPORT_SET, SETTING_HOLDS_S), newest(_Q_SET, SETTING_HOLDS_S)
    breathed, own = newest(Quantity.RESPIRATORY_RATE), newest(Quantity.RESPIRATORY_RATE_SPONTANEOUS)
    above = 0.0 if breathed is None or ordered is None or not ordered.value else breathed.value - ordered.value
    triggered = above > LIMITS.rate_above_set_per_min
    if support is not None and support.value > 0.0 and (ordered is None or not ordered.value or triggered):
        said = f"Pressure support of {support.value:g} cmH2O is set, so the breaths are the patient's own. {_PASSIVE}"
        found.append(ReadingRisk("pressure-support", Risk.HIGH, support.value, support.source, EFFORT_SOURCE, said))
    if triggered and breathed is not None and ordered is not None:
        said = f"The measured rate is {breathed.value:.0f} /min with {ordered.value:.0f} set. {_PASSIVE}"
        found.append(ReadingRisk("rate-above-set", Risk.HIGH, breathed.value, breathed.source, EFFORT_SOURCE, said))
    if own is not None and own.value > LIMITS.spontaneous_per_min:
        said = f"Spontaneous breaths were charted, {own.value:.0f} /min. {_PASSIVE}"
        found.append(ReadingRisk("spontaneous-rate", Risk.HIGH, own.value, own.source, EFFORT_SOURCE, said))
    total, peep = newest(Quantity.PEEP_TOTAL), newest(Quantity.PEEP_SET, SETTING_HOLDS_S)
    charted = newest(Quantity.PEEP_INTRINSIC)
    shown = total if total is not None and peep is not None and total.start_s >= peep.start_s else charted
    if shown is not None:
        trapped = shown.value - peep.value if shown is total and peep is not None else shown.value
        if trapped >= LIMITS.intrinsic_cmh2o:
            risk = Risk.HIGH if trapped >= LIMITS.intrinsic_high_cmh2o else Risk.CAUTION
            said = (
                f"Intrinsic PEEP is {trapped:.0f} cmH2O: air is trapped, and a lower set PEEP may not reach the lung. "
                "Look at expiratory time and obstruction first."
            )
            found.append(ReadingRisk("intrinsic-peep", risk, trapped, shown.source, COMMON_PRACTICE, said))
    expired = newest(Quantity.TIDAL_VOLUME_EXPIRED)
    given = newest(Quantity.TIDAL_VOLUME_INSPIRED) or _volume_set(newest)
    share = 0.0 if expired is None or given is None or not given.value else 1.0 - expired.value / given.value
    if expired is not None and given is not None and share > LIMITS.leak_share:
        risk = Risk.HIGH if share >= LIMITS.leak_none_share else Risk.CAUTION
        said = (
            f"Expired volume is {expired.value:.0f} of {given.value:.0f} mL, {100 * share:.0f} % short: a leak, so a "
            "trial now would say nothing sure of closing. Look at cuff, circuit and chest drain first."
        )
        found.append(ReadingRisk("leak-likely", risk, 100 * share, expired.source, OWN_CHOICE, said))
    return found


def _volume_set(newest: Callable[[Quantity, float], Reading | None]) -> Reading | None:
    """The set tidal volume, where volume is controlled; under a set pressure it says nothing of what is given."""
    volume = newest(Quantity.TIDAL_VOLUME_SET, SETTING_HOLDS_S)
    pressure = newest(Quantity.PRESSURE_ABOVE_PEEP_SET, SETTING_HOLDS_S)
    return volume if volume is not None and (pressure is None or volume.start_s > pressure.start_s) else None


def _latest(readings: Sequence[Reading], quantity: Quantity, at_s: float, speaks_s: float) -> Reading | None:
    """The latest that still speaks of now: a saturation that has come back is none that a trial would begin at."""
    last = latest(readings, quantity, at_s)
    return None if last is None or at_s - last.start_s > speaks_s else last


def _when(lowest: Reading, readings: Sequence[Reading], at_s: float) -> str:
    """How long ago it was, and what it is now where it has come back."""
    last = latest(readings, lowest.quantity, at_s)
    now = f"; it is {round(last.value, 1):g} mmHg now" if last is not None and last.value > lowest.value else ""
    ago = f"{span_words(at_s - lowest.start_s)} ago" if lowest.start_s <= at_s else "just now"
    return f" ({ago}{now})"


@dataclass(frozen=True, slots=True)
class _Threshold:
    slug: str
    of: str
    sign: int  # +1: above the limit counts, -1: below it
    limit: float
    risk: Risk
    sentence: str
    citation: str


_MEAN: Final = "mean arterial pressure of the last hour"
_SYSTOLIC: Final = "systolic arterial pressure of the last hour"
_SATURATION: Final = "SpO2 of the last hour"
_HEART_RATE: Final = "heart rate of the last hour"
_PH: Final = "pH of the last 12 hours"
_PACO2: Final = "PaCO2 of the last 12 hours"
_LOOKED_AT: Final = "an extreme value; how much it matters is for the person at the bedside."
_Q_SET: Final = Quantity.RESPIRATORY_RATE_SET
_PASSIVE: Final = (
    "Plateau pressure and compliance hold for a passive patient only, so a trial now would say nothing sure of closing."
)
_NO_EVIDENCE: Final = "an exclusion of a trial of the open lung approach, so there is no evidence."
NOT_CONVERTED: Final = "vasopressor-not-converted"
OF_THE_DOSE: Final = frozenset({"vasopressor-high", NOT_CONVERTED})
"""What rests on infusions, or on the dose that was sent."""
_SIGNED_AS: Final = {
    "mean-arterial-pressure-low": "mean_arterial_pressure_below_mmhg",
    "systolic-arterial-pressure-low": "systolic_arterial_pressure_below_mmhg",
    "spo2-low": "spo2_below_percent",
    "heart-rate-low": "heart_rate_below_per_min",
    "heart-rate-high": "heart_rate_above_per_min",
}
_UNIT_OF: Final = {_MEAN: "mmHg", _SYSTOLIC: "mmHg", _SATURATION: "%", _HEART_RATE: "/min"}
_WAS: Final = {
    _MEAN: "The lowest mean arterial pressure of the last hour was",
    _SYSTOLIC: "The lowest systolic arterial pressure of the last hour was",
    _SATURATION: "SpO2 is",
    _HEART_RATE: "Heart rate is",
}
# fmt: off
_THRESHOLDS: Final = (
    _Threshold("mean-arterial-pressure-low", _MEAN, -1, 65.0, Risk.HIGH,
               "The lowest mean arterial pressure of the last hour was {value:g} mmHg{when}; one unit's guide avoids "
               "manoeuvres below 65 mmHg.", _UNIT_GUIDE),
    _Threshold("systolic-arterial-pressure-low", _SYSTOLIC, -1, 90.0, Risk.HIGH,
               "The lowest systolic arterial pressure of the last hour was {value:g} mmHg{when}; a textbook stops a "
               "manoeuvre below 90 mmHg.", _TEXTBOOK),
    _Threshold("spo2-low", _SATURATION, -1, 85.0, Risk.HIGH,
               "SpO2 is {value:g} %{when}; a textbook stops a manoeuvre below 85 %, so a trial would begin beyond it.",
               _TEXTBOOK),
    _Threshold("heart-rate-high", _HEART_RATE, 1, 140.0, Risk.CAUTION,
               f"Heart rate is {{value:g}} /min{{when}}, above 140: {_LOOKED_AT}", _OURS),
    _Threshold("heart-rate-low", _HEART_RATE, -1, 50.0, Risk.CAUTION,
               f"Heart rate is {{value:g}} /min{{when}}, below 50: {_LOOKED_AT}", _OURS),
    _Threshold("arterial-ph-low", _PH, -1, 7.15, Risk.CAUTION,
               "pH is {value:g}{when}, below 7.15, from where a published ventilation protocol gives up its limits of "
               f"volume and plateau pressure for it: {_LOOKED_AT}", _ARDSNET),
    _Threshold("arterial-ph-high", _PH, 1, 7.6, Risk.CAUTION,
               f"pH is {{value:g}}{{when}}, above 7.6: {_LOOKED_AT}", _OURS),
    _Threshold("arterial-carbon-dioxide-high", _PACO2, 1, 80.0, Risk.CAUTION,
               f"PaCO2 is {{value:g}} mmHg{{when}}, above 80: {_LOOKED_AT}", _OURS),
    _Threshold("vasopressor-high", "vasopressor dose", 1, 0.2, Risk.HIGH,
               "The vasopressor dose equals {value:g} mcg/kg/min of noradrenaline; one unit's guide avoids manoeuvres "
               "above 0.2 mcg/kg/min.", _UNIT_GUIDE),
    _Threshold("predicted-body-weight-low", "predicted body weight", -1, 35.0, Risk.CAUTION,
               f"Predicted body weight is {{value:.1f}} kg, below 35: {_NO_EVIDENCE}", _TRIAL),
    _Threshold("age-low", "age", -1, 18.0, Risk.HIGH,
               f"The patient is {{value:.0f}} years old, and all of this is for adults; below 18: {_NO_EVIDENCE}",
               _TRIAL),
    _Threshold("age-high", "age", 1, 80.0, Risk.CAUTION,
               f"The patient is {{value:.0f}} years old, above 80: {_NO_EVIDENCE}", _TRIAL),
    _Threshold("body-mass-index-high", "body mass index", 1, 60.0, Risk.CAUTION,
               f"Body mass index is {{value:.0f}} kg/m2, above 60: {_NO_EVIDENCE}", _TRIAL),
)
# fmt: on

_BREATHING: Final = ("pressure-support", "rate-above-set", "spontaneous-rate", "intrinsic-peep", "leak-likely")
READING_RISKS: Final = (*[threshold.slug for threshold in _THRESHOLDS], NOT_CONVERTED, *_BREATHING)
"""Slugs of everything that readings can show."""
