from __future__ import annotations

import json
from dataclasses import replace
from datetime import datetime
from typing import Any

import pytest

from audit.read_back import read_back
from audit.test_signature import changed, one_of_each
from ebbmark.audit.comparison import FindingKind
from ebbmark.fhir.operations import TITRATE_PEEP
from ebbmark.fhir.reading.codes import NO_CODE_MAP, CodeMap
from ebbmark.fhir.reading.request import RequestContext
from ebbmark.fhir.writing.identity import identity
from ebbmark.fhir.writing.normal_form import NotAnAnswer, resources_of
from ebbmark.fhir.writing.supersession import superseded
from ebbmark.fhir.writing.write import write_bundle
from ebbmark.use_cases.questions import answer_request
from ebbmark.use_cases.replay import replay
from ebbmark.use_cases.replay_exchange import Replayed
from fhir_builders import (
    at,
    bundle,
    charted_sex,
    height,
    observation,
    parameters,
    patient,
    quantity,
    to_bytes,
    trial_observations,
)

Json = dict[str, Any]
AT_S = datetime.fromisoformat(at(90)).timestamp()
LATER_S = AT_S + 400 * 24 * 3600.0
TALL: Json = {**height(), "meta": {"versionId": "1"}}
INPUTS: list[Json] = [patient(), TALL, *trial_observations()]


def answer(*inputs: Json, **more: object) -> Json:
    body = to_bytes(parameters(bundle=bundle(*(inputs or INPUTS)), **more))
    return write_bundle(answer_request(TITRATE_PEEP, body, RequestContext(AT_S)), recorded_s=AT_S)


def replayed(
    stored: Json,
    *inputs: Json,
    at_s: float = LATER_S,
    code_map: CodeMap = NO_CODE_MAP,
    **more: Any,  # noqa: ANN401
) -> Replayed:
    context = RequestContext(at_s, code_map=code_map)
    return replay(resources_of(stored), [("", input_) for input_ in inputs or INPUTS], context, **more)


STORED = answer()


def kinds(outcome: Replayed) -> set[FindingKind]:
    return {finding.kind for finding in outcome.findings}


def test_an_untouched_answer_is_the_same_long_afterwards() -> None:
    outcome = replayed(STORED)

    assert (outcome.same, outcome.findings, outcome.not_checked) == (True, (), 0)


def test_the_answer_read_back_from_a_record_is_the_same() -> None:
    assert (
        replay(read_back(STORED, "Patient/p1"), [("", one) for one in INPUTS], RequestContext(LATER_S)).findings == ()
    )


def test_the_order_of_the_inputs_does_not_matter() -> None:
    assert replayed(STORED, *reversed(INPUTS)).findings == ()


def test_when_it_was_recorded_and_asked_does_not_matter() -> None:
    stored = answer(as_of=at(60))

    assert replayed(stored).findings == ()


@pytest.mark.parametrize("margin", [2.5, 3.0, 4.0])
def test_the_margin_is_taken_from_the_answer(margin: float) -> None:
    assert replayed(answer(margin=quantity(margin))).findings == ()


@pytest.mark.parametrize("sex", ["female", "male"])
def test_a_form_of_the_formula_that_the_caller_chose_is_found_again(sex: str) -> None:
    assert replayed(answer(sex_for_formula=sex)).findings == ()


def test_preliminary_inputs_are_taken_as_they_were() -> None:
    early = [{**trial_observation, "status": "preliminary"} for trial_observation in trial_observations()]
    stored = answer(patient(), TALL, *early, accept_preliminary=True)

    assert replayed(stored, patient(), TALL, *early).findings == ()


def test_inputs_that_were_not_used_change_nothing() -> None:
    odd = observation("peep-set", 30.0, when=at(1), identity="never-seen", version="1")

    assert replayed(STORED, *INPUTS, odd).findings == ()


ALL_LEAVES = one_of_each(STORED)
FREE = {"fullUrl", "recorded"}


def test_every_value_that_is_tampered_with_is_found() -> None:
    unnoticed = []
    for path in [path for path in ALL_LEAVES if path[-1] not in FREE and len(path) > 1]:
        try:
            outcome = replayed(changed(STORED, path))
        except NotAnAnswer:
            continue
        if outcome.same:
            unnoticed.append(path)
    # A place in the request is where something stood, not what it said.
    assert [path for path in unnoticed if "expression" not in path] == []


def part_of(stored: Json, code: str) -> Json:
    (one,) = [
        entry["resource"]
        for entry in stored["entry"]
        if entry["resource"].get("code", {}).get("coding", [{}])[0].get("code") == code
    ]
    found: Json = one
    return found


def copy_of(stored: Json) -> Json:
    copied: Json = json.loads(json.dumps(stored))
    return copied


def test_a_tampered_value_is_named_with_what_it_should_be() -> None:
    stored = copy_of(STORED)
    suggestion = part_of(stored, "suggested-peep")
    right = suggestion["valueQuantity"]["value"]
    suggestion["valueQuantity"]["value"] = 21.0

    (finding,) = replayed(stored).findings

    assert (finding.kind, finding.path) == (FindingKind.VALUE, "suggested-peep.valueQuantity.value")
    assert (finding.expected, finding.found) == (right, 21.0)


