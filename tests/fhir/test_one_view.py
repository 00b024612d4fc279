"""One view for terminal, page, sheet and cards: made of an answer or read from its Bundle, it is the same."""

from __future__ import annotations

import pytest

from drawn_trials import AT_S, DRAWN
from ebbmark.fhir.writing.flat_answer import read_answer, view_of
from ebbmark.fhir.writing.write import write_bundle
from recommendations import ALL

EVERY = {**DRAWN, **ALL}


@pytest.mark.parametrize("name", EVERY)
def test_the_view_of_an_answer_is_that_of_its_bundle(name: str) -> None:
    answer = EVERY[name]()

    assert view_of(answer) == read_answer(write_bundle(answer, recorded_s=AT_S))
