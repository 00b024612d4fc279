"""Before a trial: severity with its inputs, what is documented for and against, and what nobody wrote down."""

from __future__ import annotations

from dataclasses import replace

import pytest

from ebbmark.physiology.before.candidate import (
    Candidate,
    CandidateAnswer,
    ConditionFinding,
    Documented,
    assess_candidate,
    obstacles_of,
    to_be_asked,
)
from ebbmark.physiology.before.risks import RISK_CONCEPTS, Risk
from ebbmark.physiology.before.state import ards_classes
from ebbmark.physiology.findings import SourceStatus
from ebbmark.physiology.gas_exchange import Oxygenation
from ebbmark.physiology.readings import Quantity, Reading
from ebbmark.physiology.timeline import setting_at
from ebbmark.words.messages import spell
from trials import START_S, reading

ABSOLUTE = {concept.slug for concept in RISK_CONCEPTS if concept.risk is Risk.ABSOLUTE}
MODERATE = [
    reading(Quantity.FIO2_SET, 0.6, START_S - 1800, 1),
    reading(Quantity.PEEP_SET, 10.0, START_S - 1800, 2),
    reading(Quantity.PAO2, 78.0, START_S - 600, 3),
    reading(Quantity.SPO2, 93.0, START_S - 300, 4),
    reading(Quantity.MEAN_ARTERIAL_PRESSURE, 72.0, START_S - 300, 5),
]
MILD = [reading(Quantity.PAO2, 150.0, START_S - 600, 3) if r.quantity is Quantity.PAO2 else r for r in MODERATE[:3]]


def assessed(
    readings: list[Reading] = MODERATE,
    *,
    present: set[str] | None = None,
    refuted: set[str] | None = None,
    noradrenaline: float | None = None,
    age_years: float | None = None,
) -> Candidate:
    return assess_candidate(
        readings,
        at_s=START_S,
        present=present or set(),
        refuted=ABSOLUTE if refuted is None else refuted,
        noradrenaline_equivalent_mcg_per_kg_per_min=noradrenaline,
        age_years=age_years,
    )


def finding(candidate: Candidate, slug: str) -> ConditionFinding:
    return next(one for one in candidate.findings if one.concept.slug == slug)


def test_severity_shows_each_input_with_its_age() -> None:
    berlin = assessed().classes[0]

    assert berlin.oxygenation is Oxygenation.MODERATE
    assert [input_.reading.source for input_ in berlin.inputs] == [3, 1, 2]
    assert [input_.age_s for input_ in berlin.inputs] == [600.0, 1800.0, 1800.0]
    assert spell(berlin.inputs[0].sentence) == "PaO2 78 mmHg, 10 min old"


def test_the_fio2_in_force_at_the_gas_counts_and_not_the_latest_one() -> None:
    readings = [*MODERATE, reading(Quantity.FIO2_SET, 1.0, START_S - 60, 9)]

    assert ards_classes(readings, at_s=START_S)[0].ratio == pytest.approx(130.0)


def test_an_fio2_that_was_set_only_after_the_gas_is_not_used() -> None:
    readings = [
        reading(Quantity.PAO2, 78.0, START_S - 600, 3),
        reading(Quantity.FIO2_SET, 0.6, START_S - 60, 1),
        reading(Quantity.PEEP_SET, 10.0, START_S - 1800, 2),
    ]

    berlin = ards_classes(readings, at_s=START_S)[0]

    assert berlin.oxygenation is None
    assert spell(berlin.missing[0]).startswith("FiO2 at the time of the gas (none was set in the 4 h before it")


def test_a_setting_of_yesterday_is_no_longer_taken_as_in_force() -> None:
    yesterday = [reading(Quantity.PEEP_SET, 10.0, START_S - 24 * 3600, 1)]

    assert setting_at(yesterday, Quantity.PEEP_SET, START_S) is None


