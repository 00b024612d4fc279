"""Other people's packages for all outside checks, installed once."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from outside.node_packages import install_node_packages, missing


@pytest.fixture(scope="session")
def modules(tmp_path_factory: pytest.TempPathFactory) -> Path:
    if shutil.which("node") is None:
        missing("node, which runs the outside client, was not found on this machine")
    return install_node_packages(tmp_path_factory.mktemp("outside"))
