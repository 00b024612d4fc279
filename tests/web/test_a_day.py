"""One invented patient from before a trial to the next day, asked about over HTTP, as in deploy/day.py."""

from __future__ import annotations

import json
import runpy
from pathlib import Path
from typing import Any

import pytest
from starlette.types import ASGIApp

from bedside_builders import Said, value_of
from ebbmark.fhir.writing.validate import validate
from web.asking import ask

ROOT = Path(__file__).parents[2]
DAY = runpy.run_path(str(ROOT / "deploy" / "day.py"))
BUILD = runpy.run_path(str(ROOT / "fixtures" / "day.py"))


@pytest.fixture(scope="module")
def said(app: ASGIApp) -> dict[str, Said]:
    """Every answer of the day, by moment and question."""

    def send(operation: str, body: bytes) -> Any:  # noqa: ANN401
        reply = ask(app, body, path=f"/fhir/${operation}")
        assert reply.status == 200, reply.body[:500]
        return reply.json

    return {
        f"{moment.at[8:19]} {moment.operation}": Said(json.dumps(answer).encode())
        for moment, answer in DAY["day"](send)
    }


def test_the_record_is_what_its_builder_makes_today() -> None:
    assert json.loads((ROOT / "fixtures" / "day" / "record.json").read_bytes()) == BUILD["record"]()


def test_every_answer_is_sound_fhir(said: dict[str, Said]) -> None:
    assert {key: validate(one.bundle) for key, one in said.items()} == dict.fromkeys(said, ())


def test_before_the_trial_the_patient_is_assessed(said: dict[str, Said]) -> None:
    answer = said["05T08:50:00 assess-candidate"]

    conditions = answer.observation("documented-conditions")
    assert value_of(answer.observation("candidate-assessment")) == "high-risk"
    assert value_of(conditions, "untreated-pneumothorax") == "refuted"
    assert value_of(conditions, "obstructive-disease") == "present"
    assert value_of(conditions, "shock") == "not-documented"
    assert "clinical status is resolved" in answer.remarks


def test_a_plan_is_laid_out_without_recruitment(said: dict[str, Said]) -> None:
    answer = said["05T08:52:00 plan-trial"]
    (plan,) = answer.of("CarePlan")

    assert "hazel-obstruction/_history/1), which the clinician in charge has acknowledged" in answer.notes[1]
    assert "without high-pressure recruitment: from PEEP 10 cmH2O now to 16" in plan["description"]


def test_step_by_step_the_answer_follows_the_trial(said: dict[str, Said]) -> None:
    live = [(key[3:11], value_of(one.observation("next-step"))) for key, one in said.items() if "next-step" in key]

    assert live == [
        ("09:05:00", "not-started"),  # at the top, where the way up has just ended
        ("09:05:50", "not-started"),
        ("09:07:00", "lower"),
        ("09:07:50", "lower"),
        ("09:09:00", "lower"),
        ("09:09:50", "lower"),
        ("09:11:00", "lower"),
        ("09:12:50", "read-again"),
        ("09:13:40", "closing-passed"),
    ]


def test_no_stop_criterion_was_met_and_what_was_not_checked_is_said(said: dict[str, Said]) -> None:
    answer = said["05T09:13:40 next-step"]

    assert value_of(answer.observation("stop-criteria"), "spo2-low") == "criterion-held"
    assert value_of(answer.observation("stop-criteria"), "heart-rate-high") == "criterion-held"


def test_the_trial_gives_the_suggestion_that_is_then_set(said: dict[str, Said]) -> None:
    answer = said["05T09:13:50 titrate-peep"]

    assert value_of(answer.observation("closing-pressure")) == 10.0
    assert value_of(answer.observation("suggested-peep")) == 12.0


def test_the_new_settings_are_better_and_keep_the_limits(said: dict[str, Said]) -> None:
    answer = said["05T10:15:00 compare-settings"]

    assert value_of(answer.observation("change-of-compliance-static")) == "improved"
    assert value_of(answer.observation("change-of-pf-ratio")) == "improved"
    assert value_of(answer.observation("limit-plateau")) is True


def test_while_nothing_happens_the_titration_is_not_called_old(said: dict[str, Said]) -> None:
    assert value_of(said["05T14:45:00 check-validity"].observation("titration-may-be-old")) is False


def test_the_disconnection_six_hours_later_is_seen(said: dict[str, Said]) -> None:
    answer = said["05T16:00:00 check-validity"]

    assert {"disconnection-or-suction", "compliance-lost", "oxygenation-lost"} <= answer.issues
    assert "6.1 h after the titration the circuit seems to have been open" in answer.first


def test_the_second_trial_stands_beside_the_first(said: dict[str, Said]) -> None:
    answer = said["06T10:00:00 follow-trials"]

    assert [value_of(observation) for observation in answer.observations("trial-in-record")] == [10.0, 8.0]


def test_no_answer_of_the_day_asks_for_a_recruitment(said: dict[str, Said]) -> None:
    for answer in said.values():
        assert "recruit" not in " ".join(answer.notes[:1]).replace("without high-pressure recruitment", "").replace(
            "without recruitment manoeuvres", ""
        )
