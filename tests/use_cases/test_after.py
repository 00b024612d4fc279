"""After a trial and again later, from bytes: what changed, what holds, what happened since, what other days showed."""

from __future__ import annotations

import json

import pytest

from bedside_builders import asked, charted, condition, parameter, position, refused, row, rows_down, stamp, value_of
from fhir_builders import Json

DOWN = ((16.0, 36.0), (14.0, 38.0), (12.0, 38.5), (10.0, 34.0), (8.0, 29.0))
AFTER = 12.0
"""Minutes after the start of the way down at which PEEP is set."""


def breath(minute: float, identity: str, peep: float, compliance: float, **more: float) -> Json:
    values = {"peep_set": peep, "expired": 400.0, "plateau": round(peep + 400 / compliance, 1), **more}
    return charted(stamp(minute), identity, values)


BEFORE = [
    *[breath(minute, f"before{minute}", 10.0, 30.0, fio2=60.0, map=75.0) for minute in (-40, -25, -10)],
    row(stamp(-20), "gas-before", pao2=78.0, paco2=46.0),
]
NEW = [
    row(stamp(AFTER), "set", peep_set=12.0),
    *[breath(AFTER + minute, f"after{minute}", 12.0, 38.0, fio2=60.0, map=77.0) for minute in (5, 20, 35)],
    row(stamp(AFTER + 40), "gas-after", pao2=110.0, paco2=45.0),
]
DAY = [*BEFORE, row(stamp(-4), "up", peep_set=13.0), row(stamp(-2), "top", peep_set=16.0), *rows_down(DOWN), *NEW]


def test_what_is_better_by_more_than_noise_is_called_better() -> None:
    said = asked("compare-settings", DAY, now=stamp(AFTER + 60))

    change = said.observation("change-of-compliance-static")
    assert value_of(change) == "improved"
    assert value_of(change, "value-before") == pytest.approx(30.0, abs=0.3)
    assert value_of(change, "value-after") == pytest.approx(38.0, abs=0.3)
    assert value_of(said.observation("change-of-pf-ratio")) == "improved"


def test_what_moves_within_noise_is_called_so() -> None:
    said = asked("compare-settings", DAY, now=stamp(AFTER + 60))

    assert value_of(said.observation("change-of-paco2")) == "within-measurement-noise"
    assert value_of(said.observation("change-of-mean-arterial-pressure")) == "within-measurement-noise"


def test_each_limit_says_whether_it_holds_and_whose_it_is() -> None:
    said = asked("compare-settings", DAY, now=stamp(AFTER + 60))

    plateau = said.observation("limit-plateau")
    assert value_of(plateau) is True
    assert value_of(plateau, "limit-value") == 30.0
    assert "ARDS Network" in plateau["method"]["text"]


def test_what_was_not_sent_is_not_compared() -> None:
    without = [one for one in DAY if not str(one["id"]).startswith("gas")]

    said = asked("compare-settings", without, now=stamp(AFTER + 60))

    assert value_of(said.observation("change-of-paco2")) == "not-known"


def test_the_moments_that_were_compared_are_named() -> None:
    said = asked("compare-settings", DAY, now=stamp(AFTER + 60))

    assert "Before: 2026-03-01 08:56 to 2026-03-01 09:56 UTC. After: 2026-03-01 10:12 to" in " ".join(said.notes)


def test_without_a_trial_and_without_times_there_is_nothing_to_compare() -> None:
    refusal = refused("compare-settings", BEFORE, now=stamp(60))

    assert "titrated-at" in refusal.problems[0].sentence


