"""The published OpenAPI document is what the code does, and its examples are real."""

from __future__ import annotations

import json
import runpy
from pathlib import Path
from typing import Any

import pytest
from openapi_spec_validator import OpenAPIV31SpecValidator

from ebbmark.cli import main
from ebbmark.fhir.operations import BY_SLUG, OPERATIONS, Operation
from ebbmark.fhir.writing.validate import validate
from web.asking import OPERATION, ask, plain_app

ROOT = Path(__file__).parents[2]
GENERATE = runpy.run_path(str(ROOT / "openapi" / "generate.py"))
PUBLISHED: dict[str, Any] = json.loads((ROOT / "openapi" / "ebbmark.openapi.json").read_bytes())


def written_out(value: Any) -> Any:  # noqa: ANN401 - any JSON
    """The same with each component where it is referred to."""
    if isinstance(value, list):
        return [written_out(one) for one in value]
    if not isinstance(value, dict):
        return value
    if isinstance(value.get("$ref"), str):
        _, kind, name = value["$ref"].removeprefix("#/").split("/")
        return written_out(PUBLISHED["components"][kind][name])
    return {key: written_out(one) for key, one in value.items()}


DOCUMENT: dict[str, Any] = written_out(PUBLISHED)
EXAMPLES = ROOT / "service" / "ebbmark" / "web" / "examples"
RENEW = "run python openapi/generate.py and read the diff"


def example(name: str) -> dict[str, Any]:
    read: dict[str, Any] = json.loads((EXAMPLES / f"{name}.json").read_bytes())
    return read


@pytest.mark.parametrize("name", ["titrate-peep.json", "titrate-peep-answer.json", "titrate-peep-refusal.json"])
def test_an_example_is_what_the_code_says_today(name: str) -> None:
    assert GENERATE["examples"]()[name] == (EXAMPLES / name).read_bytes(), RENEW


@pytest.mark.parametrize("operation", OPERATIONS, ids=lambda one: str(one.slug))
def test_an_example_of_a_question_at_the_bedside_is_real_and_answered(operation: Operation) -> None:
    name = f"{operation.slug}.json"
    written = (EXAMPLES / name).read_bytes()

    assert GENERATE["bedside_examples"]()[name] == written, RENEW
    reply = ask(plain_app(), written, path=f"/fhir/${operation.slug}")
    assert reply.status == 200
    assert validate(reply.json) == ()


@pytest.mark.parametrize("name", ["cds-call.json", "cds-cards.json", "cds-feedback.json"])
def test_an_example_of_cds_hooks_is_what_the_code_says_today(name: str) -> None:
    assert GENERATE["hooks_examples"]()[name] == (EXAMPLES / name).read_bytes(), RENEW


def test_the_document_is_what_the_code_says_today() -> None:
    assert GENERATE["document"]() == (ROOT / "openapi" / "ebbmark.openapi.json").read_bytes(), RENEW


def test_the_document_is_sound_openapi() -> None:
    assert list(OpenAPIV31SpecValidator(PUBLISHED).iter_errors()) == []


def test_the_document_is_of_version_3_1() -> None:
    assert DOCUMENT["openapi"].startswith("3.1.")


def test_the_document_stays_short_enough_to_read() -> None:
    assert (ROOT / "openapi" / "ebbmark.openapi.json").stat().st_size < 450_000


def test_the_service_and_the_command_line_give_the_same_document(capsys: pytest.CaptureFixture[str]) -> None:
    code = main(["openapi"])

    assert code == 0
    assert json.loads(capsys.readouterr().out) == PUBLISHED
    assert ask(plain_app(), method="GET", path="/openapi.json").json == PUBLISHED


DEFINED = ("OperationDefinition", "CodeSystem", "ConceptMap", "PlanDefinition", "ValueSet")