def test_an_old_gas_is_said_to_be_old() -> None:
    old = [
        reading(Quantity.FIO2_SET, 0.6, START_S - 9 * 3600, 1),
        reading(Quantity.PEEP_SET, 10.0, START_S - 9 * 3600, 2),
        reading(Quantity.PAO2, 78.0, START_S - 8 * 3600, 3),
    ]

    assert spell(ards_classes(old, at_s=START_S)[0].sentence).endswith("The readings are old.")


def test_a_gas_of_a_week_ago_classes_nothing_and_is_shown_with_its_age() -> None:
    week_s = 7 * 24 * 3600
    old = [reading(one.quantity, one.value, one.start_s - week_s, one.source) for one in MODERATE[:3]]

    berlin = ards_classes(old, at_s=START_S)[0]

    assert berlin.oxygenation is None
    assert spell(berlin.missing[0]) == "a PaO2 of the last 12 h (the latest is 7.0 days old)"
    assert spell(berlin.inputs[0].sentence) == "PaO2 78 mmHg, 7.0 days old"
    assert assessed(old).answer is CandidateAnswer.CANNOT_JUDGE


def test_a_fresher_saturation_speaks_and_not_the_gas_of_hours_ago() -> None:
    gas = [reading(one.quantity, one.value, one.start_s - 8 * 3600, one.source) for one in MODERATE[:3]]
    better = [reading(Quantity.FIO2_SET, 0.3, START_S - 600, 7), reading(Quantity.SPO2, 96.0, START_S - 300, 8)]

    candidate = assessed([*gas, *better])

    assert [one.oxygenation for one in candidate.classes[:2]] == [Oxygenation.MODERATE] * 2
    assert candidate.indication.speaks_for is False
    assert "P/F by the Berlin definition is not counted, since a fresher reading speaks" in spell(candidate.sentence)
    assert "8.2 h old" in spell(candidate.sentence)


def test_a_saturation_that_agrees_with_the_gas_is_said_to_agree() -> None:
    assert spell(assessed().indication.severity).endswith("moderate by the global definition: it agrees with the gas.")


GAS_IN_ORDER = [
    *MODERATE[:2],
    reading(Quantity.PAO2, 180.0, START_S - 600, 3),
    reading(Quantity.SPO2, 97.0, START_S - 300, 4),
]


def test_a_gas_overrules_the_saturation_of_about_the_same_time_and_says_that_they_disagree() -> None:
    indication = assessed(GAS_IN_ORDER).indication

    assert indication.speaks_for is False
    assert spell(indication.severity).startswith("P/F 300 (PaO2 180 mmHg, 10 min old; FiO2 60 %")
    assert "Gas and saturation disagree; the gas speaks, since S/F only stands in where there is none." in (
        spell(indication.severity)
    )
    assert "more severe one is taken" not in spell(indication.severity)


def test_a_saturation_well_after_the_gas_speaks_beside_it_and_the_worse_is_taken() -> None:
    later = [
        *MODERATE[:2],
        reading(Quantity.PAO2, 180.0, START_S - 1700, 3),
        reading(Quantity.SPO2, 90.0, START_S - 300, 4),
    ]

    indication = assessed(later).indication

    assert indication.speaks_for is True
    assert "the more severe one is taken" in spell(indication.severity)


def test_a_saturation_before_the_gas_does_not_speak() -> None:
    before = [reading(Quantity.FIO2_SET, 0.6, START_S - 4000, 5), reading(Quantity.SPO2, 90.0, START_S - 3000, 4)]

    candidate = assessed([*before, *GAS_IN_ORDER[:3]])

    assert candidate.classes[2].oxygenation is Oxygenation.MODERATE
    assert candidate.indication.speaks_for is False


