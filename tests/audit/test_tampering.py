"""Every value of every stored resource of an answer is tampered with, and it is found, with few exceptions."""

from __future__ import annotations

import copy
from base64 import b64encode
from collections import Counter
from collections.abc import Mapping
from hashlib import sha1
from typing import Any

import pytest

from audit.read_back import read_back
from audit.test_replay import AT_S, LATER_S
from audit.test_signature import KEY, PUBLISHED, changed, leaves
from ebbmark.audit.comparison import FindingKind
from ebbmark.audit.signature import Verified, sign, verify
from ebbmark.fhir.answer import Answer
from ebbmark.fhir.operations import TITRATE_PEEP
from ebbmark.fhir.reading.request import RequestContext
from ebbmark.fhir.times import seconds
from ebbmark.fhir.writing.normal_form import NotAnAnswer
from ebbmark.fhir.writing.write import write_bundle
from ebbmark.use_cases.questions import answer_request
from ebbmark.use_cases.replay import replay
from ebbmark.use_cases.replay_exchange import Replayed
from fhir_builders import at, bundle, height, observation, parameters, patient, to_bytes, trial_observations

Json = dict[str, Any]
Path = tuple[Any, ...]
Stored = list[Json]

# A short trial with one reading taken back, so that the answer has a remark, too.
WRONG = {**observation("peep-set", 30.0, when=at(1), identity="wrong", version="2"), "status": "entered-in-error"}
GIVEN: list[Json] = [
    patient(),
    {**height(), "meta": {"versionId": "1"}},
    *trial_observations((18.0, 16.0, 14.0, 12.0), (46.0, 46.5, 44.0, 39.0)),
    WRONG,
]
ANSWER = answer_request(TITRATE_PEEP, to_bytes(parameters(bundle=bundle(*GIVEN))), RequestContext(AT_S))


def page(answer: Answer, recorded_s: float) -> bytes:
    """Stands for the page of a report: it shows what the real one shows, remarks and time of recording among it."""
    shown = [
        answer.identity,
        answer.titration.advice.rationale,
        answer.request.notes,
        [one.reason for one in answer.ignored],
    ]
    return f"%PDF {shown} {recorded_s}".encode()


WRITTEN = sign(
    write_bundle(ANSWER, recorded_s=AT_S, enterer="Practitioner/nurse-7", report_pdf=page(ANSWER, AT_S)), key=KEY
)
STORED: Stored = [one for _, one in read_back(WRITTEN, "Patient/p1")]

OF_THE_RECORD: dict[Path, str] = {
    ("*", "meta", "versionId"): "the record counts its versions",
    ("*", "meta", "lastUpdated"): "the record says when it changed",
    ("Provenance", "id"): "the record gave it, and nothing refers to it",
}
NOT_COMPUTED: dict[Path, str] = {
    ("Provenance", "recorded"): "when it was recorded follows from no input",
    ("Provenance", "agent", 1, "who", "reference"): "who chose to record it follows from no input",
    ("Provenance", "signature"): "a signature is checked with a key, not computed again",
    (
        "GuidanceResponse",
        "contained",
        "issue",
        "expression",
    ): "where in the request an input stood follows from no input",
}


def replayed(stored: Stored) -> Replayed:
    return replay([("", one) for one in stored], [("", one) for one in GIVEN], RequestContext(LATER_S), render=page)


def is_found_by_replay(stored: Stored) -> bool:
    try:
        return not replayed(stored).same
    except NotAnAnswer:
        return True


def is_found_by_signature(stored: Stored) -> bool:
    try:
        return verify([("", one) for one in stored], PUBLISHED).verified is not Verified.VALID
    except NotAnAnswer:
        return True


def excepted(path: Path, exceptions: Mapping[Path, str]) -> bool:
    number, *rest = path
    kind, plain = STORED[number]["resourceType"], [step for step in rest if isinstance(step, str)]
    names = [(kind, *rest), (kind, *plain), ("*", *plain)]
    return any(name[: len(exception)] == exception for name in names for exception in exceptions)


def tampered(path: Path) -> Stored:
    """The stored answer with another value at this place; where a time stands, another time."""
    found: Any = STORED
    for step in path:
        found = found[step]
    if isinstance(found, str) and isinstance(seconds(found), float):
        return put(path, found.replace("2026", "2027"))
    other: Stored = changed(STORED, path)
    return other


