"""Since the last titration: what happened, when, and what could not be looked for."""

from __future__ import annotations

import pytest

from ebbmark.physiology.after.comparison import Snapshot
from ebbmark.physiology.after.events import Event
from ebbmark.physiology.after.patient_now import patient_now
from ebbmark.physiology.after.snapshot import take_snapshot
from ebbmark.physiology.after.surveillance import Surveillance, watch
from ebbmark.physiology.findings import Change, ChangeKind
from ebbmark.physiology.readings import Quantity, Reading
from ebbmark.physiology.stop.limits import DEFAULT_STOP_LIMITS
from ebbmark.words.after_trial import gaps_words, seen_words, validity_words
from ebbmark.words.messages import spell
from trials import START_S, reading

HOUR_S = 3600.0
PBW_KG = 70.0


def hourly(
    hours: int = 8, *, peep: float = 12.0, plateau: float = 25.0, volume: float = 420.0, pao2: float = 100.0
) -> list[Reading]:
    """A quiet record: one charted row an hour after the titration, and a gas every four hours."""
    rows = []
    for hour in range(hours + 1):
        at_s, source = START_S + hour * HOUR_S + 60, 10 * hour
        rows += [
            reading(Quantity.PEEP_SET, peep, at_s, source),
            reading(Quantity.PEEP_MEASURED, peep, at_s, source + 1),
            reading(Quantity.TIDAL_VOLUME_EXPIRED, volume, at_s, source + 2),
            reading(Quantity.PLATEAU_PRESSURE, plateau, at_s, source + 3),
            reading(Quantity.FIO2_SET, 0.6, at_s, source + 4),
        ]
        if hour % 4 == 0:
            rows.append(reading(Quantity.PAO2, pao2, at_s, source + 5))
    return rows


def baseline(readings: list[Reading]) -> Snapshot:
    return take_snapshot(readings, pbw_kg=PBW_KG, from_s=START_S, until_s=START_S + 600)


def watched(
    readings: list[Reading],
    *,
    suggested: float | None = 12.0,
    hours: float = 8.1,
    at_titration: Snapshot | None = None,
    changes: tuple[Change, ...] = (),
) -> Surveillance:
    return watch(
        readings,
        titrated_s=START_S,
        at_s=START_S + hours * HOUR_S,
        pbw_kg=PBW_KG,
        suggested_peep_cmh2o=suggested,
        at_titration=at_titration or baseline(hourly()),
        now=patient_now(readings, DEFAULT_STOP_LIMITS, since_s=START_S, at_s=START_S + hours * HOUR_S, changes=changes),
    )


def events(answer: Surveillance) -> list[Event]:
    return [one.event for one in answer.seen]


def test_a_quiet_record_shows_nothing_and_does_not_say_that_nothing_happened() -> None:
    pressure = reading(Quantity.MEAN_ARTERIAL_PRESSURE, 72.0, START_S + 8.05 * HOUR_S, 990)
    answer = watched([*hourly(), *saturations((0.2, 94.0), (8.05, 94.0)), pressure])

    assert (answer.stale, answer.seen, answer.not_checked) == (False, (), ())
    assert "What was not charted does not show." in validity_words(answer)


def test_measured_peep_about_zero_is_a_disconnection_with_its_time_and_what_is_common_practice() -> None:
    lost = reading(Quantity.PEEP_MEASURED, 0.4, START_S + 6 * HOUR_S, 777)

    answer = watched([*hourly(), lost])

    assert events(answer) == [Event.OPEN_CIRCUIT]
    assert (answer.seen[0].from_s, answer.seen[0].sources) == (START_S + 6 * HOUR_S, (777,))
    assert seen_words(answer.seen[0], START_S).startswith(
        "6.0 h after the titration the circuit seems to have been open"
    )
    assert "Common practice is to repeat the titration after any disconnection." in seen_words(answer.seen[0], START_S)
    assert answer.stale


def test_a_vanished_volume_is_a_disconnection() -> None:
    assert events(watched([*hourly(), reading(Quantity.TIDAL_VOLUME_EXPIRED, 12.0, START_S + 5000, 8)])) == [
        Event.OPEN_CIRCUIT
    ]