class TestOnePatientNowForEveryQuestion:
    TRIAL = (*BEFORE, row(stamp(-2), "top", peep_set=16.0), *rows_down(DOWN))
    TURNED = (*TRIAL, position(-60, "Supine"), position(AFTER + 5, "Prone"))

    def test_a_turn_after_the_trial_ends_its_validity_although_no_peep_was_set_since(self) -> None:
        said = asked("check-validity", [*self.TURNED], now=stamp(30))

        assert said.line.startswith("The titration no longer holds. Position changed")
        assert value_of(said.observation("titration-may-be-old")) is True

    def test_the_same_turn_stands_against_the_suggestion_and_the_next_step(self) -> None:
        assert "Against: position changed" in asked("titrate-peep", [*self.TURNED], now=stamp(30)).line
        assert "position changed since the trial" in asked("next-step", [*self.TURNED], now=stamp(20)).line

    def test_without_a_turn_it_is_not_said(self) -> None:
        lain = [*self.TRIAL, position(-60, "Supine")]

        assert refused("check-validity", lain, now=stamp(30)).problems[0].kind.slug == "missing"
        assert "position" not in asked("titrate-peep", lain, now=stamp(30)).line

    @pytest.mark.parametrize(("fio2", "needs"), [(90.0, True), (62.0, False)])
    def test_more_oxygen_for_the_same_saturation_is_read_alike(self, fio2: float, *, needs: bool) -> None:
        spo2 = [row(stamp(minute), f"sat{minute}", spo2=93.0, fio2=60.0) for minute in (-15, 3, 9)]
        later = [row(stamp(AFTER), "set", peep_set=12.0), row(stamp(50), "now", spo2=93.0, fio2=fio2)]
        record = [*self.TRIAL, *spo2, *later]

        assert ("FiO2 60 to 90 %" in asked("titrate-peep", record, now=stamp(55)).line) is needs
        for operation in ("check-validity", "compare-settings"):
            assert ("FiO2 60 → 90 %" in asked(operation, record, now=stamp(55)).line) is needs


@pytest.mark.parametrize("operation", ["follow-trials", "compare-markers"])
@pytest.mark.parametrize(
    ("charted_too", "look"),
    [
        (condition("c1", "J93.0"), "a pneumothorax in the record"),
        (position(4, "Prone"), "the position was changed"),
    ],
    ids=["pneumothorax", "turned"],
)
def test_a_trial_that_gives_no_number_gives_none_beside_others_either(
    operation: str, charted_too: Json, look: str
) -> None:
    record = [*BEFORE, *rows_down(DOWN), position(-60, "Supine"), charted_too]
    told = asked(operation, record, now=stamp(30))

    assert f"Look first: {look}." in told.line
    assert not any(value_of(observation) == 10.0 for observation in told.observations("trial-in-record"))


def test_a_pneumothorax_of_today_takes_no_closing_from_the_trials_before() -> None:
    record = [*rows_down(DOWN, name="first"), *rows_down(DOWN, start=240, name="second"), condition("c1", "J93.0")]
    told = asked("follow-trials", record, now=stamp(300))

    assert [value_of(observation) for observation in told.observations("trial-in-record")] == [10.0, None]


def test_validity_of_a_trial_without_a_number_does_not_pass_for_a_trial_that_holds() -> None:
    support = [charted(stamp(2 * place + 1.2), f"support{place}", {"support": 12.0}) for place in range(5)]

    assert asked("check-validity", [*DAY, *support], now=stamp(AFTER + 60)).line.startswith(
        "The trial itself gave no number. Look first: pressure support"
    )


@pytest.mark.parametrize("operation", ["compare-settings", "check-validity"])
class TestWithoutASettingAfterATrial:
    def test_a_vital_sign_beyond_its_limit_is_answered_and_not_refused(self, operation: str) -> None:
        said = asked(operation, [*BEFORE, row(stamp(50), "now", map=59.0)], now=stamp(60))

        assert said.first.startswith("Mean arterial pressure is 59 mmHg (10 min old), limit below 60 mmHg")
        # What to send is for those who connect the record, and for nobody at a bedside.
        assert "titrated-at" not in said.first
        assert "titrated-at" in json.dumps(said.of("OperationOutcome"))
        assert said.issue("arterial-pressure-fell")["severity"] == "high"
        assert not [one for one in said.of("Observation") if set(one) & {"valueBoolean", "valueCodeableConcept"}]

    def test_it_is_refused_where_no_vital_sign_is_beyond_a_limit(self, operation: str) -> None:
        refusal = refused(operation, [*BEFORE, row(stamp(50), "now", map=60.0)], now=stamp(60))

        assert "titrated-at" in refusal.problems[0].sentence