def put(path: Path, value: object) -> Stored:
    """The stored answer with this value at this place."""
    stored = copy.deepcopy(STORED)
    holder: Any = stored
    for step in path[:-1]:
        holder = holder[step]
    holder[path[-1]] = value
    return stored


EVERY_LEAF = leaves(STORED)
MOST_OF_A_PLACE = 3


def of_each_place() -> list[Path]:
    """Leaves for a replay, which costs more than a signature: of each place in each kind of resource the first few."""
    met: Counter[tuple[object, ...]] = Counter()
    chosen = []
    for path in EVERY_LEAF:
        number, *rest = path
        place = (STORED[number]["resourceType"], *(step for step in rest if isinstance(step, str)))
        met[place] += 1
        if met[place] <= MOST_OF_A_PLACE:
            chosen.append(path)
    return chosen


def test_the_answer_has_what_can_be_tampered_with() -> None:
    kinds = {one["resourceType"] for one in STORED}

    assert kinds == {"GuidanceResponse", "Observation", "DetectedIssue", "DiagnosticReport", "Device", "Provenance"}
    assert len(EVERY_LEAF) > 800
    assert (replayed(STORED).findings, is_found_by_signature(STORED)) == ((), False)


def test_leaves_of_every_place_that_are_tampered_with_are_found_by_a_replay_alone() -> None:
    exceptions = {**OF_THE_RECORD, **NOT_COMPUTED}
    unnoticed = [path for path in of_each_place() if not is_found_by_replay(tampered(path))]

    assert [path for path in unnoticed if not excepted(path, exceptions)] == []
    assert {
        exception for exception in exceptions if not any(excepted(path, {exception: ""}) for path in unnoticed)
    } == set()


def test_every_leaf_that_is_tampered_with_is_found_by_the_signature() -> None:
    unnoticed = [path for path in EVERY_LEAF if not is_found_by_signature(tampered(path))]

    assert [path for path in unnoticed if not excepted(path, OF_THE_RECORD)] == []
    assert {one for one in OF_THE_RECORD if not any(excepted(path, {one: ""}) for path in unnoticed)} == set()


NARRATIVE: Json = {
    "status": "generated",
    "div": '<div xmlns="http://www.w3.org/1999/xhtml"><p>Suggested PEEP: 22 cmH2O</p></div>',
}
ADDED: dict[str, object] = {
    "text": NARRATIVE,
    "language": "en",
    "implicitRules": "https://ebbmark.example/rules",
    "extension": [{"url": "https://ebbmark.example/more", "valueString": "more"}],
    "modifierExtension": [{"url": "https://ebbmark.example/not", "valueBoolean": True}],
    "contained": [{"resourceType": "Basic", "id": "more", "code": {"text": "more"}}],
    "comment": "an element that FHIR does not know",
}
NUMBERS = range(len(STORED))


@pytest.mark.parametrize("name", ADDED)
def test_what_is_put_into_any_stored_resource_is_found(name: str) -> None:
    for number in NUMBERS:
        there = STORED[number].get(name)
        more = [*there, *ADDED[name]] if isinstance(there, list) else ADDED[name]  # type: ignore[misc]
        stored = put((number, name), more)

        assert is_found_by_replay(stored), STORED[number]["resourceType"]
        assert is_found_by_signature(stored), STORED[number]["resourceType"]


def test_a_narrative_that_was_put_in_is_named() -> None:
    (number,) = [n for n in NUMBERS if str(STORED[n].get("identifier", "")).find(":suggested-peep'") > 0]

    (finding,) = replayed(put((number, "text"), NARRATIVE)).findings

    assert (finding.kind, finding.path, finding.found) == (FindingKind.VALUE, "suggested-peep.text", NARRATIVE)


@pytest.mark.parametrize("element", ["code", "valueQuantity", "note", "component", "status", "derivedFrom"])
def test_what_is_taken_out_of_a_stored_result_is_found(element: str) -> None:
    (number,) = [n for n in NUMBERS if str(STORED[n].get("identifier", "")).find(":suggested-peep'") > 0]
    stored = copy.deepcopy(STORED)
    del stored[number][element]

    assert is_found_by_replay(stored)
    assert is_found_by_signature(stored)


