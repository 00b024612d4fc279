"""A staircase for one patient: what is set, how high it goes, and when none is laid out."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ebbmark.physiology.before.candidate import assess_candidate
from ebbmark.physiology.before.plan import Phase, Plan, PlanStep, plan_trial
from ebbmark.physiology.before.staircase import (
    DEFAULT_STAIRCASE,
    Cell,
    NoPlan,
    NoPlanReason,
    Settings,
    StaircaseRules,
    Variant,
    faults_of_rules,
)
from ebbmark.physiology.findings import SourceStatus
from ebbmark.physiology.mechanics import Control
from ebbmark.physiology.protocols import DEFAULT_PROTOCOL
from ebbmark.physiology.stop.limits import DEFAULT_STOP_LIMITS, Limit
from ebbmark.words.messages import spell, spelled

NOW = Settings(peep_cmh2o=10, pressure_above_peep_cmh2o=14, pbw_kg=70, compliance_ml_per_cmh2o=30)
RECRUITING = Variant.WITH_RECRUITMENT


def planned(settings: Settings = NOW, *, variant: Variant | None = None, rise: float | None = None) -> Plan:
    if variant is None:
        plan = plan_trial(settings, protocol=DEFAULT_PROTOCOL, rise_cmh2o=rise)
    else:
        plan = plan_trial(settings, protocol=DEFAULT_PROTOCOL, variant=variant, rise_cmh2o=rise)
    assert isinstance(plan, Plan), plan
    return plan


def refused(settings: Settings = NOW, *, variant: Variant = Variant.DECREMENTAL_ONLY) -> NoPlan:
    answer = plan_trial(settings, protocol=DEFAULT_PROTOCOL, variant=variant)
    assert isinstance(answer, NoPlan)
    return answer


def levels(plan: Plan, phase: Phase) -> list[float | None]:
    return [step.peep_cmh2o for step in plan.steps if step.phase is phase]


def test_the_default_has_no_recruitment_and_stays_within_the_plateau_limit() -> None:
    plan = planned()

    assert plan.variant is Variant.DECREMENTAL_ONLY
    assert plan.highest_end_inspiratory_cmh2o == 30
    assert {step.phase for step in plan.steps} == {Phase.BEFORE, Phase.UP, Phase.DESCENT, Phase.SET}


def test_it_starts_where_the_limit_allows_and_goes_down_by_two() -> None:
    plan = planned()

    assert levels(plan, Phase.UP) == [13]
    assert levels(plan, Phase.DESCENT) == [16, 14, 12, 10, 8, 6]


def test_with_a_small_driving_pressure_it_starts_at_20() -> None:
    assert levels(planned(replace(NOW, pressure_above_peep_cmh2o=9)), Phase.DESCENT)[0] == 20


def test_a_patient_already_above_20_starts_where_he_is() -> None:
    assert levels(planned(Settings(22, 8, 70)), Phase.DESCENT)[0] == 22


def test_the_time_is_the_sum_of_its_steps() -> None:
    plan = planned()

    assert plan.total_s == 7 * 120
    assert plan.total_s == sum(step.dwell_s for step in plan.steps)


def test_each_step_gives_peak_pressure_volume_records_and_expectation() -> None:
    step = next(step for step in planned().steps if step.phase is Phase.DESCENT)

    assert (step.end_inspiratory_cmh2o, step.expected_tidal_volume_ml) == (30, 420)
    assert "overdistension" in spell(step.expect)
    assert step.record


def test_without_a_known_compliance_no_volume_is_expected() -> None:
    plan = planned(replace(NOW, compliance_ml_per_cmh2o=None))

    assert {step.expected_tidal_volume_ml for step in plan.steps if step.phase is not Phase.SET} == {None}


def test_it_ends_at_six_millilitres_per_kilogram_and_two_above_closing() -> None:
    last = planned().steps[-1]

    assert (last.phase, last.peep_cmh2o, last.expected_tidal_volume_ml) == (Phase.SET, None, 420)
    assert "PEEP 2 cmH2O above the closing pressure" in spell(last.expect)
    assert "Nothing is opened again in this variant" in spell(last.expect)


def test_recruitment_chosen_follows_common_practice_to_20_and_50() -> None:
    plan = planned(variant=RECRUITING)
    up = [(step.peep_cmh2o, step.end_inspiratory_cmh2o) for step in plan.steps if step.phase is Phase.RECRUITMENT]

    assert up == [(13, 27), (16, 30), (19, 33), (20, 34), (20, 39), (20, 44), (20, 49), (20, 50)]
    assert levels(plan, Phase.REOPENING) == [20]
    assert levels(plan, Phase.DESCENT) == [20, 18, 16, 14, 12, 10, 8, 6]


def test_recruitment_chosen_says_how_long_pressure_is_high_and_carries_the_evidence() -> None:
    plan = planned(variant=RECRUITING)

    assert "the service does not suggest it" in spell(plan.warnings[0])
    assert "10 minutes" in spell(plan.warnings[0])  # peaks of 39, 44, 49 and 50, and 50 once more, for 120 s each
    assert {"guideline-ats-2024", "guideline-esicm-2023", "trial-art-mortality"} <= {
        line.slug for line in plan.evidence
    }


def test_steps_above_the_plateau_limit_say_so() -> None:
    above = [step for step in planned(variant=RECRUITING).steps if (step.end_inspiratory_cmh2o or 0) > 30]

    assert above
    assert all("above 30 cmH2O" in spell(step.remark) for step in above)


def test_a_step_whose_volume_would_pass_eight_millilitres_per_kilogram_says_so() -> None:
    top = next(step for step in planned(variant=RECRUITING).steps if step.end_inspiratory_cmh2o == 50)

    assert "900 mL (12.9 mL/kg), above 8 mL/kg" in spell(top.remark)


def test_a_patient_above_the_top_is_not_lowered_to_be_recruited() -> None:
    plan = planned(Settings(22, 8, 70), variant=RECRUITING)
    first = next(step for step in plan.steps if step.phase is Phase.RECRUITMENT)

    assert first.peep_cmh2o == 22
    assert plan.highest_end_inspiratory_cmh2o == 50


@pytest.mark.parametrize("rise", [2.0, 5.0])
def test_a_rise_within_two_to_five_may_be_chosen(rise: float) -> None:
    up = levels(planned(rise=rise), Phase.UP)

    assert up == ([12, 14] if rise == 2.0 else [15])


@pytest.mark.parametrize("rise", [1.0, 6.0])
def test_a_rise_outside_two_to_five_is_refused(rise: float) -> None:
    answer = plan_trial(NOW, protocol=DEFAULT_PROTOCOL, rise_cmh2o=rise)

    assert isinstance(answer, NoPlan)
    assert answer.reason is NoPlanReason.RISE_OUT_OF_RANGE


def test_pressure_already_above_the_limit_leaves_no_plan() -> None:
    assert refused(Settings(14, 18, 70)).reason is NoPlanReason.ALREADY_ABOVE_LIMIT


def test_too_little_room_for_four_steps_leaves_no_plan_and_says_the_numbers() -> None:
    answer = refused(Settings(8, 20, 70))

    assert answer.reason is NoPlanReason.NO_ROOM
    assert "10 cmH2O" in spell(answer.sentence)
    assert "3 steps" in spell(answer.sentence)


def test_a_documented_pneumothorax_leaves_no_plan_until_it_is_acknowledged() -> None:
    candidate = assess_candidate([], at_s=0.0, present={"untreated-pneumothorax"}, refuted=set())

    plain = plan_trial(NOW, protocol=DEFAULT_PROTOCOL, candidate=candidate)
    another = plan_trial(NOW, protocol=DEFAULT_PROTOCOL, candidate=candidate, acknowledged={"bullous-disease"})
    named = plan_trial(NOW, protocol=DEFAULT_PROTOCOL, candidate=candidate, acknowledged={"untreated-pneumothorax"})

    for answer in (plain, another):
        assert isinstance(answer, NoPlan)
        assert answer.reason is NoPlanReason.NOT_ACKNOWLEDGED
    assert isinstance(named, Plan)


@pytest.mark.parametrize("slug", ["untreated-pneumothorax", "bullous-disease"])
def test_no_acknowledgement_brings_recruitment_against_a_contraindication(slug: str) -> None:
    candidate = assess_candidate([], at_s=0.0, present={slug}, refuted=set())

    answer = plan_trial(NOW, protocol=DEFAULT_PROTOCOL, variant=RECRUITING, candidate=candidate, acknowledged={slug})

    assert isinstance(answer, NoPlan)
    assert answer.reason is NoPlanReason.CONTRAINDICATED


def test_what_is_not_documented_leads_the_warnings_by_name() -> None:
    candidate = assess_candidate([], at_s=0.0, present=set(), refuted={"pregnancy"})

    answer = plan_trial(NOW, protocol=DEFAULT_PROTOCOL, candidate=candidate)

    assert isinstance(answer, Plan)
    assert spell(answer.warnings[0]).startswith(
        "Not documented (that does not mean absent): untreated or tension pneumothorax;"
    )
    assert "raised intracranial pressure" in spell(answer.warnings[0])
    assert "pregnancy" not in spell(answer.warnings[0])
    assert "sternotomy" not in spell(answer.warnings[0])


def test_a_plan_made_without_looking_for_contraindications_says_so() -> None:
    assert "not looked for" in spell(planned().warnings[0])


def test_a_plan_that_its_own_stop_limit_would_end_is_not_laid_out() -> None:
    limits = replace(DEFAULT_STOP_LIMITS, peak_pressure_above_cmh2o=Limit(40.0, "unit guide"))

    answer = plan_trial(NOW, protocol=DEFAULT_PROTOCOL, variant=RECRUITING, limits=limits)

    assert isinstance(answer, NoPlan)
    assert answer.reason is NoPlanReason.ABOVE_STOP_LIMIT


def test_a_protocol_without_recruitment_cannot_be_asked_for_it() -> None:
    rules = replace(DEFAULT_STAIRCASE, recruitment=None)

    answer = plan_trial(NOW, protocol=DEFAULT_PROTOCOL, rules=rules, variant=RECRUITING)

    assert isinstance(answer, NoPlan)
    assert answer.reason is NoPlanReason.NO_RECRUITMENT_IN_PROTOCOL


def test_an_unread_way_up_does_not_hinder_a_plan_without_recruitment() -> None:
    up = DEFAULT_STAIRCASE.recruitment
    assert up is not None
    unread = replace(up, hold_s=Cell(None, SourceStatus.NOT_VERIFIED, "not read"))
    rules = replace(DEFAULT_STAIRCASE, recruitment=unread)

    assert isinstance(plan_trial(NOW, protocol=DEFAULT_PROTOCOL, rules=rules), Plan)
    assert isinstance(plan_trial(NOW, protocol=DEFAULT_PROTOCOL, rules=rules, variant=RECRUITING), NoPlan)


@pytest.mark.parametrize(
    ("rules", "words"),
    [
        (replace(DEFAULT_STAIRCASE, start_cmh2o=Cell(200.0, SourceStatus.SITE, "slip")), "accepted is 8 to 30"),
        (
            replace(DEFAULT_STAIRCASE, dwell_s=Cell(2.0, SourceStatus.SITE, "minutes for seconds")),
            "accepted is 30 to 1800",
        ),
        (
            replace(DEFAULT_STAIRCASE, dwell_s=Cell(None, SourceStatus.SITE, "left out")),
            "must have a value exactly where",
        ),
        (replace(DEFAULT_STAIRCASE, dwell_s=Cell(120.0, SourceStatus.SITE, "")), "names no source"),
        (replace(DEFAULT_STAIRCASE, margin_on="middle"), "accepted is closing or best"),
        (replace(DEFAULT_STAIRCASE, citation=""), "has no citation"),
        (
            replace(
                DEFAULT_STAIRCASE,
                start_cmh2o=Cell(10.0, SourceStatus.SITE, "a"),
                lowest_cmh2o=Cell(12.0, SourceStatus.SITE, "b"),
            ),
            "does not lead down",
        ),
    ],
)
def test_a_faulty_rule_set_of_a_site_is_refused_with_the_reason(rules: StaircaseRules, words: str) -> None:
    assert words in spelled(faults_of_rules(rules))


SETTINGS = st.builds(
    Settings,
    peep_cmh2o=st.floats(0, 24),
    pressure_above_peep_cmh2o=st.floats(4, 30),
    pbw_kg=st.floats(35, 100),
    compliance_ml_per_cmh2o=st.none() | st.floats(10, 80),
    resistive_cmh2o=st.none() | st.floats(0, 40),
)


@given(SETTINGS)
def test_the_default_never_exceeds_the_plateau_limit_whoever_the_patient_is(settings: Settings) -> None:
    answer = plan_trial(settings, protocol=DEFAULT_PROTOCOL)

    assert (
        isinstance(answer, NoPlan)
        or answer.highest_end_inspiratory_cmh2o <= DEFAULT_PROTOCOL.plateau_limit_cmh2o + 1e-9
    )


def by_level(plan: Plan, phase: Phase) -> list[PlanStep]:
    return [step for step in plan.steps if step.phase is phase]


@given(SETTINGS, st.sampled_from(Variant))
def test_every_descent_falls_by_the_decrement_over_at_least_four_steps(settings: Settings, variant: Variant) -> None:
    answer = plan_trial(settings, protocol=DEFAULT_PROTOCOL, variant=variant)
    down = [step.peep_cmh2o or 0.0 for step in by_level(answer, Phase.DESCENT)] if isinstance(answer, Plan) else []

    assert isinstance(answer, NoPlan) or len(down) >= DEFAULT_PROTOCOL.minimum_steps
    assert all(high - low == pytest.approx(2.0) for high, low in pairwise(down))


@given(SETTINGS)
def test_no_chosen_recruitment_passes_the_peak_that_its_protocol_names(settings: Settings) -> None:
    answer = plan_trial(settings, protocol=DEFAULT_PROTOCOL, variant=RECRUITING)

    if isinstance(answer, Plan):
        reached = answer.highest_peak_cmh2o
        assert (answer.highest_end_inspiratory_cmh2o if reached is None else reached) <= 50.0 + 1e-6
        assert all((step.pressure_above_peep_cmh2o or 5.0) >= 4.0 for step in answer.steps)


VOLUME_CONTROLLED = replace(NOW, resistive_cmh2o=6.0, control=Control.VOLUME)


def test_at_constant_flow_peak_pressure_lies_above_plateau_by_what_resistance_takes() -> None:
    plan = planned(VOLUME_CONTROLLED)

    assert (plan.highest_end_inspiratory_cmh2o, plan.highest_peak_cmh2o) == (30, 36)
    assert all(step.peak_cmh2o == step.end_inspiratory_cmh2o + 6 for step in plan.steps if step.end_inspiratory_cmh2o)
    assert "peak pressure about 36 cmH2O with the 6 cmH2O that flow takes in resistance now" in spell(plan.summary)


def test_a_ceiling_of_peak_pressure_is_held_against_the_peak_not_the_plateau() -> None:
    limits = replace(DEFAULT_STOP_LIMITS, peak_pressure_above_cmh2o=Limit(34.0, "unit guide"))

    pressure_controlled = plan_trial(NOW, protocol=DEFAULT_PROTOCOL, limits=limits)
    answer = plan_trial(VOLUME_CONTROLLED, protocol=DEFAULT_PROTOCOL, limits=limits)

    assert isinstance(pressure_controlled, Plan)
    assert isinstance(answer, NoPlan)
    assert answer.reason is NoPlanReason.ABOVE_STOP_LIMIT
    assert "a peak pressure of 36 cmH2O, above the stop limit of 34 cmH2O" in spell(answer.sentence)


def test_the_peak_of_a_chosen_recruitment_leaves_room_for_resistance() -> None:
    plan = planned(VOLUME_CONTROLLED, variant=RECRUITING)

    assert (plan.highest_end_inspiratory_cmh2o, plan.highest_peak_cmh2o) == (44, 50)
    assert any("Volume is controlled now" in one for one in map(spell, plan.warnings))


def test_where_resistance_leaves_no_breath_no_recruitment_is_laid_out() -> None:
    answer = refused(replace(NOW, resistive_cmh2o=28.0), variant=RECRUITING)

    assert answer.reason is NoPlanReason.NO_ROOM
    assert "Flow takes 28 cmH2O in resistance now" in spell(answer.sentence)


def test_where_peak_pressure_is_not_known_the_plan_says_so_and_what_could_not_be_held() -> None:
    plan = planned()

    assert plan.highest_peak_cmh2o is None
    assert {step.peak_cmh2o for step in plan.steps} == {None}
    assert "peak pressure not known" in spell(plan.summary)
    assert "limit of 50 cmH2O could only be held against the end-inspiratory pressure" in spell(plan.warnings[-1])


def test_in_pressure_control_the_set_pressure_is_the_peak() -> None:
    plan = planned(replace(NOW, resistive_cmh2o=0.0, control=Control.PRESSURE))

    assert plan.highest_peak_cmh2o == plan.highest_end_inspiratory_cmh2o == 30
    assert "peak pressure about the same" in spell(plan.summary)
    assert not any("Peak pressure" in one for one in map(spell, plan.warnings))


def test_a_protocol_without_recruitment_rises_by_three_per_step() -> None:
    plan = plan_trial(NOW, protocol=DEFAULT_PROTOCOL, rules=replace(DEFAULT_STAIRCASE, recruitment=None))

    assert isinstance(plan, Plan)
    assert levels(plan, Phase.UP) == [13]


def test_pressure_above_peep_is_cut_where_the_chosen_peak_would_be_passed_on_the_way_up() -> None:
    up = DEFAULT_STAIRCASE.recruitment
    assert up is not None
    rules = replace(
        DEFAULT_STAIRCASE, recruitment=replace(up, peak_top_cmh2o=Cell(32.0, SourceStatus.SITE, "unit guide"))
    )

    plan = plan_trial(NOW, protocol=DEFAULT_PROTOCOL, rules=rules, variant=RECRUITING)

    assert isinstance(plan, Plan)
    recruitment = [step for step in plan.steps if step.phase is Phase.RECRUITMENT]
    assert [(step.peep_cmh2o, step.end_inspiratory_cmh2o) for step in recruitment] == [
        (13, 27),
        (16, 30),
        (19, 32),
        (20, 32),
    ]


def test_a_protocol_whose_margin_was_not_read_names_no_number_above_closing() -> None:
    rules = replace(DEFAULT_STAIRCASE, margin_cmh2o=Cell(None, SourceStatus.NOT_VERIFIED, "not read"))

    plan = plan_trial(NOW, protocol=DEFAULT_PROTOCOL, rules=rules)

    assert isinstance(plan, Plan)
    assert "how far above" in spell(plan.steps[-1].expect)


def test_the_summary_gives_start_levels_time_and_the_volume_to_return_to() -> None:
    assert spell(planned().summary) == (
        "Staircase of common practice, without high-pressure recruitment: from PEEP 10 cmH2O now to 16, then 6 levels "
        "from there down to 6 cmH2O; about 14 minutes in all if every step is taken. Highest end-inspiratory "
        "pressure 30 cmH2O, if compliance stays as it is; peak pressure not known. Afterwards back to 6 mL/kg (420 mL)."
    )


def test_a_step_exactly_at_the_plateau_limit_is_not_called_above_it() -> None:
    at_limit = [step for step in planned().steps if step.end_inspiratory_cmh2o == 30]

    assert at_limit
    assert not [step for step in at_limit if step.remark]