def test_the_times_may_be_given_instead_of_a_trial() -> None:
    given = (parameter("trial-started", stamp(-4)), parameter("titrated-at", stamp(AFTER)))

    said = asked("compare-settings", [*BEFORE, *NEW], *given, now=stamp(AFTER + 60))

    assert value_of(said.observation("change-of-compliance-static")) == "improved"
    assert value_of(said.observation("overdistension-at-top")) == "not-known"


def test_a_time_that_has_not_come_is_refused() -> None:
    refusal = refused("compare-settings", DAY, parameter("titrated-at", stamp(300)), now=stamp(AFTER + 60))

    assert refusal.problems[0].kind.slug == "bad-parameter"


def test_a_quiet_record_says_that_nothing_was_seen_not_that_nothing_happened() -> None:
    said = asked("check-validity", DAY, now=stamp(AFTER + 60))

    assert value_of(said.observation("titration-may-be-old")) is False
    assert "What was not charted does not show." in said.first


def test_an_open_circuit_six_hours_later_is_seen_with_its_reading() -> None:
    opened = row(stamp(AFTER + 360), "suction", peep=0.3, expired=15.0)
    later = [breath(AFTER + 365, "later", 12.0, 31.0)]

    said = asked("check-validity", [*DAY, opened, *later], now=stamp(AFTER + 370))

    issue = said.issue("disconnection-or-suction")
    assert issue["implicated"] == [{"reference": "Observation/suction/_history/1"}]
    assert "6.0 h after the titration" in issue["detail"]
    assert "Common practice is to repeat the titration after any disconnection." in issue["detail"]
    assert "compliance-lost" in said.issues


def test_peep_below_the_suggestion_is_seen_against_the_trial_in_the_record() -> None:
    lowered = [row(stamp(AFTER + 120), "lowered", peep_set=8.0)]

    said = asked("check-validity", [*DAY, *lowered], now=stamp(AFTER + 130))

    assert "below the suggested 12" in said.issue("peep-below-suggestion")["detail"]
    assert any("was computed from the trial among the readings" in note for note in said.notes)


def test_the_suggestion_may_be_given() -> None:
    given = (parameter("titrated-at", stamp(AFTER)), parameter("suggested-peep", (14.0, "cm[H2O]")))

    said = asked("check-validity", NEW, *given, now=stamp(AFTER + 60))

    assert "below the suggested 14" in said.issue("peep-below-suggestion")["detail"]


def test_a_charted_change_of_position_is_seen_and_the_first_position_is_none() -> None:
    def position(minute: float, identity: str, words: str) -> Json:
        return {
            **row(stamp(minute), identity),
            "code": {"coding": [{"system": "http://loinc.org", "code": "8361-8"}]},
            "component": [],
            "valueCodeableConcept": {"text": words},
        }

    turned = [position(AFTER + 1, "supine", "supine"), position(AFTER + 50, "prone", "prone")]

    said = asked("check-validity", [*DAY, *turned], now=stamp(AFTER + 60))

    assert said.issue("position-changed")["implicated"] == [{"reference": "Observation/prone/_history/1"}]


@pytest.mark.parametrize(
    ("coding", "words"),
    [
        (
            {"system": "http://snomed.info/sct", "code": "1240000", "display": "Prone body position"},
            "Prone body position",
        ),
        (
            {"system": "http://snomed.info/sct", "code": "1240000"},
            "coded http://snomed.info/sct|1240000, without words",
        ),
    ],
)
def test_a_coded_position_is_told_by_its_words_and_a_bare_code_as_a_code(coding: Json, words: str) -> None:
    def position(minute: float, identity: str, value: Json) -> Json:
        return {
            **row(stamp(minute), identity),
            "code": {"coding": [{"system": "http://loinc.org", "code": "8361-8"}]},
            "component": [],
            "valueCodeableConcept": value,
        }

    turned = [position(AFTER + 1, "supine", {"text": "supine"}), position(AFTER + 50, "p", {"coding": [coding]})]

    said = asked("check-validity", [*DAY, *turned], now=stamp(AFTER + 60))

    assert f"position was changed ({words})" in said.issue("position-changed")["detail"]


