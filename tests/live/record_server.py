"""A real, independent FHIR R4 record for tests: start it, stop it, and ask its validator.

The record is HAPI FHIR JPA on an embedded database, built and started by `deploy/record.sh`. Its validator is HAPI's
FhirInstanceValidator with the R4 validation resources.
"""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import tempfile
import threading
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import httpx

from ebbmark.fhir.codesystem import code_system

LOOPBACK = "127.0.0.1"
TESTS = Path(__file__).parents[1]
SCRIPT = TESTS.parent / "deploy" / "record.sh"
START_LIMIT_S = 300.0  # includes the first build with all its downloads
STOP_LIMIT_S = 30.0
ANSWER_LIMIT_S = 120.0  # the first validation reads all definitions of R4
FHIR_JSON = {"Content-Type": "application/fhir+json", "Accept": "application/fhir+json"}


class RecordDidNotStart(Exception):
    """The record ended, or said nothing in time; the message is what it wrote to its error stream."""


@dataclass(frozen=True, slots=True)
class RunningRecord:
    """A record that answers."""

    base_url: str
    process: subprocess.Popen[str]


@dataclass(frozen=True, slots=True)
class Issue:
    """One issue of an OperationOutcome: severity (fatal, error, warning, information), what, and where."""

    severity: str
    text: str
    where: str


def missing_tools() -> tuple[str, ...]:
    """What the record needs and this machine lacks."""
    return tuple(tool for tool in ("sh", "java", "mvn") if shutil.which(tool) is None)


def start_record(*, port: int = 0, data: Path | None = None, in_memory: bool = False) -> RunningRecord:
    """Start a record and wait until it answers.

    Args:
        port: 0 takes any free one; a record that is to be started again behind the same address needs its own.
        data: folder that outlives the process; without it nothing does.
        in_memory: whether it is the tests' own (`live.memory_record`) instead of the Java one.
    """
    program = [sys.executable, "-m", "live.memory_record"] if in_memory else ["sh", str(SCRIPT)]
    command = [*program, "--port", str(port), *(["--data", str(data)] if data is not None else [])]
    with tempfile.TemporaryFile("w+", encoding="utf-8") as errors:
        process = subprocess.Popen(
            command,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=errors,
            text=True,
            start_new_session=True,
            env={**os.environ, "PYTHONPATH": os.pathsep.join([str(TESTS), str(TESTS.parent / "service")])},
        )
        try:
            base_url = _first_line(process)
            if not base_url:
                errors.seek(0)
                raise RecordDidNotStart(errors.read()[-4000:] or f"The record said nothing in {START_LIMIT_S:g} s.")
            httpx.get(f"{base_url}/metadata", **_plainly()).raise_for_status()
        except BaseException:
            stop_record(RunningRecord("", process))
            raise
    return RunningRecord(base_url, process)


def _first_line(process: subprocess.Popen[str]) -> str:
    assert process.stdout is not None
    too_late = threading.Timer(START_LIMIT_S, _signal, (process, signal.SIGKILL))
    too_late.start()
    try:
        return process.stdout.readline().strip()
    finally:
        too_late.cancel()


def stop_record(running: RunningRecord, *, at_once: bool = False) -> None:
    """Stop a record: orderly, or at once as a power cut would."""
    process = running.process
    _signal(process, signal.SIGKILL if at_once else signal.SIGTERM)
    try:
        process.wait(STOP_LIMIT_S)
    except subprocess.TimeoutExpired:
        _signal(process, signal.SIGKILL)
        process.wait()
    if process.stdout is not None:
        process.stdout.close()


def _signal(process: subprocess.Popen[str], number: signal.Signals) -> None:
    # The whole group: while it builds, the script has a child.
    if process.poll() is None:
        os.killpg(process.pid, number)


@contextmanager
def running_record(*, port: int = 0, data: Path | None = None) -> Iterator[str]:
    """A record that knows our code system, until the block ends; gives its base URL."""
    running = start_record(port=port, data=data)
    try:
        load_own_codes(running.base_url)
        yield running.base_url
    finally:
        stop_record(running)


def load_own_codes(base_url: str) -> None:
    """Tell the record's validator which codes of our own there are."""
    codes = code_system()
    reply = httpx.put(f"{base_url}/CodeSystem/{codes['id']}", json=codes, headers=FHIR_JSON, **_plainly())
    reply.raise_for_status()


def validate_with_server(base_url: str, resource: Mapping[str, object], *, profile: str | None = None) -> list[Issue]:
    """What the record's validator says about a resource: errors, warnings and information, in its order.

    A Bundle is checked with all that is in it. What the record cannot even read comes back as an error, too.

    Args:
        base_url: of the record.
        resource: FHIR R4 JSON.
        profile: canonical address of a StructureDefinition to check against as well; R4's own are known.

    Source: FHIR R4 resource-operation-validate.html.
    """
    reply = httpx.post(
        f"{base_url}/{resource['resourceType']}/$validate",
        params={} if profile is None else {"profile": profile},
        json=resource,
        headers=FHIR_JSON,
        **_plainly(),
    )
    outcome = reply.json()
    assert outcome["resourceType"] == "OperationOutcome", outcome
    return [
        Issue(issue["severity"], issue.get("diagnostics", ""), " ".join(issue.get("location", ())))
        for issue in outcome["issue"]
    ]


def problems(issues: list[Issue]) -> list[Issue]:
    """Those that make a resource invalid."""
    return [issue for issue in issues if issue.severity in {"fatal", "error"}]


def _plainly() -> dict[str, Any]:
    # The machine's proxy is not asked about a server on the same machine.
    return {"timeout": ANSWER_LIMIT_S, "trust_env": False}
