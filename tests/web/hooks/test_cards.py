"""What a card says, when there is one, and when there is none."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Any
from uuid import UUID

import pytest
from starlette.types import ASGIApp

from ebbmark.fhir.codesystem import OVERRIDE_REASONS
from ebbmark.fhir.reading.height_and_sex import CLINICAL_USE
from ebbmark.fhir.reading.request import Site
from ebbmark.physiology.stop.limits import DEFAULT_STOP_LIMITS, RhythmCode, RhythmsThatStop
from ebbmark.web.hooks.card_text import summary_of
from ebbmark.words.messages import MOST_WORDS_OF_LINE, MOST_WORDS_OF_REASONS
from fhir_builders import Json, at, charted_sex, height, observation, patient, trial_observations
from recommendations import found
from use_cases.test_no_prompt import prompts
from web.hooks.calling import (
    DOCUMENTATION,
    LAUNCH,
    call,
    called,
    card,
    cards,
    clock,
    context,
    hooks_app,
    prefetch,
    searchset,
)
from world.test_cds_hooks_shapes import CALLS

VIEWS = ("patient-view", "encounter-start")


@pytest.fixture(scope="module")
def app() -> ASGIApp:
    return hooks_app()


def set_peep(peep_cmh2o: float, minute: int) -> Json:
    return observation("peep-set", peep_cmh2o, when=at(minute), identity=f"set-{minute}", version="1")


def saturation(percent: float, minute: int) -> Json:
    name = "http://loinc.org|59408-5"
    return observation(name, percent, unit="%", when=at(minute), identity=f"spo2-{minute}", version="1")


@pytest.mark.parametrize("hook", VIEWS)
def test_a_trial_that_just_ended_is_told_of(app: ASGIApp, hook: str) -> None:
    told = card(call(app, called(hook)))

    assert told["summary"] == (
        "Suggested PEEP 14 cmH2O. Compliance fell at PEEP 12 (61 %) or 14 (39 %). Against: closing may lie at "
        "this PEEP. Preliminary."
    )
    assert told["indicator"] == "info"
    assert "**Preliminary; a licensed clinician decides.** The trial ended 17 min ago." in told["detail"]


@pytest.mark.parametrize(
    "words",
    [
        "At 6 mL/kg (358 mL): driving pressure about",
        "Predicted body weight 59.7 kg; tidal volume target 358 mL (6 mL/kg). From a height of",
        "- **moderate**: Closing may have started as high as 14 cmH2O",
        "recommend against prolonged high-pressure recruitment. Everything, with its sources, stands in the results",
        "rules compliance-closing version 1; answer ",
    ],
)
def test_where_no_page_can_be_opened_the_detail_is_the_reasons_the_gravest_cautions_and_the_target(
    app: ASGIApp, words: str
) -> None:
    detail = card(call(app, called()))["detail"]

    assert words in detail
    assert len(detail.split()) <= 250


def test_the_source_leads_to_the_documentation_and_says_what_it_is_about(app: ASGIApp) -> None:
    source = card(call(app, called()))["source"]

    assert source["url"] == DOCUMENTATION
    assert source["topic"] == {
        "system": "https://ebbmark.example/fhir/CodeSystem/ebbmark",
        "code": "topic-peep-titration",
        "display": "PEEP titration",
    }


def test_the_card_leads_to_the_page_and_to_the_documentation() -> None:
    links = card(call(hooks_app(launch=LAUNCH), called()))["links"]

    assert [(link["type"], link["url"]) for link in links] == [("smart", LAUNCH), ("absolute", DOCUMENTATION)]


def test_without_a_page_there_is_no_link_to_one() -> None:
    links = card(call(hooks_app(launch=""), called()))["links"]

    assert [link["type"] for link in links] == ["absolute"]


def test_every_reason_to_decide_otherwise_has_a_display(app: ASGIApp) -> None:
    reasons = card(call(app, called()))["overrideReasons"]

    assert [reason["code"] for reason in reasons] == [code for code, _, _ in OVERRIDE_REASONS]
    assert all(reason["display"] and reason["system"] for reason in reasons)


def test_the_same_call_gets_the_same_card_and_another_call_another_name(app: ASGIApp) -> None:
    first, again = card(call(app, called())), card(call(app, called()))
    other = card(call(app, called(hookInstance="0b64d1f5-1f9c-4d05-8a1e-2f1f3a1b7c11")))

    assert first == again
    assert UUID(first["uuid"]).version == 5
    assert other["uuid"] != first["uuid"]


def test_the_longest_summary_is_shorter_than_the_standard_allows() -> None:
    long = replace(found().short, against=f"Against: {'very ' * 30}long.")

    assert len(summary_of(long)) < 140
    assert summary_of(long).startswith(f"{long.head}. {long.sure}")


def test_where_a_page_can_be_opened_the_detail_is_the_reasons_and_the_evidence_in_one_line() -> None:
    detail = card(call(hooks_app(launch=LAUNCH), called()))["detail"]

    assert len(detail.split()) <= MOST_WORDS_OF_LINE + MOST_WORDS_OF_REASONS + 50
    assert "recommend against prolonged high-pressure recruitment" in detail
    assert "| Margin" not in detail


def test_there_are_never_system_actions(app: ASGIApp) -> None:
    assert set(call(app, called()).json) == {"cards"}


@pytest.mark.parametrize("user", ["Patient/p1", "RelatedPerson/r1", "Device/d1"])
def test_who_does_not_treat_the_patient_gets_no_card(app: ASGIApp, user: str) -> None:
    assert cards(call(app, called(context=context(userId=user)))) == []


def test_a_role_of_a_practitioner_is_one(app: ASGIApp) -> None:
    assert len(cards(call(app, called(context=context(userId="PractitionerRole/123"))))) == 1


def test_without_a_trial_there_is_no_card(app: ASGIApp) -> None:
    steady = [set_peep(10.0, minute) for minute in range(0, 30, 3)]

    assert cards(call(app, called(prefetch=prefetch(*steady)))) == []


def test_of_a_patient_who_is_not_ventilated_there_is_no_card(app: ASGIApp) -> None:
    nothing = prefetch(heights=searchset(), mechanics=searchset())

    assert cards(call(app, called(prefetch=nothing))) == []


def test_of_a_child_there_is_no_card(app: ASGIApp) -> None:
    assert cards(call(app, called(prefetch=prefetch(patient=patient(born="2020-01-01"))))) == []


def test_a_trial_of_hours_ago_is_no_news_where_peep_is_as_suggested() -> None:
    brought = prefetch(*trial_observations(), set_peep(14.0, 30), set_peep(14.0, 200))

    assert cards(call(hooks_app(at_s=clock(210)), called(prefetch=brought))) == []


def test_a_trial_of_hours_ago_is_told_of_where_peep_differs_now() -> None:
    brought = prefetch(*trial_observations(), set_peep(14.0, 30), set_peep(10.0, 200))

    told = card(call(hooks_app(at_s=clock(210)), called(prefetch=brought)))

    assert "The trial ended 3 h ago. PEEP is 10 cmH2O now." in told["detail"]


@pytest.mark.parametrize("now_cmh2o", [13.0, 15.0])
def test_a_difference_that_the_trial_cannot_tell_is_none(now_cmh2o: float) -> None:
    brought = prefetch(*trial_observations(), set_peep(14.0, 30), set_peep(now_cmh2o, 200))

    assert cards(call(hooks_app(at_s=clock(210)), called(prefetch=brought))) == []


def test_a_trial_of_yesterday_is_not_read() -> None:
    assert cards(call(hooks_app(at_s=clock(40) + 25 * 3600), called())) == []


def test_a_trial_in_progress_is_left_in_peace() -> None:
    running = trial_observations((24.0, 22.0, 20.0, 18.0), (38.0, 41.0, 44.0, 46.0))

    assert cards(call(hooks_app(at_s=clock(13)), called(prefetch=prefetch(*running)))) == []


def test_a_stop_criterion_in_a_trial_in_progress_is_critical() -> None:
    running = trial_observations((24.0, 22.0, 20.0, 18.0), (38.0, 41.0, 44.0, 46.0))
    brought = prefetch(*running, circulation=searchset(saturation(93.0, 2), saturation(82.0, 11)))

    told = card(call(hooks_app(at_s=clock(13)), called(prefetch=brought)))

    assert told["indicator"] == "critical"
    stop = "STOP. SpO2 82 % (limit 85 %). Settings before the trial: not charted. At PEEP 24 SpO2 was 93 %."
    assert told["summary"] == stop
    assert "suggestions" not in told
    assert "defaults that no clinician of this site has signed" in told["detail"]


def after_a_low(percent_since: float, at_minute: int) -> dict[str, Any]:
    """The card where saturation was 82 % at the step of 14 cmH2O, and this since."""
    since = [saturation(percent_since, minute) for minute in (20, 22)]
    brought = prefetch(*trial_observations(), circulation=searchset(saturation(94.0, 0), saturation(82.0, 17), *since))
    return card(call(hooks_app(at_s=clock(at_minute)), called(prefetch=brought)))


def test_after_the_trial_the_card_is_of_its_answer_and_not_of_a_stop_that_has_passed() -> None:
    told = after_a_low(94.0, 40)

    assert not told["summary"].startswith("STOP")
    assert "The trial ended" in told["detail"]
    assert "SpO2 was 82 %" in told["detail"]


@pytest.mark.parametrize(("percent_since", "at_minute"), [(82.0, 40), (94.0, 25)])
def test_a_stop_that_holds_or_a_trial_that_may_go_on_keeps_the_card_of_the_stop(
    percent_since: float, at_minute: int
) -> None:
    assert after_a_low(percent_since, at_minute)["summary"].startswith("STOP. SpO2 82 %")


def test_a_trial_that_fell_from_its_first_step_on_is_told_of_where_peep_was_left_low() -> None:
    fell = trial_observations((16.0, 14.0, 12.0, 10.0, 8.0), (50.0, 45.0, 40.0, 35.0, 30.0))

    told = card(call(hooks_app(at_s=clock(16)), called(prefetch=prefetch(*fell))))

    assert told["summary"].startswith("No PEEP is suggested. Compliance fell from the first step, 16, on")


def test_the_same_saturation_without_a_trial_is_not_our_business() -> None:
    steady = [set_peep(10.0, minute) for minute in range(0, 12, 3)]
    brought = prefetch(*steady, circulation=searchset(saturation(82.0, 11)))

    assert cards(call(hooks_app(at_s=clock(13)), called(prefetch=brought))) == []


def test_one_step_down_is_no_trial() -> None:
    steps = [set_peep(12.0, 0), set_peep(12.0, 3), set_peep(10.0, 6), set_peep(10.0, 9)]
    brought = prefetch(*steps, circulation=searchset(saturation(82.0, 11)))

    assert cards(call(hooks_app(at_s=clock(13)), called(prefetch=brought))) == []


def test_steps_down_of_hours_apart_are_no_trial() -> None:
    steps = [set_peep(peep, minute) for peep, minute in ((14.0, 0), (12.0, 60), (10.0, 120))]
    brought = prefetch(*steps, circulation=searchset(saturation(82.0, 125)))

    assert cards(call(hooks_app(at_s=clock(126)), called(prefetch=brought))) == []


def test_a_trial_that_cannot_be_read_for_want_of_a_height_says_so(app: ASGIApp) -> None:
    told = card(call(app, called(prefetch=prefetch(heights=searchset()))))

    assert told["indicator"] == "info"
    assert "body height" in told["summary"]
    assert "- No usable body height is in the record." in told["detail"]
    assert "suggestions" not in told


def test_a_trial_that_cannot_be_read_for_want_of_a_sex_says_so(app: ASGIApp) -> None:
    told = card(call(app, called(prefetch=prefetch(patient=patient(gender=None)))))

    assert "does not say which form of the formula" in told["detail"]


def for_clinical_use(*values: str) -> Json:
    """A Patient of gender female with sex parameters for clinical use."""
    said: list[Json] = [{"url": "value", "valueCodeableConcept": {"coding": [{"code": value}]}} for value in values]
    return {**patient(), "extension": [{"url": CLINICAL_USE, "extension": [one]} for one in said]}


def test_a_sex_parameter_for_clinical_use_goes_before_gender_as_at_the_fhir_door(app: ASGIApp) -> None:
    told = card(call(app, called(prefetch=prefetch(patient=for_clinical_use("male-typical")))))

    assert "form of the formula: male, from the sex parameter for clinical use" in told["detail"]
    assert "says female; the sex parameter for clinical use was used, which says male" in json.dumps(told)


def test_sex_parameters_that_contradict_one_another_are_in_the_way(app: ASGIApp) -> None:
    told = card(call(app, called(prefetch=prefetch(patient=for_clinical_use("male-typical", "female-typical")))))

    assert "statements of the patient's sex that disagree" in told["detail"]
    assert "suggestions" not in told


def test_a_charted_sex_that_is_brought_with_the_heights_goes_before_gender(app: ASGIApp) -> None:
    told = card(call(app, called(prefetch=prefetch(heights=searchset(height(), charted_sex("M"))))))

    assert "form of the formula: male, from the sex at birth (Observation/sex/" in told["detail"]


def test_charted_sexes_that_disagree_are_in_the_way(app: ASGIApp) -> None:
    two = [charted_sex(letter, identity=f"sex-{letter}") for letter in ("F", "M")]

    told = card(call(app, called(prefetch=prefetch(heights=searchset(height(), *two)))))

    assert "statements of the patient's sex that disagree" in told["detail"]
    assert "suggestions" not in told


def test_heights_that_disagree_are_in_the_way(app: ASGIApp) -> None:
    two = searchset(height(), height(150.0, id="other"))

    told = card(call(app, called(prefetch=prefetch(heights=two))))

    assert "Body heights in the record disagree: 150 cm and 168 cm." in told["detail"]


def test_without_a_height_a_patient_without_a_trial_gets_no_card(app: ASGIApp) -> None:
    brought = prefetch(set_peep(10.0, 3), heights=searchset())

    assert cards(call(app, called(prefetch=brought))) == []


def test_a_stop_criterion_is_told_of_without_a_height_too() -> None:
    running = trial_observations((24.0, 22.0, 20.0, 18.0), (38.0, 41.0, 44.0, 46.0))
    brought = prefetch(*running, heights=searchset(), circulation=searchset(saturation(80.0, 11)))

    assert card(call(hooks_app(at_s=clock(13)), called(prefetch=brought)))["indicator"] == "critical"


@pytest.mark.parametrize(
    ("compliances", "summary"),
    [
        (
            (38.0, 39.0, 40.0, 41.0, 42.0, 43.0, 44.0, 45.0),
            "No PEEP is suggested. Compliance did not fall for good down to 10 (over 99 %). Preliminary.",
        ),
        (
            (60.0, 55.0, 50.0, 45.0, 40.0, 35.0, 30.0, 25.0),
            "No PEEP is suggested. Compliance fell from the first step, 24, on (over 99 %). Preliminary.",
        ),
    ],
)
def test_a_trial_without_a_closing_pressure_is_told_of_without_a_number(
    compliances: tuple[float, ...], summary: str
) -> None:
    trial = trial_observations(compliances=compliances)

    told = card(call(hooks_app(at_s=clock(60)), called(prefetch=prefetch(*trial))))

    assert told["summary"] == summary
    assert "**No PEEP is suggested." in told["detail"]
    assert [one["label"] for one in told["suggestions"]] == ["Record these results as preliminary"]


def test_a_caution_of_high_severity_makes_the_card_a_warning() -> None:
    def warned(trial: list[Json]) -> dict[str, Any]:
        return card(call(hooks_app(), called(prefetch=prefetch(*trial))))

    # Plateau above 30 cmH2O at the suggestion, at any tidal volume of the ladder but the lowest.
    stiff = trial_observations(compliances=(18.0, 19.0, 20.0, 21.0, 21.5, 19.0, 16.0, 13.0), tidal_volume_ml=300.0)

    assert warned(stiff)["indicator"] == "warning"
    assert warned(trial_observations())["indicator"] == "info"


@pytest.mark.parametrize("name", CALLS)
def test_nothing_on_any_card_asks_for_pressure(name: str) -> None:
    minute, asked = CALLS[name]
    told = card(call(hooks_app(at_s=clock(minute)), asked))

    labels = [one["label"] for one in told.get("suggestions", ())]
    texts = [told["summary"], *told["detail"].split("\n"), *labels]
    assert [found for text in texts for found in prompts(text.replace("*", ""))] == []
    assert "reliminary" in told["summary"] + told["detail"]


def test_what_somebody_typed_into_the_record_does_not_reach_the_card(app: ASGIApp) -> None:
    typed = "[look](https://evil.example) <script>alert(1)</script>"
    trial = [{**trial_observation, "note": [{"text": typed}]} for trial_observation in trial_observations()]
    person = {**patient(), "name": [{"text": typed}]}

    told = card(call(app, called(prefetch=prefetch(*trial, patient=person))))

    assert "evil" not in json.dumps(told)


FIBRILLATION = RhythmCode("https://site.example/rhythms", "AF", "Atrial fibrillation")
RHYTHMS_SIGNED = Site(
    stop_limits=replace(
        DEFAULT_STOP_LIMITS,
        version="9",
        signed_by="Dr A. Invented",
        signed_on="2026-02-01",
        rhythms_that_stop=RhythmsThatStop((FIBRILLATION,), "decided by the unit"),
    )
)


def rhythm(code: str, display: str, minute: int) -> Json:
    charted = observation("http://loinc.org|8884-9", 1.0, when=at(minute), identity=f"rhythm-{minute}", version="1")
    del charted["valueQuantity"]
    coding = {"system": FIBRILLATION.system, "code": code, "display": display}
    return {**charted, "valueCodeableConcept": {"coding": [coding]}}


@pytest.mark.parametrize("words", ["Atrial fibrillation", "Atrial fibrillation " * 6])
def test_a_new_rhythm_that_the_site_signed_is_critical(words: str) -> None:
    running = trial_observations((24.0, 22.0, 20.0, 18.0), (38.0, 41.0, 44.0, 46.0))
    rhythms = [rhythm("SR", "Sinus rhythm", -10), rhythm("AF", words, 11)]
    brought = prefetch(*running, circulation=searchset(saturation(93.0, 12), *rhythms))

    told = card(call(hooks_app(at_s=clock(13), site=RHYTHMS_SIGNED), called(prefetch=brought)))

    assert told["indicator"] == "critical"
    assert told["summary"].startswith("STOP. ")
    assert len(told["summary"]) < 140
    assert "A new arrhythmia shows here only once it is charted" in told["detail"]


def test_a_rhythm_that_did_not_change_makes_no_card_in_a_trial_in_progress() -> None:
    running = trial_observations((24.0, 22.0, 20.0, 18.0), (38.0, 41.0, 44.0, 46.0))
    rhythms = [rhythm("AF", "Atrial fibrillation", -10), rhythm("AF", "Atrial fibrillation", 11)]
    brought = prefetch(*running, circulation=searchset(saturation(93.0, 12), *rhythms))

    assert cards(call(hooks_app(at_s=clock(13), site=RHYTHMS_SIGNED), called(prefetch=brought))) == []


def test_peep_left_below_closing_and_a_saturation_that_fell_stand_first() -> None:
    left = [set_peep(10.0, 28), set_peep(10.0, 38)]
    since = searchset(saturation(94.0, -10), saturation(97.0, 2), saturation(87.0, 37))

    told = card(call(hooks_app(), called(prefetch=prefetch(*trial_observations(), *left, circulation=since))))

    assert told["summary"].startswith(
        "PEEP is 10 now, at or below closing (12); SpO2 fell from 94 to 87 %. Suggested PEEP 14 cmH2O."
    )
    assert told["indicator"] == "warning"
    assert "PEEP is 10 cmH2O now." in told["detail"]


def test_a_saturation_that_is_back_where_it_was_before_the_trial_is_no_alarm() -> None:
    left = [set_peep(14.0, 28), set_peep(14.0, 38)]
    since = searchset(saturation(92.0, -10), saturation(97.0, 2), saturation(92.0, 37))

    told = card(call(hooks_app(), called(prefetch=prefetch(*trial_observations(), *left, circulation=since))))

    assert "SpO2 fell" not in told["summary"]
