"""The independent validator and the real record take our AuditEvents."""

from __future__ import annotations

import asyncio
import json
import time
import urllib.request
from typing import Any

import pytest

from ebbmark import __version__
from ebbmark.fhir.definitions import SignInInfo, capability_statement
from ebbmark.fhir.writing.provenance import Access, Actor, AuditAction, audit_event
from ebbmark.record.client import RecordClient
from ebbmark.record.connection import RecordSettings
from ebbmark.web.audit_trail import AuditTrail
from live.record_server import problems, validate_with_server
from live.test_validator import unexplained

pytestmark = pytest.mark.live

SIGNED_IN = Actor("https://issuer.example", "icu-dashboard", "192.0.2.7")
PERSON = Actor("https://record.example/fhir", "ebbmark-page", "192.0.2.7", "Practitioner/1")
EVENTS = {
    "evaluated": Access(AuditAction.EVALUATED, Actor(address="127.0.0.1"), True, identity="ab" * 32),
    "read": Access(AuditAction.READ, SIGNED_IN, True, "Patient/1", ("Observation/1/_history/1",), "ab" * 32),
    "written": Access(
        AuditAction.WRITTEN, SIGNED_IN, True, "Patient/1", ("Observation/2/_history/1", "Device/3"), "ab" * 32
    ),
    "failed": Access(AuditAction.READ, Actor(), False),
    "came": Access(AuditAction.SIGNED_IN, PERSON, True, "Patient/1"),
    "left": Access(AuditAction.SIGNED_OUT, PERSON, True, "Patient/1"),
}


@pytest.mark.parametrize("access", EVENTS.values(), ids=EVENTS)
def test_nothing_in_an_event_is_an_error_or_an_unexplained_warning(record_base_url: str, access: Access) -> None:
    event = audit_event(access, recorded_s=time.time(), engine_version=__version__)

    issues = validate_with_server(record_base_url, event)

    assert problems(issues) == []
    assert unexplained(issues) == []


@pytest.mark.parametrize(
    "wrong", [{"action": "X"}, {"outcome": "5"}, {"agent": []}, {"recorded": "10 March"}, {"source": {}}], ids=str
)
def test_the_validator_does_look(record_base_url: str, wrong: dict[str, Any]) -> None:
    event = audit_event(EVENTS["read"], recorded_s=time.time(), engine_version=__version__)

    assert problems(validate_with_server(record_base_url, {**event, **wrong})) != []


def test_the_capability_statement_of_a_service_with_sign_in_is_sound(record_base_url: str) -> None:
    statement = capability_statement(
        base_url="https://ebbmark.example/fhir",
        sign_in=SignInInfo(("https://issuer.example",), "", ("system/Observation.rs",)),
    )

    issues = validate_with_server(record_base_url, statement)

    assert problems(issues) == []
    assert unexplained(issues) == []


def test_the_record_keeps_an_event(record_base_url: str) -> None:
    access = Access(AuditAction.EVALUATED, Actor("https://issuer.example", f"client-{time.time_ns()}"), True)

    async def noted() -> None:
        async with RecordClient(RecordSettings(record_base_url, (record_base_url,))) as record:
            await AuditTrail(time.time, record).note(access)

    asyncio.run(noted())
    url = f"{record_base_url}/AuditEvent?_sort=-_lastUpdated&_count=50"
    request = urllib.request.Request(url, headers={"Cache-Control": "no-cache"})  # noqa: S310
    with urllib.request.urlopen(request, timeout=30) as reply:  # noqa: S310 - the test's own record
        kept = json.loads(reply.read())

    assert access.actor.client in json.dumps(kept)
