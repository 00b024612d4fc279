"""Clients that general-purpose generators make from our OpenAPI document ask a real question and get a real answer.

Python: `openapi-python-client` (PyPI), whose client is called in this process. TypeScript is asked by
tests/outside/test_generated_typescript.py.
"""

from __future__ import annotations

import asyncio
import importlib
import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import httpx
import pytest

from ebbmark.settings import Settings
from ebbmark.web.app import create_app

DOCUMENT = Path(__file__).parents[2] / "openapi" / "ebbmark.openapi.json"
BASE_URL = "http://127.0.0.1:8080"


@pytest.fixture(scope="module")
def generated(tmp_path_factory: pytest.TempPathFactory) -> Any:  # noqa: ANN401 - made at run time
    """The package of a generated client."""
    folder = tmp_path_factory.mktemp("generated")
    (folder / "config.yaml").write_text("post_hooks: []\n")
    command = [sys.executable, "-m", "openapi_python_client", "generate", "--path", str(DOCUMENT), "--meta", "none"]
    command += ["--output-path", str(folder / "ebbmark_client"), "--config", str(folder / "config.yaml")]
    run = subprocess.run(command, capture_output=True, text=True, check=False, timeout=120)
    assert run.returncode == 0, run.stdout + run.stderr
    # What it cannot make is a page or a sheet, never FHIR.
    assert "parsing POST /fhir" not in run.stdout
    assert "parsing GET /fhir" not in run.stdout
    sys.path.insert(0, str(folder))
    try:
        yield lambda name: importlib.import_module(f"ebbmark_client.{name}")
    finally:
        sys.path.remove(str(folder))


async def called(module: Any, client: Any, **arguments: object) -> Any:  # noqa: ANN401 - made at run time
    app = create_app(Settings())
    transport = httpx.ASGITransport(app, client=("127.0.0.1", 9))
    async with app.router.lifespan_context(app), httpx.AsyncClient(transport=transport, base_url=BASE_URL) as http:
        client.set_async_httpx_client(http)
        return await module.asyncio_detailed(client=client, **arguments)


def asked(generated: Any, body: dict[str, Any]) -> Any:  # noqa: ANN401 - made at run time
    request = generated("models.parameters_or_bundle").ParametersOrBundle.from_dict(body)
    client = generated("client").Client(base_url=BASE_URL)
    return asyncio.run(called(generated("api.fhir.titrate_peep"), client, body=request))


def test_a_generated_python_client_gets_the_answer_to_the_example_of_the_document(generated: Any) -> None:  # noqa: ANN401
    document = json.loads(DOCUMENT.read_text())
    content = document["paths"]["/fhir/$titrate-peep"]["post"]["requestBody"]["content"]["application/fhir+json"]

    reply = asked(generated, content["example"])

    assert reply.status_code == 200
    assert type(reply.parsed).__name__ == "Bundle"
    kinds = [entry["resource"]["resourceType"] for entry in reply.parsed.to_dict()["entry"]]
    assert "GuidanceResponse" in kinds


def test_a_generated_python_client_gets_a_refusal_as_an_operation_outcome(generated: Any) -> None:  # noqa: ANN401
    reply = asked(generated, {"resourceType": "Parameters", "parameter": []})

    assert type(reply.parsed).__name__ == "OperationOutcome"
    assert reply.parsed.to_dict()["issue"][0]["details"]["text"]
