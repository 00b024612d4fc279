"""What the latest readings show of the lung after a trial: the same that withholds a number within one."""

from __future__ import annotations

import pytest

from ebbmark.physiology.after.patient_now import PatientNow, findings_now, lung_now
from ebbmark.physiology.mechanics import Sex
from ebbmark.physiology.patient.titration import titrate, with_findings
from ebbmark.physiology.protocols import DEFAULT_PROTOCOL
from ebbmark.physiology.readings import Quantity, Reading
from ebbmark.physiology.stop.limits import DEFAULT_STOP_LIMITS
from trials import START_S, STEP_S, reading, staircase_down, trial_of

TRIAL = staircase_down()
END_S = START_S + 8 * STEP_S


def after(*more: Reading, minutes: float = 20.0) -> dict[str, str]:
    """Slugs of what the titration finds since the trial, each with its weight."""
    at_s = END_S + 60.0 * minutes
    lung = lung_now([*TRIAL, *more], trial_of(TRIAL), DEFAULT_PROTOCOL, since_s=END_S, at_s=at_s)
    titration = titrate(trial_of(TRIAL), TRIAL, height_cm=168.0, sex=Sex.FEMALE, protocol=DEFAULT_PROTOCOL)
    now = PatientNow((), (), None, None, (), lung)
    found = with_findings(titration, tuple(findings_now(now, DEFAULT_STOP_LIMITS))).findings
    return {one.slug: one.weight.value for one in found if one.slug.endswith("-since")}


def row(minute: float, **values: float) -> list[Reading]:
    """Readings of one minute after the trial, by name of the quantity."""
    return [reading(Quantity[name.upper()], value, END_S + 60.0 * minute, 900) for name, value in values.items()]


def volume() -> float:
    return next(one.value for one in TRIAL if one.quantity is Quantity.TIDAL_VOLUME_EXPIRED)


def compliance_at(peep_cmh2o: float) -> float:
    return next(step.compliance_ml_per_cmh2o for step in trial_of(TRIAL).steps if step.peep_cmh2o == peep_cmh2o)


@pytest.mark.parametrize(("share", "found"), [(0.68, {"lung-lost-since": "look-first"}), (0.72, {})])
def test_compliance_that_fell_by_more_than_closing_takes_is_looked_at_first(
    share: float, found: dict[str, str]
) -> None:
    plateau = 12.0 + volume() / (share * compliance_at(12.0))

    assert after(*row(19, peep_set=12.0, plateau_pressure=plateau, tidal_volume_expired=volume())) == found


def test_intrinsic_peep_of_the_trial_is_no_loss_where_it_is_not_charted_since() -> None:
    settings = [one for one in TRIAL if one.quantity is Quantity.PEEP_SET]
    trapped = [*TRIAL, *[reading(Quantity.PEEP_TOTAL, setting.value + 3.0, setting.at_s, 950) for setting in settings]]
    trial = trial_of(trapped)
    step = next(step for step in trial.steps if step.peep_cmh2o == 12.0)
    assert step.plateau_cmh2o is not None
    same = row(19, peep_set=12.0, plateau_pressure=step.plateau_cmh2o, tidal_volume_expired=volume())

    assert step.baseline_cmh2o == 15.0
    assert lung_now([*trapped, *same], trial, DEFAULT_PROTOCOL, since_s=END_S, at_s=END_S + 1200.0) == ()


def test_peep_that_was_left_at_the_last_step_need_not_be_charted_again() -> None:
    worse = row(19, plateau_pressure=6.0 + volume() / (0.5 * compliance_at(6.0)), tidal_volume_expired=volume())

    assert after(*worse) == {"lung-lost-since": "look-first"}


def test_compliance_right_after_peep_was_changed_says_nothing_yet() -> None:
    moved = row(18.5, peep_set=14.0) + row(19, peep_set=12.0, plateau_pressure=40.0, tidal_volume_expired=volume())

    assert after(*moved) == {}


@pytest.mark.parametrize(("mmhg", "found"), [(9.0, {"end-tidal-lost-since": "look-first"}), (10.0, {})])
def test_end_tidal_carbon_dioxide_that_vanished_is_looked_at_first(mmhg: float, found: dict[str, str]) -> None:
    worn = row(-5, end_tidal_co2=37.0)

    assert after(*worn, *row(19, end_tidal_co2=mmhg)) == found


@pytest.mark.parametrize(("total", "found"), [(17.0, {"air-trapped-since": "high"}), (16.9, {})])
def test_air_that_is_trapped_speaks_against_the_number(total: float, found: dict[str, str]) -> None:
    assert after(*row(19, peep_set=12.0, peep_total=total)) == found


def test_a_circuit_that_is_open_withholds_the_number_and_one_that_was_speaks_against_it() -> None:
    opened = row(10, peep_set=12.0) + row(11, peep_measured=0.4)

    assert after(*opened) == {"open-circuit-since": "look-first"}
    assert after(*opened, *row(12, peep_measured=12.0)) == {"opened-circuit-since": "high"}


def test_another_limb_that_runs_withholds_the_number_of_the_earlier_one() -> None:
    lowered = [one for place, peep in enumerate((20.0, 18.0, 16.0)) for one in row(5 + 2 * place, peep_set=peep)]

    assert after(*lowered) == {"lowered-again-since": "look-first"}
    assert after(*lowered[:2]) == {}


def test_nothing_older_than_half_an_hour_is_of_now() -> None:
    old = row(1, peep_set=12.0, plateau_pressure=45.0, tidal_volume_expired=volume(), end_tidal_co2=3.0)

    assert lung_now([*TRIAL, *old], trial_of(TRIAL), DEFAULT_PROTOCOL, since_s=END_S, at_s=END_S + 3600.0) == ()
