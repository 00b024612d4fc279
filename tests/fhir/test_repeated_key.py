"""A key that stands twice in one object is refused, however it is spelled (RFC 8259, section 4)."""

from __future__ import annotations

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ebbmark.fhir.problems import ProblemKind, Rejected
from ebbmark.fhir.reading.decode import body_problem
from ebbmark.record.record_query import about_patient, record_query_of
from ebbmark.use_cases.replay_exchange import read_replay_request
from ebbmark.web.hooks.call import json_object
from fhir_builders import to_bytes, trial_bundle

KEYS = st.sampled_from(["a", "b", "\\u0061", 'a\\":', "\\u0022:", ":", "a\\u003A", ""])
SPACES = st.sampled_from(["", "", "", " ", "\t", "\n", "\r\n"])
TEXTS = st.sampled_from(
    ['"x"', '"\\u0022:"', '"\\":"', '"\\u003a"', '"\\\\u003a"', '"\\" :"', '"\\ud800"', "1", "1e999", "null", "9" * 400]
)


def _spelled(children: st.SearchStrategy[str]) -> st.SearchStrategy[str]:
    pairs = st.tuples(KEYS, SPACES, children).map(lambda one: f'"{one[0]}"{one[1]}:{one[2]}')
    objects = st.lists(pairs, max_size=3).map(lambda parts: "{" + ",".join(parts) + "}")
    return objects | st.lists(children, max_size=3).map(lambda parts: "[" + ",".join(parts) + "]")


def _holds_one_twice(body: str) -> bool:
    """The same by the reference: the reader of Python's library, shown every pair."""
    found = []

    def seen(pairs: list[tuple[str, object]]) -> None:
        found.append(len({key for key, _ in pairs}) < len(pairs))

    json.loads(body, object_pairs_hook=seen)
    return any(found)


@given(st.recursive(TEXTS, _spelled, max_leaves=12))
def test_a_key_that_stands_twice_is_found_in_every_spelling_and_nothing_else_is_taken_for_one(body: str) -> None:
    problem = body_problem(body.encode())

    assert (problem is not None) == _holds_one_twice(body)
    assert problem is None or problem.kind is ProblemKind.REPEATED_KEY


@pytest.mark.parametrize(
    ("body", "place"),
    [
        (b'{"resourceType":"Bundle","type":"collection","type":"batch"}', "Bundle.type"),
        (
            to_bytes(trial_bundle()).replace(b'"status": "final"', b'"status": "final", "status": "preliminary"', 1),
            "Bundle.entry[1].resource.status",
        ),
        (
            b'{"resourceType":"Bundle","entry":[{"resource":{"Hazel Example":1,"Hazel Example":2}}]}',
            "Bundle.entry[0].resource",
        ),
    ],
)
def test_the_place_of_the_key_is_named_and_no_text_of_the_caller(body: bytes, place: str) -> None:
    problem = body_problem(body)

    assert problem is not None
    assert problem.expression == place
    assert problem.sentence.startswith(f"{place}: a key stands twice in one object")


@pytest.mark.parametrize(
    "door",
    [
        lambda body: about_patient(body, "Patient/1"),
        lambda body: record_query_of(body, base_url="https://record.example/fhir", at_s=0.0),
        read_replay_request,
        json_object,
    ],
)
def test_doors_that_read_a_part_of_a_body_first_refuse_it_too(door: object) -> None:
    body = b'{"resourceType":"Parameters","parameter":[{"name":"patient-reference"}],"parameter":[]}'

    with pytest.raises(Rejected) as caught:
        door(body)  # type: ignore[operator]
    with pytest.raises(Rejected) as not_utf8:
        door(body.replace(b"Parameters", b"Parameters\xff"))  # type: ignore[operator]

    assert [problem.kind for problem in caught.value.problems] == [ProblemKind.REPEATED_KEY]
    assert [problem.kind for problem in not_utf8.value.problems] == [ProblemKind.NOT_UTF8]


@pytest.mark.parametrize("depth", [100, *range(940, 1010)])
def test_no_depth_hides_a_key_that_stands_twice(depth: int) -> None:
    body = b'{"resourceType":"Bundle","x":' + b"[" * depth + b"]" * depth + b',"type":"batch","type":"collection"}'

    problem = body_problem(body)

    assert problem is not None
    assert problem.kind in (ProblemKind.REPEATED_KEY, ProblemKind.TOO_DEEP)
