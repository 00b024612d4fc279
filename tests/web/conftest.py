"""The application is stateless, so that one serves all tests of a file."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from starlette.types import ASGIApp

from launch_server import LaunchSite, launch_server
from web.asking import plain_app
from web.browsing import Browser, Running, cookie_key, free_port, running, smart_settings


@pytest.fixture(scope="module")
def app() -> ASGIApp:
    return plain_app()


@pytest.fixture(scope="module")
def port() -> int:
    return free_port()


@pytest.fixture
def site(port: int) -> Iterator[LaunchSite]:
    with launch_server(f"http://127.0.0.1:{port}/launch/callback") as site:
        yield site


@pytest.fixture
def key_file(tmp_path: Path) -> Path:
    return cookie_key(tmp_path)


@pytest.fixture
def service(site: LaunchSite, key_file: Path, port: int) -> Iterator[Running]:
    with running(port, {**smart_settings(site), "cookie_keys": [str(key_file)]}) as service:
        yield service


@pytest.fixture
def browser(service: Running) -> Iterator[Browser]:
    with Browser(service.address) as browser:
        yield browser
