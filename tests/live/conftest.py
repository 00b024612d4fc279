from __future__ import annotations

import os
from collections.abc import Iterator

import pytest

from live.record_server import missing_tools, running_record


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
