"""No sentence of the core asks anyone to perform a high-pressure manoeuvre."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

CORE = sorted((Path(__file__).parents[2] / "service" / "ebbmark" / "physiology").rglob("*.py"))
ORDERS = (
    "perform a recruitment",
    "perform recruitment",
    "recruit the lung",
    "recruit again",
    "re-open the lung",
    "reopen the lung",
    "should be recruited",
    "should be re-opened",
    "recruitment is recommended",
    "we recommend recruitment",
    "apply a recruitment",
)


def sentences(path: Path) -> list[str]:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    return [
        node.value.lower() for node in ast.walk(tree) if isinstance(node, ast.Constant) and isinstance(node.value, str)
    ]


@pytest.mark.parametrize("path", CORE, ids=lambda path: path.name)
def test_no_sentence_asks_anyone_to_open_the_lung_by_pressure(path: Path) -> None:
    assert not [text for text in sentences(path) for order in ORDERS if order in text]
