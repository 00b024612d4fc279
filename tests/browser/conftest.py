"""A real browser, and the service with its demo, for the tests of the pages.

The browser is of each file's own: while it is open no other test of this process could run an event loop.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, expect, sync_playwright

from browser.looking import ARGUMENTS, LONGEST_WAIT_MS, chromium, running_demo
from outside.node_packages import install_node_packages

expect.set_options(timeout=LONGEST_WAIT_MS)


@pytest.fixture(scope="session")
def address() -> Iterator[str]:
    """The service with its demo, on a port of its own."""
    with running_demo() as found:
        yield found


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """Debian's chromium."""
    path = chromium()
    with sync_playwright() as playwright:
        opened = playwright.chromium.launch(executable_path=path, args=ARGUMENTS)
        yield opened
        opened.close()


@pytest.fixture(scope="session")
def axe(tmp_path_factory: pytest.TempPathFactory) -> str:
    """The source of axe-core."""
    modules = install_node_packages(tmp_path_factory.mktemp("outside"))
    return (Path(modules) / "axe-core" / "axe.min.js").read_text(encoding="utf-8")
