"""The application is stateless, so that one serves all tests of a file."""

from __future__ import annotations

import pytest
from starlette.types import ASGIApp

from web.asking import plain_app


@pytest.fixture(scope="module")
def app() -> ASGIApp:
    return plain_app()
