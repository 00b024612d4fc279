"""A trial as it stands, and the trials of a record."""

from __future__ import annotations

import pytest

from ebbmark.physiology.after.trials import set_after, trials_of_record
from ebbmark.physiology.during.running import running_trial
from ebbmark.physiology.patient.context import before_the_trial
from ebbmark.physiology.protocols import DEFAULT_PROTOCOL
from ebbmark.physiology.readings import Quantity, Reading
from ebbmark.physiology.trial.limb import began_of, peep_levels_of
from trials import START_S, STEP_S, reading, staircase_down, trial_of

PEEPS = (20.0, 18.0, 16.0, 14.0, 12.0, 10.0, 8.0, 6.0)
COMPLIANCES = (38.0, 40.0, 41.0, 42.0, 41.5, 36.0, 31.0, 27.0)
RISE = [
    reading(Quantity.PEEP_SET, peep, START_S - at, 900) for peep, at in ((10.0, 900.0), (14.0, 240.0), (18.0, 120.0))
]


def first(count: int) -> list[Reading]:
    return staircase_down(PEEPS[:count], COMPLIANCES[:count])


@pytest.mark.parametrize("count", range(2, 9))
def test_every_step_so_far_is_there(count: int) -> None:
    running = running_trial(first(count), DEFAULT_PROTOCOL)

    assert [step.peep_cmh2o for step in running.steps] == list(PEEPS[:count])
    assert running.falling


def test_the_first_level_alone_is_no_way_down() -> None:
    running = running_trial(first(1), DEFAULT_PROTOCOL)

    assert running.steps == ()
    assert not running.falling


def test_without_peep_nothing_runs() -> None:
    running = running_trial([reading(Quantity.SPO2, 90.0, START_S)], DEFAULT_PROTOCOL)

    assert (running.steps, running.now_cmh2o) == ((), None)


def test_the_second_level_without_a_reading_is_a_step_without_one() -> None:
    running = running_trial([*first(1), reading(Quantity.PEEP_SET, 18.0, START_S + STEP_S, 9)], DEFAULT_PROTOCOL)

    assert [(step.peep_cmh2o, step.readings) for step in running.steps] == [(18.0, 0)]


def test_closing_that_was_called_is_not_taken_back_by_a_level_without_reading() -> None:
    lowered = reading(Quantity.PEEP_SET, 6.0, START_S + 7 * STEP_S, 9)

    running = running_trial([*first(7), lowered], DEFAULT_PROTOCOL)

    assert running.steps[-1].peep_cmh2o == 8.0


def test_the_trial_begins_where_peep_was_first_raised() -> None:
    running = running_trial([*RISE, *first(4)], DEFAULT_PROTOCOL)

    assert running.began_s == START_S - 240.0
    assert began_of([*RISE, *first(4)], trial_of([*RISE, *first(4)]), DEFAULT_PROTOCOL) == START_S - 240.0


def test_stretches_of_pressure_that_are_known_already_are_not_looked_for_again() -> None:
    record = [*RISE, *first(4)]

    assert began_of([], trial_of(record), DEFAULT_PROTOCOL, peep_levels_of(record)) == START_S - 240.0


def test_before_the_trial_is_before_peep_was_raised_for_it() -> None:
    charted = [reading(Quantity.SPO2, 80.0, START_S - 600.0), reading(Quantity.SPO2, 92.0, START_S - 60.0)]
    record = [*RISE, *first(8), *charted]

    before = before_the_trial(record, began_of(record, trial_of(record), DEFAULT_PROTOCOL))

    assert before[Quantity.SPO2] == 80.0


def test_without_a_rise_the_trial_begins_with_the_first_lowering() -> None:
    assert running_trial(first(4), DEFAULT_PROTOCOL).began_s == START_S + STEP_S


def test_every_trial_of_a_record_is_found_oldest_first() -> None:
    record = [*first(8), *staircase_down(start_s=START_S + 86_400.0), *staircase_down(start_s=START_S + 172_800.0)]

    found = trials_of_record(record, DEFAULT_PROTOCOL).trials

    assert [trial.steps[0].start_s - START_S for trial in found] == [0.0, 86_400.0, 172_800.0]


def test_a_trial_far_back_among_changes_of_peep_is_found_whole() -> None:
    restless = [
        reading(Quantity.PEEP_SET, (10.0, 12.0)[number % 2], START_S + 9000.0 + 600.0 * number, 2000 + number)
        for number in range(1000)
    ]
    record = [*first(8), *restless, *staircase_down(start_s=START_S + 900_000.0)]

    found = trials_of_record(record, DEFAULT_PROTOCOL)

    assert found.unread_before_s is None
    assert [step.peep_cmh2o for step in found.trials[0].steps] == list(PEEPS)
    assert found.trials[0].steps[0] == trial_of(first(8)).steps[0]
    assert len(found.trials) == 2


def test_ways_down_without_end_are_looked_through_up_to_a_bound_which_is_told() -> None:
    endless = [
        reading(Quantity.PEEP_SET, PEEPS[number % 8], START_S + 86_400.0 + 60.0 * number, 2000 + number)
        for number in range(2000)
    ]

    found = trials_of_record([*first(8), *endless], DEFAULT_PROTOCOL)

    assert found.trials == ()
    assert found.unread_before_s is not None
    assert found.unread_before_s > START_S + 86_400.0


def test_the_order_in_which_a_record_came_does_not_matter() -> None:
    record = [*first(8), *staircase_down(start_s=START_S + 86_400.0)]

    forwards, backwards = (trials_of_record(one, DEFAULT_PROTOCOL).trials for one in (record, record[::-1]))

    assert [trial.steps for trial in forwards] == [trial.steps for trial in backwards]


def test_peep_is_set_where_it_is_kept_not_where_the_lung_is_opened_again() -> None:
    end_s = START_S + 8 * STEP_S
    after = [
        reading(Quantity.PEEP_SET, 20.0, end_s, 90),
        reading(Quantity.PEEP_SET, 12.0, end_s + 60.0, 91),
        reading(Quantity.PEEP_SET, 12.0, end_s + 1200.0, 92),
        reading(Quantity.PEEP_SET, 14.0, end_s + 7200.0, 93),
    ]
    record = [*first(8), *after]

    assert set_after(record, trials_of_record(record, DEFAULT_PROTOCOL).trials[0]) == end_s + 60.0


def test_where_peep_was_not_raised_after_the_trial_nothing_was_set() -> None:
    assert set_after(first(8), trial_of(first(8))) is None
