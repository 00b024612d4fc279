"""Every number of the physiology that decides an answer, written out once more with where it comes from.

A number that is changed by mistake differs from this table, and a new one is missing in it. What each does at its value
and on both sides of it stands in the tests of its module. The estimator of closing has its own tests and benchmark.
"""

from __future__ import annotations

import ast
from dataclasses import asdict
from importlib import import_module
from pathlib import Path

import pytest

import ebbmark
from ebbmark.physiology.patient.context import LIMITS
from ebbmark.physiology.protocols import DEFAULT_PROTOCOL
from ebbmark.physiology.stop.limits import DEFAULT_STOP_LIMITS, Limit

PHYSIOLOGY = Path(ebbmark.__file__).parent / "physiology"

Numbers = dict[str, dict[str, object]]

PUBLISHED: Numbers = {
    # ARDS Network, N Engl J Med 2000;342:1301-8, and its protocol card; World Health Organization (body mass index)
    "mechanics": {"PUBLISHED_HEIGHT_RANGE_CM": (152.4, 193.0), "_ANCHOR_CM": 152.4, "_KG_PER_CM": 0.91,
                  "_KG_AT_ANCHOR": (50.0, 45.5), "OBESE_FROM_KG_PER_M2": 30.0,
                  # definitions of units (BIPM, SI brochure)
                  "J_PER_L_CMH2O": 0.098, "_ML_PER_L": 1000.0},
    # Berlin definition, JAMA 2012;307:2526-33; global definition, Am J Respir Crit Care Med 2024;209:37-47; ventilation
    # and carbon dioxide of healthy lungs: Sinha et al 2009; the standard atmosphere is 101325 Pa
    "gas_exchange": {"BERLIN_LOWEST_PEEP_CMH2O": 5.0, "HIGHEST_INFORMATIVE_SPO2_PERCENT": 97.0,
                     "REFERENCE_VENTILATION_ML_PER_KG_PER_MIN": 100.0, "REFERENCE_PACO2_MMHG": 37.5,
                     "_STANDARD_BAROMETRIC_MMHG": 760.0, "_PF_BOUNDS_MMHG": (100.0, 200.0, 300.0),
                     "_SF_BOUNDS": (148.0, 235.0, 315.0), "_LOWEST_FIO2": 0.2, "_ML_PER_L": 1000.0,
                     "_RATIO_DECIMALS": 6,
                     # definitions of units (BIPM, SI brochure): 1 mmHg = 133.322 Pa, 1 cmH2O = 98.0665 Pa
                     "LOWEST_PAO2_MMHG": 20.0, "MMHG_PER_KPA": 7.50062},
    "trial.limb": {"_MBAR_PER_CMH2O": 0.980665, "SAME_PEEP_CMH2O": 0.5, "_WHOLE": 0.006, "NEAR_SETTING_CMH2O": 1.5,
                   "SAME_MEASURED_PEEP_CMH2O": 0.9},
}  # fmt: skip
"""Published or defined; what stands beside it in the same module is this project's choice."""

