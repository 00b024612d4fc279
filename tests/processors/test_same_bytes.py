"""The same bytes on every kind of processor: Bundle, figure and page, in a process of its own for each."""

from __future__ import annotations

from functools import lru_cache
from typing import Any

import pytest

from processors.matrix import MATRIX, Setting, asked, missing

# More trials by hand: python -m processors.answering TRIALS PICTURES under each setting of the matrix.
TRIALS, PICTURES = 400, 10


@lru_cache
def here() -> dict[str, Any]:
    """Under no setting at all: what this machine gives by itself."""
    return asked(MATRIX[0], trials=TRIALS, pictures=PICTURES)


def test_the_matrix_has_what_it_is_meant_to_show() -> None:
    found = here()

    assert found["answers"] >= TRIALS
    assert found["pictures"] >= PICTURES


@pytest.mark.parametrize("setting", MATRIX[1:], ids=lambda setting: setting.name)
def test_answers_figures_and_pages_are_the_same_bytes(setting: Setting) -> None:
    reason = missing(setting)
    if reason:
        pytest.skip(reason)

    assert asked(setting, trials=TRIALS, pictures=PICTURES) == here()
