"""One sentence says what is suggested and how sure that is, or that nothing is."""

from __future__ import annotations

from dataclasses import replace

import pytest

from ebbmark.words.headline import headline
from recommendations import ALL, falling_from_first_step, found, indeterminate, not_reached


def test_a_suggestion_stands_with_its_margin_its_interval_and_its_certainty() -> None:
    closing = replace(found().titration.closing, interval_cmh2o=(10.0, 12.0), probability=0.93)

    said = headline(found().titration.advice, closing)

    assert said == (
        "Suggested PEEP 14 cmH2O: 2 above the closing pressure of 12 cmH2O (90 % interval: 10 to 12 cmH2O; closing was "
        "reached with probability 93 %, strong evidence)."
    )


def test_a_suggestion_that_is_withheld_says_that_closing_was_found_all_the_same() -> None:
    withheld = replace(found().titration.advice, suggested_peep_cmh2o=None)

    said = headline(withheld, found().titration.closing)

    assert said.startswith("No PEEP is suggested, although closing was found at 12 cmH2O (90 % interval: ")
    assert "Suggested" not in said


def test_without_a_closing_pressure_no_number_of_cmh2o_is_named() -> None:
    for recommendation in (not_reached(), falling_from_first_step(), indeterminate()):
        said = headline(recommendation.titration.advice, recommendation.titration.closing)

        assert said.startswith("No PEEP is suggested: ")
        assert "cmH2O" not in said


@pytest.mark.parametrize("name", sorted(ALL))
def test_it_is_one_sentence(name: str) -> None:
    recommendation = ALL[name]()

    said = headline(recommendation.titration.advice, recommendation.titration.closing)

    assert said.endswith(".")
    assert ". " not in said
