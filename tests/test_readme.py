"""What README.md and the guide show is what the commands print and what the code is."""

from __future__ import annotations

import importlib.util
import re
import sys
from pathlib import Path
from types import ModuleType

import pytest

ROOT = Path(__file__).parents[1]


def loaded(path: Path) -> ModuleType:
    spec = importlib.util.spec_from_file_location(path.stem, path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[path.stem] = module
    spec.loader.exec_module(module)
    return module


@pytest.mark.parametrize(("page", "blocks"), [("README.md", 1), ("deploy/guide/tour.md", 5)])
def test_every_output_shown_is_what_its_command_prints_now(page: str, blocks: int) -> None:
    readme = loaded(ROOT / "deploy" / "readme.py")
    shown = (ROOT / page).read_text(encoding="utf-8")

    assert len(readme.BLOCK.findall(shown)) >= blocks
    assert readme.renewed(shown) == shown


def test_the_map_of_the_rooms_and_the_list_of_files_are_what_the_code_is() -> None:
    drawn = loaded(ROOT / "deploy" / "map.py")
    guide = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")

    assert drawn.renewed(guide) == guide
    assert drawn.listed() == (ROOT / "deploy" / "guide" / "map.md").read_text(encoding="utf-8")


def test_the_readme_stays_short() -> None:
    assert (ROOT / "README.md").read_text(encoding="utf-8").count("\n") <= 180


def test_the_readme_leads_with_the_two_commands_for_a_fresh_machine() -> None:
    top = "\n".join((ROOT / "README.md").read_text(encoding="utf-8").splitlines()[:40])

    assert "sh deploy/demo.sh" in top
    assert "sh deploy/test.sh" in top


def test_every_file_that_the_guide_names_is_there() -> None:
    guide = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    walk = guide[guide.index("## A walk") : guide.index("## The words")]
    named = re.findall(r"`([a-z_]+/[\w/]+\.py)`", walk)

    assert len(named) > 20
    assert [name for name in named if not (ROOT / "service" / "ebbmark" / name).exists()] == []
