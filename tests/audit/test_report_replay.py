"""The page of a report is made again from the stored answer and its inputs, byte for byte."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from audit.read_back import read_back
from audit.test_replay import AT_S, LATER_S
from audit.test_tampering import GIVEN
from ebbmark.fhir.answer import Answer
from ebbmark.fhir.operations import TITRATE_PEEP
from ebbmark.fhir.reading.request import RequestContext
from ebbmark.fhir.writing.write import write_bundle
from ebbmark.use_cases.questions import answer_request
from ebbmark.use_cases.replay import replay
from ebbmark.use_cases.replay_exchange import Replayed
from ebbmark.views.sheet import report_pdf
from fhir_builders import at, bundle, observation, parameters, to_bytes

Json = dict[str, Any]

REPORTED_S = AT_S + 1200.0
"""A report that was asked for some time after the answer."""

TAKEN_BACK = {"status": "cancelled"}
UNADDRESSED: Json = {**observation("peep-set", 31.0, when=at(2)), **TAKEN_BACK}


def render(answer: Answer, recorded_s: float) -> bytes:
    return report_pdf(answer, recorded_s=recorded_s)


def stored(answer: Answer) -> list[tuple[str, Json]]:
    """The answer as a record holds it: results first, and a report that joined them later."""
    pdf = report_pdf(answer, recorded_s=REPORTED_S)
    with_report = read_back(write_bundle(answer, recorded_s=REPORTED_S, report_pdf=pdf), "Patient/p1")
    of_results = [
        {**one, "recorded": "2026-03-01T11:30:00Z"}
        if "'code': '" + answer.identity + ":provenance'" in str(one)
        else one
        for _, one in with_report
    ]
    return [("", of_result) for of_result in of_results]


def asked(*inputs: Json, **more: Any) -> Answer:  # noqa: ANN401
    return answer_request(TITRATE_PEEP, to_bytes(parameters(bundle=bundle(*inputs), **more)), RequestContext(AT_S))


def replayed(answer: Answer, *inputs: Json) -> Replayed:
    return replay(stored(answer), [("", input_) for input_ in inputs], RequestContext(LATER_S), render=render)


def test_the_same_inputs_in_another_order_give_the_same_page_long_afterwards() -> None:
    assert replayed(asked(*GIVEN), *reversed(GIVEN)).findings == ()


def test_inputs_that_were_left_out_and_cannot_be_found_again_are_shown_as_they_are_stored() -> None:
    gone = {**observation("peep-set", 30.0, when=at(1), identity="other", version="1"), **TAKEN_BACK}
    answer = asked(*GIVEN, gone, UNADDRESSED)

    outcome = replayed(answer, *GIVEN)

    assert len(answer.ignored) == 3
    assert outcome.findings == ()
    assert outcome.not_checked > 0


def test_remarks_that_only_a_record_can_make_are_shown_as_they_are_stored() -> None:
    answer = asked(*GIVEN)
    notes = (*answer.request.notes, "12 Observations were not asked for.")
    noted = replace(answer, request=replace(answer.request, notes=notes))

    assert replayed(noted, *GIVEN).findings == ()


@pytest.mark.parametrize("more", [{"sex_for_formula": "male"}, {"as_of": at(60)}], ids=["form chosen", "asked of then"])
def test_what_a_caller_chose_is_found_again(more: Json) -> None:
    assert replayed(asked(*GIVEN, **more), *GIVEN).findings == ()


def test_an_amended_input_gives_another_page() -> None:
    other = [{**one, "birthDate": "1950-05-17"} if one["resourceType"] == "Patient" else one for one in GIVEN]

    paths = {finding.path for finding in replayed(asked(*GIVEN), *other).findings}

    assert "report.presentedForm[0].data" in paths