def test_a_gas_drawn_a_minute_after_fio2_was_changed_classes_nothing_and_says_why() -> None:
    changed = [
        reading(Quantity.FIO2_SET, 0.4, START_S - 3000, 5),
        reading(Quantity.FIO2_SET, 0.6, START_S - 660, 6),
        reading(Quantity.PEEP_SET, 10.0, START_S - 1800, 2),
        reading(Quantity.PAO2, 78.0, START_S - 600, 3),
    ]

    candidate = assessed(changed)

    assert {one.oxygenation for one in candidate.classes} == {None}
    assert spell(candidate.classes[0].missing[0]) == (
        "a PaO2 read 5 min or more after FiO2 was changed (it was changed from 40 % to 60 % 60 s before)"
    )


@pytest.mark.parametrize(
    ("quantity", "value", "slug"),
    [
        (Quantity.HEART_RATE, 150.0, "heart-rate-high"),
        (Quantity.HEART_RATE, 44.0, "heart-rate-low"),
        (Quantity.PH, 6.95, "arterial-ph-low"),
        (Quantity.PH, 7.68, "arterial-ph-high"),
        (Quantity.PACO2, 96.0, "arterial-carbon-dioxide-high"),
    ],
)
def test_an_extreme_is_remarked_on_and_left_to_the_person_at_the_bedside(
    quantity: Quantity, value: float, slug: str
) -> None:
    candidate = assessed([*MODERATE, reading(quantity, value, START_S - 120, 8)])

    (risk,) = candidate.reading_risks
    assert (risk.slug, risk.source, risk.risk) == (slug, 8, Risk.CAUTION)
    assert f"is {value:g}" in spell(risk.sentence)
    assert "(2 min ago)" in spell(risk.sentence)
    assert spell(risk.sentence).endswith("for the clinician at the bedside.")
    assert spell(risk.sentence) in spell(candidate.sentence)
    assert "own choice" in spell(risk.citation) or "ARDS Network" in spell(risk.citation)
    assert obstacles_of(candidate, recruiting=False) == ()


@pytest.mark.parametrize(("quantity", "value"), [(Quantity.HEART_RATE, 140.0), (Quantity.PH, 7.15)])
def test_what_lies_at_the_limit_is_no_extreme(quantity: Quantity, value: float) -> None:
    assert assessed([*MODERATE, reading(quantity, value, START_S - 120, 8)]).reading_risks == ()


def test_a_saturation_of_three_hours_ago_classes_nothing() -> None:
    old = [reading(one.quantity, one.value, one.start_s - 3 * 3600, one.source) for one in MODERATE]

    assert [spell(one) for one in ards_classes(old, at_s=START_S)[2].missing] == [
        "an SpO2 of the last 2 h (the latest is 3.1 h old)"
    ]


def test_a_tension_in_kpa_that_was_sent_as_mmhg_is_questioned_and_not_used() -> None:
    slip = [*MODERATE[:2], reading(Quantity.PAO2, 10.4, START_S - 600, 3), MODERATE[3]]

    candidate = assessed(slip)

    assert [one.oxygenation for one in candidate.classes] == [None, None, Oxygenation.MODERATE]
    assert candidate.doubts[0].unit_slip
    assert "In kPa it would fit (10.4 kPa are 78 mmHg): was the unit mistaken?" in spell(candidate.sentence)


def test_where_it_is_not_known_which_of_two_is_wrong_neither_is_used() -> None:
    odd = [
        *MODERATE[:2],
        reading(Quantity.PAO2, 90.0, START_S - 300, 3),
        reading(Quantity.SPO2, 60.0, START_S - 300, 4),
    ]

    candidate = assessed(odd)

    assert [one.oxygenation for one in candidate.classes] == [None, None, None]
    assert "Which of them is wrong is not known" in spell(candidate.sentence)


def test_a_tension_that_is_hardly_seen_in_the_living_is_questioned_without_a_saturation() -> None:
    assert "was kPa meant" in spell(assessed([*MODERATE[:2], reading(Quantity.PAO2, 11.0, START_S - 600, 3)]).sentence)


