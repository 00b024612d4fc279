"""What the page of a running trial says where something keeps PEEP from being lowered."""

from __future__ import annotations

from datetime import UTC, datetime

from bedside_builders import body_of, rows_down, stamp
from ebbmark.fhir.operations import BY_SLUG
from ebbmark.fhir.reading.request import RequestContext
from ebbmark.use_cases.questions import answer_request
from ebbmark.web.page.running_view import RunningView, running_view
from fhir_builders import Json
from use_cases.test_next_step_rhythm import FIBRILLATION, SINUS, rhythm

DOWN = ((18.0, 38.0), (16.0, 40.0), (14.0, 41.0), (12.0, 40.5))


def seen(resources: list[Json]) -> RunningView:
    at_s = datetime.fromisoformat(stamp(8)).timestamp()
    return running_view(answer_request(BY_SLUG["next-step"], body_of(resources, []), RequestContext(at_s)), zone=UTC)


def test_a_vital_sign_that_was_not_sent_is_the_headline() -> None:
    view = seen(rows_down(DOWN, map=72.0))

    assert view.said.startswith("Measure SpO2 before PEEP is lowered. ")
    assert "Look at the patient first" in view.said


def test_how_a_program_acknowledges_is_not_told_to_people() -> None:
    assert "parameters" not in " ".join(seen(rows_down(DOWN, map=72.0)).more)


def test_the_latest_rhythm_stands_beside_its_criterion() -> None:
    rows = rows_down(DOWN, spo2=93.0, map=72.0)

    view = seen([*rows, rhythm(-10, SINUS), rhythm(7.5, FIBRILLATION)])

    (shown,) = [criterion for criterion in view.criteria if criterion.name == "New heart rhythm"]
    assert (shown.state, shown.latest) == ("Not checked", "Atrial fibrillation at 10:07:30, less than a minute ago")
    assert view.said.startswith("Look at the patient first; no lower step is named from these readings. ")
    assert "changed from Sinus rhythm to Atrial fibrillation" in view.said
