"""Packages of other people's software for outside checks, installed from their lock into a folder of this run."""

from __future__ import annotations

import os
import shutil
import subprocess
from pathlib import Path

import pytest

HERE = Path(__file__).parent


def missing(reason: str) -> None:
    """Skip with this reason; where CI=true nothing is skipped, and the test fails with it."""
    if os.environ.get("CI") == "true":
        pytest.fail(reason)
    pytest.skip(reason)


def install_node_packages(folder: Path) -> Path:
    """Install what package-lock.json names, and return the folder node_modules."""
    if shutil.which("npm") is None:
        missing("npm, with which the outside checks are installed, was not found on this machine")
    for name in ("package.json", "package-lock.json"):
        shutil.copy(HERE / name, folder / name)
    run = subprocess.run(
        ["npm", "ci", "--ignore-scripts", "--no-audit", "--no-fund"],
        cwd=folder,
        capture_output=True,
        text=True,
        check=False,
        timeout=300,
    )
    if run.returncode != 0:
        missing(f"npm ci could not install the outside checks: {run.stderr[-500:]}")
    return folder / "node_modules"