def test_what_a_guideline_suggests_is_not_said_in_one_breath_with_a_contraindication() -> None:
    against = assessed(present={"untreated-pneumothorax"}, refuted=set())

    assert "moderate by the Berlin definition" in spell(against.sentence)
    assert "suggests higher PEEP" not in spell(against.sentence)
    assert "suggests higher PEEP" in spell(assessed().sentence)


def test_a_device_clock_that_runs_minutes_ahead_is_named() -> None:
    ahead = [*MODERATE[:2], reading(Quantity.PAO2, 78.0, START_S + 240, 3)]

    assert "4 min after the time of the question" in spell(ards_classes(ahead, at_s=START_S)[0].inputs[0].sentence)


def test_a_reading_from_an_hour_ahead_is_not_used() -> None:
    ahead = [*MODERATE[:2], reading(Quantity.PAO2, 78.0, START_S + 3600, 3)]

    assert spell(ards_classes(ahead, at_s=START_S)[0].missing[0]) == "PaO2"


def test_at_altitude_the_ratio_is_corrected() -> None:
    plain, corrected = (
        ards_classes(MODERATE, at_s=START_S, barometric_pressure_mmhg=pressure)[0].ratio for pressure in (None, 630.0)
    )

    assert plain is not None
    assert corrected == pytest.approx(plain * 630.0 / 760.0)


def test_what_was_not_sent_is_not_documented_and_not_absent() -> None:
    candidate = assessed(refuted=set())

    assert {one.documented for one in candidate.findings} == {Documented.NOT_DOCUMENTED}
    assert "That does not mean absent" in spell(finding(candidate, "pregnancy").sentence)
    assert candidate.answer is CandidateAnswer.CANNOT_JUDGE


def test_an_untreated_pneumothorax_is_a_contraindication_for_either_way() -> None:
    candidate = assessed(present={"untreated-pneumothorax"}, refuted={"bullous-disease"})

    assert candidate.answer is CandidateAnswer.CONTRAINDICATED
    for recruiting in (False, True):
        assert [one.slug for one in obstacles_of(candidate, recruiting=recruiting)] == ["untreated-pneumothorax"]


def test_bullae_can_be_acknowledged_without_recruitment_only() -> None:
    candidate = assessed(present={"bullous-disease"}, refuted={"untreated-pneumothorax"})

    found = {recruiting: obstacles_of(candidate, recruiting=recruiting)[0].final for recruiting in (False, True)}
    assert found == {False: False, True: True}
    assert candidate.answer is CandidateAnswer.HIGH_RISK


@pytest.mark.parametrize("slug", ["unilateral-disease", "late-or-fibrotic-ards", "neuromuscular-disease"])
def test_a_mere_caution_does_not_stand_in_the_way(slug: str) -> None:
    assert obstacles_of(assessed(present={slug}), recruiting=False) == ()


@pytest.mark.parametrize(
    "slug",
    ["air-leak", "raised-intracranial-pressure", "right-heart-failure", "shock", "pregnancy", "recent-lung-surgery"],
)
def test_what_is_of_high_risk_stands_in_the_way_and_is_asked_after_where_nobody_wrote_it_down(slug: str) -> None:
    words = next(concept.words for concept in RISK_CONCEPTS if concept.slug == slug)

    assert [one.slug for one in obstacles_of(assessed(present={slug}), recruiting=False)] == [slug]
    assert any(spell(one).startswith(words) for one in to_be_asked(assessed(), recruiting=False))
    assert not any(spell(one).startswith(words) for one in to_be_asked(assessed(refuted={slug}), recruiting=False))


def test_a_refuted_condition_does_not_count() -> None:
    candidate = assessed(refuted=ABSOLUTE)

    assert finding(candidate, "untreated-pneumothorax").documented is Documented.REFUTED
    assert candidate.answer is CandidateAnswer.NOTHING_DOCUMENTED_AGAINST


