"""Entering a trial by hand, on the invented patient: what is taken, what is refused, and what would be recorded."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC, datetime
from itertools import zip_longest
from time import time
from urllib.parse import urlencode

import pytest
from hypothesis import given
from hypothesis import strategies as st
from starlette.types import ASGIApp

from bedside_builders import body_of
from ebbmark.fhir.operations import BY_SLUG
from ebbmark.fhir.reading.codes import RANGES
from ebbmark.fhir.reading.events import OTHER_RHYTHM
from ebbmark.fhir.reading.request import NO_SITE, RequestContext
from ebbmark.fhir.writing.entered import ENTERED, EnteredRow, entered_observations, entered_transaction
from ebbmark.fhir.writing.validate import validate
from ebbmark.fhir.writing.write import write_bundle
from ebbmark.physiology.readings import Quantity
from ebbmark.physiology.stop.limits import DEFAULT_STOP_LIMITS, RhythmCode, RhythmsThatStop
from ebbmark.settings import Settings
from ebbmark.use_cases.questions import answer_request
from ebbmark.web.app import create_app
from ebbmark.web.page.by_hand import Entry, entries_of, rhythms_to_enter
from ebbmark.web.page.frame import Form
from ebbmark.web.theme import PageRefused
from web.asking import Reply, ask
from web.reading_pages import words_of

NAMES = ("time", *(one.name for one in ENTERED), "rhythm")
FIBRILLATION = RhythmCode("http://snomed.info/sct", "49436004", "Atrial fibrillation")
RHYTHMS = {"other": OTHER_RHYTHM, "http://snomed.info/sct|49436004": FIBRILLATION}
NOW_S = datetime(2026, 3, 5, 10, 0, tzinfo=UTC).timestamp()
TRIAL = [
    (f"09:{2 + 3 * step:02d}:{second:02d}", f"{peep}", f"{peep + drive}", "", "420", "93", "75", "90", "60", "")
    for step, (peep, drive) in enumerate([(16, 12.4), (14, 12.0), (12, 12.1), (10, 13.4), (8, 15.4), (6, 17.0)])
    for second in (0, 40, 55)
]
ROW = ("09:30", "14", "26,5", "", "420", "93", "75", "90", "60", "")


@pytest.fixture(scope="module")
def app() -> ASGIApp:
    return create_app(Settings(demo=True))


def form_of_rows(*rows: tuple[str, ...], **more: str) -> list[tuple[str, str]]:
    return [("csrf", "demo"), *more.items(), *[pair for row in rows for pair in zip(NAMES, row, strict=True)]]


def entry_of(*rows: tuple[str, ...]) -> Entry:
    return entries_of(Form(tuple(form_of_rows(*rows))), now_s=NOW_S, zone=UTC, rhythms=RHYTHMS)


def send(app: ASGIApp, *rows: tuple[str, ...], query: str = "", **more: str) -> Reply:
    headers = {"content-type": "application/x-www-form-urlencoded"}
    body = urlencode(form_of_rows(*rows, **more)).encode()
    # Opened so long ago that its clock stands at its end: 15:00 of its day.
    return ask(app, body, path="/demo/by-hand.1000000000/steps", query=query, headers=headers)


def test_a_typed_trial_is_answered_by_the_same_service_and_nothing_is_written(app: ASGIApp) -> None:
    text = words_of(send(app, *TRIAL).body)

    assert "Suggested PEEP" in text
    assert "Computed from what was typed; nothing is recorded yet." in text
    assert 'value="26' not in text


def test_while_the_limb_runs_its_next_step_is_the_only_answer(app: ASGIApp) -> None:
    headers = {"content-type": "application/x-www-form-urlencoded"}
    # A demo that was opened just now: its clock stands at 09:00, and the trial was typed as it happened before.
    rows = [
        (f"08:{4 * step + 36:02d}:{second:02d}", *row[1:])
        for step, row in enumerate(TRIAL[::3])
        for second in (0, 40, 55)
    ]
    fields = urlencode(form_of_rows(*rows)).encode()
    text = words_of(ask(app, fields, path=f"/demo/by-hand.{int(time())}/steps", headers=headers).body)

    assert "Computed from what was typed; nothing is recorded yet." in text
    assert "Last looked" in text or "Latest reading" in text
    assert "Suggested PEEP 12 cmH2O" not in text


def test_the_typed_rows_come_back_in_the_form(app: ASGIApp) -> None:
    body = send(app, ROW).body.decode()

    assert 'aria-label="Plateau, row 1" value="26,5"' in body


@pytest.mark.parametrize("what", ENTERED, ids=lambda one: str(one.name))
def test_each_field_refuses_what_the_reader_of_the_service_would_not_use(what: object) -> None:
    place = ENTERED.index(what) + 1
    low, high = (ENTERED[place - 1].scale * one for one in RANGES[ENTERED[place - 1].quantity])
    beyond = tuple(f"{high + 1:g}" if number == place else one for number, one in enumerate(ROW))
    within = tuple(f"{high:g}" if number == place else one for number, one in enumerate(ROW))

    entry = entry_of(beyond)
    assert entry.rows == ()
    assert entry.faults == (
        f"Row 1: {ENTERED[place - 1].label} {high + 1:g} {ENTERED[place - 1].unit} cannot be right; "
        f"enter {low:g} to {high:g} {ENTERED[place - 1].unit}.",
    )
    # PEEP at its highest lies above the plateau of its row, which gets a word of its own.
    assert not [fault for fault in entry_of(within).faults if "cannot be right" in fault]


def test_an_impossible_value_is_named_and_the_other_rows_still_count(app: ASGIApp) -> None:
    text = words_of(send(app, *TRIAL, ("12:00", "700", *ROW[2:]), query="fragment").body)

    assert "Row 19: PEEP 700 cmH2O cannot be right; enter 0 to 60 cmH2O." in text
    assert "Suggested PEEP" in text


def test_fio2_is_typed_in_per_cent_read_as_a_fraction_and_refused_as_one() -> None:
    observations = entered_observations(entry_of(*TRIAL).rows, "Patient/p1", {"reference": "Practitioner/2"})
    context = RequestContext(NOW_S, site=NO_SITE)
    read = answer_request(BY_SLUG["titrate-peep"], body_of(observations, []), context).request.readings

    assert {one.value for one in read if one.quantity is Quantity.FIO2_SET} == {0.6}
    assert entry_of((*ROW[:-2], "0.6", "")).faults == ("Row 1: FiO2 0.6 % cannot be right; enter 15 to 100 %.",)


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("change", ["lacking", "twice", "lacking here and twice below"])
def test_a_row_that_lacks_a_field_or_has_it_twice_refuses_the_form(name: str, change: str) -> None:
    fields = form_of_rows(*TRIAL)
    third, last = ([place for place, (one, _) in enumerate(fields) if one == name][row] for row in (3, -1))
    if change != "lacking":
        fields.insert(last, fields[last])
    if change != "twice":
        del fields[third]

    with pytest.raises(PageRefused) as refused:
        entries_of(Form(tuple(fields)), now_s=NOW_S, zone=UTC, rhythms=RHYTHMS)
    assert (refused.value.status, "not certain which value" in refused.value.sentence) == (400, True)


@pytest.mark.parametrize("time", ["", "25:00", "half ten", "11:30"])
def test_a_time_that_is_none_or_has_not_come_yet_is_refused(time: str) -> None:
    entry = entry_of((time, *ROW[1:]))

    assert entry.rows == ()
    assert entry.faults == (f"Row 1: Time “{time}” is not a time of the last 12 hours (hours:minutes).",)


def test_just_after_midnight_a_time_before_it_is_of_yesterday() -> None:
    midnight_s = datetime(2026, 3, 6, 0, 3, tzinfo=UTC).timestamp()

    (row,) = entries_of(
        Form(tuple(form_of_rows(("23:58", *ROW[1:])))), now_s=midnight_s, zone=UTC, rhythms=RHYTHMS
    ).rows

    assert row.at_s == midnight_s - 5 * 60


@given(st.lists(st.tuples(*[st.text(max_size=8)] * len(NAMES)), max_size=5))
def test_whatever_is_typed_is_used_or_named(rows: list[tuple[str, ...]]) -> None:
    entry = entry_of(*rows)

    assert len(entry.rows) + len({fault.partition(":")[0] for fault in entry.faults}) == len(entry.typed)
    for row in entry.rows:
        assert row.at_s <= NOW_S
        assert all(what.low <= value <= what.high for what, value in row.values)


def test_what_is_recorded_says_who_entered_it_and_how_and_sending_it_twice_doubles_nothing() -> None:
    rows = [EnteredRow(NOW_S, tuple((what, what.high) for what in ENTERED))]
    observations = entered_observations(rows, "Patient/1", {"reference": "Practitioner/2"})
    transaction = entered_transaction(observations)

    assert validate(transaction) == ()
    assert all(observation["performer"] == [{"reference": "Practitioner/2"}] for observation in observations)
    assert all(
        "entered by hand by the performer; not sent by a device" in str(observation["note"])
        for observation in observations
    )
    assert entered_transaction(entered_observations(rows, "Patient/1", {"reference": "Practitioner/2"})) == transaction
    conditions = re.findall(r"'ifNoneExist': '(identifier=[^']+)'", str(transaction))
    assert len(set(conditions)) == len(ENTERED)


def rhythm_answer(*entered: str) -> str:
    """What the next step says of the last rows with these rhythms, where atrial fibrillation is signed to stop at."""
    limits = replace(DEFAULT_STOP_LIMITS, rhythms_that_stop=RhythmsThatStop((FIBRILLATION,), "signed for this test"))
    rows = [(*row[:-1], rhythm) for row, rhythm in zip_longest(TRIAL, ("",) * (len(TRIAL) - len(entered)) + entered)]
    now_s = datetime(2026, 3, 5, 9, 18, 30, tzinfo=UTC).timestamp()
    entry = entries_of(Form(tuple(form_of_rows(*rows))), now_s=now_s, zone=UTC, rhythms=rhythms_to_enter(limits))
    assert entry.faults == ()
    observations = entered_observations(entry.rows, "Patient/p1", {"reference": "Practitioner/2"})
    assert validate(entered_transaction(observations)) == ()
    context = RequestContext(now_s, site=replace(NO_SITE, stop_limits=limits))
    return str(write_bundle(answer_request(BY_SLUG["next-step"], body_of(observations, []), context), recorded_s=now_s))


def test_a_rhythm_that_the_site_signed_stops_a_trial_entered_by_hand() -> None:
    signed = "http://snomed.info/sct|49436004"

    assert "STOP. New rhythm: Atrial fibrillation" in rhythm_answer(signed)
    assert "STOP" not in rhythm_answer()


def test_another_new_rhythm_is_to_be_judged_at_the_patient() -> None:
    told = rhythm_answer("other")

    assert "look at the patient; it is not on your unit's list" in told
    assert "cannot be read" not in told
    watched = told.partition("Watch yourself")[2].partition(". ")[0]
    assert "new rhythm" not in watched
    assert "look at the patient" not in rhythm_answer()


def test_the_form_offers_the_signed_rhythms_and_any_other_one(app: ASGIApp) -> None:
    body = send(app, (*ROW[:-1], "other")).body.decode()

    assert '<option value="other" selected>New rhythm, not on the list of the site</option>' in body
    assert "New rhythm, not on the list of the site" in words_of(send(app, (*ROW[:-1], "other"), do="review").body)


def test_a_rhythm_that_is_not_on_the_list_is_named() -> None:
    assert entry_of((*ROW[:-1], "x|y")).faults == ("Row 1: The heart rhythm is not one of the list.",)


def test_before_anything_is_recorded_the_person_sees_each_row(app: ASGIApp) -> None:
    review = send(app, ROW, do="review")
    recorded = send(app, ROW, do="record")

    assert "Send these 7 readings to the record?" in words_of(review.body)
    assert "marked as entered by hand by whoever looks at this demo" in words_of(review.body)
    assert "Nothing was written This is a demo" in words_of(recorded.body)


def test_rows_with_a_fault_cannot_be_sent(app: ASGIApp) -> None:
    text = words_of(send(app, ("09:30", "700", *ROW[2:]), do="record").body)

    assert "Type each reading as it happens" in text
    assert "cannot be right" in text


def test_a_form_of_another_page_is_refused(app: ASGIApp) -> None:
    assert send(app, ROW, csrf="other").status == 403


@pytest.mark.parametrize(
    ("row", "said", "left_out"),
    [
        (
            ("09:30", "14", "26", "30", "0,42", "93", "75", "90", "60", ""),
            "VT expired 0.42: in mL?",
            {"tidal-volume-expired"},
        ),
        (
            ("09:30", "14", "12", "30", "420", "93", "75", "90", "60", ""),
            "Plateau 12 is not above PEEP 14",
            {"plateau-pressure"},
        ),
        (
            ("09:30", "14", "33", "28", "420", "93", "75", "90", "60", ""),
            "Plateau 33 is above peak 28",
            {"plateau-pressure", "peak-pressure"},
        ),
    ],
)
def test_a_value_that_its_row_contradicts_gets_a_word_and_the_rest_of_the_row_counts(
    row: tuple[str, ...], said: str, left_out: set[str]
) -> None:
    entry = entry_of(row)

    assert [fault.startswith(f"Row 1: {said}") for fault in entry.faults] == [True]
    assert {one.name for one in ENTERED} - {what.name for what, _ in entry.rows[0].values} == left_out
