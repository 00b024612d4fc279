"""A CDS Hooks client that is not ours makes its requests from our discovery document, and gets its card.

The library is @medplum/core (Apache-2.0), the only one with a CDS Hooks client that was found on npm: it fills our
prefetch templates and builds the request. Its types name neither selectionBehavior nor feedback, so that the shapes are
checked against the standard's tables instead (`tests/world/test_cds_hooks_shapes.py`).
"""

from __future__ import annotations

import json
import subprocess
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import httpx

from benchmarks.speed.serving import OURS, serving
from fhir_builders import Json, bundle, height, patient, trial_observations
from record.searchable_record import BASE, SearchableRecord
from web.hooks.calling import order
from web.hooks.test_in_the_application import just_now
from world.test_cds_hooks_shapes import faults

CLIENT = Path(__file__).parent / "cds_client.mjs"


@contextmanager
def on_a_socket(record: SearchableRecord) -> Iterator[str]:
    """A record in memory, for a client in another process; gives its base address."""

    class Handler(BaseHTTPRequestHandler):
        def log_message(self, format: str, *args: object) -> None:
            return

        def do_GET(self) -> None:
            reply = record.answer(httpx.Request("GET", BASE.removesuffix("/fhir") + self.path))
            self.send_response(reply.status_code)
            self.send_header("Content-Type", "application/fhir+json")
            self.send_header("Content-Length", str(len(reply.content)))
            self.end_headers()
            self.wfile.write(reply.content)

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.01})
    thread.start()
    try:
        yield f"http://127.0.0.1:{server.server_address[1]}/fhir"
    finally:
        server.shutdown()
        thread.join()
        server.server_close()


def called(modules: Path, hook: str, resources: list[Json], **context: object) -> dict[str, Any]:
    """What the outside client sent, and what it got."""
    given = {"userId": "Practitioner/abc", "patientId": "p1", **context}
    with on_a_socket(SearchableRecord(resources)) as fhir_base, serving(OURS) as (_, port):
        service = f"http://127.0.0.1:{port}"
        run = subprocess.run(
            ["node", str(CLIENT), service, fhir_base, str(modules), hook, json.dumps(given)],
            capture_output=True,
            text=True,
            check=False,
            timeout=120,
        )
    assert run.returncode == 0, run.stderr
    told: dict[str, Any] = json.loads(run.stdout)
    assert told["status"] == 200, told["reply"]
    return told


def test_the_opening_of_a_chart_gets_its_card(modules: Path) -> None:
    told = called(modules, "patient-view", [patient(), height(), *just_now(trial_observations())])

    (card,) = told["reply"]["cards"]
    assert "PEEP 14" in card["summary"]
    assert set(told["request"]["prefetch"]) == {
        "patient",
        "heights",
        "mechanics",
        "panels",
        "circulation",
        "procedures",
        "conditions",
    }
    assert faults("request", told["request"]) == []
    assert faults("response", told["reply"]) == []


def test_the_signing_of_an_order_gets_its_card(modules: Path) -> None:
    resources = [patient(), height(), *just_now(trial_observations())]

    told = called(modules, "order-sign", resources, draftOrders=bundle(order(10.0)))

    # No vital sign was charted, so that an order is not warned about.
    assert told["reply"]["cards"][0]["indicator"] == "info"


def test_a_patient_without_a_trial_gets_none(modules: Path) -> None:
    told = called(modules, "patient-view", [patient(), height()])

    assert told["reply"] == {"cards": []}
