"""A trial that is old is called so first among the remarks, as a caution and in the line; its results stay the same."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from ebbmark.fhir.answer import Answer
from ebbmark.fhir.operations import BY_SLUG, TITRATE_PEEP
from ebbmark.fhir.reading.read import read_request
from ebbmark.fhir.reading.request import NO_SITE, RequestContext
from ebbmark.use_cases.next_step import next_step
from ebbmark.use_cases.titrate import titrate_request
from ebbmark.words.titration import in_short

BODY = Path("fixtures/clear-closing/request.json").read_bytes()
REQUEST = read_request(TITRATE_PEEP, BODY, RequestContext(4e9))
END_S = titrate_request(REQUEST).titration.trial.steps[-1].end_s


def after(hours: float) -> Answer:
    return titrate_request(replace(REQUEST, as_of_s=END_S + hours * 3600))


@pytest.mark.parametrize(
    ("hours", "slug", "severity", "said"),
    [
        (12.0, "", "", ""),
        (12.01, "trial-old", "moderate", "The trial ended more than 12 hours before"),
        (24.0, "trial-old", "moderate", "The trial ended more than 12 hours before"),
        (24.01, "trial-very-old", "high", "The trial ended more than 24 hours before"),
    ],
)
def test_an_old_trial_is_called_so_among_the_remarks_and_as_a_caution(
    hours: float, slug: str, severity: str, said: str
) -> None:
    aged = after(hours)
    cautions = [warning for warning in aged.warnings if warning.code.startswith("trial-")]

    assert [note for note in aged.request.notes if note.startswith("The trial ended")] == (
        list(aged.request.notes[:1]) if said else []
    )
    assert [(caution.code, caution.severity) for caution in cautions] == ([(slug, severity)] if slug else [])
    assert all(caution.text.startswith(said) for caution in cautions)


def test_the_age_of_a_trial_changes_neither_its_identity_nor_its_results() -> None:
    new, old = after(1), after(72)

    assert (new.identity, new.statements, new.said) == (old.identity, old.statements, old.said)


def test_the_line_of_a_very_old_trial_opens_with_its_age() -> None:
    old = after(72).titration
    line = in_short(old.advice, old.closing).line

    assert line.startswith("Over 24 h old: do not use by itself. PEEP 12 was suggested. ")
    assert after(72).short.line == line
    assert "ago" not in in_short(after(1).titration.advice, old.closing).line


@pytest.mark.parametrize(("ahead_s", "told"), [(30.0, False), (31.0, True)])
def test_readings_stamped_ahead_of_now_are_counted_and_said(ahead_s: float, *, told: bool) -> None:
    newest_s = max(reading.end_s for reading in REQUEST.readings)
    found = titrate_request(replace(REQUEST, as_of_s=newest_s - ahead_s))

    assert ("readings-ahead" in [warning.code for warning in found.warnings]) is told
    assert any("stamped up to five minutes ahead" in note for note in found.request.notes) is told
    assert found.titration.advice.suggested_peep_cmh2o == 12
    assert found.identity == after(1).identity


@pytest.mark.parametrize(("ahead_s", "told"), [(0.0, False), (120.0, True)])
def test_a_question_about_now_says_how_far_ahead_its_readings_are_stamped(ahead_s: float, *, told: bool) -> None:
    newest_s = max(reading.end_s for reading in REQUEST.readings)
    request = read_request(BY_SLUG["next-step"], BODY, RequestContext(newest_s - ahead_s))
    said = " ".join(next_step(request, NO_SITE).said)

    assert ("stamped up to 2.0 min ahead of now" in said) is told
