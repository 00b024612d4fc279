from __future__ import annotations

import os
from collections.abc import Iterator

import httpx
import pytest

from live.bedside import Bedside
from live.record_server import FHIR_JSON, missing_tools, running_record


@pytest.fixture(scope="session")
def record_base_url() -> Iterator[str]:
    """Base URL of one real record for the whole run; never skipped where CI=true."""
    missing = missing_tools()
    if missing:
        reason = f"a real record needs {' and '.join(missing)}, not found on this machine"
        if os.environ.get("CI") == "true":
            pytest.fail(reason)
        pytest.skip(reason)
    with running_record() as base_url:
        yield base_url


@pytest.fixture(scope="session")
def client(record_base_url: str) -> Iterator[httpx.Client]:
    """Speaks to the record directly."""
    with httpx.Client(base_url=record_base_url, headers=FHIR_JSON, timeout=120.0, trust_env=False) as client:
        yield client


@pytest.fixture
def bedside(client: httpx.Client, record_base_url: str) -> Bedside:
    """A patient of this test's own."""
    return Bedside(client, record_base_url)
