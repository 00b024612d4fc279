"""Published decremental trials: what was read of each is as printed, and what was not read is refused.

ART: protocol abstract, Trials 2012;13:153 (recruitment to PEEP 45, peak 60, static compliance). Staircase 2011: Hodgson
et al, Crit Care 2011;15:R133 (introduction: peak 55, PEEP 40). Borges et al, Am J Respir Crit Care Med 2006;174:268-78
(abstract: 15 above PEEP, up by 5 to 60). de Matos et al, Crit Care 2012;16:R4 (abstract: 15 above PEEP, up to 60, then
25 down to 10), whose first report, Crit Care 2010;14(Suppl 1):P186, raises PEEP to 45. Gernoth et al, Crit Care
2009;13:R59 (abstract: PEEP fixed at 20 with 20, 25 and 30 above it for two minutes each, lowered by 2 every two
minutes, highest dynamic compliance plus 2, recruited again before PEEP is set). Rules of the
markers: methods table of Cochrane review CD009098, 2021. Common practice has no source.
"""

from __future__ import annotations

from dataclasses import fields

import pytest

from ebbmark.physiology.before.plan import Phase, Plan, plan_trial
from ebbmark.physiology.before.staircase import (
    DEFAULT_STAIRCASE,
    STAIRCASES,
    Cell,
    MarginMarker,
    NoPlan,
    NoPlanReason,
    Settings,
    StaircaseRules,
    Variant,
    faults_of_rules,
    staircase_for,
    unverified,
)
from ebbmark.physiology.findings import SourceStatus
from ebbmark.physiology.protocols import DEFAULT_PROTOCOL
from ebbmark.words.messages import spell

PUBLISHED = [rules for rules in STAIRCASES if rules is not DEFAULT_STAIRCASE]

READ_OF_THE_WAY_UP = [
    ("art", "peep_top_cmh2o", 45.0),
    ("art", "peak_top_cmh2o", 60.0),
    ("staircase-2011", "peep_top_cmh2o", 40.0),
    ("staircase-2011", "peak_top_cmh2o", 55.0),
    ("maximal-recruitment-2006", "pressure_above_peep_cmh2o", 15.0),
    ("maximal-recruitment-2006", "peep_rise_cmh2o", 5.0),
    ("maximal-recruitment-2006", "peak_top_cmh2o", 60.0),
    ("ct-guided-2012", "pressure_above_peep_cmh2o", 15.0),
    ("ct-guided-2012", "peak_top_cmh2o", 60.0),
    ("ct-guided-2012", "peep_top_cmh2o", 45.0),
    ("decremental-2009", "peep_top_cmh2o", 20.0),
    ("decremental-2009", "pressure_above_peep_cmh2o", 20.0),
    ("decremental-2009", "pressure_rise_cmh2o", 5.0),
    ("decremental-2009", "peak_top_cmh2o", 50.0),
    ("decremental-2009", "hold_s", 120.0),
    ("textbook", "pressure_above_peep_cmh2o", 20.0),
]


def rules_of(slug: str) -> StaircaseRules:
    rules = staircase_for(slug)
    assert rules is not None
    return rules


@pytest.mark.parametrize(("slug", "name", "printed"), READ_OF_THE_WAY_UP)
def test_what_was_read_of_the_way_up_is_as_printed(slug: str, name: str, printed: float) -> None:
    cell: Cell = getattr(rules_of(slug).recruitment, name)

    assert cell.value == printed


def test_the_ct_guided_trial_went_from_25_down_to_10() -> None:
    rules = rules_of("ct-guided-2012")

    assert (rules.start_cmh2o.value, rules.lowest_cmh2o.value) == (25.0, 10.0)


def test_the_titration_of_2009_steps_down_by_2_every_two_minutes_and_sets_2_above_the_best() -> None:
    rules = rules_of("decremental-2009")  # abstract of Crit Care 2009;13:R59

    assert (rules.start_cmh2o.value, rules.decrement_cmh2o.value, rules.dwell_s.value) == (20.0, 2.0, 120.0)
    assert (rules.margin_cmh2o.value, rules.margin_on, rules.marker) == (2.0, "best", MarginMarker.DYNAMIC_COMPLIANCE)
    assert rules.reopens


def test_the_end_of_the_titration_of_2009_and_the_reading_of_its_start_are_said_to_be_our_own_choice() -> None:
    rules = rules_of("decremental-2009")

    assert rules.lowest_cmh2o.traced is SourceStatus.OWN_CHOICE
    assert rules.start_cmh2o.traced is SourceStatus.OWN_CHOICE


@pytest.mark.parametrize(("slug", "may_differ"), [("decremental-2009", True), ("common-practice", False)])
def test_a_plan_says_where_its_protocol_may_name_another_peep_than_the_answer_to_the_trial(
    slug: str, may_differ: bool
) -> None:
    plan = plan_trial(Settings(10, 14, 70), protocol=DEFAULT_PROTOCOL, rules=rules_of(slug))

    assert isinstance(plan, Plan)
    assert ("it may name another PEEP than this protocol does" in spell(plan.steps[-1].expect)) is may_differ


