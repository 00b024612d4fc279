"""The recruitment-to-inflation ratio, worked by hand."""

from __future__ import annotations

import pytest

from ebbmark.physiology.after.markers import recruitment_to_inflation
from ebbmark.words.messages import spell


def ratio(released_ml: float, *, compliance: float = 25.0, high: float = 15.0, low: float = 5.0) -> float:
    return recruitment_to_inflation(
        released_ml=released_ml,
        usual_tidal_volume_ml=400.0,
        compliance_at_low_peep_ml_per_cmh2o=compliance,
        high_peep_cmh2o=high,
        low_peep_cmh2o=low,
    ).ratio


def test_our_own_case_at_the_published_median() -> None:
    # 775 - 400 = 375 mL out; 25 x 10 = 250 mL is inflation; 125 mL over 10 cmH2O is 12.5, half of 25.
    assert ratio(775.0) == pytest.approx(0.5)


def test_what_inflation_alone_explains_is_no_recruitment() -> None:
    assert ratio(650.0) == pytest.approx(0.0)


def test_an_airway_that_opens_only_above_low_peep_narrows_the_range() -> None:
    assert ratio(775.0, low=8.0) == pytest.approx((375.0 - 175.0) / 7.0 / 25.0)


def test_the_sentence_says_that_the_median_is_no_threshold_and_names_no_closing() -> None:
    sentence = recruitment_to_inflation(
        released_ml=775.0,
        usual_tidal_volume_ml=400.0,
        compliance_at_low_peep_ml_per_cmh2o=25.0,
        high_peep_cmh2o=15.0,
        low_peep_cmh2o=5.0,
    ).sentence
    told = spell(sentence)

    assert "no threshold tested against an outcome" in told
    assert "names no closing pressure" in told


def test_a_release_to_no_lower_peep_is_refused() -> None:
    with pytest.raises(ValueError, match="above zero"):
        ratio(775.0, low=15.0)