def second(shift: float = 0.0) -> list[Json]:
    later = [(peep - shift, compliance) for peep, compliance in DOWN]
    return rows_down(later, start=24 * 60.0, name="second")


def test_two_trials_are_laid_side_by_side() -> None:
    said = asked("follow-trials", [*rows_down(DOWN), *second()], now=stamp(25 * 60))

    first, later = said.observations("trial-in-record")
    assert (value_of(first), value_of(later)) == (10.0, 10.0)
    assert value_of(said.observation("change-between-trials")) == "within-noise"


def test_a_closing_pressure_that_fell_for_sure_is_called_lower() -> None:
    said = asked("follow-trials", [*rows_down(DOWN), *second(4.0)], now=stamp(25 * 60))

    change = said.observation("change-between-trials")
    assert value_of(change) == "lower-than-before"
    assert value_of(change, "probability-lower") > 0.9


def test_without_a_trial_there_is_nothing_to_follow() -> None:
    refusal = refused("follow-trials", BEFORE, now=stamp(60))

    assert refusal.problems[0].kind.slug == "no-trial"


def with_saturations(values: tuple[float, ...]) -> list[Json]:
    found = [row(stamp(2 * place + 1.7), f"sat-{place}", spo2=value) for place, value in enumerate(values)]
    return [row(stamp(0), "fio2", fio2=50.0), *rows_down(DOWN), *found]


def test_a_marker_that_agrees_is_said_to_agree() -> None:
    said = asked("compare-markers", with_saturations((95, 95, 95, 93, 92)), now=stamp(60))

    assert value_of(said.observation("marker-spo2-fall-1")) == 10.0
    assert value_of(said.observation("markers-agree")) is True


def test_a_marker_that_disagrees_is_said_to_disagree_plainly() -> None:
    said = asked("compare-markers", with_saturations((97, 95, 94, 93, 92)), now=stamp(60))

    assert value_of(said.observation("markers-agree")) is False
    assert said.first.startswith("The markers disagree about closing")


def test_a_best_level_is_never_called_a_closing_level() -> None:
    said = asked("compare-markers", with_saturations((95, 95, 95, 93, 92)), now=stamp(60))

    best = said.observation("marker-best-compliance")
    assert value_of(best, "marker-meaning") == "best"


def test_the_published_tables_show_what_they_would_set() -> None:
    said = asked("compare-markers", with_saturations((95, 95, 95, 93, 92)), now=stamp(60))

    lower, higher = said.observation("table-lower-peep"), said.observation("table-higher-peep")
    # ARDS Network, N Engl J Med 2000;342:1301-8: FiO2 0.5 with PEEP 8 to 10.
    assert (value_of(lower, "table-peep-low"), value_of(lower, "table-peep-high")) == (8.0, 10.0)
    # Brower et al, N Engl J Med 2004;351:327-36: FiO2 0.5 with PEEP 16 to 20.
    assert (value_of(higher, "table-peep-low"), value_of(higher, "table-peep-high")) == (16.0, 20.0)


RELEASE = (
    parameter("released-volume", (1200.0, "mL")),
    parameter("usual-volume", (400.0, "mL")),
    parameter("release-high-peep", (15.0, "cm[H2O]")),
    parameter("release-low-peep", (5.0, "cm[H2O]")),
    parameter("compliance-at-low-peep", (40.0, "mL/cm[H2O]")),
)


def test_one_release_of_peep_gives_the_recruitment_to_inflation_ratio() -> None:
    said = asked("compare-markers", with_saturations((95, 95, 95, 93, 92)), *RELEASE, now=stamp(60))

    # By hand: (1200 - 400 - 40 x 10) mL recruited, over 10 cmH2O, over 40 mL/cmH2O.
    ratio = said.observation("recruitment-to-inflation")
    assert (value_of(ratio), value_of(ratio, "recruited-volume")) == (1.0, 400)