def test_a_published_protocol_is_laid_out_by_name_with_its_citation_and_the_source_of_each_number() -> None:
    plan = plan_trial(Settings(10, 14, 70), protocol=DEFAULT_PROTOCOL, rules=rules_of("decremental-2009"))

    assert isinstance(plan, Plan)
    assert [step.peep_cmh2o for step in plan.steps if step.phase is Phase.DESCENT] == [16, 14, 12, 10, 8, 6]
    assert "doi 10.1186/cc7786" in plan.rules.citation
    assert "size of the steps down 2 cmH2O (read in: abstract, Crit Care 2009;13:R59" in spell(plan.origins)
    assert "lowest PEEP tested 6 cmH2O (this project's own choice" in spell(plan.origins)


def test_what_a_published_protocol_says_of_itself_is_a_warning_of_the_plan() -> None:
    plan = plan_trial(Settings(10, 14, 70), protocol=DEFAULT_PROTOCOL, rules=rules_of("decremental-2009"))

    assert isinstance(plan, Plan)
    assert "without a comparison group" in spell(plan.warnings[0])


def test_the_way_up_of_2009_is_laid_out_once_its_steps_of_peep_are_asked_for() -> None:
    rules = rules_of("decremental-2009")
    plan = plan_trial(
        Settings(10, 14, 70), protocol=DEFAULT_PROTOCOL, rules=rules, variant=Variant.WITH_RECRUITMENT, rise_cmh2o=5
    )

    assert isinstance(plan, Plan)
    up = [step for step in plan.steps if step.phase is Phase.RECRUITMENT and step.peep_cmh2o == 20]
    assert [(step.pressure_above_peep_cmh2o, step.dwell_s) for step in up] == [(20, 120), (25, 120), (30, 120)]
    assert "size of the PEEP steps up 5 cmH2O (asked for)" in spell(plan.origins)
    assert "in ART more patients died" in spell(plan.warnings[0])


@pytest.mark.parametrize(
    ("slug", "marker", "words"),
    [
        ("art", MarginMarker.STATIC_COMPLIANCE, "highest static compliance"),
        ("open-lung-2016", MarginMarker.DYNAMIC_COMPLIANCE, "highest dynamic compliance"),
        ("staircase-2011", MarginMarker.SATURATION, "1 % or more from its maximum"),
        ("pharlap", MarginMarker.SATURATION, "2 % or more from its maximum"),
    ],
)
def test_markers_and_rules_are_those_of_the_cochrane_table(slug: str, marker: MarginMarker, words: str) -> None:
    rules = rules_of(slug)

    assert rules.marker is marker
    assert words in rules.rule


def test_the_margin_of_art_is_added_to_the_best_level_and_that_of_the_textbook_to_closing() -> None:
    assert (rules_of("art").margin_on, rules_of("textbook").margin_on) == ("best", "closing")


@pytest.mark.parametrize("rules", PUBLISHED, ids=lambda rules: rules.slug)
def test_a_published_protocol_with_unread_numbers_is_not_laid_out_and_says_which(rules: StaircaseRules) -> None:
    answer = plan_trial(Settings(10, 14, 70), protocol=DEFAULT_PROTOCOL, rules=rules, variant=Variant.WITH_RECRUITMENT)

    assert isinstance(answer, NoPlan)
    assert answer.reason is NoPlanReason.NOT_VERIFIED
    assert answer.missing == unverified(rules, with_recruitment=True)
    assert all(spell(words) in spell(answer.sentence) for words in answer.missing.values())


@pytest.mark.parametrize("rules", STAIRCASES, ids=lambda rules: rules.slug)
def test_every_rule_set_is_without_fault(rules: StaircaseRules) -> None:
    assert faults_of_rules(rules) == ()


@pytest.mark.parametrize("rules", PUBLISHED, ids=lambda rules: rules.slug)
def test_no_number_of_a_published_protocol_is_called_common_practice(rules: StaircaseRules) -> None:
    cells = [getattr(rules, field.name) for field in fields(rules)]

    assert not [cell for cell in cells if isinstance(cell, Cell) and cell.traced is SourceStatus.COMMON_PRACTICE]


def test_common_practice_goes_to_20_and_50_holds_two_minutes_and_steps_down_by_2() -> None:
    up = DEFAULT_STAIRCASE.recruitment
    assert up is not None

    assert (up.peep_top_cmh2o.value, up.peak_top_cmh2o.value, up.pressure_rise_cmh2o.value) == (20.0, 50.0, 5.0)
    assert (up.hold_s.value, DEFAULT_STAIRCASE.dwell_s.value) == (120.0, 120.0)
    assert (DEFAULT_STAIRCASE.decrement_cmh2o.value, DEFAULT_STAIRCASE.margin_cmh2o.value) == (2.0, 2.0)


def test_the_rise_of_common_practice_lies_within_2_to_5() -> None:
    up = DEFAULT_STAIRCASE.recruitment

    assert up is not None
    assert 2.0 <= (up.peep_rise_cmh2o.value or 0.0) <= 5.0
