"""What the tour shows of a real record is what happens there."""

from __future__ import annotations

import runpy
from pathlib import Path

import pytest

pytestmark = pytest.mark.live

ROOT = Path(__file__).parents[2]


def test_the_tour_in_a_real_record_is_what_its_command_prints_now(record_base_url: str) -> None:
    # The session's own record is not used, but where it could start, the tour's can.
    readme = runpy.run_path(str(ROOT / "deploy" / "readme.py"))
    shown = (ROOT / "deploy" / "guide" / "tour.md").read_text(encoding="utf-8")

    assert record_base_url
    assert len(readme["RECORD_BLOCK"].findall(shown)) == 1
    assert readme["renewed"](shown, readme["RECORD_BLOCK"]) == shown