def test_what_repeats_is_a_component_that_is_used_and_signing_in_is_described() -> None:
    components = PUBLISHED["components"]
    used = json.dumps(PUBLISHED["paths"])

    assert {"OperationOutcome", "Bundle", "Resource"} <= components["schemas"].keys()
    for kind in ("schemas", "responses"):
        assert [
            name for name in components[kind] if f"#/components/{kind}/{name}" not in used + json.dumps(components)
        ] == []
    assert components["securitySchemes"]["bearer"]["scheme"] == "bearer"
    assert PUBLISHED["paths"][OPERATION]["post"]["security"] == [{"bearer": []}, {}]
    assert [one["url"] for one in PUBLISHED["servers"]] == ["http://127.0.0.1:8087"]


def test_every_door_is_in_the_document() -> None:
    assert set(DOCUMENT["paths"]) == {
        OPERATION,
        "/fhir/metadata",
        "/fhir/.well-known/smart-configuration",
        "/fhir/$replay",
        *[f"/fhir/${one.slug}" for one in OPERATIONS],
        *[f"/fhir/Patient/{{patient_id}}/${slug}" for slug in BY_SLUG],
        *[f"/fhir/{kind}/{{slug}}" for kind in DEFINED],
        *[f"/fhir/{kind}" for kind in DEFINED],
        "/cds-services",
        "/cds-services/{service_id}",
        "/cds-services/{service_id}/feedback",
        "/health/live",
        "/health/ready",
        "/.well-known/jwks.json",
        "/page/style.css",
        "/page/page.js",
        *[
            f"/app/{{tab}}/{page}"
            for page in ("", "before", "running", "after", "days", "plan", "report", "record", "not-now", "steps")
        ],
    }


def test_every_question_says_what_became_of_a_write_back() -> None:
    told = [
        "Ebbmark-Write-Back" in DOCUMENT["paths"][f"/fhir/{of}${slug}"]["post"]["responses"]["200"]["headers"]
        for slug in BY_SLUG
        for of in ("", "Patient/{patient_id}/")
    ]

    assert all(told)


def test_every_page_of_a_record_says_how_it_is_refused() -> None:
    pages = [
        method for path, methods in DOCUMENT["paths"].items() if path.startswith("/app/") for method in methods.values()
    ]

    assert len(pages) == 13
    for page in pages:
        refused = {kind: page["responses"][kind]["description"] for kind in ("4XX", "5XX")}
        assert [one for one in ("401", "403", "404", "429") if f"{one}: " not in refused["4XX"]] == []
        assert [one for one in ("502", "503") if f"{one}: " not in refused["5XX"]] == []
        assert "Retry-After" in page["responses"]["4XX"]["headers"]


def test_without_a_record_that_may_open_it_a_page_is_refused_as_documented() -> None:
    reply = ask(plain_app(), method="GET", path="/app/tab/running")

    assert (reply.status, reply.headers["content-type"]) == (404, "text/html; charset=utf-8")
    assert b"No record may open pages of this service." in reply.body


def test_operations_are_named_once_and_summed_up() -> None:
    operations = [operation for path in DOCUMENT["paths"].values() for operation in path.values()]

    names = [operation["operationId"] for operation in operations]

    assert len(set(names)) == len(names)
    assert all(operation["summary"] and operation["tags"] for operation in operations)


def test_the_example_of_a_request_gets_the_example_of_an_answer(monkeypatch: pytest.MonkeyPatch) -> None:
    asked_at_s = GENERATE["AT_S"]
    monkeypatch.setattr("time.time", lambda: asked_at_s)
    reply = ask(plain_app(), (EXAMPLES / "titrate-peep.json").read_bytes()).json

    expected = example("titrate-peep-answer")
    for answer in (reply, expected):
        for entry in answer["entry"]:
            entry["resource"].pop("recorded", None)
    assert reply == expected


def test_the_example_of_an_answer_is_sound_fhir_with_a_suggestion() -> None:
    answer = example("titrate-peep-answer")

    assert validate(answer) == ()
    assert "suggested-peep" in json.dumps(answer)


def test_the_example_of_a_refusal_is_what_the_documented_status_carries() -> None:
    request = example("titrate-peep")
    request["entry"][1]["resource"]["valueQuantity"] = {"value": 66}

    reply = ask(plain_app(), json.dumps(request).encode())

    documented = DOCUMENT["paths"][OPERATION]["post"]["responses"][str(reply.status)]
    assert documented["content"]["application/fhir+json"]["example"] == reply.json
