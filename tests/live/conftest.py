from __future__ import annotations

from collections.abc import Iterator

import httpx
import pytest

from live.bedside import Bedside
from live.record_server import FHIR_JSON


@pytest.fixture(scope="session")
def client(record_base_url: str) -> Iterator[httpx.Client]:
    """Speaks to the record directly."""
    with httpx.Client(base_url=record_base_url, headers=FHIR_JSON, timeout=120.0, trust_env=False) as client:
        yield client


@pytest.fixture
def bedside(client: httpx.Client, record_base_url: str) -> Bedside:
    """A patient of this test's own."""
    return Bedside(client, record_base_url)
