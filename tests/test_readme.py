"""What the README shows is what the commands print."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

ROOT = Path(__file__).parents[1]


def loaded(path: Path) -> ModuleType:
    spec = importlib.util.spec_from_file_location(path.stem, path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[path.stem] = module
    spec.loader.exec_module(module)
    return module


def test_every_output_shown_in_the_readme_is_what_its_command_prints_now() -> None:
    readme = loaded(ROOT / "deploy" / "readme.py")
    shown = (ROOT / "README.md").read_text(encoding="utf-8")

    assert len(readme.BLOCK.findall(shown)) >= 5
    assert readme.renewed(shown) == shown


def test_the_readme_leads_with_the_two_commands_for_a_fresh_machine() -> None:
    top = "\n".join((ROOT / "README.md").read_text(encoding="utf-8").splitlines()[:40])

    assert "sh deploy/demo.sh" in top
    assert "sh deploy/test.sh" in top
