"""The real service between two strangers: it checks who calls, and proves to the record's server who it is."""

from __future__ import annotations

import json
import socket
import subprocess
import sys
import time
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any
from urllib.error import HTTPError

import pytest

from authorization_server import CLIENT_ID, SCOPES, Site, authorization_server
from ebbmark.cli import main
from fhir_builders import parameters, to_bytes, trial_bundle
from issued_tokens import Issuer

SERVICE = Path(__file__).parents[2] / "service"
WRITE = to_bytes(parameters(bundle=trial_bundle(), write_back=True))
CALLERS = Issuer.new(name="https://callers.example")


def free_port() -> int:
    with socket.socket() as listener:
        listener.bind(("127.0.0.1", 0))
        return int(listener.getsockname()[1])


@contextmanager
def service(port: int, **environment: str) -> Iterator[tuple[str, subprocess.Popen[str]]]:
    with subprocess.Popen(
        [sys.executable, "-m", "ebbmark", "serve", "--port", str(port)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env={"PYTHONPATH": str(SERVICE), **environment},
    ) as process:
        assert process.stderr is not None
        try:
            assert "listens on" in process.stderr.readline()
            yield f"http://127.0.0.1:{port}", process
        finally:
            process.kill()


def asked(address: str, bearer: str | None) -> tuple[int, dict[str, str]]:
    headers = {"Content-Type": "application/fhir+json"}
    if bearer is not None:
        headers["Authorization"] = f"Bearer {bearer}"
    request = urllib.request.Request(f"{address}/fhir/$titrate-peep", data=WRITE, headers=headers)  # noqa: S310
    try:
        with urllib.request.urlopen(request, timeout=30) as reply:  # noqa: S310
            return reply.status, {name.lower(): value for name, value in reply.headers.items()}
    except HTTPError as refusal:
        # A refusal holds its connection open until it is closed.
        with refusal:
            return refusal.code, {name.lower(): value for name, value in refusal.headers.items()}


def settings(site: Site, folder: Path, key_files: list[Path]) -> dict[str, str]:
    callers = folder / "callers.json"
    callers.write_text(json.dumps({"keys": [CALLERS.jwk]}))
    return {
        "EBBMARK_ISSUERS": json.dumps([{"issuer": CALLERS.name, "jwks_file": str(callers)}]),
        "EBBMARK_SIGNING_KEYS": json.dumps([str(file) for file in key_files]),
        "EBBMARK_RECORD_BASE_URL": site.base_url,
        "EBBMARK_RECORD_CLIENT_ID": CLIENT_ID,
        "EBBMARK_RECORD_SCOPE": " ".join(sorted(SCOPES)),
    }


def events_of(said: str) -> list[dict[str, Any]]:
    """The audit events among the lines of the log."""
    return [one["event"] for one in map(json.loads, said.splitlines()) if "event" in one]


@pytest.fixture(params=["ES384", "RS384"])
def key_file(request: pytest.FixtureRequest, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Path:
    assert main(["new-key", "--algorithm", request.param]) == 0
    file = tmp_path / "key.json"
    file.write_text(capsys.readouterr().out)
    return file


@pytest.mark.live
def test_a_trial_is_written_by_a_service_that_signed_in_with_its_published_key(key_file: Path, tmp_path: Path) -> None:
    port = free_port()
    with (
        authorization_server(f"http://127.0.0.1:{port}/.well-known/jwks.json") as site,
        service(port, **settings(site, tmp_path, [key_file])) as (address, process),
    ):
        now_s = int(time.time())
        bearer = CALLERS.token(
            aud=f"{address}/fhir", scope="system/Observation.crs", iat=now_s, nbf=now_s, exp=now_s + 300
        )
        nobody, _ = asked(address, None)
        status, headers = asked(address, bearer)
        again, _ = asked(address, bearer)
        process.terminate()
        said, warned = process.communicate(timeout=20)

    assert (nobody, status, again) == (401, 200, 200)
    assert headers["ebbmark-write-back"] == "written"
    assert site.refusals == []
    assert len(site.token_requests) == 1
    assert {request["token"] for request in site.record_requests} == set(site.issued)
    assert {
        who["identifier"]["value"]
        for one in events_of(said)
        if "identifier" in (who := one.get("agent", [{}])[0].get("who", {}))
    } == {"icu-dashboard"}
    assert not [secret for secret in (bearer, *site.issued) if secret in said + warned]
    assert [json.loads(line)["message"] for line in warned.splitlines()] == ["a caller was not let in: no-token"]
