"""Whatever is sent as an answer or as its inputs is refused clearly or replayed; nothing of it fails or stalls."""

from __future__ import annotations

import json
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest

from audit.test_replay import INPUTS, LATER_S, STORED, copy_of, replayed
from audit.test_signature import KEY, PUBLISHED, leaves
from ebbmark.audit.comparison import FindingKind, ReplayOutcome, without_places
from ebbmark.audit.signature import Verified, sign, verify
from ebbmark.audit.stored_answer import needs_of
from ebbmark.cli import main
from ebbmark.fhir.reading.request import RequestContext
from ebbmark.fhir.writing.normal_form import NotAnAnswer, resources_of
from ebbmark.use_cases.replay import replay
from fhir_builders import parameters, to_bytes
from web.asking import ask, plain_app

Json = dict[str, Any]
FOREIGN: Json = {
    "resourceType": "Observation",
    "status": "final",
    "code": {"text": "Suggested PEEP"},
    "subject": {"reference": "Patient/p1"},
    "valueQuantity": {"value": 22.0, "unit": "cmH2O", "system": "http://unitsofmeasure.org", "code": "cm[H2O]"},
}


def deep(levels: int) -> object:
    value: object = {}
    for _ in range(levels):
        value = {"extension": [value]}
    return value


OTHERS: list[object] = [[[]], 0, {"coding": 1}, None, [None], "", [{}], True, {}, -1e308, deep(450), []]