def test_a_condition_both_present_and_refuted_counts_as_present_until_settled() -> None:
    candidate = assessed(present={"untreated-pneumothorax"}, refuted=ABSOLUTE)

    assert finding(candidate, "untreated-pneumothorax").documented is Documented.CONTRADICTORY
    assert candidate.answer is CandidateAnswer.CONTRAINDICATED


def test_a_site_may_add_its_own_concept() -> None:
    own = replace(RISK_CONCEPTS[0], slug="of-this-site", words="our own reason")

    candidate = assess_candidate(
        MODERATE, at_s=START_S, present={"of-this-site"}, refuted=ABSOLUTE, concepts=(*RISK_CONCEPTS, own)
    )

    assert candidate.answer is CandidateAnswer.CONTRAINDICATED


def test_moderate_ards_is_a_reason_with_the_certainty_of_the_guideline() -> None:
    indication = assessed().indication

    assert indication.speaks_for is True
    assert "conditional, low to moderate certainty" in spell(indication.sentence)
    assert "without recruitment" in spell(indication.sentence)


def test_mild_ards_is_no_reason() -> None:
    candidate = assessed(MILD)

    assert candidate.indication.speaks_for is False
    assert candidate.answer is CandidateAnswer.NO_REASON_FOUND


def test_without_oxygenation_nothing_is_judged() -> None:
    candidate = assessed([])

    assert candidate.indication.speaks_for is None
    assert candidate.answer is CandidateAnswer.CANNOT_JUDGE


def test_a_low_arterial_pressure_in_the_readings_is_a_high_risk_with_its_weak_source() -> None:
    low = [*MODERATE[:4], reading(Quantity.MEAN_ARTERIAL_PRESSURE, 60.0, START_S - 60, 8)]

    risk = assessed(low).reading_risks[0]

    assert (risk.slug, risk.source, risk.risk) == ("mean-arterial-pressure-low", 8, Risk.HIGH)
    assert "weak" in spell(risk.citation)


def test_an_arterial_pressure_that_was_low_ten_minutes_ago_counts_though_it_has_come_back() -> None:
    dip = [*MODERATE, reading(Quantity.MEAN_ARTERIAL_PRESSURE, 45.0, START_S - 600, 8)]

    candidate = assessed(dip)

    (risk,) = candidate.reading_risks
    assert (risk.slug, risk.value, risk.source) == ("mean-arterial-pressure-low", 45.0, 8)
    assert "last hour was 45 mmHg (10 min ago; it is 72 mmHg now)" in spell(risk.sentence)
    assert candidate.answer is CandidateAnswer.HIGH_RISK


def test_an_arterial_pressure_that_was_low_before_the_last_hour_does_not_count_any_more() -> None:
    dip = [*MODERATE, reading(Quantity.MEAN_ARTERIAL_PRESSURE, 45.0, START_S - 3700, 8)]

    assert assessed(dip).reading_risks == ()


def test_every_reading_of_the_present_state_is_shown_with_its_age() -> None:
    more = [
        *MODERATE,
        reading(Quantity.MEAN_ARTERIAL_PRESSURE, 58.0, START_S - 1800, 8),
        reading(Quantity.SYSTOLIC_ARTERIAL_PRESSURE, 104.0, START_S - 300, 9),
        reading(Quantity.HEART_RATE, 112.0, START_S - 120, 10),
        reading(Quantity.PH, 7.24, START_S - 600, 11),
        reading(Quantity.PACO2, 61.0, START_S - 26 * 3600, 12),
    ]

    state = assessed(more).state

    assert spell(state.sentence) == (
        "Mean arterial pressure 72 mmHg, 5 min old; Mean arterial pressure 58 mmHg as the lowest of the last hour, "
        "30 min old; Systolic arterial pressure 104 mmHg, 5 min old; Heart rate 112 /min, 2 min old; SpO2 93 %, 5 min "
        "old; pH 7.24, 10 min old. Not sent, or too old to show: PaCO2 (the latest is 26.0 h old)."
    )


