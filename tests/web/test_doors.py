"""What each door takes and gives: status, media type, headers."""

from __future__ import annotations

import gzip
import json
import logging
from collections.abc import Iterator

import pytest
from fastapi import FastAPI
from fhir.resources.R4B import get_fhir_model_class
from starlette.types import ASGIApp

from ebbmark import __version__
from ebbmark.fhir.writing.validate import validate
from ebbmark.settings import Settings
from ebbmark.web.app import create_app
from fhir_builders import bundle, height, patient, to_bytes, trial_bundle, trial_observations
from web.asking import FHIR, OPERATION, ask

TRIAL = to_bytes(trial_bundle())
DEFINITIONS = {
    "/fhir/metadata": "CapabilityStatement",
    "/fhir/OperationDefinition/titrate-peep": "OperationDefinition",
    "/fhir/CodeSystem/ebbmark": "CodeSystem",
    "/fhir/ConceptMap/standard-codes": "ConceptMap",
    "/fhir/PlanDefinition/common-practice": "PlanDefinition",
    "/fhir/ValueSet/untreated-pneumothorax": "ValueSet",
}
HEALTH = {"/health/live": "live", "/health/ready": "ready"}
SAFE_HEADERS = {
    "cache-control": "no-store",
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "content-security-policy": "default-src 'none'; frame-ancestors 'none'",
}


def test_a_trial_is_answered_with_a_bundle(app: ASGIApp) -> None:
    reply = ask(app, TRIAL)

    assert (reply.status, reply.headers["content-type"]) == (200, "application/fhir+json")
    assert (reply.json["resourceType"], reply.json["type"]) == ("Bundle", "collection")
    assert int(reply.headers["content-length"]) == len(reply.body)


def test_an_answer_is_sound_fhir(app: ASGIApp) -> None:
    assert validate(ask(app, TRIAL).json) == ()


def test_an_answer_without_write_back_says_nothing_of_one(app: ASGIApp) -> None:
    assert "ebbmark-write-back" not in ask(app, TRIAL).headers


def test_the_same_trial_gets_the_same_answer_but_for_the_instant_of_recording(app: ASGIApp) -> None:
    first, second = (ask(app, TRIAL).json for _ in range(2))

    for answer in (first, second):
        (provenance,) = [e["resource"] for e in answer["entry"] if e["resource"]["resourceType"] == "Provenance"]
        assert provenance.pop("recorded")
    assert first == second


def test_a_body_may_come_in_pieces(app: ASGIApp) -> None:
    pieces = [TRIAL[start : start + 1000] for start in range(0, len(TRIAL), 1000)]

    assert ask(app, pieces).status == 200


@pytest.mark.parametrize(
    "media_type",
    [
        "application/fhir+json",
        "application/json",
        "application/fhir+json; charset=utf-8",
        "application/fhir+json; fhirVersion=4.0",
        'APPLICATION/FHIR+JSON;charset="UTF-8";fhirVersion=4.0',
    ],
)
def test_fhir_json_is_taken_under_each_of_its_names(app: ASGIApp, media_type: str) -> None:
    assert ask(app, TRIAL, headers={"content-type": media_type}).status == 200


@pytest.mark.parametrize(
    ("media_type", "found"),
    [
        ("application/fhir+xml", "Content-Type application/fhir+xml"),
        ("text/plain", "Content-Type text/plain"),
        ("application/fhir+json; charset=iso-8859-1", "charset iso-8859-1"),
        ("application/fhir+json; fhirVersion=5.0", "fhirVersion 5.0"),
        ("", "no Content-Type"),
    ],
)
def test_what_does_not_claim_to_be_r4_json_is_not_taken(app: ASGIApp, media_type: str, found: str) -> None:
    reply = ask(app, TRIAL, headers={"content-type": media_type} if media_type else {})

    assert reply.status == 415
    assert found in reply.errors[0]["details"]["text"]
    assert "application/fhir+json" in reply.errors[0]["details"]["text"]


@pytest.mark.parametrize(
    "accept", ["*/*", "application/*", "text/html, application/json;q=0.5", "application/fhir+json;fhirVersion=4.0"]
)
def test_whoever_takes_json_gets_it(app: ASGIApp, accept: str) -> None:
    assert ask(app, TRIAL, headers={**FHIR, "accept": accept}).status == 200


@pytest.mark.parametrize("accept", ["application/fhir+xml", "text/html", "application/json;q=0"])
def test_whoever_takes_no_json_is_told_so(app: ASGIApp, accept: str) -> None:
    reply = ask(app, TRIAL, headers={**FHIR, "accept": accept})

    assert reply.status == 406
    assert "application/fhir+json" in reply.errors[0]["details"]["text"]


