"""A card drafts, changes or warns about an order only where the whole patient speaks for it."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import pytest

from bedside_builders import charted, condition
from ebbmark.fhir.operations import TITRATE_PEEP
from ebbmark.fhir.reading.request import RequestContext
from ebbmark.use_cases.questions import answer_request
from ebbmark.web.hooks.card_text import escaped
from ebbmark.web.page.answer_view import answer_view
from fhir_builders import Json, at, bundle, height, observation, parameters, patient, to_bytes, trial_observations
from web.hooks.calling import borne, call, called, card, cards, context, hooks_app, order, prefetch, searchset

TRIAL = trial_observations()
SUGGESTED_STEP = at(17)
"""The step of 14 cmH2O, which this trial suggests."""


def trial_card(**parts: object) -> dict[str, Any]:
    return card(call(hooks_app(), called(prefetch=prefetch(**parts))))


def order_cards(**parts: object) -> list[dict[str, Any]]:
    drafts = {"resourceType": "Bundle", "type": "collection", "entry": [{"resource": order(10.0)}]}
    body = called("order-sign", context=context("order-sign", draftOrders=drafts), prefetch=prefetch(**parts))
    return cards(call(hooks_app(), body))


def labels(told: dict[str, Any]) -> str:
    return " ".join(one["label"] for one in told.get("suggestions", ()))


def vitals(**at_step: dict[str, float]) -> Json:
    """Vital signs that were borne well, but for one moment."""
    return searchset(*borne(TRIAL), *(charted(LATE, name, values) for name, values in at_step.items()))


LATE = at(38)
"""Two minutes before the call, after the trial."""


def with_step(when: str, **values: float) -> Json:
    """Vital signs that were borne well at every step but one."""
    fine = [one for one in borne(TRIAL) if one["effectiveDateTime"] != when]
    return searchset(*fine, charted(when, "odd", values))


def test_where_the_whole_patient_speaks_for_it_an_order_is_drafted_and_a_low_one_warned_about() -> None:
    assert "Draft an order of PEEP" in labels(trial_card())
    (told,) = order_cards()
    assert told["indicator"] == "warning"
    assert "Change the draft order" in labels(told)


def test_a_pneumothorax_of_the_record_leaves_no_number_and_no_draft_and_is_told_beside_an_order() -> None:
    known = searchset(condition("c1", "J93.0"))

    told = trial_card(conditions=known)

    assert "Draft an order" not in labels(told)
    assert "pneumothorax, charted as ICD-10 J93.0" in told["detail"]
    assert [(order_card["indicator"], labels(order_card)) for order_card in order_cards(conditions=known)] == [
        ("warning", labels(told))
    ]


@pytest.mark.parametrize("trial", [[], TRIAL[:3]], ids=["no readings", "too few steps"])
def test_an_order_beside_a_pneumothorax_is_told_of_although_no_trial_can_be_read(trial: list[Json]) -> None:
    (told,) = order_cards(conditions=searchset(condition("c1", "J93.0")), mechanics=searchset(*trial))

    assert told["indicator"] == "warning"
    assert told["summary"].startswith("Look at the patient first: ordered PEEP 10 cmH2O beside a pneumothorax")
    assert "pneumothorax, charted as ICD-10 J93.0" in told["detail"]
    assert "suggestions" not in told
    assert order_cards(conditions=searchset(), mechanics=searchset(*trial)) == []


def test_page_and_card_tell_one_story_of_a_pneumothorax() -> None:
    known = condition("c1", "J93.0")
    after = observation("peep-set", 16.0, when=at(27), identity="set-after")
    body = to_bytes(parameters(bundle=bundle(patient(), height(), *TRIAL, *borne(TRIAL), after, known)))
    asked_s = datetime.fromisoformat(at(40)).timestamp()

    told = trial_card(mechanics=searchset(*TRIAL, after), conditions=searchset(known))
    page = answer_view(answer_request(TITRATE_PEEP, body, RequestContext(asked_s)), now_s=asked_s, zone=UTC)

    assert all(escaped(one) in told["detail"] for one in (page.short.line, *page.short.reasons))
    assert page.short.head.lower() in told["summary"].lower()
    assert "The record says: pneumothorax, charted as ICD-10 J93.0" in " ".join(page.short.reasons)
    assert [one.slug for one in page.high] == ["condition-untreated-pneumothorax"]
    assert all(escaped(one.text) in told["detail"] for one in page.high)


def test_a_condition_that_questions_the_number_holds_back_the_draft_and_the_warning() -> None:
    known = searchset(condition("c1", "J43.9"))

    assert "Draft an order" not in labels(trial_card(conditions=known))
    assert order_cards(conditions=known) == []


def test_extracorporeal_support_brought_as_a_procedure_is_a_caution_of_the_card() -> None:
    support: Json = {
        "resourceType": "Procedure",
        "id": "ecmo",
        "status": "in-progress",
        "code": {"coding": [{"system": "http://snomed.info/sct", "code": "233573008"}]},
        "subject": {"reference": "Patient/p1"},
    }

    told = trial_card(procedures=searchset(support))

    assert "extracorporeal support" in str(told["detail"])


@pytest.mark.parametrize("part", ["conditions", "circulation"])
def test_what_could_not_be_read_of_the_patient_holds_back_the_draft_and_makes_no_warning(part: str) -> None:
    told = trial_card(**{part: ...})
    (of_order,) = order_cards(**{part: ...})

    assert "Draft an order" not in labels(told)
    assert "No order is drafted or changed from this trial. Not read: " in told["detail"]
    assert of_order["indicator"] == "info"
    assert "Change the draft order" not in labels(of_order)


def test_a_stop_limit_that_was_met_at_the_suggestion_leaves_no_draft() -> None:
    low = with_step(SUGGESTED_STEP, spo2=94.0, map=52.0)

    assert "Draft an order" not in labels(trial_card(circulation=low))
    (told,) = order_cards(circulation=low)
    assert told["indicator"] == "warning"
    assert "Look first: a stop limit was met there." in told["summary"]
    assert "Change the draft order" not in labels(told)


@pytest.mark.parametrize(("mean", "drafted"), [(64.0, False), (65.0, True)])
def test_an_order_is_drafted_only_where_the_latest_pressure_lies_within_its_limit(mean: float, drafted: bool) -> None:
    now = vitals(now={"map": mean})

    assert ("Draft an order" in labels(trial_card(circulation=now))) is drafted
    assert bool(order_cards(circulation=now)) is drafted


@pytest.mark.parametrize(
    ("now", "words"),
    [
        ({"map": 40.0}, "mean arterial pressure is 40"),
        ({"spo2": 72.0}, "SpO2 is 72"),
        ({"heart_rate": 28.0}, "heart rate is 28"),
    ],
)
def test_after_a_trial_a_latest_vital_sign_beyond_a_stop_limit_comes_first_as_critical(
    now: dict[str, float], words: str
) -> None:
    over = {
        "mechanics": searchset(*TRIAL, observation("peep-set", 16.0, when=at(27), identity="set-after")),
        "circulation": vitals(now=now),
    }
    (of_order,) = order_cards(**over)

    for told in (trial_card(**over), of_order):
        assert told["summary"].startswith(f"Look at the patient first: {words}")
        assert told["indicator"] == "critical"
        assert labels(told) == "Record these results as preliminary"


def test_a_condition_in_words_holds_back_the_draft_and_is_to_be_read_first() -> None:
    known = searchset({**condition("c1", "X00"), "code": {"text": "Pneumothorax left, drain pending"}})

    told = trial_card(conditions=known)

    assert "Draft an order" not in labels(told)
    assert "names a pneumothorax" in told["detail"]
    assert ["pneumothorax" in order_card["summary"] for order_card in order_cards(conditions=known)] == [True]


def test_closing_at_the_last_step_drafts_no_order() -> None:
    short = trial_observations((20.0, 18.0, 16.0, 14.0, 12.0), (44.0, 46.0, 46.5, 45.5, 41.0))

    told = trial_card(mechanics=searchset(*short), circulation=searchset(*borne(short)))

    assert "nothing below shows that it lasts" in told["summary"]
    assert "Closing lies at the last step tested" in told["detail"]
    assert "Draft an order" not in labels(told)


def test_conditions_of_another_patient_are_refused() -> None:
    reply = call(
        hooks_app(), called(prefetch=prefetch(conditions=searchset(condition("c1", "J93.0", subject="Patient/p2"))))
    )

    assert reply.status in (400, 422)


def test_no_order_is_drafted_where_the_limits_hold_at_another_tidal_volume_only() -> None:
    high = trial_observations((24.0, 22.0, 20.0, 18.0, 16.0, 14.0), (34.0, 34.5, 34.5, 30.0, 26.0, 22.0))

    told = trial_card(mechanics=searchset(*high), circulation=searchset(*borne(high)))

    assert "Draft an order" not in labels(told)
    assert "At 6 mL/kg the plateau would be about" in told["detail"]


def test_a_collapse_after_the_first_hour_still_has_its_card() -> None:
    parts = prefetch(circulation=searchset(*borne(TRIAL), charted(at(85), "now", {"map": 40.0})))
    told = card(call(hooks_app(at_s=datetime.fromisoformat(at(90)).timestamp()), called(prefetch=parts)))

    assert told["indicator"] == "critical"
    assert told["summary"].startswith("Look at the patient first: mean arterial pressure is 40")