def test_an_arterial_pressure_of_hours_ago_is_missing_not_low() -> None:
    old = [*MODERATE[:4], reading(Quantity.MEAN_ARTERIAL_PRESSURE, 50.0, START_S - 3 * 3600, 8)]

    candidate = assessed(old)

    assert candidate.reading_risks == ()
    assert "mean arterial pressure of the last hour" in map(spell, candidate.missing)


def test_a_low_systolic_pressure_is_found_where_no_mean_was_sent() -> None:
    systolic = reading(Quantity.SYSTOLIC_ARTERIAL_PRESSURE, 84.0, START_S - 1200, 8)

    candidate = assessed([*MODERATE[:4], systolic])

    assert [(reading_risk.slug, reading_risk.source) for reading_risk in candidate.reading_risks] == [
        ("systolic-arterial-pressure-low", 8)
    ]
    assert "The lowest systolic arterial pressure of the last hour was 84 mmHg" in spell(candidate.sentence)


def test_a_saturation_that_would_stop_the_trial_speaks_against_beginning_one() -> None:
    low = assessed([*MODERATE, reading(Quantity.SPO2, 82.0, START_S - 60, 30)])
    back = assessed([reading(Quantity.SPO2, 82.0, START_S - 1200, 30), *MODERATE])

    assert "spo2-low" in [reading_risk.slug for reading_risk in low.reading_risks]
    assert "spo2-low" not in [reading_risk.slug for reading_risk in back.reading_risks]


@pytest.mark.parametrize(("dose", "found"), [(0.2, []), (0.25, ["vasopressor-high"])])
def test_a_high_vasopressor_dose_is_named(dose: float, found: list[str]) -> None:
    assert [risk.slug for risk in assessed(noradrenaline=dose).reading_risks] == found


def test_what_keeps_it_from_being_judged_is_named() -> None:
    silent = assessed(refuted=set())

    assert spell(silent.sentence).startswith(
        "This cannot be judged: whether there is a contraindication (untreated or tension pneumothorax; bullae or blebs"
        ") is not documented. P/F"
    )
    assert spell(assessed([]).sentence).startswith("This cannot be judged. Oxygenation cannot be classed")


def test_a_great_age_is_said_to_be_without_evidence_not_harmful() -> None:
    assert "so there is no evidence" in spell(assessed(age_years=85.0).reading_risks[0].sentence)


def test_no_answer_says_that_a_trial_is_safe_and_each_leaves_it_to_the_clinician() -> None:
    answers = [assessed(), assessed(MILD), assessed([]), assessed(present={"pregnancy"})]

    assert not [spell(answer.sentence) for answer in answers if " safe" in spell(answer.sentence)]
    assert all(spell(answer.sentence).endswith("Whether to go on is for the clinician.") for answer in answers)


def test_every_concept_has_its_own_name_a_source_and_how_far_it_was_read() -> None:
    assert len({concept.slug for concept in RISK_CONCEPTS}) == len(RISK_CONCEPTS)
    assert all(concept.citation and concept.says and concept.words for concept in RISK_CONCEPTS)
    assert {concept.status for concept in RISK_CONCEPTS} <= {
        SourceStatus.VERIFIED,
        SourceStatus.SECOND_HAND,
        SourceStatus.COMMON_PRACTICE,
    }


def test_beyond_an_hour_and_a_half_age_is_told_in_hours() -> None:
    old = [reading(Quantity.FIO2_SET, 0.6, START_S - 9000, 1), reading(Quantity.PAO2, 78.0, START_S - 9000, 3)]

    assert spell(ards_classes(old, at_s=START_S)[1].inputs[0].sentence) == "PaO2 78 mmHg, 2.5 h old"


def test_a_condition_that_is_present_is_told_with_what_its_source_says() -> None:
    sentence = spell(finding(assessed(present={"recent-lung-surgery"}), "recent-lung-surgery").sentence)

    assert sentence == "Recent lung surgery: documented. Caution."
