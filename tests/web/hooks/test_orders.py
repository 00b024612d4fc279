"""Draft orders of PEEP against what the trial suggests (14 cmH2O, closing at 12)."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from starlette.types import ASGIApp

from fhir_builders import Json, at, bundle, observation, quantity, trial_observations
from web.hooks.calling import call, called, card, cards, clock, context, hooks_app, order, prefetch, searchset

PEEP: Json = {"coding": [{"system": "http://loinc.org", "code": "20077-4"}]}


@pytest.fixture(scope="module")
def app() -> ASGIApp:
    return hooks_app()


def signing(*orders: Json, hook: str = "order-sign", brought: object = None, **more: object) -> dict[str, object]:
    drafts = bundle(*orders)
    given = {"selections": [f"{one['resourceType']}/{one['id']}" for one in orders]} if hook == "order-select" else {}
    return called(hook, context=context(hook, draftOrders=drafts, **{**given, **more}), prefetch=brought or prefetch())


def device_request(peep_cmh2o: float) -> Json:
    return {
        "resourceType": "DeviceRequest",
        "id": "o1",
        "status": "draft",
        "intent": "order",
        "codeCodeableConcept": {"text": "Ventilator settings"},
        "subject": {"reference": "Patient/p1"},
        "parameter": [
            {
                "code": {"coding": [{"system": "http://loinc.org", "code": "19994-3"}]},
                "valueQuantity": quantity(50, "%"),
            },
            {"code": PEEP, "valueQuantity": quantity(peep_cmh2o)},
        ],
    }


def task(peep_cmh2o: float) -> Json:
    return {
        "resourceType": "Task",
        "id": "o1",
        "status": "draft",
        "intent": "order",
        "for": {"reference": "Patient/p1"},
        "input": [{"type": PEEP, "valueQuantity": quantity(peep_cmh2o)}],
    }


@pytest.mark.parametrize("hook", ["order-sign", "order-select"])
def test_an_order_at_or_below_closing_is_a_warning(app: ASGIApp, hook: str) -> None:
    told = card(call(app, signing(order(10.0), hook=hook)))

    assert told["indicator"] == "warning"
    assert told["summary"] == (
        "Ordered PEEP 10 cmH2O is at or below closing (12 cmH2O); suggested 14 cmH2O. Preliminary; clinician decides."
    )
    assert "The ordered PEEP of 10 cmH2O differs from the suggestion by more than 1 cmH2O" in told["detail"]


def test_an_order_above_the_suggestion_is_for_information(app: ASGIApp) -> None:
    told = card(call(app, signing(order(18.0))))

    assert told["indicator"] == "info"
    assert told["summary"].startswith("Ordered PEEP 18 cmH2O; the PEEP trial suggests 14 cmH2O.")


def test_an_order_above_the_tested_range_is_said_to_be(app: ASGIApp) -> None:
    assert "26 cmH2O lies above the tested range (up to 24 cmH2O)" in card(call(app, signing(order(26.0))))["detail"]


@pytest.mark.parametrize("peep_cmh2o", [13.0, 14.0, 15.0])
def test_an_order_that_the_trial_cannot_tell_from_the_suggestion_gets_no_card(app: ASGIApp, peep_cmh2o: float) -> None:
    assert cards(call(app, signing(order(peep_cmh2o)))) == []


def test_coarser_steps_tell_less_apart() -> None:
    coarse = trial_observations((24.0, 20.0, 16.0, 12.0, 8.0), (38.0, 44.0, 46.0, 40.0, 32.0))
    app = hooks_app()

    suggested = card(call(app, signing(order(30.0), brought=prefetch(*coarse))))["summary"]
    assert "suggests 16 cmH2O" in suggested
    assert cards(call(app, signing(order(18.0), brought=prefetch(*coarse)))) == []
    assert cards(call(app, signing(order(19.0), brought=prefetch(*coarse)))) != []


@pytest.mark.parametrize("built", [order, device_request, task], ids=["ServiceRequest", "DeviceRequest", "Task"])
def test_each_shape_of_an_order_is_read(app: ASGIApp, built: Callable[[float], Json]) -> None:
    assert "Ordered PEEP 10 cmH2O" in card(call(app, signing(built(10.0))))["summary"]


def test_another_unit_of_pressure_is_converted(app: ASGIApp) -> None:
    pascal = {**order(None), "quantityQuantity": quantity(0.98, "kPa")}

    assert "Ordered PEEP 10 cmH2O" in card(call(app, signing(pascal)))["summary"]


@pytest.mark.parametrize(
    "value",
    [
        {"quantityRange": {"low": quantity(8), "high": quantity(12)}},
        {"quantityQuantity": {**quantity(10), "comparator": ">"}},
        {"quantityQuantity": quantity(10, "mL")},
        {"quantityQuantity": quantity(100)},
        {"orderDetail": [{"text": "PEEP 10 cmH2O"}]},
        {},
    ],
    ids=["range", "comparator", "volume", "not plausible", "text", "nothing"],
)
def test_an_order_without_one_number_is_not_guessed_at(app: ASGIApp, value: Json) -> None:
    told = card(call(app, signing({**order(None), **value})))

    assert told["summary"].startswith("The ordered PEEP could not be read; the PEEP trial suggests 14 cmH2O.")
    assert "carries no single value that is read here" in told["detail"]
    assert [one["label"] for one in told["suggestions"]] == ["Record these results as preliminary"]


@pytest.mark.parametrize(
    "other",
    [
        {**order(), "code": {"coding": [{"system": "http://loinc.org", "code": "20112-9"}]}},
        {**order(), "status": "revoked"},
        {"resourceType": "NutritionOrder", "id": "o1", "status": "draft", "patient": {"reference": "Patient/p1"}},
        {"resourceType": "ServiceRequest", "id": "o1", "code": "of another version"},
    ],
    ids=["tidal volume", "revoked", "food", "another shape"],
)
def test_where_no_order_sets_peep_nothing_is_looked_at(app: ASGIApp, other: Json) -> None:
    assert (
        cards(call(app, signing(other, brought={"mechanics": {"resourceType": "Bundle", "type": "searchset"}}))) == []
    )


def test_only_the_newly_selected_orders_are_looked_at(app: ASGIApp) -> None:
    selected, other = order(14.0), order(8.0, "o2")
    drafts = bundle(selected, other)
    asked = called(
        "order-select", context=context(draftOrders=drafts, selections=["ServiceRequest/o1"]), prefetch=prefetch()
    )

    assert cards(call(app, asked)) == []


def test_two_orders_that_differ_are_told_of_on_one_card(app: ASGIApp) -> None:
    told = card(call(app, signing(order(10.0), order(20.0, "o2"))))

    assert "The ordered PEEP of 20 cmH2O and of 10 cmH2O differs" in told["detail"]
    assert [one["label"] for one in told["suggestions"]] == ["Record these results as preliminary"]


def test_of_two_orders_the_one_below_closing_leads(app: ASGIApp) -> None:
    told = card(call(app, signing(order(12.0), order(22.0, "o2"))))

    assert told["indicator"] == "warning"
    assert told["summary"].startswith("Ordered PEEP 12 cmH2O is at or below closing (12 cmH2O)")


def test_the_draft_order_can_be_changed_to_the_suggestion(app: ASGIApp) -> None:
    draft = order(10.0, priority="urgent")

    suggestion = card(call(app, signing(draft)))["suggestions"][0]

    assert suggestion["label"] == "Change the draft order to PEEP 14 cmH2O, to be signed"
    (action,) = suggestion["actions"]
    assert action["type"] == "update"
    assert action["resource"] == {**draft, "quantityQuantity": quantity(14.0)}


def test_in_a_device_request_only_the_peep_is_changed(app: ASGIApp) -> None:
    suggestion = card(call(app, signing(device_request(10.0))))["suggestions"][0]

    assert suggestion["actions"][0]["resource"] == device_request(14.0)


def test_an_order_in_another_unit_is_left_to_the_person(app: ASGIApp) -> None:
    pascal = {**order(None), "quantityQuantity": quantity(0.98, "kPa")}

    assert [one["label"] for one in card(call(app, signing(pascal)))["suggestions"]] == [
        "Record these results as preliminary"
    ]


def test_an_order_without_an_id_cannot_be_changed(app: ASGIApp) -> None:
    nameless = {name: value for name, value in order(10.0).items() if name != "id"}

    suggestions = card(call(app, signing(nameless)))["suggestions"]

    assert [suggestion["label"] for suggestion in suggestions] == ["Record these results as preliminary"]


def test_an_order_of_another_patient_is_refused(app: ASGIApp) -> None:
    reply = call(app, signing(order(10.0, subject={"reference": "Patient/p2"})))

    assert reply.status == 422
    assert reply.errors[0]["expression"] == ["context.draftOrders.entry[0].resource"]


def test_where_the_trial_suggests_nothing_there_is_nothing_to_compare_with(app: ASGIApp) -> None:
    rising = trial_observations(compliances=(38.0, 39.0, 40.0, 41.0, 42.0, 43.0, 44.0, 45.0))

    assert cards(call(hooks_app(at_s=clock(60)), signing(order(6.0), brought=prefetch(*rising)))) == []


def test_a_stop_criterion_comes_first_at_an_order_too() -> None:
    running = trial_observations((24.0, 22.0, 20.0, 18.0), (38.0, 41.0, 44.0, 46.0))
    low = observation("http://loinc.org|59408-5", 82.0, unit="%", when="2026-03-01T10:11:00+01:00", identity="spo2")
    brought = prefetch(*running, circulation=searchset(low))

    told = card(call(hooks_app(at_s=clock(13)), signing(order(16.0), brought=brought)))

    assert told["indicator"] == "critical"


def test_without_height_an_order_is_not_compared(app: ASGIApp) -> None:
    assert cards(call(app, signing(order(6.0), brought=prefetch(heights=searchset())))) == []


def test_an_order_against_an_old_trial_of_which_nothing_is_known_since_is_not_changed() -> None:
    told = card(call(hooks_app(at_s=clock(40) + 20 * 3600), signing(order(10.0))))

    assert "at or below closing (12 cmH2O 20 h ago)" in told["summary"]
    assert "May no longer hold." in told["summary"]
    assert len(told["summary"]) < 140
    assert told["indicator"] == "info"
    assert [one["label"] for one in told["suggestions"]] == ["Record these results as preliminary"]


def test_the_detail_of_an_old_trial_begins_with_why_it_is_in_doubt() -> None:
    told = card(call(hooks_app(at_s=clock(40) + 20 * 3600), signing(order(18.0))))

    assert told["summary"].startswith("Ordered PEEP 18 cmH2O; a PEEP trial 20 h ago suggested 14 cmH2O.")
    first = told["detail"].split("\n\n")[0]
    assert first.index("**", 50) < first.index("differs from the suggestion")


def rows_at_the_suggestion(minutes: range) -> list[Json]:
    """Charted rows at 14 cmH2O with the compliance that the trial found there."""
    values = {"20077-4": 14.0, "76259-1": 14.0 + 380.0 / 44.0, "76007-4": 380.0}
    return [
        observation(
            f"http://loinc.org|{code}", value, unit=unit, when=at(minute), identity=f"{code}-m{minute}", version="1"
        )
        for minute in minutes
        for (code, value), unit in zip(values.items(), ("cm[H2O]", "cm[H2O]", "mL"), strict=True)
    ]


def test_of_an_old_trial_that_still_holds_the_order_may_be_changed() -> None:
    brought = prefetch(*trial_observations(), *rows_at_the_suggestion(range(30, 211, 15)))

    told = card(call(hooks_app(at_s=clock(212)), signing(order(10.0), brought=brought)))

    assert "May no longer hold" not in told["summary"]
    assert told["indicator"] == "warning"
    assert told["suggestions"][0]["label"] == "Change the draft order to PEEP 14 cmH2O, to be signed"


def test_of_an_old_trial_with_an_open_circuit_since_the_order_is_not_changed() -> None:
    opened = observation("http://loinc.org|76248-4", 0.0, unit="cm[H2O]", when=at(100), identity="opened", version="1")
    brought = prefetch(*trial_observations(), *rows_at_the_suggestion(range(30, 211, 15)), opened)

    told = card(call(hooks_app(at_s=clock(212)), signing(order(10.0), brought=brought)))

    assert "May no longer hold" in told["summary"]
    assert "Change the draft order" not in str(told["suggestions"])
