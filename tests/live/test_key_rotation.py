"""The key that answers are signed with is rotated in two running replicas under load, as the guide says.

At every moment a verifier that fetched the published keys before the last step can check every answer.
"""

from __future__ import annotations

import http.client
import json
import os
import subprocess
import sys
import threading
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from ebbmark.audit.signature import Verified, verify
from ebbmark.keys import PublicKey, new_key_set, read_public_keys
from web.browsing import free_port

ROOT = Path(__file__).parents[2]
TRIAL = (ROOT / "fixtures" / "clear-closing" / "request.json").read_bytes()

pytestmark = pytest.mark.live


def started(port: int, keys: Sequence[Path]) -> subprocess.Popen[str]:
    """A replica that signs with the first of these keys, once it listens."""
    settings = {
        "EBBMARK_PORT": str(port),
        "EBBMARK_SIGN_RESULTS": "true",
        "EBBMARK_SIGNING_KEYS": json.dumps([str(one) for one in keys]),
    }
    process = subprocess.Popen(
        [sys.executable, "-m", "ebbmark", "serve"],
        stderr=subprocess.PIPE,
        stdout=subprocess.DEVNULL,
        text=True,
        env={"PYTHONPATH": str(ROOT / "service"), "PATH": os.environ["PATH"], **settings},
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
    """Asks the replicas in turn without end, and asks the other one where one takes no connection."""

    ports: tuple[int, int]
    answers: list[dict[str, Any]] = field(default_factory=list)
    lost: int = 0
    over: threading.Event = field(default_factory=threading.Event)

    def ask(self) -> None:
        turn = 0
        while not self.over.is_set():
            turn += 1
            for port in (self.ports[turn % 2], self.ports[1 - turn % 2]):
                try:
                    self.answers.append(json.loads(asked(port, "POST", "/fhir/$titrate-peep", TRIAL)))
                    break
                except OSError:
                    continue
            else:
                self.lost += 1


def signed_by(answer: dict[str, Any], keys: tuple[PublicKey, ...]) -> bool:
    entries = [(entry["fullUrl"], entry["resource"]) for entry in answer["entry"]]
    return verify(entries, keys).verified is Verified.VALID


def test_every_answer_can_be_verified_with_the_keys_fetched_before_the_last_step(tmp_path: Path) -> None:
    old, new = tmp_path / "old.json", tmp_path / "new.json"
    for file in (old, new):
        file.write_text(json.dumps(new_key_set("ES384")))
    ports = (free_port(), free_port())
    replicas = [started(port, [old]) for port in ports]
    asker = Asker(ports)
    asking = threading.Thread(target=asker.ask)
    asking.start()
    unverified, counts = 0, []
    try:
        for keys in ([old, new], [new, old], [new]):
            cached = read_public_keys(asked(ports[0], "GET", "/.well-known/jwks.json"))
            assert cached is not None
            before = len(asker.answers)
            for number, port in enumerate(ports):
                stopped(replicas[number])
                replicas[number] = started(port, keys)
            fresh = asker.answers[before:]
            counts.append(len(fresh))
            unverified += sum(not signed_by(answer, cached) for answer in fresh)
        keys_of_new = read_public_keys(asked(ports[0], "GET", "/.well-known/jwks.json"))
        first, last = asker.answers[0], json.loads(asked(ports[0], "POST", "/fhir/$titrate-peep", TRIAL))
    finally:
        asker.over.set()
        asking.join()
        for replica in replicas:
            stopped(replica)

    assert min(counts) > 0
    assert (unverified, asker.lost) == (0, 0)
    # That the check can fail: the key that is out verifies nothing that is published now.
    assert keys_of_new is not None
    assert signed_by(last, keys_of_new)
    assert not signed_by(first, keys_of_new)
