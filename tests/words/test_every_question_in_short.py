"""The two short layers of every question: how long they are, and that the gravest thing leads."""

from __future__ import annotations

import json
import runpy
from functools import lru_cache
from pathlib import Path

import pytest

from bedside_builders import body_of, charted, condition, rows_down, stamp
from ebbmark.fhir.answer import Answer
from ebbmark.fhir.operations import OPERATIONS, TITRATE_PEEP
from ebbmark.fhir.reading.request import RequestContext
from ebbmark.use_cases.questions import answer_request
from ebbmark.words.messages import MOST_WORDS_OF_LINE, MOST_WORDS_OF_REASONS, shortened
from fhir_builders import Json

ROOT = Path(__file__).parents[2]
LATER_S = 1_900_000_000.0
BY_SLUG = {one.slug: one for one in (TITRATE_PEEP, *OPERATIONS)}
DOWN = ((16.0, 38.0), (14.0, 40.0), (12.0, 41.0))
WELL = {"spo2": 95.0, "map": 72.0, "heart_rate": 90.0}


def answer(operation: str, body: bytes) -> Answer:
    return answer_request(BY_SLUG[operation], body, RequestContext(LATER_S))


def running(down: tuple[tuple[float, float], ...] = DOWN, *more: Json, **vitals: float) -> Answer:
    """The next step after these steps, with what was set before the trial."""
    before = [charted(stamp(-10), "before", {"peep_set": 10.0, "volume_set": 420.0, **WELL})]
    rows = [*before, *rows_down(down, name="step", **(vitals or WELL)), *more]  # type: ignore[arg-type]
    as_of: Json = {"name": "as-of", "valueInstant": stamp(2.0 * len(down))}
    return answer("next-step", body_of(rows, [as_of]))


@lru_cache
def every() -> dict[str, Answer]:
    """The day of the tour, the fixtures, and moments of a running trial."""
    day = runpy.run_path(str(ROOT / "deploy" / "day.py"))
    record = json.loads((ROOT / "fixtures" / "day" / "record.json").read_bytes())
    found = {
        f"{one.at} {one.operation}": answer(one.operation, day["request_at"](record, one)) for one in day["MOMENTS"]
    }
    for file in sorted(ROOT.glob("fixtures/*/request.json")):
        found[file.parent.name] = answer("titrate-peep", file.read_bytes())
    found["stop"] = running(spo2=82.0, map=72.0, heart_rate=90.0)
    found["two stops"] = running(spo2=82.0, map=42.0, heart_rate=90.0)
    found["nothing sent"] = running(rate=20.0)
    found["sudden fall"] = running((*DOWN, (10.0, 20.0)))
    found["closing"] = running((*DOWN, (10.0, 36.0), (8.0, 32.0)))
    return found


NAMES = sorted(every())


@pytest.mark.parametrize("name", NAMES)
def test_the_line_has_at_most_25_words_and_the_reasons_80(name: str) -> None:
    short = every()[name].short

    assert 0 < len(short.line.split()) <= MOST_WORDS_OF_LINE
    assert sum(len(reason.split()) for reason in short.reasons) <= MOST_WORDS_OF_REASONS


@pytest.mark.parametrize("name", NAMES)
def test_no_sentence_stands_twice_and_none_is_left_with_a_hole(name: str) -> None:
    short = every()[name].short
    sentences = [short.head, short.sure, short.against, *short.reasons]
    said = [sentence for sentence in sentences if sentence]

    assert len(said) == len(set(said))
    assert not [one for one in said if "()" in one or "{" in one or "  " in one or " ." in one or ": ." in one]


def test_a_stop_names_the_reading_the_limit_and_the_settings_before_the_trial() -> None:
    assert every()["stop"].short.line == (
        "STOP. SpO2 82 % (limit 85 %). Before the trial: PEEP 10 cmH2O, VT 420 mL. At PEEP 10 SpO2 was 95 %."
    )


def test_a_second_stop_stands_first_among_the_reasons() -> None:
    short = every()["two stops"].short

    assert short.head == "STOP"
    assert short.reasons[0] == "MAP 42 mmHg (limit 60 mmHg)."


def test_what_was_not_sent_is_named_in_the_head() -> None:
    assert every()["nothing sent"].short.head.startswith("Measure first: SpO2")


def test_what_nobody_checks_is_one_line_for_the_bedside() -> None:
    (watched,) = [reason for reason in every()["closing"].short.reasons if reason.startswith("Watch yourself")]

    assert watched.startswith("Watch yourself, not checked here: fall of MAP, systolic pressure")


def test_what_speaks_against_an_answer_keeps_its_place_in_the_line_when_room_is_short() -> None:
    short = shortened("Head", " ".join(["found"] * 24) + ".", "Against: a leak.")

    assert short.line == "Head. Against: a leak."
    assert short.reasons[0].startswith("found")


def test_reasons_that_do_not_fit_are_announced_and_not_cut() -> None:
    short = shortened("Head", reasons=[" ".join(["first"] * 60), " ".join(["second"] * 60), "Third."])

    assert short.reasons == (" ".join(["first"] * 60), "Third.", "More in the full answer.")


def test_the_step_of_closing_is_named_and_not_the_one_at_which_it_was_called() -> None:
    assert every()["closing"].short.line.startswith("Closing was at PEEP 10; PEEP is 8 now. ")


@pytest.mark.parametrize("rate", [30.0, 165.0])
def test_a_vital_sign_beyond_one_of_its_limits_is_nowhere_named_as_within_the_other(rate: float) -> None:
    stopped = running(spo2=94.0, map=74.0, heart_rate=rate)
    (within,) = [reason for reason in stopped.short.reasons if reason.startswith("Within limits")]
    (criteria,) = [statement for statement in stopped.statements if statement.kind == "stop-criteria"]

    assert within == "Within limits: SpO2 94 %, MAP 74 mmHg."
    assert "heart rate" not in criteria.note.partition("Not met: ")[2].partition(". ")[0]


def test_a_stop_on_old_readings_names_what_is_met_and_calls_nothing_charted_unseen() -> None:
    rows = rows_down(DOWN, name="step", spo2=94.0, map=50.0)
    as_of: Json = {"name": "as-of", "valueInstant": stamp(16.0)}
    short = answer("next-step", body_of(rows, [as_of])).short

    assert short.line.startswith("STOP. MAP 50 mmHg (limit 60 mmHg).")
    assert "No stop criterion could be checked." not in short.reasons
    assert any(reason.startswith("Charted over 5 min ago, too old to say: SpO2") for reason in short.reasons)
    assert not any("SpO2" in reason for reason in short.reasons if reason.startswith("Watch yourself"))


@pytest.mark.parametrize(
    ("more", "look"),
    [
        ([condition("c1", "J93.0")], "pneumothorax in the record"),
        ([charted(stamp(5.5), "own", {"spontaneous": 22.0}), charted(stamp(3.5), "own-2", {"spontaneous": 22.0})],
         "spontaneous breaths"),
    ],
)  # fmt: skip
def test_where_the_curve_is_not_to_be_trusted_no_chance_is_told_and_nothing_twice(more: list[Json], look: str) -> None:
    short = running((*DOWN, (10.0, 36.0)), *more).short
    told = f"{short.line} {short.reasons}".lower()

    assert told.count(look) == 1
    assert "chance" not in told
