"""The invented patients inside the package are those of the fixtures, and need nothing outside it."""

from __future__ import annotations

import asyncio
import runpy
from pathlib import Path
from typing import Any

import pytest

from ebbmark.site_files import NO_FILES, site_of
from ebbmark.web.page.demo import SCENARIOS, SPEED, Scenario, source_of

ROOT = Path(__file__).parents[2]
SHOWN = ROOT / "service" / "ebbmark" / "web" / "page" / "scenarios"
WRITTEN = runpy.run_path(str(ROOT / "fixtures" / "scenarios.py"))["scenarios"]()
SITE = site_of(NO_FILES)
RUNNING = next(one for one in SCENARIOS if one.slug == "running")


def test_the_embedded_requests_are_what_the_fixtures_say_today() -> None:
    embedded = {path.name: path.read_bytes() for path in SHOWN.iterdir()}

    assert embedded == WRITTEN, "run python fixtures/scenarios.py and read the diff"


@pytest.mark.parametrize("scenario", SCENARIOS, ids=lambda one: str(one.slug))
def test_every_patient_is_plainly_invented(scenario: Scenario) -> None:
    patient: dict[str, Any] = dict(asyncio.run(source_of(scenario, 0, 0, SITE).patient()))

    assert [one["family"] for one in patient["name"]] == ["Example"]
    assert all(one["value"].startswith("DEMO-") for one in patient["identifier"])


def test_the_clock_of_a_running_demo_runs_from_its_start_to_its_end() -> None:
    start, later, end = (source_of(RUNNING, 1_000, 1_000 + passed, SITE).at_s for passed in (0, 10, 9_999))

    assert later == start + 10 * SPEED
    assert end == source_of(RUNNING, 1_000, 2_000_000, SITE).at_s


def test_nothing_that_is_charted_later_is_known_yet() -> None:
    answers = [
        asyncio.run(source_of(RUNNING, 1_000, 1_000 + passed, SITE).asked("next-step")) for passed in (0, 30, 60)
    ]

    counts = [len(answer.request.readings) for answer in answers]
    assert counts == sorted(set(counts))
    assert all(max(r.end_s for r in answer.request.readings) <= answer.request.as_of_s for answer in answers)


@pytest.mark.parametrize("slug", ["noisy-record", "running", "stop-criterion"])
def test_the_answer_of_a_demo_knows_the_same_conditions_and_margin_as_its_running_trial(slug: str) -> None:
    source = source_of(next(one for one in SCENARIOS if one.slug == slug), 0, 9_999, SITE)
    answer, step = asyncio.run(source.asked("titrate-peep")).request, asyncio.run(source.asked("next-step")).request

    assert [one for one, _ in answer.conditions] == [one for one, _ in step.conditions]
    assert answer.protocol == step.protocol


def test_hazels_obstructive_disease_speaks_against_the_suggestion_on_her_answer() -> None:
    answer = asyncio.run(source_of(RUNNING, 0, 9_999, SITE).asked("titrate-peep"))

    assert "obstructive disease suspected in the record" in " ".join((answer.short.line, *answer.short.reasons))
