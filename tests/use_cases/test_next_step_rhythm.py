"""During a trial: a heart rhythm that is new stops it where the site signed that, and is else judged at the patient."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import pytest

from bedside_builders import Said, asked, parameter, refused, row, rows_down, stamp, value_of
from ebbmark.fhir.problems import ProblemKind
from ebbmark.fhir.reading.request import NO_SITE, Site
from ebbmark.physiology.stop.limits import DEFAULT_STOP_LIMITS, RhythmCode, RhythmsThatStop
from ebbmark.site_files import read_stop_limits
from fhir_builders import LOINC, Json

DOWN = ((18.0, 38.0), (16.0, 40.0), (14.0, 41.0), (12.0, 40.5))
OPERATION = "next-step"
LOCAL = "https://site.example/rhythms"
SINUS, FIBRILLATION, PACED = ("SR", "Sinus rhythm"), ("AF", "Atrial fibrillation"), ("PM", "Paced rhythm")
NOW = stamp(8)
WHO: Json = {"name": "acknowledged-by", "valueReference": {"display": "Dr A. Invented"}}
STOPPING = Site(
    stop_limits=replace(
        DEFAULT_STOP_LIMITS,
        version="9",
        signed_by="Dr A. Invented",
        signed_on="2026-02-01",
        systolic_arterial_pressure_below_mmhg=None,
        heart_rate_below_per_min=None,
        heart_rate_above_per_min=None,
        rhythms_that_stop=RhythmsThatStop((RhythmCode(LOCAL, *FIBRILLATION),), "decided by the unit"),
    )
)


def rhythm(minute: float, which: tuple[str, str], **more: Any) -> Json:  # noqa: ANN401
    """One charted rhythm."""
    code, display = which
    return {
        "resourceType": "Observation",
        "id": f"rhythm-{round(60 * minute)}".replace("--", "-before-"),
        "meta": {"versionId": "1"},
        "status": "final",
        "code": {"coding": [{"system": LOINC, "code": "8884-9"}]},
        "subject": {"reference": "Patient/p1"},
        "effectiveDateTime": stamp(minute),
        "valueCodeableConcept": {"coding": [{"system": LOCAL, "code": code, "display": display}]},
        **more,
    }


def after(*more: Json, given: tuple[Json, ...] = (), site: Site = NO_SITE) -> Said:
    """The answer after four steps with good vital signs, and what was charted of the rhythm."""
    return asked(OPERATION, [*rows_down(DOWN, spo2=93.0, map=72.0), *more], *given, now=NOW, site=site)


def acknowledged(*names: str) -> tuple[Json, ...]:
    found: list[Json] = [{"name": "acknowledged", "valueString": name} for name in names]
    return (*found, WHO)


def action(said: Said) -> str:
    return str(value_of(said.observation("next-step")))


def criterion(said: Said) -> str:
    return str(value_of(said.observation("stop-criteria"), "heart-rhythm-new"))


BEFORE, SAME, NEW = rhythm(-10, SINUS), rhythm(7.5, SINUS), rhythm(7.5, FIBRILLATION)


# Without a signed list


def test_a_rhythm_that_stays_as_it_was_stops_nothing() -> None:
    said = after(BEFORE, SAME)

    assert action(said) == "lower"
    assert criterion(said) == "criterion-not-checked"
    assert "the latest heart rhythm is Sinus rhythm (less than a minute old)" in said.bytes.decode()


def test_a_rhythm_that_changed_is_told_first_and_judged_at_the_patient() -> None:
    said = after(BEFORE, NEW)

    assert action(said) == "look-first"
    assert value_of(said.observation("next-step"), "lowering-is-useful") is False
    assert (
        "The heart rhythm changed from Sinus rhythm to Atrial fibrillation at 10:07 UTC (less than a minute old); no "
        "limit is signed for it, so judge it at the patient."
    ) in said.first
    assert said.issues == set()


def test_it_is_lowered_on_once_a_clinician_has_acknowledged_just_that_rhythm() -> None:
    said = after(BEFORE, NEW, given=acknowledged("rhythm-changed-to-AF"))

    assert action(said) == "lower"
    assert said.first.startswith(
        "Dr A. Invented has acknowledged that the heart rhythm changed from Sinus rhythm to Atrial fibrillation."
    )


def test_one_new_rhythm_that_was_acknowledged_does_not_cover_the_next() -> None:
    said = after(BEFORE, rhythm(5, FIBRILLATION), rhythm(7.5, PACED), given=acknowledged("rhythm-changed-to-AF"))

    assert action(said) == "look-first"
    assert "changed from Sinus rhythm to Paced rhythm" in said.first
    assert "to Atrial fibrillation" not in said.first


def test_the_answer_says_how_a_new_rhythm_is_acknowledged() -> None:
    assert any("'rhythm-changed-to-AF'" in note for note in after(BEFORE, NEW).notes)


def test_a_rhythm_that_came_and_went_is_told_with_what_it_is_now() -> None:
    said = after(BEFORE, rhythm(4, FIBRILLATION), SAME)

    assert action(said) == "look-first"
    assert "to Atrial fibrillation at 10:04 UTC (4 min old); the latest, at 10:07 UTC, is Sinus rhythm;" in said.first


def test_a_change_before_the_trial_is_none_of_it() -> None:
    assert action(after(rhythm(-20, SINUS), rhythm(-10, FIBRILLATION), NEW)) == "lower"


def test_without_a_rhythm_before_the_first_one_of_the_trial_is_what_counts() -> None:
    assert action(after(rhythm(3, SINUS), NEW)) == "look-first"
    assert action(after(NEW)) == "lower"


def test_rhythms_that_share_a_code_are_one() -> None:
    both: Json = {"coding": [{"system": LOCAL, "code": "SR"}, {"system": "https://other.example", "code": "1"}]}
    other: Json = {"coding": [{"system": "https://other.example", "code": "1"}]}

    said = after(rhythm(-10, SINUS, valueCodeableConcept=both), rhythm(7.5, SINUS, valueCodeableConcept=other))

    assert action(said) == "lower"


def test_a_code_without_words_is_said_to_be_one() -> None:
    bare = rhythm(7.5, FIBRILLATION, valueCodeableConcept={"coding": [{"system": LOCAL, "code": "AF"}]})

    assert f"to a rhythm coded {LOCAL}|AF, without words" in after(BEFORE, bare).first


def test_no_rhythm_at_all_asks_for_none_where_none_is_signed() -> None:
    said = after()

    assert action(said) == "lower"
    assert "new heart rhythm" in said.first


# What cannot be read


@pytest.mark.parametrize(
    ("sent", "why"),
    [
        ({"valueCodeableConcept": {"text": "AF with rapid response"}}, "it has no code, and words are not interpreted"),
        ({"valueCodeableConcept": None, "valueString": "AF"}, "it has no code, and words are not interpreted"),
        ({"status": "preliminary"}, "its status is preliminary"),
        ({"effectiveDateTime": "2026-03-01T10:07:30"}, "it has no time with a zone"),
        ({"effectiveDateTime": stamp(20)}, "it is stamped ahead of now"),
        ({"modifierExtension": [{"url": "https://site.example/x"}]}, "it carries an extension"),
    ],
)
def test_a_rhythm_that_cannot_be_read_is_looked_at_first_and_listed(sent: dict[str, Any], why: str) -> None:
    odd = {name: value for name, value in rhythm(7.5, FIBRILLATION, **sent).items() if value is not None}

    said = after(BEFORE, odd)

    assert action(said) == "look-first"
    assert f"that cannot be read here: {why}" in said.first
    assert "rapid response" not in said.bytes.decode()
    assert any("entry" in path for path in said.listed)


def test_a_rhythm_within_another_observation_is_looked_at_first() -> None:
    part = {name: rhythm(7.5, FIBRILLATION)[name] for name in ("code", "valueCodeableConcept")}
    panel = {**row(stamp(7.5), "panel", heart_rate=96.0)}
    panel["component"] = [*panel["component"], part]  # type: ignore[misc]

    said = after(BEFORE, panel)

    assert action(said) == "look-first"
    assert "it stands as a part of another Observation" in said.first


def test_a_rhythm_of_a_period_counts_from_its_start() -> None:
    over = rhythm(7.5, FIBRILLATION, effectivePeriod={"start": stamp(7)})
    del over["effectiveDateTime"]

    assert "changed from Sinus rhythm to Atrial fibrillation at 10:07 UTC" in after(BEFORE, over).first


def test_a_rhythm_that_cannot_be_read_may_be_acknowledged() -> None:
    odd = rhythm(7.5, FIBRILLATION, valueCodeableConcept={"text": "AF"})

    assert action(after(BEFORE, odd, given=acknowledged("rhythm-not-readable"))) == "lower"


def test_a_rhythm_that_can_be_read_settles_one_that_could_not() -> None:
    odd = rhythm(6, FIBRILLATION, valueCodeableConcept={"text": "AF"})

    assert action(after(BEFORE, odd, SAME)) == "lower"


@pytest.mark.parametrize("status", ["entered-in-error", "cancelled"])
def test_a_rhythm_that_was_taken_back_says_nothing(status: str) -> None:
    assert action(after(BEFORE, rhythm(7.5, FIBRILLATION, status=status))) == "lower"


def test_a_corrected_rhythm_is_the_corrected_one() -> None:
    first = rhythm(7.5, FIBRILLATION)
    second = rhythm(7.5, SINUS, meta={"versionId": "2"}, status="corrected")

    assert action(after(BEFORE, first, second)) == "lower"


def test_a_preliminary_rhythm_counts_where_preliminary_readings_do() -> None:
    accept: Json = {"name": "accept-preliminary", "valueBoolean": True}

    said = after(BEFORE, rhythm(7.5, FIBRILLATION, status="preliminary"), given=(accept,))

    assert "changed from Sinus rhythm to Atrial fibrillation" in said.first


# With a signed list


def test_a_new_rhythm_that_the_site_signed_stops_the_trial() -> None:
    said = after(BEFORE, NEW, site=STOPPING)

    assert action(said) == "stop-criterion-met"
    assert said.first.startswith("Stop criterion met: new heart rhythm Atrial fibrillation at 10:07 UTC")
    assert "after Sinus rhythm before the trial" in said.first
    assert "signed to stop at (decided by the unit)" in said.first
    issue = said.issue("heart-rhythm-new")
    assert issue["implicated"] == [{"reference": "Observation/rhythm-450/_history/1"}]
    assert issue["severity"] == "high"
    assert criterion(said) == "criterion-met"


def test_a_signed_rhythm_that_the_chart_words_otherwise_is_named_as_it_was_signed() -> None:
    said = after(BEFORE, rhythm(7.5, ("AF", "Sinus")), site=STOPPING)

    assert said.first.startswith("Stop criterion met: new heart rhythm Atrial fibrillation (charted as Sinus) at 10:07")


def test_nobody_can_acknowledge_a_signed_rhythm_away() -> None:
    said = after(BEFORE, NEW, given=acknowledged("rhythm-changed-to-AF"), site=STOPPING)

    assert action(said) == "stop-criterion-met"


def test_a_signed_rhythm_that_was_there_before_the_trial_does_not_stop_it() -> None:
    said = after(rhythm(-10, FIBRILLATION), NEW, site=STOPPING)

    assert action(said) == "lower"
    assert criterion(said) == "criterion-held"


def test_a_signed_rhythm_of_which_nobody_knows_whether_it_is_new_counts_as_new() -> None:
    said = after(NEW, site=STOPPING)

    assert action(said) == "stop-criterion-met"
    assert "none was charted before the trial, so it counts as new" in said.first


def test_a_signed_rhythm_that_has_gone_again_still_stops() -> None:
    said = after(BEFORE, rhythm(4, FIBRILLATION), SAME, site=STOPPING)

    assert action(said) == "stop-criterion-met"
    assert "The latest is Sinus rhythm" in said.first


def test_a_new_rhythm_that_is_not_on_the_signed_list_is_judged_at_the_patient() -> None:
    said = after(BEFORE, rhythm(7.5, PACED), site=STOPPING)

    assert action(said) == "look-first"
    assert "it is not on the signed list, so judge it at the patient" in said.first


def test_where_rhythms_are_signed_a_rhythm_is_asked_for_or_acknowledged() -> None:
    assert action(after(site=STOPPING)) == "measure-first"
    assert "easure heart rhythm before PEEP is lowered" in after(site=STOPPING).first
    assert action(after(site=STOPPING, given=acknowledged("heart-rhythm-not-sent"))) == "lower"


def test_a_signed_criterion_is_not_held_on_an_old_rhythm() -> None:
    old = rhythm(2.2, SINUS)

    said = after(BEFORE, old, site=STOPPING)

    assert criterion(said) == "criterion-not-checked"
    assert action(said) == "read-again"
    assert "New heart rhythm: not checked, since the last one (Sinus rhythm) is 6 min old" in said.first
    assert action(after(BEFORE, old, site=STOPPING, given=acknowledged("heart-rhythm-not-sent"))) == "lower"


def test_a_stop_criterion_of_another_kind_is_told_with_the_new_rhythm() -> None:
    low = row(stamp(7.9), "low", spo2=80.0)

    said = after(BEFORE, NEW, low)

    assert action(said) == "stop-criterion-met"
    assert "changed from Sinus rhythm to Atrial fibrillation" in said.first


def test_the_answer_no_longer_says_that_an_arrhythmia_is_not_among_the_readings() -> None:
    assert "not among these readings" not in " ".join(after(BEFORE, SAME).notes)
    assert "A new arrhythmia shows here only once it is charted" in " ".join(after(BEFORE, SAME).notes)


# Around it


def test_a_site_may_map_its_own_code_of_the_rhythm() -> None:
    own = rhythm(7.5, FIBRILLATION, code={"coding": [{"system": "https://site.example/codes", "code": "RHYTHM"}]})
    target = {"code": "8884-9", "equivalence": "equivalent"}
    group = {
        "source": "https://site.example/codes",
        "target": LOINC,
        "element": [{"code": "RHYTHM", "target": [target]}],
    }
    code_map: Json = {
        "name": "concept-map",
        "resource": {"resourceType": "ConceptMap", "status": "active", "group": [group]},
    }

    assert action(after(BEFORE, own, given=(code_map,))) == "look-first"


def test_the_rhythm_changes_the_identity_of_the_answer() -> None:
    def identity(said: Said) -> object:
        return said.of("GuidanceResponse")[0]["requestIdentifier"]

    assert identity(after(BEFORE, SAME)) != identity(after(BEFORE))


def test_rhythms_in_another_order_get_the_same_answer() -> None:
    assert after(BEFORE, NEW).first == after(NEW, BEFORE).first


def test_another_question_lists_the_rhythm_as_not_used() -> None:
    said = asked("compare-markers", [*rows_down(DOWN, spo2=93.0), SAME], now=NOW)

    assert "The rhythm of the heart is looked at during a trial only" in said.remarks


def test_a_name_that_ends_without_a_code_is_refused() -> None:
    refusal = refused(OPERATION, rows_down(DOWN), *acknowledged("rhythm-changed-to-"), now=NOW)

    assert "rhythm-not-readable" in refusal.problems[0].accepted


def test_a_plan_names_the_rhythms_that_stop() -> None:
    now = row(stamp(0), "now", peep_set=10.0, expired=400.0, plateau=20.0, rate=20.0)

    said = asked(
        "plan-trial",
        [now, row(stamp(0.5), "more", spo2=93.0, map=72.0, volume_set=400.0, peak=25.0)],
        parameter("as-of", stamp(1)),
        now=stamp(1),
        site=STOPPING,
    )

    assert "New heart rhythm among these, where it is charted as a code: Atrial fibrillation" in said.bytes.decode()


def test_a_signed_file_carries_the_rhythms() -> None:
    content = {
        "version": "2",
        "signed_by": "Dr A. Invented",
        "signed_on": "2026-02-01",
        "limits": {},
        "rhythms_that_stop": {
            "codes": [{"system": LOCAL, "code": "AF", "display": "Atrial fibrillation"}],
            "source": "decided by the unit",
        },
    }

    limits = read_stop_limits("limits.json", json.dumps(content).encode())

    said = after(BEFORE, NEW, site=Site(stop_limits=limits))
    assert action(said) == "stop-criterion-met"


# Told apart, and whose

WIDE = ("https://wide.example", "abnormal", "Abnormal rhythm")


def coded(minute: float, codes: Sequence[tuple[str, str, str]], **more: object) -> Json:
    """A rhythm with several codes."""
    codings = [{"system": system, "code": code, "display": display} for system, code, display in codes]
    return rhythm(minute, SINUS, valueCodeableConcept={"coding": codings}, **more)


SR, AF = (LOCAL, *SINUS), (LOCAL, "AF", "Atrial fibrillation")
VT = (LOCAL, "VT", "Ventricular tachycardia")


def test_a_rhythm_that_is_charted_beside_the_usual_one_in_one_value_is_new() -> None:
    said = after(BEFORE, coded(7.5, (SR, AF)), site=STOPPING)

    assert action(said) == "stop-criterion-met"
    assert "new heart rhythm Atrial fibrillation (charted as Sinus rhythm / Atrial fibrillation)" in said.first


def test_a_wide_code_that_two_rhythms_share_does_not_make_them_one() -> None:
    said = after(coded(-10, (WIDE, SR)), coded(7.5, (WIDE, AF)), site=STOPPING)

    assert criterion(said) == "criterion-met"


def test_what_was_acknowledged_under_a_wide_code_covers_no_other_rhythm_under_it() -> None:
    name = "rhythm-changed-to-VT+abnormal"

    assert action(after(coded(-10, (WIDE, SR)), coded(7.5, (WIDE, VT)), given=acknowledged(name))) == "lower"
    assert action(after(coded(-10, (WIDE, SR)), coded(7.5, (WIDE, AF)), given=acknowledged(name))) == "look-first"


def test_a_chart_that_held_two_rhythms_before_the_trial_does_not_hide_the_one_that_stops() -> None:
    both = (rhythm(-10, SINUS, id="one"), coded(-10, (AF,), id="two"))

    assert action(after(*both, NEW, site=STOPPING)) == "stop-criterion-met"
    assert action(after(*reversed(both), NEW, site=STOPPING)) == "stop-criterion-met"


def test_copies_of_a_rhythm_that_differ_are_looked_at_first() -> None:
    copies = [coded(7.5, (code,), id="copy", meta={}) for code in (SR, AF)]

    said = after(BEFORE, rhythm(5, SINUS), *copies)

    assert action(said) == "look-first"
    assert "copies of it differ, and no version says which is newer" in said.first


@pytest.mark.parametrize("whose", [{"reference": "Patient/p2"}, {"identifier": {"system": "urn:x", "value": "2"}}])
@pytest.mark.parametrize("minute", [-10, 7.5])
def test_a_rhythm_of_another_patient_is_refused(whose: Json, minute: float) -> None:
    refusal = refused(OPERATION, [*rows_down(DOWN), rhythm(minute, SINUS, subject=whose)], now=NOW, site=STOPPING)

    assert [problem.kind for problem in refusal.problems] == [ProblemKind.MIXED_PATIENTS]


def test_a_rhythm_of_a_device_is_none_of_the_patient() -> None:
    said = after(BEFORE, SAME, rhythm(7.8, SINUS, subject={"reference": "Device/d1"}), site=STOPPING)

    assert action(said) == "look-first"
    assert "it is about a Device, not about a patient" in said.first


def test_a_rhythm_without_a_subject_is_said_to_be_taken_as_this_patients() -> None:
    odd = rhythm(7.5, SINUS)
    del odd["subject"]

    assert "Observations without a subject were taken as this patient's." in after(BEFORE, odd).remarks


def test_a_position_of_another_patient_is_refused() -> None:
    turned: Json = {
        "resourceType": "Observation",
        "id": "turned",
        "status": "final",
        "code": {"coding": [{"system": "http://loinc.org", "code": "8361-8"}]},
        "subject": {"reference": "Patient/p2"},
        "effectiveDateTime": stamp(30),
        "valueCodeableConcept": {"text": "Prone"},
    }
    later = [*rows_down(DOWN), row(stamp(40), "later", peep_set=12.0, expired=400.0, plateau=22.0)]

    refusal = refused("check-validity", [*later, turned], now=stamp(45))

    assert ProblemKind.MIXED_PATIENTS in [problem.kind for problem in refusal.problems]


def test_a_signed_rhythm_that_was_there_only_long_before_the_trial_is_judged_at_the_patient() -> None:
    long_ago = coded(-600, (AF,))

    said = after(long_ago, NEW, site=STOPPING)

    assert action(said) == "look-first"
    assert (
        "the heart rhythm is Atrial fibrillation, which had last been charted 10 h before the trial"
        in said.bytes.decode()
    )
    known = acknowledged("rhythm-changed-to-AF")
    assert action(after(long_ago, NEW, given=known, site=STOPPING)) == "lower"
    assert "long ago" not in after(long_ago, SAME, site=STOPPING).first