def nodes(value: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:  # noqa: ANN401
    """Every place in a value, not only where it ends."""
    inner = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    return [path, *(place for name, one in inner for place in nodes(one, (*path, name)))]


def without_numbers(path: tuple[Any, ...]) -> tuple[Any, ...]:
    return tuple(step for step in path if isinstance(step, str))


def one_of_each_kind() -> list[tuple[Any, ...]]:
    """One place of each kind in each type of resource."""
    found: dict[tuple[str, tuple[Any, ...]], tuple[Any, ...]] = {}
    for place in nodes(STORED["entry"]):
        kind = STORED["entry"][place[0]]["resource"]["resourceType"] if place else ""
        found.setdefault((kind, without_numbers(place)), place)
    return list(found.values())


PLACES = one_of_each_kind()


def put(value: object, place: tuple[Any, ...], other: object) -> Any:  # noqa: ANN401
    copied = json.loads(json.dumps(value))
    if not place:
        return other
    holder = copied
    for step in place[:-1]:
        holder = holder[step]
    holder[place[-1]] = other
    return copied


@pytest.mark.parametrize("turn", [0, 6])
def test_another_type_anywhere_in_an_answer_is_refused_or_found(turn: int) -> None:
    for number, place in enumerate(PLACES):
        answer = {**STORED, "entry": put(STORED["entry"], place, OTHERS[(number + turn) % len(OTHERS)])}
        with suppress(NotAnAnswer):
            stored = resources_of(answer)
            needs_of(stored)
            verify(stored, PUBLISHED)
            replay(stored, [("", one) for one in INPUTS], RequestContext(LATER_S))


def test_another_type_anywhere_in_the_inputs_is_refused_or_found() -> None:
    for number, place in enumerate(nodes(INPUTS[:3])[1:]):
        inputs = [*put(INPUTS[:3], place, OTHERS[number % len(OTHERS)]), *INPUTS[3:]]
        bundle = {"resourceType": "Bundle", "entry": [{"resource": input_} for input_ in inputs]}
        with suppress(NotAnAnswer):
            replay(resources_of(STORED), resources_of(bundle), RequestContext(LATER_S))


@pytest.mark.parametrize("place", ["answer", "inputs"])
def test_a_stored_answer_nine_hundred_levels_deep_is_refused_at_the_door(place: str) -> None:
    answer = copy_of(STORED)
    inputs: Json = {"resourceType": "Bundle", "entry": [{"resource": {**one}} for one in INPUTS]}
    (answer if place == "answer" else inputs)["entry"][1]["resource"]["extension"] = [deep(225)]

    reply = ask(plain_app(), to_bytes(parameters(answer=answer, inputs=inputs)), path="/fhir/$replay")

    assert reply.status == 422, reply.body
    assert "60 levels" in reply.body.decode()


@pytest.mark.parametrize("element", ["status", "resourceType", "id", "meta", "identifier", "subject", "code"])
def test_a_list_where_a_text_belongs_is_refused_at_the_door_or_found(element: str) -> None:
    kinds = {one["resource"]["resourceType"]: number for number, one in enumerate(STORED["entry"])}
    for number in kinds.values():
        answer = copy_of(STORED)
        answer["entry"][number]["resource"][element] = [[]]
        inputs = {"resourceType": "Bundle", "entry": [{"resource": one} for one in INPUTS]}

        reply = ask(plain_app(), to_bytes(parameters(answer=answer, inputs=inputs)), path="/fhir/$replay")

        assert reply.status in (200, 422), reply.body
        assert b'"same","valueBoolean":true' not in reply.body


def test_a_foreign_suggestion_in_a_signed_bundle_is_neither_the_same_nor_valid() -> None:
    signed = sign(STORED, key=KEY)
    signed["entry"] = [*signed["entry"], {"resource": FOREIGN}]  # type: ignore[misc]

    outcome = replayed(signed)

    assert (outcome.outcome, outcome.same) == (ReplayOutcome.DIFFERENT, False)
    assert [finding.kind for finding in outcome.findings] == [FindingKind.FOREIGN]
    assert verify(resources_of(signed), PUBLISHED).verified is Verified.PARTLY


def test_a_foreign_resource_in_an_unsigned_bundle_is_found_too() -> None:
    answer = copy_of(STORED)
    answer["entry"].append({"resource": FOREIGN})

    assert replayed(answer).outcome is ReplayOutcome.DIFFERENT
    assert verify(resources_of(answer), PUBLISHED).verified is Verified.ABSENT


@pytest.mark.parametrize(
    "text", ["Bundle." * 300_000, "Bundle.Bundle[1]." * 100_000 + "resourc", "[" * 2_000_000, "Parameters.a" * 200_000]
)
def test_a_long_text_like_a_path_is_read_once(text: str) -> None:
    # A search that goes back at every place would take hours here.
    assert without_places(f"{text} .resource") == f"{text} .resource"


@pytest.mark.parametrize(
    ("text", "left"),
    [
        ("See Bundle.entry[3].resource.component[1].", "See ….component[1]."),
        ("Parameters.parameter[0].resource.entry[2].resource, too", "…, too"),
        ("A Bundle. A resource.", "A Bundle. A resource."),
        ("Bundle.entry[x].resource", "Bundle.entry[x].resource"),
    ],
)
def test_a_place_in_the_request_is_left_out_of_a_text(text: str, left: str) -> None:
    assert without_places({"text": [text]}) == {"text": [left]}


def test_no_sentence_repeats_a_text_of_the_answer() -> None:
    name = "Zanzibara Quux"
    for place in leaves(STORED["entry"])[::7]:
        if place[-1] in ("fullUrl", "data") or isinstance(place[-1], int):
            continue
        answer = {**STORED, "entry": put(STORED["entry"], place, name)}
        try:
            told = [
                finding.sentence
                for finding in replay(resources_of(answer), [("", o) for o in INPUTS], RequestContext(LATER_S)).findings
            ]
        except NotAnAnswer as refused:
            told = [str(refused)]
        assert not [one for one in told if name in one], place


@pytest.mark.parametrize("turn", [0, 4, 8])
def test_the_account_of_a_damaged_answer_is_refused_and_no_traceback(
    turn: int, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for number, place in enumerate(PLACES):
        damaged = {**STORED, "entry": put(STORED["entry"], place, OTHERS[(number + turn) % len(OTHERS)])}
        (tmp_path / "damaged.json").write_text(json.dumps(damaged))

        code = main(["account", str(tmp_path / "damaged.json")])

        said = capsys.readouterr()
        assert code in (0, 4), said
        assert (code == 4) is ("not an answer Bundle" in said.err)