def test_readings_within_minutes_are_one_disconnection_and_hours_apart_are_two() -> None:
    times = (0.0, 60.0, 120.0, 7200.0)
    lost = [reading(Quantity.PEEP_MEASURED, 0.0, START_S + 9000 + t, 900 + i) for i, t in enumerate(times)]

    answer = watched([*hourly(), *lost])

    assert events(answer) == [Event.OPEN_CIRCUIT, Event.OPEN_CIRCUIT]
    assert answer.seen[0].until_s - answer.seen[0].from_s == 120.0


def test_a_disconnection_before_the_titration_is_not_counted() -> None:
    assert not watched([*hourly(), reading(Quantity.PEEP_MEASURED, 0.0, START_S - 60, 5)]).stale


def test_peep_set_below_the_suggestion_is_seen_until_it_comes_back() -> None:
    changed = [
        reading(Quantity.PEEP_SET, 8.0, START_S + 2.5 * HOUR_S, 300),
        reading(Quantity.PEEP_SET, 8.0, START_S + 2.9 * HOUR_S, 301),
    ]

    answer = watched([*hourly(), *changed])

    assert events(answer) == [Event.PEEP_BELOW]
    assert answer.seen[0].until_s == START_S + 3 * HOUR_S + 60
    assert "set to 8 cmH2O, below the suggested 12, and came back later" in seen_words(answer.seen[0], START_S)


def test_peep_that_stays_below_is_said_to_stay() -> None:
    answer = watched([*hourly(), reading(Quantity.PEEP_SET, 8.0, START_S + 8.05 * HOUR_S, 300)])

    assert "has not come back" in seen_words(answer.seen[0], START_S)


def test_a_setting_that_differs_by_its_unit_conversion_is_not_below() -> None:
    assert events(watched(hourly(peep=11.8))) == []


def test_compliance_lost_beyond_noise_makes_the_titration_old() -> None:
    late = [
        reading(Quantity.PLATEAU_PRESSURE, 34.0, START_S + 8 * HOUR_S + 60 * index, 600 + index) for index in range(3)
    ]

    answer = watched([*hourly(), *late])

    assert events(answer) == [Event.COMPLIANCE_LOST]
    assert "compliance fell, which is worse" in validity_words(answer)


def test_a_compliance_that_wanders_is_not_lost() -> None:
    late = [reading(Quantity.PLATEAU_PRESSURE, 25.5, START_S + 8 * HOUR_S + 60 * i, 600 + i) for i in range(3)]

    assert events(watched([*hourly(), *late])) == []


def test_oxygenation_lost_beyond_noise_is_seen() -> None:
    later = [
        reading(Quantity.PAO2, 60.0, one.start_s, one.source)
        if one.quantity is Quantity.PAO2 and one.start_s > START_S + 7 * HOUR_S
        else one
        for one in hourly()
    ]

    assert events(watched(later)) == [Event.OXYGENATION_LOST]


@pytest.mark.parametrize(
    ("event", "words"),
    [
        (Event.POSITION_CHANGED, "position was changed (prone)"),
        (Event.MODE_CHANGED, "the ventilator mode was changed (prone)"),
        (Event.TRANSPORT, "the patient was moved (prone)"),
    ],
)
def test_a_documented_change_is_told_with_its_words(event: Event, words: str) -> None:
    answer = watched(hourly(), changes=(Change(ChangeKind(event.value), START_S + HOUR_S, "prone", 44),))

    assert events(answer) == [event]
    assert words in seen_words(answer.seen[0], START_S)


def test_everything_seen_is_told_in_order_of_time() -> None:
    prone = Change(ChangeKind.POSITION, START_S + HOUR_S, "prone", 44)
    lost = reading(Quantity.PEEP_MEASURED, 0.0, START_S + 0.5 * HOUR_S, 777)

    assert events(watched([*hourly(), lost], changes=(prone,))) == [Event.OPEN_CIRCUIT, Event.POSITION_CHANGED]


def test_what_cannot_be_looked_for_is_said() -> None:
    answer = watched([reading(Quantity.SPO2, 93.0, START_S + 600, 1)], suggested=None)

    told = gaps_words(answer.not_checked)
    assert "a disconnection would not show" in told
    assert "suggested no PEEP" in told
    assert "A loss of static compliance would not show" in told


def test_the_published_line_on_disconnection_goes_with_every_answer_and_asks_for_nothing() -> None:
    evidence = watched(hourly()).evidence

    assert evidence.slug == "after-disconnection"
    assert "a clinician's decision" in spell(evidence.text)


