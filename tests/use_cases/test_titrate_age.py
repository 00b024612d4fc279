"""A trial that is old is called so first among the remarks, and keeps its identity."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from ebbmark.fhir.operations import TITRATE_PEEP
from ebbmark.fhir.reading.question import RequestContext
from ebbmark.fhir.reading.read import read_request
from ebbmark.use_cases.titrate import titrate

BODY = Path("fixtures/clear-closing/request.json").read_bytes()


@pytest.mark.parametrize(
    ("hours", "said"),
    [(1, ""), (13, "The trial ended more than 12 hours before"), (72, "The trial ended more than 24 hours before")],
)
def test_an_old_trial_is_called_so_first_among_the_remarks(hours: float, said: str) -> None:
    request = read_request(TITRATE_PEEP, BODY, RequestContext(4e9))
    end_s = titrate(request).titration.trial.steps[-1].end_s
    aged = titrate(replace(request, as_of_s=end_s + hours * 3600))
    notes = [one for one in aged.request.notes if one.startswith("The trial ended")]

    assert notes == list(aged.request.notes[:1] if said else ())
    assert all(one.startswith(said) for one in notes)
    assert aged.identity == titrate(request).identity
