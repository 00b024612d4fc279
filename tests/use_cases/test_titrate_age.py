"""A trial that is old is called so first among the remarks, as a caution and in the line; its results stay the same."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from ebbmark.fhir.answer import Answer
from ebbmark.fhir.operations import TITRATE_PEEP
from ebbmark.fhir.reading.question import RequestContext
from ebbmark.fhir.reading.read import read_request
from ebbmark.use_cases.titrate import titrate
from ebbmark.words.answer_in_short import in_short

BODY = Path("fixtures/clear-closing/request.json").read_bytes()
REQUEST = read_request(TITRATE_PEEP, BODY, RequestContext(4e9))
END_S = titrate(REQUEST).titration.trial.steps[-1].end_s


def after(hours: float) -> Answer:
    return titrate(replace(REQUEST, as_of_s=END_S + hours * 3600))


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
    cautions = [one for one in aged.warnings if one.code.startswith("trial-")]

    assert [note for note in aged.request.notes if note.startswith("The trial ended")] == (
        list(aged.request.notes[:1]) if said else []
    )
    assert [(one.code, one.severity) for one in cautions] == ([(slug, severity)] if slug else [])
    assert all(one.text.startswith(said) for one in cautions)


def test_the_age_of_a_trial_changes_neither_its_identity_nor_its_results() -> None:
    new, old = after(1), after(72)

    assert (new.identity, new.statements, new.said) == (old.identity, old.statements, old.said)


def test_the_line_of_a_very_old_trial_opens_with_its_age() -> None:
    old = after(72).titration
    line = in_short(old.advice, old.closing).line

    assert line.startswith("Over 24 h old: do not use by itself. PEEP 12 was suggested. ")
    assert after(72).short.line == line
    assert "ago" not in in_short(after(1).titration.advice, old.closing).line