@pytest.mark.parametrize("left_out", range(5))
def test_the_ratio_needs_all_of_its_values(left_out: int) -> None:
    given = [one for place, one in enumerate(RELEASE) if place != left_out]

    refusal = refused("compare-markers", with_saturations((95, 95, 95, 93, 92)), *given, now=stamp(60))

    assert "needs all of" in refusal.problems[0].sentence


def test_a_trial_that_cannot_be_read_does_not_hide_an_earlier_one() -> None:
    unread = [row(stamp(24 * 60 + 2 * place), f"unread-{place}", peep_set=peep) for place, (peep, _) in enumerate(DOWN)]

    said = asked("follow-trials", [*rows_down(DOWN), *unread], now=stamp(25 * 60))

    assert [value_of(observation) for observation in said.observations("trial-in-record")] == [10.0]


def test_a_figure_that_is_not_known_says_why() -> None:
    said = asked("compare-settings", DAY, now=stamp(AFTER + 60))

    assert "Before: no respiratory rate" in said.observation("change-of-mechanical-power")["note"][0]["text"]


# A circulation that fails at the new settings


def low_pressure(mean: float) -> list[Json]:
    """The day, with this mean arterial pressure at the new settings."""
    new = [breath(AFTER + minute, f"low{minute}", 12.0, 38.0, fio2=60.0, map=mean) for minute in (5, 20, 35)]
    rest = [one for one in DAY if not str(one["id"]).startswith("after")]
    return [*rest, *new]


def test_a_mean_pressure_that_fell_at_the_new_settings_makes_validity_ask_for_somebody() -> None:
    said = asked("check-validity", low_pressure(58.0), now=stamp(AFTER + 40))

    assert value_of(said.observation("titration-may-be-old")) is True
    assert said.issue("arterial-pressure-fell")["severity"] == "high"
    assert "Mean arterial pressure fell from 75 mmHg before the trial to 58 mmHg" in said.first
    assert "below the limit of 60 mmHg" in said.first


def test_a_mean_pressure_that_fell_is_the_first_thing_that_a_comparison_says() -> None:
    said = asked("compare-settings", low_pressure(58.0), now=stamp(AFTER + 40))

    assert said.first.startswith("Mean arterial pressure fell from 75 to 58 mmHg at the new settings, below the limit")
    assert said.notes[1].startswith("Mean arterial pressure fell")


@pytest.mark.parametrize(("mean", "first"), [(59.9, True), (75.0, False)])
def test_a_mean_pressure_that_neither_fell_nor_is_low_is_not_put_first(mean: float, first: bool) -> None:
    said = asked("compare-settings", low_pressure(mean), now=stamp(AFTER + 40))

    assert said.first.startswith("Mean arterial pressure") is first


FAILING = breath(AFTER + 280, "failing", 12.0, 19.0, fio2=60.0, map=50.0, spo2=82.0, heart_rate=28.0)
WELL = [charted(stamp(AFTER + minute), f"well{minute}", {"spo2": 96.0, "heart_rate": 90.0}) for minute in (5, 35)]


def test_a_patient_who_fails_after_the_window_of_comparison_stands_first() -> None:
    said = asked("compare-settings", [*DAY, *WELL, FAILING], now=stamp(AFTER + 285))

    for words in ("SpO2 is 82 % (5 min old)", "Mean arterial pressure is 50", "look at the patient first"):
        assert said.first.index(words) < said.first.index("Better: ")
    assert "In the last half hour, worse than before the trial:" in said.first
    assert "ends 2.7 h ago" in said.first or "ends 2.8 h ago" in said.first
    assert value_of(said.observation("change-of-compliance-static")) == "worse"
    assert value_of(said.observation("change-of-paco2")) == "within-measurement-noise"
    assert value_of(said.observation("limit-plateau")) is False
    assert {"oxygenation-lost", "arterial-pressure-fell", "heart-rate-low"} <= said.issues
    assert {one["severity"] for one in said.of("DetectedIssue")} == {"high"}


