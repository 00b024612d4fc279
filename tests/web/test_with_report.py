"""An answer with its report, at the door: asked for, made, replayed, written."""

from __future__ import annotations

import base64
import io
import json
from pathlib import Path
from typing import Any

import pypdf
import pytest
from starlette.types import ASGIApp

from audit.test_tampering import GIVEN
from ebbmark.fhir.writing.validate import validate
from fhir_builders import bundle, parameters, to_bytes
from web.asking import Reply, ask
from web.test_replay import signing_app, told
from web.test_write_back import accepts_all, asked_to_write

Json = dict[str, Any]

INPUTS = bundle(*GIVEN)
WITH_REPORT = to_bytes(parameters(bundle=INPUTS, with_report=True))


@pytest.fixture(scope="module")
def reply(app: ASGIApp) -> Reply:
    return ask(app, WITH_REPORT)


def of_type(answer: Json, kind: str) -> list[Json]:
    return [entry["resource"] for entry in answer["entry"] if entry["resource"]["resourceType"] == kind]


def replayed(app: ASGIApp, answer: Json) -> Json:
    return told(ask(app, to_bytes(parameters(answer=answer, inputs=INPUTS)), path="/fhir/$replay"))


def test_the_answer_holds_a_report(reply: Reply) -> None:
    (report,) = of_type(reply.json, "DiagnosticReport")
    (form,) = report["presentedForm"]

    page = pypdf.PdfReader(io.BytesIO(base64.b64decode(form["data"])))

    assert reply.status == 200
    assert 1 < len(page.pages) <= 3
    assert validate(reply.json) == ()


def test_the_page_names_the_answer_that_it_belongs_to(reply: Reply) -> None:
    (report,), (guidance,) = of_type(reply.json, "DiagnosticReport"), of_type(reply.json, "GuidanceResponse")
    page = pypdf.PdfReader(io.BytesIO(base64.b64decode(report["presentedForm"][0]["data"]))).pages[0]

    assert guidance["requestIdentifier"]["value"][:16] in page.extract_text()


@pytest.mark.parametrize("asked", [False, None])
def test_an_answer_holds_none_unless_it_is_asked_for(app: ASGIApp, asked: bool | None) -> None:
    more = {} if asked is None else {"with_report": asked}

    assert of_type(ask(app, to_bytes(parameters(bundle=INPUTS, **more))).json, "DiagnosticReport") == []


def test_an_answer_with_its_report_replays(app: ASGIApp, reply: Reply) -> None:
    said = replayed(app, reply.json)

    assert (said["same"], said.get("difference")) == (True, None)


def test_an_exchanged_page_is_found(app: ASGIApp, reply: Reply) -> None:
    tampered = json.loads(json.dumps(reply.json))
    (report,) = of_type(tampered, "DiagnosticReport")
    report["presentedForm"][0]["data"] = base64.b64encode(b"%PDF another page").decode()

    said = replayed(app, tampered)

    parts = {part["name"]: next(v for n, v in part.items() if n != "name") for part in said["difference"]}
    assert (said["same"], parts["path"]) == (False, "report.presentedForm[0].data")
    assert "SHA-256" in parts["expected"]


def test_a_service_that_signs_signs_the_report_too(tmp_path: Path) -> None:
    app = signing_app(tmp_path)
    signed = ask(app, WITH_REPORT).json
    tampered = json.loads(json.dumps(signed).replace("PEEP 16 was suggested", "PEEP 22 was suggested"))

    assert [len(one["signature"]) for one in of_type(signed, "Provenance")] == [1, 1]
    assert replayed(app, signed)["signature"] == "valid"
    assert tampered != signed
    assert replayed(app, tampered)["signature"] == "broken"


def test_a_report_is_written_in_the_same_transaction() -> None:
    sent: list[Json] = []

    asked_to_write(
        lambda request: sent.append(json.loads(request.content)) or accepts_all(request),  # type: ignore[func-returns-value]
        to_bytes(parameters(bundle=INPUTS, write_back=True, with_report=True)),
    )

    (transaction,) = sent
    assert len(of_type(transaction, "DiagnosticReport")) == 1
    assert len(of_type(transaction, "Provenance")) == 2
    assert validate(transaction) == ()
