"""Dangerous trials: each looks like an ordinary one and differs in one thing that a bedside would see.

Each is answered as a careful intensivist would; those that need a record in FHIR stand in `test_dangerous_cases.py`.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

import pytest

from ebbmark.physiology.closing.result import Evidence, Verdict
from ebbmark.physiology.findings import Change, ChangeKind, KnownCondition, Weight
from ebbmark.physiology.patient.context import PatientContext
from ebbmark.physiology.patient.titration import Titration
from ebbmark.physiology.readings import Quantity, Reading
from patients import PEEPS, Values, slugs, titrated
from trials import START_S, STEP_S, reading, staircase_down

Q = Quantity
CALM: Mapping[Quantity, Values] = {
    Q.SPO2: 93,
    Q.MEAN_ARTERIAL_PRESSURE: 74,
    Q.SYSTOLIC_ARTERIAL_PRESSURE: 112,
    Q.HEART_RATE: 90,
    Q.RESPIRATORY_RATE_SET: 22,
    Q.RESPIRATORY_RATE: 22,
}


class Twin(NamedTuple):
    """What differs from the calm trial with closing at 10, and what a careful answer is."""

    beside: Mapping[Quantity, Values]
    number: float | None
    slug: str
    weight: str
    known: PatientContext = PatientContext()
    more: tuple[Reading, ...] = ()


def at_step(index: int, after_s: float, **values: float) -> tuple[Reading, ...]:
    return tuple(
        reading(Quantity[name.upper()], value, START_S + index * STEP_S + after_s, 5000 + place)
        for place, (name, value) in enumerate(values.items())
    )


def known(slug: str, words: str, weight: Weight) -> PatientContext:
    return PatientContext(conditions=(KnownCondition(slug, words, weight, "As the source says.", "a source"),))


PEAK_AS_PLATEAU: Mapping[float, float] = dict(
    zip(map(float, PEEPS), (31.05, 28.5, 26.24, 24.0, 22.12, 21.67, 21.55, 21.56), strict=True)
)
"""Rounded peep + 420 mL over the compliances of the calm trial: no pressure is left for resistance."""

TWINS = {
    "arterial oxygen that collapses at the suggestion while saturation is charted as unchanged": Twin(
        {Q.SPO2: 94, Q.PAO2: {20.0: 150.0, 16.0: 120.0, 12.0: 55.0}}, 12, "worse-than-best", "high",
    ),
    "acidosis": Twin({Q.PH: 7.02}, 12, "acidosis", "high"),
    "a plateau that is the peak: nobody held the breath": Twin(
        {Q.TIDAL_VOLUME_SET: 420, Q.PEAK_PRESSURE: PEAK_AS_PLATEAU}, 12, "plateau-equals-peak", "high",
    ),
    "blood pressure that fails at the highest step only": Twin(
        {Q.MEAN_ARTERIAL_PRESSURE: {20: 55, 18: 68, 16: 70, 14: 72, 12: 74, 10: 74, 8: 75, 6: 75}},
        12, "stop-limit-above-suggestion", "high",
    ),
    "blood pressure that fails at every step": Twin(
        {Q.MEAN_ARTERIAL_PRESSURE: 40, Q.HEART_RATE: 172}, None, "stop-limit-at-suggestion", "look-first"
    ),
    "blood pressure that fails below the suggestion only": Twin(
        {Q.MEAN_ARTERIAL_PRESSURE: {20: 74, 18: 74, 16: 74, 14: 74, 12: 74, 10: 74, 8: 70, 6: 55}},
        12, "stop-limit-below-suggestion", "high",
    ),
    "a flushed arterial line at the suggestion: one odd value among three": Twin(
        CALM, 12, "blood-pressure-doubtful", "moderate",
        more=at_step(4, 70, mean_arterial_pressure=20) + at_step(4, 100, mean_arterial_pressure=75)
    ),
    "saturation that falls below its limit only below the suggestion": Twin(
        {Q.SPO2: {20: 93, 18: 93, 16: 93, 14: 93, 12: 92, 10: 89, 8: 84, 6: 80}},
        12, "stop-limit-below-suggestion", "high",
    ),
    "a failing saturation at every step": Twin({Q.SPO2: 80}, None, "stop-limit-at-suggestion", "look-first"),
    "pressure support, which nobody calls a trial": Twin(
        {Q.PRESSURE_SUPPORT_SET: 12, Q.RESPIRATORY_RATE_SPONTANEOUS: 30}, None, "spontaneous-rate", "look-first"
    ),
    "bradycardia at the suggestion": Twin(
        {Q.HEART_RATE: {20: 60, 18: 55, 16: 50, 14: 44, 12: 36, 10: 36}}, None, "stop-limit-at-suggestion", "look-first"
    ),
    "a fast rhythm that was there before the trial": Twin(
        {Q.HEART_RATE: 158}, 12, "stop-limit-at-suggestion", "high", more=at_step(0, -600, heart_rate=158)
    ),
    "systolic pressure more than 20 mmHg below the best step": Twin(
        {Q.SYSTOLIC_ARTERIAL_PRESSURE: {20: 96, 18: 97, 16: 98, 14: 99, 12: 100, 10: 118, 8: 124, 6: 125}},
        12, "worse-than-best", "high",
    ),
    "a ventilator that triggers itself at some steps": Twin(
        {Q.RESPIRATORY_RATE: {20: 22, 18: 22, 16: 22, 14: 22, 12: 27, 10: 29, 8: 28, 6: 27}},
        None, "rate-above-set", "look-first",
    ),
    "one triggered step while the patient is being turned": Twin(
        {Q.RESPIRATORY_RATE: {20: 22, 18: 22, 16: 22, 14: 30, 12: 22, 10: 22, 8: 22, 6: 22}},
        12, "rate-above-set", "moderate",
    ),
    "spontaneous breaths in a mode with a set rate": Twin(
        {Q.RESPIRATORY_RATE_SPONTANEOUS: 8}, None, "spontaneous-rate", "look-first"
    ),
    "a tube that slipped out: end-tidal carbon dioxide gone": Twin(
        {Q.END_TIDAL_CO2: {20: 41, 18: 40, 16: 40, 14: 41, 12: 40, 10: 6, 8: 5, 6: 4}},
        None, "carbon-dioxide-lost", "look-first",
    ),
    "a cuff that leaks from 12 cmH2O on": Twin(
        {Q.TIDAL_VOLUME_INSPIRED: {20: 425, 18: 425, 16: 425, 14: 425, 12: 520, 10: 520, 8: 520, 6: 520}},
        None, "leak-began", "look-first",
    ),
    "end-tidal carbon dioxide that falls to less than half at the same ventilation": Twin(
        {Q.END_TIDAL_CO2: dict(zip(PEEPS, (42, 41, 40, 38, 30, 24, 20, 18), strict=True))},
        12, "carbon-dioxide-halved", "high",
    ),
    "mean pressure that slides while heart rate climbs": Twin(
        {Q.MEAN_ARTERIAL_PRESSURE: dict(zip(PEEPS, (84, 82, 79, 75, 70, 66, 63, 61), strict=True)),
         Q.HEART_RATE: dict(zip(PEEPS, (88, 90, 95, 103, 114, 124, 135, 142), strict=True))},
        12, "pressure-fell-rate-rose", "high",
    ),
    "a heart rate that climbs by two thirds": Twin(
        {Q.HEART_RATE: dict(zip(PEEPS, (90, 100, 110, 120, 140, 149, 149, 149), strict=True))},
        12, "heart-rate-rose", "moderate",
    ),
    "saturation of 88 % at most": Twin({Q.SPO2: {20: 88, 12: 87, 6: 86}}, 12, "saturation-low-throughout", "high"),
    "low pressure and a fast heart throughout": Twin(
        {Q.MEAN_ARTERIAL_PRESSURE: 61, Q.HEART_RATE: 148}, 12, "shock-throughout", "high"
    ),
    "a row without volume and pressure between two steps: the circuit was open": Twin(
        CALM, None, "circuit-opened", "look-first", more=at_step(3, 118, tidal_volume_expired=0, peak_pressure=0),
    ),
    "a row without volume that shows no pressure": Twin(
        CALM, None, "circuit-opened", "look-first", more=at_step(3, 118, tidal_volume_expired=0),
    ),
    "a leak that grows by 14 % beside a fall that is closing, too": Twin(
        {Q.TIDAL_VOLUME_INSPIRED: {20: 425, 18: 425, 16: 425, 14: 425, 12: 430, 10: 440, 8: 480, 6: 490}},
        12, "leak-grows", "high",
    ),
    "a fistula that takes a third of every breath": Twin(
        {Q.TIDAL_VOLUME_INSPIRED: 630}, None, "leak-throughout", "look-first",
        known=known("air-leak", "bronchopleural fistula", Weight.HIGH),
    ),
    "water in the circuit: measured PEEP too high at every step": Twin(
        {Q.PEEP_MEASURED: {peep: peep + 3.0 for peep in PEEPS}}, None, "measured-peep-off", "look-first"
    ),
    "one odd measured PEEP": Twin(
        {Q.PEEP_MEASURED: {peep: peep + (3.0 if peep == 14 else 0.0) for peep in PEEPS}},
        12, "measured-peep-off", "moderate",
    ),
    "severe obstruction: intrinsic PEEP of 6": Twin(
        {Q.PEEP_INTRINSIC: {12: 4, 10: 4, 8: 6, 6: 6}}, 12, "intrinsic-peep", "high",
        known=known("obstructive-disease", "severe obstruction", Weight.HIGH),
    ),
    "trapped air: intrinsic PEEP that grows as set PEEP falls": Twin(
        {Q.PEEP_INTRINSIC: {peep: 20.5 - peep for peep in PEEPS}}, None, "total-peep-does-not-follow", "look-first"
    ),
    "oxygen raised in the middle of the limb": Twin(
        {Q.FIO2_SET: {20: 0.5, 18: 0.5, 16: 0.5, 14: 0.5, 12: 0.5, 10: 0.8, 8: 0.8, 6: 0.8}},
        12, "oxygen-raised", "high",
    ),
    "tidal volume set lower in the middle of the limb": Twin(
        {Q.TIDAL_VOLUME_SET: {20: 480, 18: 480, 16: 480, 14: 480, 12: 420, 10: 420, 8: 420, 6: 420}},
        12, "tidal-volume-changed", "high",
    ),
    "mode changed in the middle of the limb": Twin(
        CALM, None, "mode-changed-in-trial", "look-first",
        known=PatientContext(changes=(Change(ChangeKind.MODE, START_S + 4.5 * STEP_S, "pressure control", 1),)),
    ),
    "prone since the day before": Twin(
        CALM, 12, "done-prone", "low",
        known=PatientContext(changes=(Change(ChangeKind.POSITION, START_S - 80_000, "prone", 1),)),
    ),
    "raised intracranial pressure": Twin(
        CALM, 12, "condition-raised-intracranial-pressure", "high",
        known=known("raised-intracranial-pressure", "raised intracranial pressure", Weight.HIGH),
    ),
    "pregnancy": Twin(
        CALM, 12, "condition-pregnancy", "moderate", known=known("pregnancy", "pregnancy", Weight.MODERATE)
    ),
    "a monitor whose clock is an hour late": Twin(
        {}, 12, "vital-signs-outside-limb", "moderate",
        more=tuple(one for index in range(8) for one in at_step(index, 3600 + 80, spo2=93, mean_arterial_pressure=74)),
    ),
    "no vital sign at all": Twin({}, 12, "vital-signs-not-charted", "moderate"),
}  # fmt: skip


@pytest.mark.parametrize("name", TWINS)
def test_the_twin_is_answered_with_care(name: str) -> None:
    twin = TWINS[name]
    beside = {**(CALM if twin.beside else {}), **twin.beside}
    found = titrated(beside, known=twin.known, more=twin.more)

    assert found.advice.suggested_peep_cmh2o == twin.number
    if twin.slug:
        assert twin.slug in slugs(found, twin.weight)
    else:
        assert slugs(found) == []


def no_number(found: Titration) -> bool:
    return found.advice.suggested_peep_cmh2o is None and "No PEEP is suggested." in found.advice.rationale


def no_estimate(found: Titration) -> bool:
    return no_number(found) and found.closing.verdict is Verdict.INDETERMINATE and found.closing.peep_cmh2o is None


def test_a_clear_trial_in_a_stable_patient_has_its_number() -> None:
    found = titrated({Quantity.SPO2: 94, Quantity.MEAN_ARTERIAL_PRESSURE: 75, Quantity.HEART_RATE: 88})

    assert (found.advice.suggested_peep_cmh2o, found.closing.evidence) == (12, Evidence.STRONG)
    assert slugs(found) == []


def test_low_blood_pressure_at_the_suggestion_withholds_it_and_says_where_it_recovered() -> None:
    found = titrated(
        {
            Quantity.MEAN_ARTERIAL_PRESSURE: {16: 56, 14: 57, 12: 58, 10: 71, 8: 74, 6: 74},
            Quantity.SYSTOLIC_ARTERIAL_PRESSURE: {16: 82, 14: 83, 12: 84, 10: 104, 8: 110, 6: 112},
        }
    )

    assert found.advice.suggested_peep_cmh2o is None
    assert "mean arterial pressure was 58 mmHg, below 60, and 71 at 10 cmH2O" in found.advice.rationale
    assert "systolic arterial pressure was 84 mmHg, below 90" in found.advice.rationale
    assert any("12" not in row.limits_exceeded and row.limits_exceeded for row in found.advice.what_if)


def test_a_support_setting_that_nobody_triggers_is_no_obstacle() -> None:
    calm = {Quantity.PRESSURE_SUPPORT_SET: 8.0, Quantity.RESPIRATORY_RATE_SET: 22.0, Quantity.RESPIRATORY_RATE: 22.0}

    assert titrated(calm).advice.suggested_peep_cmh2o == 12


def test_a_loss_of_more_than_half_in_one_step_is_looked_at_and_not_named_closing() -> None:
    found = titrated(peeps=(16, 14, 12, 10, 8, 6), compliances=(38, 38.5, 39, 16, 15, 14.5))

    assert no_estimate(found)
    assert "pneumothorax, main-stem intubation, a plug or a kink" in found.advice.rationale


def test_compliance_that_more_than_doubles_in_one_step_is_a_contradiction_and_no_relief() -> None:
    found = titrated(CALM, compliances=(15, 15.5, 16, 40, 41, 35, 30, 26))

    assert no_estimate(found)
    assert "sudden-rise" in slugs(found, "look-first")
    assert not any(caution.slug == "overdistension-at-top" for caution in found.advice.cautions)


def leaking(*extra: Quantity) -> Titration:
    """Pressures of a lung that does not close, and expired volume that falls by 14 % of 400 mL."""
    expired = (400, 400, 399, 398, 388, 368, 352, 344)
    rows = []
    for index, (peep, back) in enumerate(zip(PEEPS, expired, strict=True)):
        start_s = START_S + index * STEP_S
        rows.append(reading(Q.PEEP_SET, peep, start_s, 100 + index))
        for after_s in (70, 100):
            source = 1000 + 200 * index + after_s
            plateau = peep + 400 / (38, 40, 41, 42, 42, 42, 42, 42)[index]
            values = {Q.TIDAL_VOLUME_EXPIRED: back, Q.PLATEAU_PRESSURE: plateau} | dict.fromkeys(extra, 400)
            rows += [reading(one, value, start_s + after_s, source) for one, value in values.items()]
    return titrated(CALM, readings=rows)


def test_a_leak_that_grows_is_not_closing_where_inspired_volume_shows_no_fall() -> None:
    found = leaking(Q.TIDAL_VOLUME_INSPIRED)

    assert no_estimate(found)
    assert "leak-not-closing" in slugs(found, "look-first")


def test_a_leak_that_grows_is_a_high_caution_where_only_the_set_volume_is_known() -> None:
    assert "leak-grows" in slugs(leaking(Q.TIDAL_VOLUME_SET), "high")


def test_a_stop_limit_met_below_the_suggestion_is_named_with_its_value() -> None:
    found = titrated({**CALM, Q.SPO2: {20: 93, 12: 92, 10: 89, 8: 84, 6: 82}})

    [limit] = [caution for caution in found.advice.cautions if caution.slug == "stop-limit-below-suggestion"]
    assert limit.in_few_words == "stop limit met at PEEP 6 (SpO2 82 %, limit 85 %)"


def test_a_leak_that_came_and_went_at_one_step_does_not_grow() -> None:
    found = titrated({**CALM, Q.TIDAL_VOLUME_INSPIRED: {peep: 470 if peep == 8 else 425 for peep in PEEPS}})

    assert "leak-grows" not in slugs(found)


def test_a_single_bad_step_that_comes_back_is_no_pneumothorax() -> None:
    found = titrated(compliances=(38, 40, 41, 24, 41.5, 36, 31, 27))

    assert "sudden-fall" not in slugs(found)


def test_compliance_that_comes_back_two_steps_lower_did_not_fall_for_good() -> None:
    found = titrated(peeps=(16, 14, 12, 10, 8), compliances=(37, 38, 30, 31, 37))

    assert found.advice.suggested_peep_cmh2o is None
    assert found.closing.peep_cmh2o is None


def peak_only(resistive: float = 12.0) -> list[Reading]:
    """The clear trial with peak pressures in place of plateaus."""
    return [
        one._replace(quantity=Quantity.PEAK_PRESSURE, value=one.value + resistive)
        if one.quantity is Quantity.PLATEAU_PRESSURE
        else one
        for one in staircase_down()
    ]


def test_from_peak_pressure_no_plateau_driving_pressure_power_or_volume_is_invented() -> None:
    found = titrated({Quantity.RESPIRATORY_RATE_SET: 22.0}, readings=peak_only())

    assert found.advice.suggested_peep_cmh2o is not None
    for row in found.advice.what_if:
        expected = (row.plateau_cmh2o, row.driving_pressure_cmh2o, row.mechanical_power_j_per_min, row.tidal_volume)
        assert expected == (None, None, None, None)
    assert "an inspiratory hold shows it" in found.advice.rationale
    assert found.closing.evidence is not Evidence.STRONG


def test_a_plateau_that_was_measured_at_the_suggestion_is_used_there() -> None:
    held = reading(Quantity.PLATEAU_PRESSURE, 12 + 420 / 41.5, START_S + 4 * STEP_S + 90, 4000)
    found = titrated(readings=[*peak_only(), held])

    row = next(row for row in found.advice.what_if if row.peep_cmh2o == 12)
    assert row.compliance_ml_per_cmh2o == pytest.approx(41.5)
    assert row.plateau_cmh2o is not None
    assert row.plateau_cmh2o < 23


def test_secretions_that_narrow_the_airway_are_a_high_caution() -> None:
    narrowed = [
        reading(Q.PEAK_PRESSURE, peep + 420 / 38 + (5 if peep > 12 else 16), START_S + index * STEP_S + 80, 300 + index)
        for index, peep in enumerate(PEEPS)
    ]

    assert "resistive-pressure-rose" in slugs(titrated(CALM, more=narrowed), "high")


def test_a_main_stem_intubation_at_the_second_step_is_looked_at() -> None:
    found = titrated(CALM, compliances=(45, 22, 22, 22, 21, 18, 16, 14))

    assert found.advice.suggested_peep_cmh2o is None
    assert "sudden-fall" in slugs(found, "look-first")


def test_a_pneumothorax_shows_in_peak_pressures_alone() -> None:
    peaks = [
        one._replace(quantity=Q.PEAK_PRESSURE, value=one.value + 5) if one.quantity is Q.PLATEAU_PRESSURE else one
        for one in staircase_down(compliances=(38, 39, 40, 40, 40, 16, 15, 14))
    ]
    found = titrated(CALM, readings=peaks)

    assert found.advice.suggested_peep_cmh2o is None
    assert slugs(found, "look-first")


def test_a_stiff_lung_that_closes_in_usual_steps_is_not_taken_for_a_pneumothorax() -> None:
    found = titrated(CALM, compliances=(19, 20, 20.5, 20.5, 20.5, 18, 15.5, 13.5), height_cm=155.0)

    assert "sudden-fall" not in slugs(found)
    assert "pressure-rises-as-peep-falls" not in slugs(found)


def test_a_limit_counts_by_its_last_value_although_the_middle_one_was_well() -> None:
    falling = [
        one
        for after_s, value in ((50, 74), (70, 70), (100, 55))
        for one in at_step(4, after_s, mean_arterial_pressure=value)
    ]

    assert titrated(more=falling).advice.suggested_peep_cmh2o is None


def test_a_limit_counts_by_its_middle_value_although_the_last_one_was_well() -> None:
    rising = [
        one
        for after_s, value in ((50, 55), (70, 56), (100, 75))
        for one in at_step(4, after_s, mean_arterial_pressure=value)
    ]

    assert titrated(more=rising).advice.suggested_peep_cmh2o is None


def test_oxygen_that_was_raised_takes_strong_evidence_and_oxygen_that_was_lowered_does_not() -> None:
    assert titrated({**CALM, Q.FIO2_SET: {20: 0.5, 10: 0.8, 8: 0.8, 6: 0.8}}).closing.evidence is Evidence.MODERATE
    assert titrated({**CALM, Q.FIO2_SET: {20: 0.8, 10: 0.5, 8: 0.5, 6: 0.5}}).closing.evidence is Evidence.STRONG


def test_intrinsic_peep_takes_strong_evidence_from_the_curve() -> None:
    assert titrated({**CALM, Q.PEEP_INTRINSIC: {10: 3.5}}).closing.evidence is Evidence.MODERATE


def test_a_fall_of_a_third_at_the_last_step_is_named_once_by_the_estimate() -> None:
    found = titrated(CALM, compliances=(38, 40, 41, 42, 42, 42, 42, 27))

    assert found.advice.suggested_peep_cmh2o is None
    assert "Only the last step fell" in found.advice.rationale or found.look_first


@pytest.mark.parametrize(("late_s", "found"), [(0.0, False), (20.0, False), (60.0, True), (-60.0, True)])
def test_measured_peep_whose_clock_is_a_minute_off_is_a_high_caution(late_s: float, *, found: bool) -> None:
    measured = []
    for place in range(8 * 6):
        at_s = START_S + 20.0 * place + 5.0
        shown = PEEPS[min(max(int((at_s - late_s - START_S) // STEP_S), 0), 7)]
        measured.append(reading(Q.PEEP_MEASURED, shown, at_s, 7000 + place))
    answer = titrated(CALM, more=measured)

    assert ("clocks-differ" in slugs(answer, "high")) is found
    assert (answer.closing.evidence is Evidence.STRONG) is not found


@pytest.mark.parametrize(("late_s", "found"), [(0, False), (15, False), (60, True), (-60, True)])
def test_plateaus_whose_clock_alone_is_a_minute_off_are_a_high_caution(late_s: float, *, found: bool) -> None:
    compliances = (38, 40, 41, 42, 41.5, 36, 31, 27)
    shown = []
    for place in range(8 * 6):
        at_s = START_S + 20.0 * place + 5.0
        seen = min(max(int((at_s - late_s - START_S) // STEP_S), 0), 7)
        shown += [reading(Q.TIDAL_VOLUME_EXPIRED, 420.0, at_s, 7000 + place)]
        shown += [reading(Q.PLATEAU_PRESSURE, PEEPS[seen] + 420 / compliances[seen], at_s, 7000 + place)]
    settings = [reading(Q.PEEP_SET, peep, START_S + index * STEP_S, 100 + index) for index, peep in enumerate(PEEPS)]
    answer = titrated(CALM, readings=[*settings, *shown])

    assert ("plateau-clock" in slugs(answer, "high")) is found
    assert (answer.closing.evidence is Evidence.WEAK) is found


@pytest.mark.parametrize(("early", "weight"), [((12, 10), "look-first"), ((10,), "high"), ((18,), "moderate")])
def test_readings_before_the_lung_had_settled_weigh_by_where_they_lie(early: tuple[int, ...], weight: str) -> None:
    compliances = (38, 40, 41, 42, 41.5, 36, 31, 27)
    rows = []
    for index, (peep, compliance) in enumerate(zip(PEEPS, compliances, strict=True)):
        rows.append(reading(Q.PEEP_SET, peep, START_S + index * STEP_S, 100 + index))
        for after_s in (10, 20) if peep in early else (60, 100):
            at_s, source = START_S + index * STEP_S + after_s, 1000 + 10 * index + after_s
            rows.append(reading(Q.TIDAL_VOLUME_EXPIRED, 420.0, at_s, source))
            rows.append(reading(Q.PLATEAU_PRESSURE, peep + 420 / compliance, at_s, source))

    assert "unsettled-steps" in slugs(titrated(CALM, readings=rows), weight)