def test_order_of_arrival_does_not_matter() -> None:
    record = [*hourly(), reading(Quantity.PEEP_MEASURED, 0.4, START_S + 6 * HOUR_S, 777)]

    assert watched(record[::-1]) == watched(record)


def test_minutes_are_told_within_ninety_and_hours_after() -> None:
    early = watched([*hourly(), reading(Quantity.PEEP_MEASURED, 0.0, START_S + 1800, 7)])
    late = watched([*hourly(), reading(Quantity.PEEP_MEASURED, 0.0, START_S + 7200, 7)])

    assert seen_words(early.seen[0], START_S).startswith("30 min after the titration")
    assert seen_words(late.seen[0], START_S).startswith("2.0 h after the titration")
    assert validity_words(early).startswith("The last titration, 8.1 h ago")


def test_a_change_documented_before_the_titration_is_not_told() -> None:
    before = Change(ChangeKind.MODE, START_S - HOUR_S, "x", 4)

    assert events(watched(hourly(), changes=(before,))) == []


def test_measured_peep_near_zero_where_none_was_set_is_no_disconnection() -> None:
    assert events(watched(hourly(peep=0.0), suggested=None)) == []


def test_compliance_at_another_peep_is_not_compared_and_that_is_said() -> None:
    answer = watched(hourly(peep=16.0, plateau=36.0))

    assert events(answer) == []
    assert "PEEP is 16 cmH2O now and was 12 at the titration" in gaps_words(answer.not_checked)


def test_a_peep_set_too_low_at_the_titration_itself_is_seen() -> None:
    answer = watched([reading(Quantity.PEEP_SET, 9.0, START_S, 3), reading(Quantity.SPO2, 93.0, START_S + 600, 4)])

    assert Event.PEEP_BELOW in events(answer)


@pytest.mark.parametrize(("last_h", "compared"), [(5, True), (1, False)])
def test_an_fio2_set_hours_before_holds_for_four_hours(last_h: int, compared: bool) -> None:
    until_s = START_S + last_h * HOUR_S
    record = [one for one in hourly() if one.quantity is not Quantity.FIO2_SET or one.start_s < until_s]

    answer = watched(record, hours=8.1)

    assert ("P/F" not in gaps_words(answer.not_checked)) is compared


def saturations(*values: tuple[float, float]) -> list[Reading]:
    """Hours after the titration, and SpO2."""
    return [reading(Quantity.SPO2, value, START_S + hour * HOUR_S, 700 + n) for n, (hour, value) in enumerate(values)]


def test_a_saturation_that_fell_since_is_seen_though_no_gas_was_drawn() -> None:
    answer = watched([*hourly(), *saturations((0.2, 94.0), (0.5, 94.0), (7.9, 94.0), (8.05, 86.0))])

    assert events(answer) == [Event.OXYGENATION_LOST]
    assert "SpO2 fell from 94 to 86 % at an FiO2 of 60 %" in validity_words(answer)


def test_a_saturation_that_wanders_is_no_loss() -> None:
    answer = watched([*hourly(), *saturations((0.2, 94.0), (0.5, 94.0), (8.05, 91.0))])

    assert not answer.seen


def test_a_saturation_that_fell_with_fio2_is_told_and_not_taken_for_a_loss() -> None:
    lowered = reading(Quantity.FIO2_SET, 0.4, START_S + 8.04 * HOUR_S, 801)

    answer = watched([*hourly(7), lowered, *saturations((0.2, 97.0), (0.5, 97.0), (8.05, 90.0))])

    assert not answer.seen
    assert "FiO2 was lowered from 60 % to 40 % meanwhile" in gaps_words(answer.not_checked)


def test_without_a_saturation_that_is_said() -> None:
    assert "No SpO2 was sent" in gaps_words(watched(hourly()).not_checked)


def test_a_record_that_ends_hours_ago_does_not_say_that_nothing_was_seen() -> None:
    answer = watched(hourly(), hours=20.0)

    assert validity_words(answer).startswith(
        "The record does not tell whether the last titration, 20.0 h ago, still holds. Nothing of"
    )
    assert "charted in the last 12.0 h" in validity_words(answer)
    assert "nothing since" not in validity_words(answer)


def test_a_breath_into_the_open_circuit_is_no_loss_of_compliance() -> None:
    opened = reading(Quantity.TIDAL_VOLUME_EXPIRED, 0.0, START_S + 8.05 * HOUR_S, 801)

    assert events(watched([*hourly(), opened])) == [Event.OPEN_CIRCUIT]
