from __future__ import annotations

from collections.abc import Iterator
from itertools import count
from typing import Any

import pytest
import respx

from bridge.device_messages import PATIENT, SYSTEM
from ebbmark.bridge.delivery import Bridge
from ebbmark.bridge.observed import SiteRules
from ebbmark.record.client import RecordClient
from ebbmark.record.connection import RecordSettings
from ebbmark.record.retry import Waiting
from record.keeping_record import BASE, KeepingRecord
from record.waits import Waits, noon

RULES = SiteRules({"HOSPITAL": SYSTEM})


@pytest.fixture
def anyio_backend() -> str:
    return "asyncio"


@pytest.fixture
def record() -> Iterator[KeepingRecord]:
    keeping = KeepingRecord({"Patient/1": {**PATIENT, "meta": {"versionId": "1"}}})
    with respx.mock(assert_all_called=False) as router:
        keeping.attach(router)
        yield keeping


def new_bridge(rules: SiteRules = RULES, *, attempts: int = 1, **more: Any) -> Bridge:  # noqa: ANN401
    """A bridge as a fresh process has it: it remembers nothing."""
    settings = RecordSettings(BASE, (BASE,), max_attempts=attempts)
    numbers = count(1)
    client = RecordClient(settings, waiting=Waiting(Waits(), noon))
    return Bridge(client, rules, new_identity=lambda: f"E{next(numbers)}", **more)