OWN_CHOICE: Numbers = {
    "patient.lung_checks": {"_WHOLE": 0.99},
    "patient.context": {"BEFORE_S": 3600.0, "LONGEST_HOLD_S": 86400.0, "_IMPOSSIBLE_BELOW": (25.0, 30.0)},
    "patient.suggestion_checks": {"SAME_PEEP_CMH2O": 0.25},
    "stop.criteria": {"_RECENT": 10, "_FEWEST": 2, "_PAIR_S": 30.0, "PAST_S": 1800.0, "NO_PRESSURE_MMHG": 20.0,
                      "BESIDE_S": 600.0, "_SIGNS": (1, -1, 0)},
    "stop.limits": {"_ACCEPTED": ((50.0, 100.0), (30.0, 120.0), (1.0, 80.0), (50.0, 160.0), (20.0, 120.0),
                                  (60.0, 220.0), (20.0, 60.0), (0.05, 0.95), (0.05, 0.95), (1.0, 60.0)),
                    "LONG_AGO_S": 3600.0},
    "mechanics": {"ACCEPTED_HEIGHT_RANGE_CM": (120.0, 230.0), "ACCEPTED_WEIGHT_RANGE_KG": (25.0, 400.0)},
    "gas_exchange": {"RIGHT": 1.7, "LEFT": 1.4, "MOST_PERCENT_APART": 6.0},
    "advice": {"SAME_MARGIN_CMH2O": 0.25, "RELIEF": 0.05, "VOLUME_DIFFERENCE": 0.25,
                      "COUNTED_INTRINSIC_CMH2O": 0.5},
    "trial.curve": {"LEAST_COMPLIANCE": 3.0, "LARGEST_COMPLIANCE": 200.0, "COVERAGE": 0.8, "VANISHED_PEEP": 0.5,
                    "VANISHED_VOLUME": 0.5, "STOOD_VOLUME": 0.8, "STOOD_PRESSURE": 0.7, "GONE_S": 10.0,
                    "SAME_ROW_S": 1.0, "CMH2O_PER_KPA": 10.197162, "_THOUSANDFOLD": (0.0005, 0.002),
                    "_SLIP_TOLERANCE": 0.06, "STILL_RECRUITING_CMH2O": 5.0, "NO_VOLUME_ML": 50.0},
    "trial.limb": {"OPEN_CIRCUIT_PEEP_CMH2O": 2.0, "SAME_SITTING": 2.0, "FEWEST_STEPS": 3, "FINE": 1.5, "DEEP": 2.5,
                   "SAME_TOP_CMH2O": 2.0},
    "trial.reading": {"VOLUME_SPREAD": 1.3, "CHARTED_DIFFERENCE": 0.2},
    "trial.steps": {"PRESSURE_DIFFERENCE_CMH2O": 1.0, "LEAK": 0.15},
}  # fmt: skip
"""This project's choice; each says so where it stands."""

CHECKS = {
    "saturation_loss_percent": 5.0, "mean_pressure_loss_mmhg": 20.0,
    "systolic_pressure_loss_mmhg": 20.0,  # Cairo, Pilbeam's Mechanical Ventilation, chapter 13 (read at second hand)
    "rate_above_set_per_min": 2.0, "spontaneous_per_min": 2.0, "step_fall_share": 0.30, "plateau_rise_cmh2o": 2.0,
    "rising_fall_share": 0.20, "same_volume_share": 0.05, "fell_back_share": 0.5, "leak_share": 0.15,
    "leak_change_share": 0.08, "leak_high_share": 0.10, "leak_none_share": 0.20, "fall_with_signs_share": 0.20,
    "saturation_with_fall_percent": 5.0, "mean_pressure_with_fall_mmhg": 10.0, "trapped_share": 0.5,
    "trapped_way_cmh2o": 4.0, "intrinsic_cmh2o": 3.0, "intrinsic_high_cmh2o": 5.0, "measured_off_cmh2o": 2.0,
    "clock_share": 0.75, "clock_least_cmh2o": 1.0,
    "arterial_oxygen_loss_mmhg": 20.0, "arterial_oxygen_low_mmhg": 60.0, "acidosis_ph": 7.15,
    "least_resistive_cmh2o": 0.5, "fewest_without_hold": 3, "clock_fewest": 3, "recovery_share": 0.10,
    "volume_change_share": 0.10, "oxygen_change": 0.05,
    "resistive_rise_cmh2o": 8.0, "no_carbon_dioxide_mmhg": 10.0, "worn_carbon_dioxide_mmhg": 20.0,
    "halved_carbon_dioxide_share": 0.5,  # common practice, no published source
    "saturation_goal_percent": 88.0,  # ARDS Network ventilation protocol: SpO2 88 to 95 %
    "pressure_fall_share": 0.25, "rate_rise_share": 0.25, "rate_rise_alone_share": 0.5, "rise_factor": 2.0,
    "shock_pressure_mmhg": 65.0, "shock_rate_per_min": 140.0,
}  # fmt: skip
"""This project's choice but for those that name their source."""

