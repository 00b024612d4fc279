"""The drill, with two real replicas under load: a kill, a rotation of keys, a record that goes down, a rollback.

Each step of a rotation (deploy/guide/upgrade.md) restarts both replicas, so that the other events fall into its steps.
"""

from __future__ import annotations

import http.client
import json
import os
import subprocess
import sys
import tarfile
import threading
from collections.abc import Sequence
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from io import BytesIO
from pathlib import Path
from typing import Any

import pytest
from container.check import Reply, without_time

from ebbmark.audit.signature import Verified, verify
from ebbmark.keys import PublicKey, new_key_set, read_public_keys
from web.browsing import free_port

ROOT = Path(__file__).parents[2]
TRIAL = (ROOT / "fixtures" / "clear-closing" / "request.json").read_bytes()
PAUSE_S = 0.1
"""Between two requests: enough of them meet each event, and few enough for each to be verified."""

Json = dict[str, Any]

pytestmark = pytest.mark.live


def previous_version(folder: Path) -> Path | None:
    """The service of the version before this one, from the history; None where there is none, as in a shallow clone."""
    here = ("git", "-C", str(ROOT))
    named = ["log", "-1", "--format=%H", "-G^__version__", "--", "service/ebbmark/__init__.py"]
    since = subprocess.run([*here, *named], capture_output=True, text=True, check=False).stdout.strip()
    packed = subprocess.run([*here, "archive", f"{since}~1", "service"], capture_output=True, check=False)
    if not since or packed.returncode:
        return None
    with tarfile.open(fileobj=BytesIO(packed.stdout)) as archive:
        archive.extractall(folder, filter="data")
    return folder / "service"


def started(port: int, keys: Sequence[Path], record: str, source: Path = ROOT / "service") -> subprocess.Popen[str]:
    """A replica that signs with the first of these keys, once it is ready."""
    settings = {
        "EBBMARK_PORT": str(port),
        "EBBMARK_SIGN_RESULTS": "true",
        "EBBMARK_SIGNING_KEYS": json.dumps([str(key) for key in keys]),
        "EBBMARK_RECORD_BASE_URL": record,
    }
    process = subprocess.Popen(
        [sys.executable, "-m", "ebbmark", "serve"],
        stderr=subprocess.PIPE,
        stdout=subprocess.DEVNULL,
        text=True,
        env={"PYTHONPATH": str(source), "PATH": os.environ["PATH"], **settings},
    )
    assert process.stderr is not None
    assert "listens on" in process.stderr.readline()
    asked(port, "GET", "/health/ready")
    return process


def stopped(process: subprocess.Popen[str]) -> None:
    process.terminate()
    process.communicate(timeout=30)


def asked(port: int, method: str, path: str, body: bytes | None = None) -> bytes:
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=30)
    try:
        connection.request(method, path, body, {"Content-Type": "application/fhir+json"} if body else {})
        reply = connection.getresponse()
        assert reply.status == 200
        return reply.read()
    finally:
        connection.close()


@dataclass(slots=True)
class Asker:
    """Asks the replicas in turn without end, and asks the other one where one takes no connection or is cut."""

    ports: tuple[int, int]
    answers: list[Json] = field(default_factory=list)
    lost: int = 0
    over: threading.Event = field(default_factory=threading.Event)

    def ask(self) -> None:
        turn = 0
        while not self.over.wait(PAUSE_S):
            turn += 1
            for port in (self.ports[turn % 2], self.ports[1 - turn % 2]):
                try:
                    self.answers.append(json.loads(asked(port, "POST", "/fhir/$titrate-peep", TRIAL)))
                    break
                except (OSError, http.client.HTTPException):
                    continue
            else:
                self.lost += 1


class Door(BaseHTTPRequestHandler):
    """A record that says that it is there."""

    def do_GET(self) -> None:
        self.send_response(200)
        self.end_headers()

    def log_message(self, *_: object) -> None:
        """Say nothing."""


def signed_by(answer: Json, keys: tuple[PublicKey, ...]) -> bool:
    entries = [(entry["fullUrl"], entry["resource"]) for entry in answer["entry"]]
    return verify(entries, keys).verified is Verified.VALID


def engine_of(answer: Json) -> str:
    (device,) = [entry["resource"] for entry in answer["entry"] if entry["resource"]["resourceType"] == "Device"]
    version: str = device["version"][0]["value"]
    return version


def replayed(port: int, answer: Json) -> Json:
    """What a replica finds when it computes an answer again: outcome, and the kinds of differences."""
    parts = [{"name": "answer", "resource": answer}, {"name": "inputs", "resource": json.loads(TRIAL)}]
    body = json.dumps({"resourceType": "Parameters", "parameter": parts}).encode()
    found = json.loads(asked(port, "POST", "/fhir/$replay", body))["parameter"]
    (outcome,) = [one["valueCode"] for one in found if one["name"] == "outcome"]
    kinds = [part["valueCode"] for one in found for part in one.get("part", ()) if part["name"] == "kind"]
    return {"outcome": outcome, "differences": set(kinds)}