def test_an_input_that_was_amended_since_is_named_and_the_answer_stays_what_it_was() -> None:
    outcome = replayed(STORED, current={"Observation/plateau-pressure-3": "2", "Observation/height": "1"})

    assert outcome.same
    (finding,) = outcome.findings
    assert (finding.kind, finding.path) == (
        FindingKind.INPUT_AMENDED,
        "Observation/plateau-pressure-3/_history/1",
    )


def test_an_input_whose_value_is_another_than_it_was_is_found() -> None:
    other = [
        {**one, "valueQuantity": quantity(9.0)} if one.get("id") == "plateau-pressure-3" else one for one in INPUTS
    ]

    assert FindingKind.VALUE in kinds(replayed(STORED, *other))


def test_an_input_that_is_gone_is_named() -> None:
    outcome = replayed(STORED, *[one for one in INPUTS if one.get("id") != "plateau-pressure-3"])

    assert not outcome.same
    assert FindingKind.INPUT_GONE in kinds(outcome)


def test_another_engine_version_is_named_and_values_are_compared_all_the_same() -> None:
    new = answer_request(TITRATE_PEEP, to_bytes(parameters(bundle=bundle(*INPUTS))), RequestContext(AT_S))
    older = replace(new, engine_version="0.0.9", identity=identity(new.basis, new.input_digest, "0.0.9"))

    assert kinds(replayed(write_bundle(older, recorded_s=AT_S))) == {FindingKind.ENGINE}


def test_an_engine_version_that_was_only_written_over_is_more_than_that() -> None:
    stored = copy_of(STORED)
    for entry in stored["entry"]:
        if entry["resource"]["resourceType"] == "Device":
            entry["resource"]["version"][0]["value"] = "9.9.9"

    assert kinds(replayed(stored)) == {FindingKind.ENGINE, FindingKind.VALUE}


def test_another_protocol_version_is_named() -> None:
    stored = json.loads(json.dumps(STORED).replace("compliance-closing|1", "compliance-closing|0"))

    assert FindingKind.PROTOCOL in kinds(replayed(stored))


def test_a_result_that_was_taken_out_is_named() -> None:
    stored = copy_of(STORED)
    stored["entry"] = [entry for entry in stored["entry"] if entry["resource"] != part_of(stored, "suggested-peep")]

    assert FindingKind.RESULT_MISSING in kinds(replayed(stored))


def test_a_result_that_was_put_in_is_named() -> None:
    stored = copy_of(STORED)
    extra = copy_of(part_of(stored, "suggested-peep"))
    extra["identifier"][0]["value"] = extra["identifier"][0]["value"].replace("suggested-peep", "suggested-peep-2")
    stored["entry"].append({"fullUrl": "urn:uuid:0b1c8a52-95a3-4d0c-9c4e-3f5f2c7a9d11", "resource": extra})

    assert kinds(replayed(stored)) == {FindingKind.RESULT_UNEXPECTED}


def test_a_mark_of_superseding_came_afterwards() -> None:
    stored = [(url, superseded(one, "f" * 64)) for url, one in read_back(STORED, "Patient/p1")]

    outcome = replay(stored, [("", one) for one in INPUTS], RequestContext(LATER_S))

    assert (outcome.same, kinds(outcome)) == (True, {FindingKind.SUPERSEDED})


def test_a_clinicians_signature_came_afterwards() -> None:
    stored = copy_of(STORED)
    part_of(stored, "suggested-peep")["status"] = "final"

    outcome = replayed(stored)

    assert (outcome.same, kinds(outcome)) == (True, {FindingKind.SIGNED})


def test_remarks_on_inputs_that_were_not_used_are_counted_as_not_checked() -> None:
    wrong = {**observation("peep-set", 30.0, when=at(1), identity="wrong", version="2"), "status": "entered-in-error"}
    stored = answer(*INPUTS, wrong)

    with_it, without = replayed(stored, *INPUTS, wrong), replayed(stored)

    assert (with_it.findings, with_it.not_checked) == ((), 0)
    assert (without.findings, without.not_checked) == ((), 1)


@pytest.mark.parametrize("stored", [{}, {"entry": []}, {"entry": [{"resource": patient()}]}, {"entry": [1]}])
def test_what_is_no_answer_is_said_so(stored: Json) -> None:
    with pytest.raises(NotAnAnswer):
        replayed(stored)


def test_two_answers_at_once_are_not_mixed() -> None:
    both = {"entry": [*STORED["entry"], *answer(margin=quantity(3.0))["entry"]]}

    with pytest.raises(NotAnAnswer):
        replayed(both)


def test_an_observation_of_the_sex_is_an_input_like_any_other() -> None:
    inputs = [*INPUTS, charted_sex("M")]
    stored = answer(*inputs)

    same = replayed(stored, *inputs)
    amended = replayed(stored, *inputs, current={"Observation/sex": "2"})
    gone = replayed(stored, *INPUTS)

    assert (same.same, same.findings) == (True, ())
    assert [(finding.kind, finding.path) for finding in amended.findings] == [
        (FindingKind.INPUT_AMENDED, "Observation/sex/_history/1")
    ]
    assert FindingKind.INPUT_GONE in kinds(gone)


def test_a_sex_that_was_not_used_is_not_needed_again() -> None:
    outcome = replayed(answer(*INPUTS, charted_sex("M"), sex_for_formula="female"))

    assert outcome.same
