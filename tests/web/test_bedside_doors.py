"""The doors beside the titration: what they take and give, their definitions, the page to print."""

from __future__ import annotations

import json
import re
from base64 import b64encode
from datetime import datetime
from hashlib import sha256
from pathlib import Path
from typing import Any

import pytest
from fastapi import FastAPI
from fhir.resources.R4B import get_fhir_model_class
from starlette.types import ASGIApp

from bedside_builders import body_of, condition, row, rows_down, stamp
from ebbmark.fhir.operations import BY_SLUG, OPERATIONS, Operation
from ebbmark.fhir.reading.condition_codes import NO_RISK
from ebbmark.fhir.reading.request import RequestContext
from ebbmark.fhir.reading.site_file import SiteFileError
from ebbmark.keys import new_key_set
from ebbmark.physiology.before.risks import RISK_CONCEPTS
from ebbmark.settings import Settings
from ebbmark.use_cases.questions import answer_request
from ebbmark.web.app import create_app
from ebbmark.web.plan_page import plan_page
from fhir_builders import Json, bundle, height, parameters, patient, to_bytes, trial_observations
from web.asking import FHIR, Reply, ask
from web.reading_pages import words_of

AS_OF: Json = {"name": "as-of", "valueInstant": stamp(60)}
PLAN = "/fhir/$plan-trial"
NOW = [
    row(stamp(40), "settings", peep_set=10.0, fio2=60.0),
    row(stamp(45), "breath", plateau=24.0, expired=360.0, peak=29.0),
]
PAGE = {**FHIR, "accept": "text/html,application/xhtml+xml;q=0.9,*/*;q=0.8"}


def plan(app: ASGIApp, headers: dict[str, str], *more: dict[str, object], query: str = "") -> Reply:
    return ask(app, body_of([*NOW, *more], [AS_OF]), path=PLAN, headers=headers, query=query)


@pytest.mark.parametrize("slug", [one.slug for one in OPERATIONS])
def test_each_operation_is_named_defined_and_open_to_read(app: ASGIApp, slug: str) -> None:
    statement = ask(app, method="GET", path="/fhir/metadata").json
    definition = ask(app, method="GET", path=f"/fhir/OperationDefinition/{slug}").json

    get_fhir_model_class("OperationDefinition").model_validate(definition)
    assert {"name": slug, "definition": definition["url"]} in statement["rest"][0]["operation"]


@pytest.mark.parametrize("slug", [one.slug for one in OPERATIONS])
def test_a_parameter_that_an_operation_does_not_have_is_named_with_those_that_it_has(app: ASGIApp, slug: str) -> None:
    body = json.dumps({"resourceType": "Parameters", "parameter": [{"name": "no-such-thing", "valueBoolean": True}]})

    reply = ask(app, body.encode(), path=f"/fhir/${slug}")

    assert reply.status == 422
    texts = [
        issue["details"]["text"]
        for issue in reply.errors
        if issue.get("expression") == ["Parameters.parameter[0].name"]
    ]
    definition = ask(app, method="GET", path=f"/fhir/OperationDefinition/{slug}").json
    taken = ", ".join(one["name"] for one in definition["parameter"] if one["use"] == "in")
    assert texts == [f"There is no parameter of this name (another name); accepted: {taken}."]


@pytest.mark.parametrize("slug", [one.slug for one in OPERATIONS])
def test_a_patient_of_a_record_is_refused_where_there_is_none(app: ASGIApp, slug: str) -> None:
    named = {"name": "patient-reference", "valueReference": {"reference": "Patient/p1"}}

    reply = ask(app, to_bytes({"resourceType": "Parameters", "parameter": [named]}), path=f"/fhir/${slug}")

    assert reply.status == 422
    assert "no record system is configured here" in reply.errors[0]["details"]["text"]


