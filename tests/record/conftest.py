from __future__ import annotations

from collections.abc import Iterator

import pytest
import respx


@pytest.fixture
def anyio_backend() -> str:
    return "asyncio"


@pytest.fixture
def router() -> Iterator[respx.MockRouter]:
    """Every scripted answer must be asked for, and nothing else may be."""
    with respx.mock(assert_all_called=True, assert_all_mocked=True) as mocked:
        yield mocked
