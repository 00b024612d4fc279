"""Predicted body weight, what is said about the height, and the ladder's rungs."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ebbmark.physiology.mechanics import (
    ACCEPTED_HEIGHT_RANGE_CM,
    PUBLISHED_HEIGHT_RANGE_CM,
    Sex,
    body_mass_index,
    height_remark,
    predicted_body_weight_kg,
    tidal_volume_ml,
)
from ebbmark.words.messages import spell

heights = st.floats(*ACCEPTED_HEIGHT_RANGE_CM)
sexes = st.sampled_from(Sex)


@given(shorter=heights, taller=heights, sex=sexes)
def test_a_taller_person_is_never_predicted_lighter(shorter: float, taller: float, sex: Sex) -> None:
    shorter, taller = sorted((shorter, taller))

    assert predicted_body_weight_kg(shorter, sex) <= predicted_body_weight_kg(taller, sex)


@given(height_cm=heights)
def test_the_two_forms_differ_by_four_and_a_half_kilograms_at_every_height(height_cm: float) -> None:
    male = predicted_body_weight_kg(height_cm, Sex.MALE)
    female = predicted_body_weight_kg(height_cm, Sex.FEMALE)

    assert male - female == pytest.approx(4.5, abs=1e-9)


@given(height_cm=heights, sex=sexes)
def test_every_accepted_height_has_a_weight_above_zero(height_cm: float, sex: Sex) -> None:
    assert predicted_body_weight_kg(height_cm, sex) > 0.0


@pytest.mark.parametrize(("weight_kg", "height_cm", "index"), [(75.0, 158.11, 30.0), (80.0, 200.0, 20.0)])
def test_body_mass_index_is_weight_over_height_squared(weight_kg: float, height_cm: float, index: float) -> None:
    assert body_mass_index(weight_kg, height_cm) == pytest.approx(index, abs=0.01)


@pytest.mark.parametrize(("weight_kg", "height_cm"), [(0.0, 170.0), (float("nan"), 170.0), (80.0, 1.7)])
def test_a_weight_or_a_height_that_no_adult_has_gives_no_body_mass_index(weight_kg: float, height_cm: float) -> None:
    with pytest.raises(ValueError, match="must"):
        body_mass_index(weight_kg, height_cm)


@given(height_cm=st.floats(120.0, 220.0), sex=sexes)
def test_ten_centimetres_weigh_nine_point_one_kilograms(height_cm: float, sex: Sex) -> None:
    gained = predicted_body_weight_kg(height_cm + 10.0, sex) - predicted_body_weight_kg(height_cm, sex)

    assert gained == pytest.approx(9.1, abs=1e-9)


@pytest.mark.parametrize("height_cm", [1.7, 17.0, 119.9, 230.1, 1750.0, -170.0, float("nan"), float("inf")])
@pytest.mark.parametrize("sex", list(Sex))
def test_a_height_that_no_adult_has_is_refused(height_cm: float, sex: Sex) -> None:
    with pytest.raises(ValueError, match="height"):
        predicted_body_weight_kg(height_cm, sex)


@pytest.mark.parametrize("height_cm", ACCEPTED_HEIGHT_RANGE_CM)
def test_the_ends_of_the_accepted_range_belong_to_it(height_cm: float) -> None:
    assert predicted_body_weight_kg(height_cm, Sex.FEMALE) > 0.0


@given(height_cm=st.floats(*PUBLISHED_HEIGHT_RANGE_CM))
def test_an_ordinary_height_needs_no_remark(height_cm: float) -> None:
    assert height_remark(height_cm) is None


def test_a_short_person_s_remark_says_where_the_formula_is_anchored() -> None:
    remark = spell(height_remark(145.0) or "")

    assert "145 cm" in remark
    assert "below 152.4 cm" in remark
    assert "extrapolation" in remark


def test_a_tall_person_s_remark_says_that_the_table_ends() -> None:
    remark = spell(height_remark(205.0) or "")

    assert "205 cm" in remark
    assert "above 193 cm" in remark
    assert "extrapolation" in remark


def test_a_remark_is_one_sentence() -> None:
    assert [spell(height_remark(h) or "").rstrip(".").count(". ") for h in (130.0, 220.0)] == [0, 0]


@pytest.mark.parametrize("height_cm", [17.0, float("nan")])
def test_an_impossible_height_gets_no_remark_but_a_refusal(height_cm: float) -> None:
    with pytest.raises(ValueError, match="height"):
        height_remark(height_cm)


@given(pbw_kg=st.floats(20.0, 130.0), ml_per_kg=st.floats(4.0, 8.0))
def test_a_rung_divided_by_the_weight_gives_the_rung_back(pbw_kg: float, ml_per_kg: float) -> None:
    assert tidal_volume_ml(pbw_kg, ml_per_kg) / pbw_kg == pytest.approx(ml_per_kg)


@pytest.mark.parametrize(
    ("pbw_kg", "ml_per_kg"), [(0.0, 6.0), (-60.0, 6.0), (60.0, 0.0), (60.0, -6.0), (float("nan"), 6.0)]
)
def test_a_volume_of_nothing_is_refused(pbw_kg: float, ml_per_kg: float) -> None:
    with pytest.raises(ValueError, match="above zero"):
        tidal_volume_ml(pbw_kg, ml_per_kg)