@pytest.mark.parametrize("name", ["encounter", "period"])
def test_what_says_where_to_read_is_refused_beside_data(app: ASGIApp, name: str) -> None:
    reply = ask(app, body_of(NOW, [AS_OF, {"name": name, "valueId": "9"}]), path=PLAN)

    (error,) = reply.errors
    assert error["details"]["text"].startswith(f"The parameter {name} is of use only with patient-reference")


@pytest.mark.parametrize("operation", OPERATIONS, ids=lambda one: str(one.slug))
def test_how_far_back_the_record_is_read_is_published(app: ASGIApp, operation: Operation) -> None:
    definition = ask(app, method="GET", path=f"/fhir/OperationDefinition/{operation.slug}").json

    (period,) = [one for one in definition["parameter"] if one["name"] == "period"]
    assert f"the {operation.hours_back:g} hours before now" in period["documentation"]


@pytest.mark.parametrize("slug", [one.slug for one in OPERATIONS])
def test_what_cannot_be_read_is_refused_with_a_reason(app: ASGIApp, slug: str) -> None:
    assert ask(app, b"{", path=f"/fhir/${slug}").status == 400
    assert ask(app, b"{}", path=f"/fhir/${slug}", headers={"content-type": "text/plain"}).status == 415
    assert ask(app, b"{}", path=f"/fhir/${slug}", headers={**FHIR, "accept": "image/png"}).status == 406
    assert ask(app, b'{"resourceType":"Bundle","type":"collection"}', path=f"/fhir/${slug}").status == 422


def test_every_value_set_can_be_read(app: ASGIApp) -> None:
    for slug in (*(concept.slug for concept in RISK_CONCEPTS), NO_RISK):
        published = ask(app, method="GET", path=f"/fhir/ValueSet/{slug}").json
        assert published["url"].endswith(f"/ValueSet/{slug}")


@pytest.mark.parametrize("slug", ["common-practice", "compliance-closing", "art"])
def test_every_protocol_can_be_read(app: ASGIApp, slug: str) -> None:
    published = ask(app, method="GET", path=f"/fhir/PlanDefinition/{slug}").json

    get_fhir_model_class("PlanDefinition").model_validate(published)
    assert published["id"] == slug


def test_a_definition_that_is_not_there_is_a_404_that_says_which_are(app: ASGIApp) -> None:
    reply = ask(app, method="GET", path="/fhir/ValueSet/unicorns")

    assert reply.status == 404
    assert "untreated-pneumothorax" in reply.errors[0]["details"]["text"]


def test_the_plan_comes_as_a_page_where_a_page_is_asked_for(app: ASGIApp) -> None:
    for reply in (plan(app, PAGE), plan(app, FHIR, query="_format=html")):
        assert (reply.status, reply.headers["content-type"]) == (200, "text/html; charset=utf-8")
        assert reply.body.startswith(b"<!DOCTYPE html>")
        assert reply.body.count(b"<tr>") == 10  # the head and nine steps


def test_the_plan_to_print_says_at_its_head_whose_it_is() -> None:
    named = {**patient(), "name": [{"text": "Rowan <b>Example</b>"}], "birthDate": "1967-05-11"}
    body = body_of([named, *NOW], [AS_OF])
    page = ask(create_app(Settings()), body, path=PLAN, headers=PAGE).body
    answer = answer_request(BY_SLUG["plan-trial"], body, RequestContext(datetime.fromisoformat(stamp(60)).timestamp()))

    assert "Rowan <b>Example</b> born 1967-05-11 (58 years)" in words_of(page)
    assert b"<b>" not in page
    assert "Patient/p1 Name and birth date did not come with the request" in words_of(plan_page(answer).encode())


