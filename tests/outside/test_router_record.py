"""The hour against a record in small: a router that no other test uses, and a chart in local codes.

The record is the router of @medplum/fhir-router (Apache-2.0) with its repository in memory; the chart and the steps are
those of the guide (deploy/guide/connect.md).
"""

from __future__ import annotations

import json
import shutil
import subprocess
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import httpx
import pytest
from guide.local_chart import LOCAL, chart

from ebbmark.cli import main
from web.asking import FHIR
from web.browsing import free_port, running

Json = dict[str, Any]

pytestmark = pytest.mark.live

SERVER = Path(__file__).parent / "router_record.mjs"


@pytest.fixture(scope="module")
def base_url(modules: Path) -> Iterator[str]:
    server = shutil.copy(SERVER, modules.parent)
    command = ["node", str(server), "0"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True) as process:
        assert process.stdout is not None
        try:
            address = process.stdout.readline().strip()
            replies = httpx.post(address, json=chart(datetime.now(UTC)), timeout=60).json()["entry"]
            assert {reply["response"]["status"] for reply in replies} == {"200"}
            yield address
        finally:
            process.terminate()


def asked(service: str, operation: str, *parameters: Json) -> Json:
    body = {"resourceType": "Parameters", "parameter": parameters}
    reply = httpx.post(f"{service}/fhir/${operation}", json=body, headers=FHIR, timeout=60)
    assert reply.status_code == 200, reply.text
    told: Json = reply.json()
    return told


def only(answer: Json, kind: str) -> Json:
    return next(one["resource"] for one in answer["entry"] if one["resource"]["resourceType"] == kind)


def test_a_chart_in_local_codes_is_inspected_mapped_titrated_written_once_and_replayed(
    base_url: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("EBBMARK_RECORD_BASE_URL", base_url)
    assert main(["check-record"]) == 0
    assert "What will work\n  - reading a trial from the record\n" in capsys.readouterr().out
    assert main(["inspect", "--patient", "Patient/maple", "--format", "concept-map"]) == 0
    draft = capsys.readouterr().out
    mapped = {one["code"] for group in json.loads(draft)["group"] for one in group["element"]}
    assert mapped == {code for code, _ in LOCAL.values()}
    (tmp_path / "map.json").write_text(draft.replace('"relatedto"', '"equivalent"'))

    settings = {"record_base_url": base_url, "record_most_creates": 3, "code_map": str(tmp_path / "map.json")}
    wanted = (
        {"name": "patient-reference", "valueReference": {"reference": "Patient/maple"}},
        {"name": "write-back", "valueBoolean": True},
    )
    with running(free_port(), settings) as service:
        first, again = [asked(service.address, "titrate-peep", *wanted) for _ in range(2)]
        identity = only(first, "GuidanceResponse")["requestIdentifier"]
        named = {"name": "request-identifier", "valueIdentifier": identity}
        replayed = asked(service.address, "replay", named)

    said = [only(one, "OperationOutcome")["issue"][0]["details"]["text"] for one in (first, again)]
    assert said[0].endswith("written to the record."), said
    assert "already" in said[1]
    assert {"name": "same", "valueBoolean": True} in replayed["parameter"]
