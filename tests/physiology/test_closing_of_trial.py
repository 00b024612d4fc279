"""One way from a trial to its closing: the kind of compliance and the state of the circuit are always in it."""

from __future__ import annotations

from pathlib import Path

import pytest

import ebbmark
from ebbmark.physiology.closing.estimator import closing_of, curve_of, estimate_closing
from ebbmark.physiology.closing.result import Verdict
from ebbmark.physiology.during.running import running_trial
from ebbmark.physiology.patient.titration import closing_for
from ebbmark.physiology.protocols import DEFAULT_PROTOCOL
from ebbmark.physiology.readings import Quantity, Reading
from ebbmark.physiology.trial.reading import read_trial
from ebbmark.physiology.trial.steps import Trial
from ebbmark.words.messages import spell
from trials import START_S, reading

SLOW_FALL = (36.0, 36.4, 36.5, 36.2, 34.4, 32.6, 31.0)


def charted(pressure: Quantity) -> list[Reading]:
    """Seven steps of two readings, with one kind of pressure only."""
    readings = []
    for step, compliance in enumerate(SLOW_FALL):
        peep = 20.0 - 2.0 * step
        readings.append(reading(Quantity.PEEP_SET, peep, START_S + 300.0 * step, 10 * step))
        for again in range(2):
            at_s, source = START_S + 300.0 * step + 120.0 * (again + 1), 10 * step + 1 + again
            readings.append(reading(pressure, peep + 420.0 / compliance + 0.05 * again, at_s, source))
            readings.append(reading(Quantity.TIDAL_VOLUME_EXPIRED, 420.0, at_s, source))
    return readings


def read(readings: list[Reading]) -> Trial:
    trial = read_trial(readings, DEFAULT_PROTOCOL)
    assert isinstance(trial, Trial)
    return trial


def test_nothing_in_the_service_but_the_library_estimates_past_a_trial() -> None:
    room = Path(ebbmark.__file__).parent

    callers = {path.name for path in room.rglob("*.py") if "estimate_closing(" in path.read_text(encoding="utf-8")}

    assert callers == {"estimator.py", "library.py"}


def test_peak_pressures_are_judged_as_dynamic() -> None:
    trial = read(charted(Quantity.PEAK_PRESSURE))

    assert closing_of(trial, DEFAULT_PROTOCOL) == estimate_closing(curve_of(trial), dynamic=True)
    assert closing_of(trial, DEFAULT_PROTOCOL) != estimate_closing(curve_of(trial))


def test_plateau_pressures_without_total_peep_are_judged_as_static_and_perhaps_diluted() -> None:
    trial = read(charted(Quantity.PLATEAU_PRESSURE))

    assert not trial.total_peep_known
    assert closing_of(trial, DEFAULT_PROTOCOL) == estimate_closing(curve_of(trial), total_peep_known=False)
    assert closing_of(trial, DEFAULT_PROTOCOL) != estimate_closing(curve_of(trial))


def test_plateau_pressures_with_total_peep_are_judged_as_they_stand() -> None:
    readings = charted(Quantity.PLATEAU_PRESSURE)
    total = [
        reading(Quantity.PEEP_TOTAL, 21.0 - 2.0 * (each.source // 10), each.start_s, each.source)
        for each in readings
        if each.quantity is Quantity.PLATEAU_PRESSURE
    ]
    trial = read([*readings, *total])

    assert trial.total_peep_known
    assert closing_of(trial, DEFAULT_PROTOCOL) == estimate_closing(curve_of(trial))


def test_while_the_trial_runs_peak_pressures_are_judged_as_dynamic_too() -> None:
    static, dynamic = (
        running_trial(charted(pressure), DEFAULT_PROTOCOL).steps[-3].passed
        for pressure in (Quantity.PLATEAU_PRESSURE, Quantity.PEAK_PRESSURE)
    )

    assert static is not None
    assert dynamic is not None
    assert abs(dynamic - static) > 0.01


def test_a_fall_after_the_circuit_was_open_is_no_closing() -> None:
    readings = charted(Quantity.PLATEAU_PRESSURE)
    opened = [*readings, reading(Quantity.PEEP_MEASURED, 0.0, START_S + 3 * 300.0 + 60.0, 99)]
    trial = read(opened)

    assert any(seen.slug == "disconnection" for seen in trial.observed)
    assert closing_for(trial, opened, DEFAULT_PROTOCOL)[0].verdict is Verdict.INDETERMINATE


def without(readings: list[Reading], *steps: int) -> list[Reading]:
    """The same chart with PEEP alone charted at some steps."""
    return [each for each in readings if each.quantity is Quantity.PEEP_SET or each.source // 10 not in steps]


def test_a_step_without_compliance_directly_above_closing_may_be_where_it_lies() -> None:
    readings = charted(Quantity.PLATEAU_PRESSURE)
    whole = closing_of(read(readings), DEFAULT_PROTOCOL)
    assert whole.peep_cmh2o == 20.0 - 2.0 * 4

    closing = closing_of(read(without(readings, 3)), DEFAULT_PROTOCOL)

    assert closing.verdict is Verdict.INDETERMINATE
    assert closing.peep_cmh2o is None
    assert "no usable compliance at 14 cmH2O: closing may lie there, and so higher" in spell(closing.why)


def test_a_lone_step_without_compliance_elsewhere_leaves_closing_as_it_is() -> None:
    closing = closing_of(read(without(charted(Quantity.PLATEAU_PRESSURE), 1)), DEFAULT_PROTOCOL)

    assert closing.peep_cmh2o == 20.0 - 2.0 * 4


def test_two_neighbouring_steps_without_compliance_above_may_hide_where_compliance_was_best() -> None:
    closing = closing_of(read(without(charted(Quantity.PLATEAU_PRESSURE), 1, 2)), DEFAULT_PROTOCOL)

    assert closing.verdict is Verdict.INDETERMINATE
    assert "closing may lie there" in spell(closing.why)


@pytest.mark.parametrize(
    ("later_s", "factor", "readings"),
    [(12.0, 1.03, 2), (12.0, 1.15, 3), (45.0, 1.03, 3)],
    ids=["it repeats another", "it disagrees", "it is much later"],
)
def test_a_hold_beside_the_same_volume_counts_where_it_is_not_the_same_reading_again(
    later_s: float, factor: float, readings: int
) -> None:
    readings_before = charted(Quantity.PLATEAU_PRESSURE)
    first = next(one for one in readings_before if one.quantity is Quantity.PLATEAU_PRESSURE)
    again = reading(Quantity.PLATEAU_PRESSURE, 20.0 + (first.value - 20.0) / factor, first.start_s + later_s, 900)

    steps = curve_of(read([*readings_before, again]))

    assert len(steps[0].compliances_ml_per_cmh2o) == readings
    assert {len(step.compliances_ml_per_cmh2o) for step in steps[1:]} == {2}
