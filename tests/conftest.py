"""Shared by all tests: one real record, and how hypothesis runs (no deadline: a loaded machine is not a defect)."""

from __future__ import annotations

import os
from collections.abc import Iterator

import pytest
from hypothesis import HealthCheck, settings

from live.record_server import missing_tools, running_record

settings.register_profile("ebbmark", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("ebbmark")


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
