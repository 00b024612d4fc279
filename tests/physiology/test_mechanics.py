"""Body size, compliance, driving pressure and mechanical power: the forms agree where they must, and refuse."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ebbmark.physiology.mechanics import (
    ACCEPTED_HEIGHT_RANGE_CM,
    PUBLISHED_HEIGHT_RANGE_CM,
    Control,
    Sex,
    body_mass_index,
    driving_pressure_at_cmh2o,
    driving_pressure_cmh2o,
    dynamic_compliance_ml_per_cmh2o,
    expected_mechanical_power_j_per_min,
    height_remark,
    mechanical_power_pressure_control_j_per_min,
    mechanical_power_volume_control_j_per_min,
    predicted_body_weight_kg,
    static_compliance_ml_per_cmh2o,
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


NAN = float("nan")
INFINITE = float("inf")

volumes = st.floats(50.0, 1200.0)
peeps = st.floats(0.0, 30.0)
pushes = st.floats(0.5, 40.0)
compliances = st.floats(5.0, 150.0)


@given(volume=volumes, peep=peeps, push=pushes)
def test_compliance_times_driving_pressure_is_the_tidal_volume(volume: float, peep: float, push: float) -> None:
    plateau = peep + push

    compliance = static_compliance_ml_per_cmh2o(tidal_volume_ml=volume, plateau_cmh2o=plateau, total_peep_cmh2o=peep)

    assert compliance * driving_pressure_cmh2o(plateau_cmh2o=plateau, total_peep_cmh2o=peep) == pytest.approx(volume)


@given(volume=volumes, compliance=compliances)
def test_what_a_volume_would_cost_is_what_it_does_cost(volume: float, compliance: float) -> None:
    cost = driving_pressure_at_cmh2o(tidal_volume_ml=volume, compliance_ml_per_cmh2o=compliance)

    assert static_compliance_ml_per_cmh2o(
        tidal_volume_ml=volume, plateau_cmh2o=10.0 + cost, total_peep_cmh2o=10.0
    ) == pytest.approx(compliance)


@given(volume=volumes, peep=peeps, push=pushes, intrinsic=st.floats(0.1, 0.4))
def test_overlooked_intrinsic_peep_makes_compliance_read_too_low(
    volume: float, peep: float, push: float, intrinsic: float
) -> None:
    plateau = peep + push

    overlooked = static_compliance_ml_per_cmh2o(tidal_volume_ml=volume, plateau_cmh2o=plateau, total_peep_cmh2o=peep)
    known = static_compliance_ml_per_cmh2o(
        tidal_volume_ml=volume, plateau_cmh2o=plateau, total_peep_cmh2o=peep + intrinsic
    )

    assert overlooked < known


@given(volume=volumes, peep=peeps, push=pushes, resistive=st.floats(0.1, 20.0))
def test_dynamic_compliance_reads_lower_where_flow_costs_pressure(
    volume: float, peep: float, push: float, resistive: float
) -> None:
    static = static_compliance_ml_per_cmh2o(tidal_volume_ml=volume, plateau_cmh2o=peep + push, total_peep_cmh2o=peep)
    dynamic = dynamic_compliance_ml_per_cmh2o(
        tidal_volume_ml=volume, peak_cmh2o=peep + push + resistive, peep_cmh2o=peep
    )

    assert dynamic < static


@given(volume=volumes, peep=peeps, push=pushes, factor=st.floats(0.5, 2.0))
def test_compliance_scales_with_the_unit_of_volume(volume: float, peep: float, push: float, factor: float) -> None:
    one = static_compliance_ml_per_cmh2o(tidal_volume_ml=volume, plateau_cmh2o=peep + push, total_peep_cmh2o=peep)
    scaled = static_compliance_ml_per_cmh2o(
        tidal_volume_ml=volume * factor, plateau_cmh2o=peep + push, total_peep_cmh2o=peep
    )

    assert scaled == pytest.approx(one * factor)


@pytest.mark.parametrize(
    ("volume", "plateau", "peep"),
    [
        (0.0, 24.0, 10.0),
        (-420.0, 24.0, 10.0),
        (420.0, 10.0, 10.0),
        (420.0, 8.0, 10.0),
        (420.0, 24.0, -1.0),
        (NAN, 24.0, 10.0),
        (420.0, NAN, 10.0),
        (420.0, 24.0, NAN),
        (INFINITE, 24.0, 10.0),
        (420.0, INFINITE, 10.0),
    ],
)
def test_a_breath_that_cannot_be_has_no_static_compliance(volume: float, plateau: float, peep: float) -> None:
    with pytest.raises(ValueError, match=r"must (be|lie)"):
        static_compliance_ml_per_cmh2o(tidal_volume_ml=volume, plateau_cmh2o=plateau, total_peep_cmh2o=peep)


@pytest.mark.parametrize(
    ("volume", "peak", "peep"),
    [(0.0, 30.0, 10.0), (420.0, 10.0, 10.0), (420.0, 9.0, 10.0), (420.0, NAN, 10.0), (420.0, 30.0, -0.1)],
)
def test_a_breath_that_cannot_be_has_no_dynamic_compliance(volume: float, peak: float, peep: float) -> None:
    with pytest.raises(ValueError, match=r"must (be|lie)"):
        dynamic_compliance_ml_per_cmh2o(tidal_volume_ml=volume, peak_cmh2o=peak, peep_cmh2o=peep)


@pytest.mark.parametrize("compliance", [0.0, -30.0, NAN, INFINITE])
def test_a_compliance_that_cannot_be_costs_no_pressure(compliance: float) -> None:
    with pytest.raises(ValueError, match="compliance"):
        driving_pressure_at_cmh2o(tidal_volume_ml=420.0, compliance_ml_per_cmh2o=compliance)


rates = st.floats(8.0, 35.0)
given_volumes = st.floats(150.0, 800.0)
given_peeps = st.floats(0.0, 25.0)
given_pushes = st.floats(3.0, 30.0)
drops = st.floats(0.0, 20.0)


@given(rate=rates, volume=given_volumes, peep=given_peeps, push=given_pushes, drop=drops, factor=st.floats(1.1, 3.0))
def test_power_goes_with_the_rate(
    rate: float, volume: float, peep: float, push: float, drop: float, factor: float
) -> None:
    once = mechanical_power_volume_control_j_per_min(
        rate_per_min=rate,
        tidal_volume_ml=volume,
        peep_cmh2o=peep,
        plateau_cmh2o=peep + push,
        peak_cmh2o=peep + push + drop,
    )
    faster = mechanical_power_volume_control_j_per_min(
        rate_per_min=rate * factor,
        tidal_volume_ml=volume,
        peep_cmh2o=peep,
        plateau_cmh2o=peep + push,
        peak_cmh2o=peep + push + drop,
    )

    assert faster == pytest.approx(once * factor)


@given(rate=rates, volume=given_volumes, peep=given_peeps, push=given_pushes)
def test_a_square_wave_costs_more_than_constant_flow_without_resistance(
    rate: float, volume: float, peep: float, push: float
) -> None:
    square = mechanical_power_pressure_control_j_per_min(
        rate_per_min=rate, tidal_volume_ml=volume, peep_cmh2o=peep, pressure_above_peep_cmh2o=push
    )
    constant_flow = mechanical_power_volume_control_j_per_min(
        rate_per_min=rate,
        tidal_volume_ml=volume,
        peep_cmh2o=peep,
        plateau_cmh2o=peep + push,
        peak_cmh2o=peep + push,
    )

    assert square - constant_flow == pytest.approx(0.098 * rate * volume / 1000.0 * push / 2.0)


@given(rate=rates, volume=given_volumes, peep=given_peeps, push=given_pushes)
def test_an_expected_breath_in_pressure_control_is_a_square_wave_of_the_driving_pressure(
    rate: float, volume: float, peep: float, push: float
) -> None:
    expected = expected_mechanical_power_j_per_min(
        control=Control.PRESSURE,
        rate_per_min=rate,
        tidal_volume_ml=volume,
        peep_cmh2o=peep,
        driving_pressure_cmh2o=push,
    )

    assert expected == pytest.approx(0.098 * rate * volume / 1000.0 * (peep + push))


@given(rate=rates, volume=given_volumes, peep=given_peeps, push=given_pushes, drop=drops)
def test_an_expected_breath_in_volume_control_is_what_the_same_breath_would_measure(
    rate: float, volume: float, peep: float, push: float, drop: float
) -> None:
    expected = expected_mechanical_power_j_per_min(
        control=Control.VOLUME,
        rate_per_min=rate,
        tidal_volume_ml=volume,
        peep_cmh2o=peep,
        driving_pressure_cmh2o=push,
        resistive_pressure_cmh2o=drop,
    )

    assert expected == pytest.approx(0.098 * rate * volume / 1000.0 * (peep + push / 2.0 + drop))


def test_volume_control_without_a_resistive_pressure_is_not_guessed() -> None:
    expected = expected_mechanical_power_j_per_min(
        control=Control.VOLUME,
        rate_per_min=20.0,
        tidal_volume_ml=420.0,
        peep_cmh2o=10.0,
        driving_pressure_cmh2o=14.0,
    )

    assert expected is None


@pytest.mark.parametrize(
    ("rate", "volume", "peep", "plateau", "peak"),
    [
        (0.0, 420.0, 10.0, 24.0, 30.0),
        (20.0, 0.0, 10.0, 24.0, 30.0),
        (20.0, 420.0, -1.0, 24.0, 30.0),
        (20.0, 420.0, 24.0, 24.0, 30.0),
        (20.0, 420.0, 10.0, 31.0, 30.0),
        (20.0, 420.0, 10.0, NAN, 30.0),
        (NAN, 420.0, 10.0, 24.0, 30.0),
        (20.0, 420.0, 10.0, 24.0, float("inf")),
    ],
)
def test_a_breath_that_cannot_be_has_no_power(
    rate: float, volume: float, peep: float, plateau: float, peak: float
) -> None:
    with pytest.raises(ValueError, match="must"):
        mechanical_power_volume_control_j_per_min(
            rate_per_min=rate,
            tidal_volume_ml=volume,
            peep_cmh2o=peep,
            plateau_cmh2o=plateau,
            peak_cmh2o=peak,
        )


def test_a_negative_resistive_pressure_is_refused() -> None:
    with pytest.raises(ValueError, match="resistive"):
        expected_mechanical_power_j_per_min(
            control=Control.VOLUME,
            rate_per_min=20.0,
            tidal_volume_ml=420.0,
            peep_cmh2o=10.0,
            driving_pressure_cmh2o=14.0,
            resistive_pressure_cmh2o=-1.0,
        )