@pytest.mark.parametrize("query", ["_format=json", "_format=application/fhir%2Bjson", "_format=application/fhir+json"])
def test_format_overrides_accept(app: ASGIApp, query: str) -> None:
    assert ask(app, TRIAL, query=query, headers={**FHIR, "accept": "text/html"}).status == 200


@pytest.mark.parametrize("path", [OPERATION, "/fhir/metadata"])
def test_a_format_that_is_not_json_is_refused(app: ASGIApp, path: str) -> None:
    method = "POST" if path == OPERATION else "GET"

    reply = ask(app, TRIAL, path=path, method=method, query="_format=xml")

    assert reply.status == 406
    assert "xml" in reply.errors[0]["details"]["text"]


def test_a_long_body_is_read_no_further_than_the_limit() -> None:
    app = create_app(Settings(max_body_bytes=10_000))

    def endless() -> Iterator[bytes]:
        while True:
            yield b" " * 1000

    reply = ask(app, endless())

    assert reply.status == 413
    assert reply.taken == 11
    assert "at most 10,000 bytes" in reply.errors[0]["details"]["text"]


def test_a_body_of_just_the_limit_is_read() -> None:
    assert ask(create_app(Settings(max_body_bytes=len(TRIAL))), TRIAL).status == 200


def test_more_entries_than_are_read_are_refused() -> None:
    reply = ask(create_app(Settings(max_entries=20)), TRIAL)

    assert reply.status == 413
    assert reply.errors[0]["expression"] == ["Bundle.entry"]
    assert "at most 20" in reply.errors[0]["details"]["text"]


@pytest.mark.parametrize("path", ["/", "/fhir", "/fhir/Patient/1", "/fhir/$other", "/fhir/metadata/", "/docs"])
def test_an_address_that_is_not_served_says_what_is(app: ASGIApp, path: str) -> None:
    reply = ask(app, method="GET", path=path)

    assert (reply.status, reply.headers["content-type"]) == (404, "application/fhir+json")
    assert reply.errors[0]["code"] == "not-found"
    assert OPERATION in reply.errors[0]["details"]["text"]


@pytest.mark.parametrize(
    ("method", "path", "allowed"),
    [
        ("GET", OPERATION, "POST"),
        ("HEAD", OPERATION, "POST"),
        ("PUT", OPERATION, "POST"),
        ("OPTIONS", OPERATION, "POST"),
        ("POST", "/fhir/metadata", "GET"),
        ("OPTIONS", "/fhir/metadata", "GET"),
        ("DELETE", "/health/live", "GET"),
        ("BREW", "/health/live", "GET"),
    ],
)
def test_a_method_that_is_not_served_is_refused_with_those_that_are(
    app: ASGIApp, method: str, path: str, allowed: str
) -> None:
    reply = ask(app, method=method, path=path)

    assert (reply.status, reply.headers["allow"]) == (405, allowed)


def test_a_method_that_is_not_served_is_refused_in_fhir(app: ASGIApp) -> None:
    assert ask(app, method="GET").errors[0]["code"] == "not-supported"


@pytest.mark.parametrize("path", [*DEFINITIONS, *HEALTH])
def test_head_gives_the_headers_of_get_and_no_body(app: ASGIApp, path: str) -> None:
    head, get = ask(app, method="HEAD", path=path), ask(app, method="GET", path=path)

    assert (head.status, head.headers) == (200, get.headers)
    assert head.body == b""
    assert get.body


@pytest.mark.parametrize(("path", "status"), HEALTH.items())
def test_health_names_state_and_version(app: ASGIApp, path: str, status: str) -> None:
    reply = ask(app, method="GET", path=path, headers={})

    assert reply.status == 200
    assert (reply.json["status"], reply.json["version"]) == (status, __version__)


@pytest.mark.parametrize(("path", "resource_type"), DEFINITIONS.items())
def test_definitions_are_sound_fhir(app: ASGIApp, path: str, resource_type: str) -> None:
    reply = ask(app, method="GET", path=path)

    assert (reply.status, reply.headers["content-type"]) == (200, "application/fhir+json")
    assert get_fhir_model_class(resource_type).model_validate(reply.json)


def test_the_capability_statement_names_the_address_that_callers_use() -> None:
    app = create_app(Settings(base_url="https://peep.example/"))

    statement = ask(app, method="GET", path="/fhir/metadata").json

    assert statement["implementation"]["url"] == "https://peep.example/fhir"
    assert statement["fhirVersion"] == "4.0.1"
    assert statement["rest"][0]["operation"][0]["name"] == "titrate-peep"


def test_what_the_capability_statement_says_can_be_read_can_be_read(app: ASGIApp) -> None:
    statement = ask(app, method="GET", path="/fhir/metadata").json

    readable = {resource["type"] for resource in statement["rest"][0]["resource"]}

    assert readable == set(DEFINITIONS.values()) - {"CapabilityStatement"}


