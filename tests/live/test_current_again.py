"""A superseded answer in a real record: a repeat says so; who means it makes it current again, back and forth."""

from __future__ import annotations

from typing import Any

import httpx
import pytest

from audit.test_signature import PUBLISHED
from ebbmark.audit.comparison import FindingKind
from ebbmark.audit.signature import Verified, verify
from ebbmark.fhir.answer import Answer
from ebbmark.record.write_back import WriteState
from fhir_builders import quantity
from live.bedside import Bedside
from live.record_server import problems, validate_with_server

pytestmark = pytest.mark.live

Json = dict[str, Any]


def two_answers(bedside: Bedside) -> tuple[Answer, Answer]:
    """Two margins of one trial, recorded one after the other."""
    first, second = bedside.asked(), bedside.asked(margin={"valueQuantity": quantity(3.0)})
    for answer in (first, second):
        assert bedside.recorded(answer, bedside.nurse).state is WriteState.WRITTEN
    return first, second


def standing(bedside: Bedside) -> list[str]:
    """Identities of the answers whose suggestion a clinician would take for current."""
    current = [result for result in bedside.results() if result["status"] != "cancelled"]
    return [one["identifier"][0]["value"].partition(":")[0] for one in current]


def test_a_repeat_of_a_superseded_answer_changes_nothing_and_says_what_stands(bedside: Bedside) -> None:
    first, second = two_answers(bedside)
    before = bedside.results()

    outcome = bedside.recorded(first, bedside.nurse)

    assert outcome.state is WriteState.SUPERSEDED
    assert f"another answer for the same trial ({second.identity[:12]}…) stands" in outcome.sentence
    assert bedside.results() == before


def test_a_repeat_where_nothing_stands_says_that_nothing_is_current(client: httpx.Client, bedside: Bedside) -> None:
    first, _ = two_answers(bedside)
    for code in ("suggested-peep", "closing-pressure"):
        for result in bedside.results(code):
            if result["status"] == "preliminary":
                client.put(
                    f"/Observation/{result['id']}", json={**result, "status": "entered-in-error"}
                ).raise_for_status()

    outcome = bedside.recorded(first, bedside.nurse)

    assert outcome.state is WriteState.NOT_CURRENT
    assert "no answer for the same trial stands" in outcome.sentence


def test_who_means_it_makes_it_current_again_and_it_replays(bedside: Bedside, record_base_url: str) -> None:
    first, second = two_answers(bedside)

    outcome = bedside.recorded(first, bedside.doctor, make_current=True)

    assert outcome.state is WriteState.WRITTEN, outcome.sentence
    assert standing(bedside) == [first.identity]
    stored = bedside.stored(first.identity)
    assert bedside.replayed(stored).findings == ()
    assert verify(stored, PUBLISHED).verified is Verified.VALID
    assert {finding.kind for finding in bedside.replayed(bedside.stored(second.identity)).findings} == {
        FindingKind.SUPERSEDED
    }
    told = changes(bedside, stored)
    assert [bedside.doctor in str(one["agent"]) for one in told] == [False, True]
    for one in told:
        assert problems(validate_with_server(record_base_url, one)) == []


def changes(bedside: Bedside, stored: list[tuple[str, Json]]) -> list[Json]:
    """The Provenances over changes of this answer's suggestion, in the order in which they were written."""
    (suggestion,) = [one for _, one in stored if "'suggested-peep'" in str(one.get("code"))]
    found = bedside.client.get(
        "/Provenance", params={"target": f"Observation/{suggestion['id']}", "_count": "100"}
    ).json()
    told = sorted((entry["resource"] for entry in found["entry"]), key=lambda one: str(one["recorded"]))
    return [one for one in told if one["activity"]["coding"][0]["code"] == "UPDATE"]


def test_it_may_go_back_and_forth_and_one_answer_stands_each_time(bedside: Bedside) -> None:
    first, second = two_answers(bedside)

    for answer in (first, second, first):
        assert bedside.recorded(answer, bedside.nurse, make_current=True).state is WriteState.WRITTEN
        assert standing(bedside) == [answer.identity]

    assert len(changes(bedside, bedside.stored(first.identity))) == 4
    outcome = bedside.replayed(bedside.stored(second.identity))
    assert (outcome.same, len(outcome.findings) > 0) == (True, True)


def test_a_correction_that_is_corrected_back_in_the_record_is_a_new_answer_that_stands(bedside: Bedside) -> None:
    first = bedside.asked()
    bedside.recorded(first, bedside.nurse)
    (right,) = [one for one in bedside.trial if one["id"] == "plateau-pressure-3"]
    value = right["valueQuantity"]
    assert isinstance(value, dict)
    bedside.put({**right, "status": "amended", "valueQuantity": {**value, "value": 26.9}})
    second = bedside.asked()
    bedside.recorded(second, bedside.nurse)
    bedside.put({**right, "status": "amended"})
    third = bedside.asked()

    outcome = bedside.recorded(third, bedside.nurse)

    assert (outcome.state, standing(bedside)) == (WriteState.WRITTEN, [third.identity])
    assert third.titration.advice == first.titration.advice
    assert len({first.identity, second.identity, third.identity}) == 3
