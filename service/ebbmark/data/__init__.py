"""Rules and tables as data: TOML files, each row with its source, and the one place that reads them."""

from __future__ import annotations

import tomllib
from importlib.resources import files
from typing import Any


def table(name: str) -> dict[str, Any]:
    """One table, as it stands in its file.

    Args:
        name: of the file, without its ending.
    """
    return tomllib.loads(files(__name__).joinpath(f"{name}.toml").read_text(encoding="utf-8"))