@pytest.mark.parametrize(
    ("method", "path", "body"),
    [
        ("POST", OPERATION, TRIAL),
        ("POST", OPERATION, b"<xml/>"),
        ("GET", "/nowhere", b""),
        ("GET", OPERATION, b""),
        ("GET", "/health/live", b""),
        ("GET", "/fhir/metadata", b""),
        ("GET", "/openapi.json", b""),
    ],
)
def test_every_reply_carries_the_safe_headers(app: ASGIApp, method: str, path: str, body: bytes) -> None:
    reply = ask(app, body, method=method, path=path)

    assert {name: reply.headers[name] for name in SAFE_HEADERS} == SAFE_HEADERS
    assert "server" not in reply.headers


def test_a_code_map_of_the_site_is_read_at_start(tmp_path_factory: pytest.TempPathFactory) -> None:
    local = "https://site.example/codes"
    path = tmp_path_factory.mktemp("site") / "map.json"
    element = {"code": "peep", "target": [{"code": "20077-4", "equivalence": "equivalent"}]}
    group = {"source": local, "target": "http://loinc.org", "element": [element]}
    path.write_bytes(to_bytes({"resourceType": "ConceptMap", "status": "active", "group": [group]}))
    trial = to_bytes(bundle(patient(), height(), *trial_observations()))
    trial = trial.replace(
        b'{"system": "http://loinc.org", "code": "20077-4"}', json.dumps({"system": local, "code": "peep"}).encode()
    )

    with_map, without = ask(create_app(Settings(code_map=path)), trial), ask(create_app(Settings()), trial)

    assert (with_map.status, without.status) == (200, 422)


def test_preliminary_inputs_count_where_the_site_says_so() -> None:
    trial = TRIAL.replace(b'"status": "final"', b'"status": "preliminary"')

    accepting, plain = ask(create_app(Settings(accept_preliminary=True)), trial), ask(create_app(Settings()), trial)

    assert (accepting.status, plain.status) == (200, 422)


LEAK = "Ottilie Beispiel, MRN 4711"


@pytest.fixture
def failing() -> FastAPI:
    made = create_app(Settings())

    async def fails() -> None:
        raise ZeroDivisionError(LEAK)

    made.add_api_route("/fails", fails)
    return made


def test_what_nobody_foresaw_is_an_outcome_without_details(failing: FastAPI) -> None:
    reply = ask(failing, method="GET", path="/fails")

    assert (reply.status, reply.headers["content-type"]) == (500, "application/fhir+json")
    assert [(issue["severity"], issue["code"]) for issue in reply.issues] == [("error", "exception")]
    assert LEAK not in reply.body.decode()
    assert "ZeroDivisionError" not in reply.body.decode()
    assert {name: reply.headers[name] for name in SAFE_HEADERS} == SAFE_HEADERS


def test_what_nobody_foresaw_is_logged_by_kind_and_place_only(
    failing: FastAPI, caplog: pytest.LogCaptureFixture
) -> None:
    with caplog.at_level(logging.DEBUG):
        ask(failing, method="GET", path="/fails")

    (record,) = [record for record in caplog.records if record.name == "ebbmark" and record.levelname == "ERROR"]
    assert record.getMessage().startswith("unforeseen ZeroDivisionError in test_doors.py:")
    assert record.exc_info is None
    assert LEAK not in caplog.text


def test_a_compressed_body_is_refused_by_its_encoding(app: ASGIApp) -> None:
    reply = ask(app, b"\x1f\x8b\x08", headers={**FHIR, "content-encoding": "br"})

    assert reply.status == 415
    assert "Content-Encoding br" in reply.errors[0]["details"]["text"]


def test_a_body_packed_with_gzip_is_the_same_request(app: ASGIApp) -> None:
    packed = ask(app, gzip.compress(TRIAL), headers={**FHIR, "content-encoding": "gzip"})

    assert packed.status == 200
    assert [one["fullUrl"] for one in packed.json["entry"]] == [one["fullUrl"] for one in ask(app, TRIAL).json["entry"]]


@pytest.mark.parametrize(
    ("body", "status"),
    [
        (gzip.compress(b" " * 50_000_000), 413),
        (gzip.compress(TRIAL)[:-9], 400),
        (gzip.compress(TRIAL) + b"x", 400),
        (TRIAL, 400),
    ],
    ids=["a bomb", "cut", "more behind it", "not packed"],
)
def test_a_body_that_unpacks_to_too_much_or_to_nothing_whole_is_refused(app: ASGIApp, body: bytes, status: int) -> None:
    assert ask(app, body, headers={**FHIR, "content-encoding": "gzip"}).status == status