@pytest.mark.parametrize("number", NUMBERS)
def test_a_stored_resource_that_is_gone_is_found(number: int) -> None:
    stored = [one for place, one in enumerate(STORED) if place != number]

    assert is_found_by_replay(stored)
    assert is_found_by_signature(stored)


LABELS: dict[str, object] = {
    "security": [{"system": "http://terminology.hl7.org/CodeSystem/v3-ActReason", "code": "HTEST"}],
    "tag": [{"system": "https://ward.example/workflow", "code": "seen"}],
    "profile": ["https://ward.example/StructureDefinition/result"],
}


@pytest.mark.parametrize("name", LABELS)
def test_a_label_is_named_as_given_afterwards_and_the_answer_stays_what_it_was(name: str) -> None:
    for number in NUMBERS:
        meta = STORED[number]["meta"]
        stored = put((number, "meta"), {**meta, name: [*meta.get(name, ()), *LABELS[name]]})  # type: ignore[misc]

        outcome = replayed(stored)

        assert (outcome.same, [finding.kind for finding in outcome.findings]) == (True, [FindingKind.LABELLED])
        assert outcome.findings[0].path == f"meta.{name}"
        assert not is_found_by_signature(stored)


@pytest.mark.parametrize(
    "remark", [{"severity": "information", "code": "informational", "details": {"text": "Use 22 cmH2O."}}]
)
def test_a_remark_that_was_put_in_is_not_computed_but_page_and_signature_show_that_it_was_not_there(
    remark: Json,
) -> None:
    (number,) = [n for n in NUMBERS if STORED[n]["resourceType"] == "GuidanceResponse"]
    issues = STORED[number]["contained"][0]["issue"]
    stored = put((number, "contained", 0, "issue"), [*issues, remark])

    outcome = replayed(stored)

    assert outcome.not_checked == 1
    assert {finding.path.partition("[")[0] for finding in outcome.findings} == {"report.presentedForm"}
    assert is_found_by_signature(stored)


@pytest.mark.parametrize("base", ["https://elsewhere.example/fhir/", "http://record.example/"])
def test_a_reference_that_leads_to_another_server_is_not_taken_for_one_of_the_answer(base: str) -> None:
    (number,) = [n for n in NUMBERS if str(STORED[n].get("identifier", "")).find(":suggested-peep'") > 0]
    place = (number, "derivedFrom", 0, "reference")
    stored = put(place, base + STORED[number]["derivedFrom"][0]["reference"])

    assert is_found_by_replay(stored)
    assert is_found_by_signature(stored)


@pytest.mark.parametrize("signature", [[], [{"sigFormat": "application/pdf", "data": "AAAA"}]])
def test_a_signature_that_was_taken_away_is_never_valid(signature: list[Json]) -> None:
    number = next(n for n in NUMBERS if STORED[n]["resourceType"] == "Provenance")

    assert is_found_by_signature(put((number, "signature"), signature))


def test_a_page_that_was_exchanged_is_found_though_its_digest_fits() -> None:
    (number,) = [n for n in NUMBERS if STORED[n]["resourceType"] == "DiagnosticReport"]
    other = page(ANSWER, AT_S).replace(b"16 cmH2O", b"22 cmH2O")
    (form,) = STORED[number]["presentedForm"]
    digest = b64encode(sha1(other, usedforsecurity=False).digest()).decode()
    stored = put((number, "presentedForm", 0), {**form, "data": b64encode(other).decode(), "hash": digest})

    assert other != page(ANSWER, AT_S)
    paths = {finding.path for finding in replayed(stored).findings}
    assert paths == {"report.presentedForm[0].data", "report.presentedForm[0].hash"}
    assert is_found_by_signature(stored)


def test_a_page_that_cannot_be_made_again_is_said_to_be_unchecked() -> None:
    outcome = replay([("", one) for one in STORED], [("", one) for one in GIVEN], RequestContext(LATER_S))

    assert (outcome.same, [finding.kind for finding in outcome.findings]) == (False, [FindingKind.NOT_COMPUTED])


def test_a_report_that_was_put_to_an_answer_without_its_origin_is_found() -> None:
    plain = sign(write_bundle(ANSWER, recorded_s=AT_S), key=KEY)
    stored = [one for _, one in read_back(plain, "Patient/p1")]
    (report,) = [one for one in STORED if one["resourceType"] == "DiagnosticReport"]

    assert is_found_by_replay([*stored, report])
    assert is_found_by_signature([*stored, report])