def test_a_plan_that_nobody_acknowledged_is_refused_with_every_reason_even_where_a_page_is_asked_for(
    app: ASGIApp,
) -> None:
    reply = plan(app, PAGE, condition("ptx", "J93.0"), {**condition("w", "x"), "code": {"text": "Air leak"}})

    assert reply.status == 422
    assert [issue["expression"][0][-8:] for issue in reply.errors] == ["resource", "resource"]
    assert "acknowledged with 'untreated-pneumothorax'" in reply.errors[1]["details"]["text"]
    assert "acknowledged with 'Condition/w/_history/1'" in reply.errors[0]["details"]["text"]


def test_what_was_acknowledged_leads_the_page(app: ASGIApp) -> None:
    given: list[Json] = [
        {"name": "acknowledged", "valueString": "obstructive-disease"},
        {"name": "acknowledged-by", "valueReference": {"display": "Dr <A>"}},
    ]

    reply = ask(app, body_of([*NOW, condition("c", "J44.9")], [AS_OF, *given]), path=PLAN, headers=PAGE)

    assert b"which Dr &lt;A&gt; has acknowledged" in reply.body.partition(b'class="notice">')[2][:300]


def test_whoever_takes_json_first_gets_json(app: ASGIApp) -> None:
    reply = plan(app, {**FHIR, "accept": "application/fhir+json, text/html;q=0.5"})

    assert reply.headers["content-type"] == "application/fhir+json"


def test_no_other_answer_comes_as_a_page(app: ASGIApp) -> None:
    body = body_of(NOW, [AS_OF])

    reply = ask(app, body, path="/fhir/$assess-candidate", headers={**FHIR, "accept": "text/html"})

    assert reply.status == 406


def test_the_page_holds_no_script_and_its_style_is_the_one_that_its_policy_allows(app: ASGIApp) -> None:
    reply = plan(app, PAGE)
    text = reply.body.decode()

    (style,) = re.findall(r"<style>(.*?)</style>", text, re.DOTALL)
    allowed = b64encode(sha256(style.encode()).digest()).decode()
    assert reply.headers["content-security-policy"].startswith(f"default-src 'none'; style-src 'sha256-{allowed}'")
    assert not re.search(r"<script|\son\w+=|style=|https?://|<img|<link", text)


def test_the_page_says_what_the_answer_says(app: ASGIApp) -> None:
    text = words_of(plan(app, PAGE, condition("shock", "R57.1", clinical="resolved")).body)

    assert "from PEEP 10 cmH2O now to 16" in text
    assert "SpO2 below 85 %" in text
    assert "no clinician of this site has signed" in text
    assert "Its clinical status is resolved" in text
    assert "Every result is preliminary until a clinician has signed it." in text


def test_the_page_escapes_what_was_sent(app: ASGIApp) -> None:
    odd = {**patient(), "name": [{"family": "x<b>", "given": ["Invented"]}]}

    text = plan(app, PAGE, odd).body.decode()

    assert "x&lt;b&gt;" in text
    assert "x<b>" not in text


def test_a_refused_plan_is_refused_in_fhir_whatever_was_asked_for(app: ASGIApp) -> None:
    reply = plan(app, PAGE, condition("ptx", "J93.0"))

    assert (reply.status, reply.headers["content-type"]) == (422, "application/fhir+json")


def test_the_same_question_gets_the_same_bytes_but_for_the_instant_of_recording(app: ASGIApp) -> None:
    body = body_of([*rows_down(((18.0, 38.0), (16.0, 40.0), (14.0, 41.0))), *NOW], [AS_OF])

    first, second = (
        re.sub(rb'"recorded":"[^"]+"', b"", ask(app, body, path="/fhir/$assess-candidate").body) for _ in range(2)
    )

    assert first == second


def site_app(tmp_path: Path, **files: Any) -> FastAPI:  # noqa: ANN401
    settings: dict[str, Any] = {}
    for name, content in files.items():
        settings[name] = tmp_path / f"{name}.json"
        settings[name].write_text(json.dumps(content))
    return create_app(Settings(**settings))