def test_before_is_said_to_be_a_step_of_the_trial_where_nothing_earlier_was_charted() -> None:
    top = [breath(minute, f"top{minute}", 16.0, 36.0, map=75.0) for minute in (-30, -20)]

    said = asked("compare-settings", [*top, *rows_down(DOWN), *NEW], now=stamp(AFTER + 60))

    assert "Before is the top step of the trial itself (16 cmH2O)" in said.first
    assert "Before is" not in asked("compare-settings", DAY, now=stamp(AFTER + 60)).first


def test_a_low_saturation_a_slow_heart_and_a_halved_compliance_ask_for_a_look_at_the_patient() -> None:
    said = asked("check-validity", [*DAY, *WELL, FAILING], now=stamp(AFTER + 285))

    assert said.first.startswith("Look at the patient first.")
    assert "a pneumothorax, secretions, a displaced tube or a leak look like this" in said.first
    for code in ("compliance-lost", "heart-rate-low", "arterial-pressure-fell"):
        assert said.issue(code)["severity"] == "high"


def test_peep_that_was_left_below_the_steps_of_the_trial_is_said_and_not_refused() -> None:
    low = [breath(AFTER + minute, f"low{minute}", 5.0, 26.0, fio2=60.0) for minute in (15, 40, 90)]

    said = asked("check-validity", [*BEFORE, *rows_down(DOWN), *low], now=stamp(AFTER + 95))

    assert value_of(said.observation("titration-may-be-old")) is True
    assert "peep-below-suggestion" in said.issues


def test_a_latest_trial_in_shock_stands_first_and_says_why_it_suggests_no_peep() -> None:
    shocked = rows_down(DOWN, start=180, name="shocked", spo2=80.0, map=42.0)

    said = asked("follow-trials", [*BEFORE, *rows_down(DOWN), *NEW, *shocked], now=stamp(200))

    assert said.first.startswith("Of the latest trial: ")
    assert "mean arterial pressure was 42 mmHg" in said.first
    assert "No PEEP is suggested" in " ".join(said.notes) or "no PEEP is suggested" in " ".join(said.notes)
    assert "100 %" not in " ".join(said.notes)


def test_vital_signs_beyond_a_limit_stand_before_the_markers() -> None:
    said = asked("compare-markers", rows_down(DOWN, spo2=75.0, map=42.0), now=stamp(12))

    assert said.first.startswith("Of the latest trial: ")
    assert "SpO2 was 75 %" in said.first


def test_peep_at_or_below_closing_is_said_before_anything_that_is_better() -> None:
    low = [breath(AFTER + minute, f"low{minute}", 8.0, 38.0, fio2=60.0, map=77.0) for minute in (5, 20, 35)]
    day = [*BEFORE, row(stamp(-4), "up", peep_set=13.0), row(stamp(-2), "top", peep_set=16.0), *rows_down(DOWN)]

    said = asked("compare-settings", [*day, row(stamp(AFTER), "set", peep_set=8.0), *low], now=stamp(AFTER + 40))

    assert "at or below the closing pressure of the trial" in said.first


def test_a_fall_of_arterial_pressure_names_values_that_were_charted() -> None:
    falls = [row(stamp(AFTER + minute), f"map{minute}", map=value) for minute, value in ((45, 76.0), (58, 52.0))]
    steady = [one for one in DAY if not str(one["id"]).startswith("after35")]

    said = asked("check-validity", [*steady, *falls], now=stamp(AFTER + 60))

    assert "to 52 mmHg" in said.first


def test_a_patient_in_shock_since_the_latest_trial_is_given_no_suggestion_of_it_by_any_question_about_trials() -> None:
    shocked = [row(stamp(AFTER + minute), f"shock{minute}", map=58.0) for minute in (38, 39)]

    titrated = asked("titrate-peep", [*DAY, *shocked], now=stamp(AFTER + 40))
    followed = asked("follow-trials", [*DAY, *shocked], now=stamp(AFTER + 40))

    assert "58" in titrated.first
    assert followed.first.count("Look at the patient first") == 1
    components = followed.observation("trial-in-record")["component"]
    assert "peep-suggested-then" not in {component["code"]["coding"][0]["code"] for component in components}