def health_once_looked_at(port: int) -> Json:
    """Health of a replica after its first look at the record."""
    while True:
        health: Json = json.loads(asked(port, "GET", "/health/ready"))
        if health["record"] != "not-looked-at-yet":
            return health
        threading.Event().wait(0.05)


@dataclass(slots=True)
class Drill:
    """What was seen."""

    lost: int = 0
    answers: list[Json] = field(default_factory=list)
    counts: list[int] = field(default_factory=list)
    unverified: int = 0
    old_key_still_fits: bool = True
    while_down: Json = field(default_factory=dict)
    versions: tuple[str, str] | None = None
    replays: dict[str, Json] = field(default_factory=dict)


@pytest.fixture(scope="module")
def drill(tmp_path_factory: pytest.TempPathFactory) -> Drill:
    """The whole drill, once."""
    folder = tmp_path_factory.mktemp("drill")
    previous = previous_version(folder)
    old, new = folder / "old.json", folder / "new.json"
    for file in (old, new):
        file.write_text(json.dumps(new_key_set("ES384")))
    record = ThreadingHTTPServer(("127.0.0.1", 0), Door)
    serving = threading.Thread(target=record.serve_forever)
    serving.start()
    base_url = f"http://127.0.0.1:{record.server_port}/fhir"
    ports = (free_port(), free_port())
    replicas = [started(port, [old], base_url) for port in ports]
    asker, seen = Asker(ports), Drill()
    asking = threading.Thread(target=asker.ask)
    asking.start()
    try:
        for step, keys in enumerate(([old, new], [new, old], [new])):
            cached = read_public_keys(asked(ports[0], "GET", "/.well-known/jwks.json")) or ()
            before = len(asker.answers)
            if step == 1:
                record.shutdown()
                record.server_close()
                serving.join()
            for number, port in enumerate(ports):
                if (step, number) == (0, 0):
                    replicas[number].kill()
                    replicas[number].communicate(timeout=30)
                else:
                    stopped(replicas[number])
                source = previous if step == 2 and previous is not None else ROOT / "service"
                replicas[number] = started(port, keys, base_url, source)
                if (step, number) == (2, 0) and previous is not None:
                    mine, others = (json.loads(asked(port, "POST", "/fhir/$titrate-peep", TRIAL)) for port in ports)
                    seen.versions = (engine_of(mine), engine_of(others))
                    seen.replays = {
                        "its own, rolled back": replayed(ports[0], mine),
                        "the newer one's, rolled back": replayed(ports[0], others),
                        "the older one's, not yet": replayed(ports[1], mine),
                    }
            fresh = asker.answers[before:]
            seen.counts.append(len(fresh))
            seen.unverified += sum(not signed_by(answer, cached) for answer in fresh)
            if step == 1:
                seen.while_down = health_once_looked_at(ports[0])
                seen.while_down["answered"] = json.loads(asked(ports[0], "POST", "/fhir/$titrate-peep", TRIAL))
        keys_now = read_public_keys(asked(ports[0], "GET", "/.well-known/jwks.json")) or ()
        seen.old_key_still_fits = signed_by(asker.answers[0], keys_now)
    finally:
        asker.over.set()
        asking.join()
        for replica in replicas:
            stopped(replica)
    seen.answers, seen.lost = asker.answers, asker.lost
    return seen


def test_a_killed_replica_and_restarts_lose_nothing_that_asking_again_does_not_recover(drill: Drill) -> None:
    assert min(drill.counts) > 0
    assert drill.lost == 0


def test_all_answers_of_one_version_are_the_same_but_for_the_time_and_the_signature(drill: Drill) -> None:
    by_version: dict[str, set[str]] = {}
    for answer in drill.answers:
        unsigned = {**answer, "entry": [_without_signature(entry) for entry in answer["entry"]]}
        by_version.setdefault(engine_of(answer), set()).add(without_time(Reply(200, json.dumps(unsigned).encode())))

    assert {version: len(kinds) for version, kinds in by_version.items()} == dict.fromkeys(by_version, 1)


def _without_signature(entry: Json) -> Json:
    kept = {name: value for name, value in entry["resource"].items() if name != "signature"}
    return {**entry, "resource": kept}


def test_every_answer_can_be_verified_with_the_keys_fetched_before_the_last_step(drill: Drill) -> None:
    assert drill.unverified == 0
    # That the check can fail: the key that is out verifies nothing that is published now.
    assert not drill.old_key_still_fits


def test_while_the_record_is_down_a_replica_is_degraded_and_answers(drill: Drill) -> None:
    assert (drill.while_down["status"], drill.while_down["record"]) == ("degraded", "does-not-answer")
    assert engine_of(drill.while_down["answered"])


def test_rolled_back_each_version_replays_its_own_answers_and_names_the_version_of_others(drill: Drill) -> None:
    if drill.versions is None:
        pytest.skip("the history of this clone holds no version before this one")
    older, newer = drill.versions

    assert older < newer
    assert drill.replays["its own, rolled back"] == {"outcome": "same", "differences": set()}
    for who in ("the newer one's, rolled back", "the older one's, not yet"):
        assert drill.replays[who]["outcome"] != "same"
        assert "engine-version" in drill.replays[who]["differences"]