def test_a_site_configures_its_codes_limits_and_protocols(tmp_path: Path) -> None:
    app = site_app(
        tmp_path,
        value_sets={
            "resourceType": "ValueSet",
            "url": "https://site.example/fhir/ValueSet/bullous-disease",
            "status": "active",
            "compose": {"include": [{"system": "https://site.example/dx", "concept": [{"code": "BULLA"}]}]},
        },
        stop_limits={
            "version": "7", "signed_by": "Dr A. Invented", "signed_on": "2026-02-01",
            "limits": {"spo2_below_percent": {"value": 90, "source": "decided by the unit"}},
        },
        protocols={
            "staircases": [
                {
                    "slug": "ours", "version": "2", "title": "Ours", "citation": "Unit protocol 2",
                    "cells": {
                        name: {"value": value, "source": "decided by the unit"}
                        for name, value in {
                            "start_cmh2o": 18, "decrement_cmh2o": 3, "lowest_cmh2o": 6, "dwell_s": 180,
                            "margin_cmh2o": 2,
                        }.items()
                    },
                }
            ]
        },
    )  # fmt: skip
    chosen: Json = {"name": "staircase", "valueString": "ours|2"}

    looked: list[Json] = [
        {"name": "acknowledged", "valueString": "bullous-disease"},
        {"name": "acknowledged-by", "valueReference": {"display": "Dr A. Invented"}},
    ]
    bulla = condition("b", "BULLA", system="https://site.example/dx")

    planned = ask(app, body_of([*NOW, bulla], [AS_OF, chosen, *looked]), path=PLAN)

    text = planned.body.decode()
    assert "signed by Dr A. Invented on 2026-02-01" in text
    assert "PlanDefinition/ours|2" in text
    assert '"bullous-disease"' in text
    assert ask(app, method="GET", path="/fhir/PlanDefinition/ours").status == 200
    assert "BULLA" in ask(app, method="GET", path="/fhir/ValueSet/bullous-disease").body.decode()


def test_a_trial_is_read_by_the_rules_of_the_site_where_the_request_names_them(tmp_path: Path) -> None:
    rules = {
        "slug": "our-rules", "version": "4", "title": "Our rules", "citation": "Unit protocol 4",
        "rules": {"margin_cmh2o": {"value": 3, "source": "decided by the unit"}},
    }  # fmt: skip
    app = site_app(tmp_path, protocols={"protocols": [rules]})
    trial = bundle(patient(), height(), *trial_observations())

    reply = ask(app, to_bytes(parameters(bundle=trial, protocol="our-rules|4")))

    assert reply.status == 200
    assert '"our-rules|4"' in reply.body.decode()


@pytest.mark.parametrize("setting", ["value_sets", "protocols", "stop_limits", "messages"])
def test_a_file_that_cannot_be_used_stops_the_start_and_is_named(tmp_path: Path, setting: str) -> None:
    with pytest.raises(SiteFileError, match=rf"^EBBMARK_{setting.upper()}: {setting}\.json"):
        site_app(tmp_path, **{setting: {"wrong": True}})


def test_a_file_that_is_not_there_stops_the_start_and_names_the_setting(tmp_path: Path) -> None:
    with pytest.raises(SiteFileError, match="EBBMARK_STOP_LIMITS"):
        create_app(Settings(stop_limits=tmp_path / "none.json"))


def test_a_folder_without_value_sets_stops_the_start(tmp_path: Path) -> None:
    with pytest.raises(SiteFileError, match=r"holds no \.json file"):
        create_app(Settings(value_sets=tmp_path))


def test_where_answers_are_signed_these_are_too(tmp_path: Path) -> None:
    keys = tmp_path / "keys.json"
    keys.write_text(json.dumps(new_key_set("ES384")))
    app = create_app(Settings(signing_keys=(keys,), sign_results=True))

    reply = plan(app, FHIR)

    (provenance,) = [one["resource"] for one in reply.json["entry"] if one["resource"]["resourceType"] == "Provenance"]
    assert provenance["signature"][0]["data"]