STOPS = {
    "spo2_below_percent": 85.0, "systolic_arterial_pressure_below_mmhg": 90.0,  # the same chapter
    "mean_arterial_pressure_below_mmhg": 60.0, "heart_rate_below_per_min": 40.0, "heart_rate_above_per_min": 150.0,
    "peak_pressure_above_cmh2o": 50.0, "oldest_reading_min": 5.0, "volume_lost_share": 0.5,
    "leak_share": 0.2,  # peak pressure: common practice, no published source; the others: this project's choice
}  # fmt: skip

PROTOCOL = {
    "target_ml_per_kg": 6.0, "ladder_ml_per_kg": (4.0, 5.0, 6.0, 7.0, 8.0), "plateau_limit_cmh2o": 30.0,  # ARDS Network
    "driving_pressure_limit_cmh2o": 15.0,  # Amato et al, N Engl J Med 2015;372:747-55, an association
    "least_peep_cmh2o": 5.0,  # Berlin definition
    "settling_s": 30.0,  # Garnero et al, Crit Care 2015 (abstract)
    "margin_cmh2o": 2.0, "margins_cmh2o": (2.0, 3.0, 4.0),  # common practice, no published source
    "fall": 0.05, "minimum_steps": 4, "largest_decrement_cmh2o": 6.0, "longest_step_s": 1800.0,  # this project's choice
}  # fmt: skip


def plain(value: object) -> object:
    return tuple(value.values()) if isinstance(value, dict) else value


def is_number(value: object) -> bool:
    value = plain(value)
    if isinstance(value, tuple):
        return bool(value) and all(map(is_number, value))
    return isinstance(value, int | float) and not isinstance(value, bool)


def numbers_of(module: str) -> dict[str, object]:
    """The numbers that a module gives a name of its own."""
    tree = ast.parse((PHYSIOLOGY / f"{module.replace('.', '/')}.py").read_text(encoding="utf-8"))
    targets = [target for node in tree.body if isinstance(node, ast.Assign) for target in node.targets]
    targets += [node.target for node in tree.body if isinstance(node, ast.AnnAssign)]
    names = [name.id for target in targets for name in ast.walk(target) if isinstance(name, ast.Name)]
    values = vars(import_module(f"ebbmark.physiology.{module}"))
    return {name: plain(values[name]) for name in names if is_number(values[name])}


MODULES = [
    "mechanics",
    "gas_exchange",
    *(
        f"{path.parent.name}.{path.stem}"
        for room in ("patient", "stop", "advice", "trial")
        for path in sorted((PHYSIOLOGY / room).glob("*.py"))
    ),
]


@pytest.mark.parametrize("module", MODULES)
def test_every_number_of_a_module_is_what_its_source_says(module: str) -> None:
    assert numbers_of(module) == {**PUBLISHED.get(module, {}), **OWN_CHOICE.get(module, {})}


def test_the_limits_of_the_checks_are_what_their_sources_say() -> None:
    assert {name: value for name, value in asdict(LIMITS).items() if name != "vital"} == CHECKS


def test_the_default_stop_limits_are_what_their_sources_say() -> None:
    values = {name: getattr(DEFAULT_STOP_LIMITS, name) for name in DEFAULT_STOP_LIMITS.__slots__}

    assert {name: one.value for name, one in values.items() if isinstance(one, Limit)} == STOPS


def test_the_rules_of_the_default_protocol_are_what_their_sources_say() -> None:
    rules = {name: getattr(DEFAULT_PROTOCOL, name) for name in DEFAULT_PROTOCOL.__slots__}

    assert {name: value for name, value in rules.items() if is_number(value)} == PROTOCOL
