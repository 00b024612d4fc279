"""Bad input from the outside: bytes in, an OperationOutcome out that names the element, what was found, what is taken.

What leaves the question answerable is listed as ignored; what does not is refused. Nothing is guessed.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any
from urllib.parse import quote

import pytest
from starlette.types import ASGIApp

from fhir_builders import (
    Json,
    at,
    bundle,
    height,
    observation,
    parameters,
    patient,
    quantity,
    to_bytes,
    trial_bundle,
    trial_observations,
)
from web.asking import FHIR, Reply, ask
from web.hooks.calling import call, called, hooks_app, prefetch, searchset
from web.test_never_a_fault import ISS, TAB, every_door

TRIAL = trial_observations()


def refused(app: ASGIApp, request: Json | bytes, status: int = 422) -> Reply:
    """The refusal, checked for what every refusal has in common."""
    reply = ask(app, request if isinstance(request, bytes) else to_bytes(request))
    assert reply.status == status, reply.body[:600]
    assert reply.headers["content-type"] == "application/fhir+json"
    assert reply.errors
    assert all(len(issue["details"]["text"]) > 15 for issue in reply.issues)
    return reply


def only_error(reply: Reply) -> tuple[str, str]:
    """FHIRPath and sentence of the one error."""
    (error,) = reply.errors
    return error.get("expression", [""])[0], error["details"]["text"]


def ignored(reply: Reply) -> list[dict[str, Any]]:
    """The issues of an answer: inputs that did not count."""
    assert reply.status == 200, reply.body[:600]
    issues: list[dict[str, Any]] = reply.json["entry"][-1]["resource"]["issue"]
    return issues


def about(issues: list[dict[str, Any]], path: str) -> str:
    """What is said of the input at this FHIRPath."""
    (text,) = [issue["details"]["text"] for issue in issues if issue.get("expression") == [path]]
    return str(text)


# the patient


def test_no_height(app: ASGIApp) -> None:
    path, text = only_error(refused(app, bundle(patient(), *TRIAL)))

    assert path in ("", "Bundle")
    assert "No usable body height" in text
    assert "8302-2" in text


def test_a_height_in_inches_without_its_unit(app: ASGIApp) -> None:
    tall: Json = {**height(), "valueQuantity": {"value": 66}}

    path, text = only_error(refused(app, bundle(patient(), tall, *TRIAL)))

    assert path == "Bundle.entry[1].resource.valueQuantity"
    assert "66" in text
    assert "not guessed" in text
    assert "cm" in text


@pytest.mark.parametrize("cm", [17, 1750])
def test_a_height_that_no_adult_has(app: ASGIApp, cm: float) -> None:
    path, text = only_error(refused(app, bundle(patient(), height(cm), *TRIAL)))

    assert path == "Bundle.entry[1].resource.valueQuantity"
    assert f"{cm} cm" in text
    assert "outside" in text


def test_two_heights_that_disagree(app: ASGIApp) -> None:
    other = {**height(186), "id": "other"}

    reply = refused(app, bundle(patient(), height(168), other, *TRIAL))

    paths = {issue["expression"][0] for issue in reply.errors}
    assert paths == {"Bundle.entry[1].resource.valueQuantity", "Bundle.entry[2].resource.valueQuantity"}
    assert all("168 cm" in issue["details"]["text"] for issue in reply.errors)
    assert all("186 cm" in issue["details"]["text"] for issue in reply.errors)


@pytest.mark.parametrize("gender", [None, "other", "unknown"])
def test_a_sex_that_the_formula_cannot_use_gets_both_weights_and_a_question(app: ASGIApp, gender: str | None) -> None:
    path, text = only_error(refused(app, bundle(patient(gender=gender), height(168), *TRIAL)))

    assert path.startswith("Bundle.entry[0].resource")
    # 45.5 + 0.91 (168 - 152.4) and 50 + 0.91 (168 - 152.4). Source: ARDS Network, N Engl J Med 2000;342:1301-8.
    assert "59.7" in text
    assert "64.2" in text
    assert "sex-for-formula" in text


def test_a_child(app: ASGIApp) -> None:
    path, text = only_error(refused(app, bundle(patient(born="2015-02-03"), height(140), *TRIAL)))

    assert path == "Bundle.entry[0].resource.birthDate"
    assert "18 years or older" in text
    assert "2015" not in text


def test_two_patients(app: ASGIApp) -> None:
    reply = refused(app, bundle(patient(), patient("p2"), height(), *TRIAL))

    assert any("more than one Patient" in issue["details"]["text"] for issue in reply.errors)


def test_observations_of_another_patient(app: ASGIApp) -> None:
    stranger = observation("plateau-pressure", 25, when=at(30), identity="stranger", subject="Patient/p2")

    path, text = only_error(refused(app, trial_bundle(stranger)))

    assert path == "Bundle.entry[26].resource.subject"
    assert "exactly one patient" in text


# the trial


def test_no_peep(app: ASGIApp) -> None:
    without = [one for one in TRIAL if "20077-4" not in json.dumps(one)]

    _, text = only_error(refused(app, bundle(patient(), height(), *without)))

    assert "No usable PEEP" in text
    assert "20077-4" in text


@pytest.mark.parametrize(
    ("peeps", "says"),
    [
        ((20.0, 18.0), "2 steps"),
        ((12.0,) * 6, "PEEP"),
        ((8.0, 10.0, 12.0, 14.0, 16.0, 18.0), "PEEP"),
    ],
    ids=["fewer than three steps", "all PEEP equal", "PEEP only rising"],
)
def test_no_decremental_limb(app: ASGIApp, peeps: tuple[float, ...], says: str) -> None:
    trial = trial_observations(peeps, (40.0,) * len(peeps))

    _, text = only_error(refused(app, bundle(patient(), height(), *trial)))

    assert text.startswith("No decremental PEEP trial could be read")
    assert says in text
    assert "Needed:" in text


@pytest.mark.parametrize("value", [-5, 400, 1e30, 1e308])
def test_a_pressure_that_no_ventilator_gives_is_ignored_by_name(app: ASGIApp, value: float) -> None:
    absurd = observation("plateau-pressure", value, when=at(5, 30), identity="absurd")

    text = about(ignored(ask(app, to_bytes(trial_bundle(absurd)))), "Bundle.entry[26].resource")

    assert "Observation/absurd" in text
    assert "outside the range" in text


def test_a_plateau_below_peep_is_ignored_by_name(app: ASGIApp) -> None:
    low = observation("plateau-pressure", 0.0001, when=at(5, 30), identity="low")

    text = about(ignored(ask(app, to_bytes(trial_bundle(low)))), "Bundle.entry[26].resource")

    assert "Observation/low" in text
    assert "gives no compliance" in text


def test_a_trial_of_absurd_values_only_is_refused_with_each_of_them(app: ASGIApp) -> None:
    absurd = [
        {**one, "valueQuantity": {**quantity(-1e6), "unit": "x"}} if "20077-4" in json.dumps(one) else one
        for one in TRIAL
    ]

    reply = refused(app, bundle(patient(), height(), *absurd))

    assert "No usable PEEP" in reply.errors[0]["details"]["text"]
    assert sum("outside the range" in issue["details"]["text"] for issue in reply.issues) == 8


@pytest.mark.parametrize("unit", ["mmol/L", "mL", "s"])
def test_a_unit_of_another_dimension(app: ASGIApp, unit: str) -> None:
    wrong = observation("plateau-pressure", 24, when=at(5, 30), identity="wrong", unit=unit)

    path, text = only_error(refused(app, trial_bundle(wrong)))

    assert path == "Bundle.entry[26].resource.valueQuantity"
    assert unit in text
    assert "cm[H2O]" in text


@pytest.mark.parametrize(
    ("coding", "says"),
    [
        ({"system": "http://loinc.org", "code": "99999-9"}, "99999-9"),
        ({"system": "https://site.example/codes", "code": "pplat"}, "a code of another system"),
        ({"code": "76259-1"}, "76259-1"),
        ({"display": "Plateau"}, ""),
    ],
)
def test_a_code_that_is_not_known_is_ignored_by_name(app: ASGIApp, coding: Json, says: str) -> None:
    unknown = {**observation("plateau-pressure", 24, when=at(5, 30), identity="odd"), "code": {"coding": [coding]}}

    text = about(ignored(ask(app, to_bytes(trial_bundle(unknown)))), "Bundle.entry[26].resource")

    assert text.startswith("Observation/odd: ")
    assert says in text


# times


def timed(when: str | None) -> list[Json]:
    """The trial, each Observation with this time instead of its own."""
    return [
        {name: value for name, value in {**one, "effectiveDateTime": when}.items() if value is not None}
        for one in TRIAL
    ]


@pytest.mark.parametrize(
    ("when", "says"),
    [
        (None, "no effective time"),
        ("2026-03-01T10:00:00", "no zone"),
        ("2026-03-01", "without a time"),
        ("2999-03-01T10:00:00Z", "after the instant that counts as now"),
        ("yesterday", "not a FHIR dateTime"),
        ("2026-02-30T10:00:00Z", "not a FHIR dateTime"),
    ],
)
def test_a_trial_without_usable_times_is_refused_with_the_reason_for_each(
    app: ASGIApp, when: str | None, says: str
) -> None:
    reply = refused(app, bundle(patient(), height(), *timed(when)))

    placed = {issue["expression"][0]: issue["details"]["text"] for issue in reply.errors if "expression" in issue}
    peep_paths = [f"Bundle.entry[{2 + 3 * step}].resource" for step in range(8)]
    assert all(says in placed[path] for path in peep_paths)


def test_one_reading_without_a_usable_time_is_ignored(app: ASGIApp) -> None:
    one = observation("plateau-pressure", 24, when="2026-03-01T10:05:00", identity="unplaced")

    assert "no zone" in about(ignored(ask(app, to_bytes(trial_bundle(one)))), "Bundle.entry[26].resource")


def test_readings_after_as_of_are_in_the_future(app: ASGIApp) -> None:
    reply = refused(app, parameters(bundle=trial_bundle(), as_of="2026-02-28T09:00:00+01:00"))

    assert any("after the instant that counts as now" in issue["details"]["text"] for issue in reply.errors)


# the body


def test_ten_megabytes(app: ASGIApp) -> None:
    pieces = [b" " * 100_000] * 100

    reply = ask(app, pieces)

    assert (reply.status, reply.errors[0]["code"]) == (413, "too-long")
    assert reply.taken < len(pieces)


@pytest.mark.parametrize("depth", [5_000, 400_000])
@pytest.mark.parametrize("where", ["", '{"resourceType":"Bundle","entry":', '{"resourceType":"Bundle","text":'])
def test_deeply_nested_json(app: ASGIApp, where: str, depth: int) -> None:
    body = where.encode() + b"[" * depth + b"]" * depth + (b"}" if where else b"")

    _, text = only_error(refused(app, body, 400))

    assert "nested" in text


@pytest.mark.parametrize("number", ["NaN", "Infinity", "-Infinity"])
def test_what_json_has_no_number_for(app: ASGIApp, number: str) -> None:
    body = json.dumps(trial_bundle(observation("plateau-pressure", float(number), identity="odd"))).encode()
    assert number.encode() in body

    _, text = only_error(refused(app, body, 400))

    assert "is not a number in JSON" in text


def test_a_number_that_no_computer_holds(app: ASGIApp) -> None:
    body = to_bytes(trial_bundle(observation("plateau-pressure", 12345.5, identity="odd")))

    path, _ = only_error(refused(app, body.replace(b"12345.5", b"1e999"), 400))

    assert path in ("Bundle.entry[26].resource.valueQuantity.value", "")


@pytest.mark.parametrize("odd", [b"\xff", b"\xc3(", b"\xed\xa0\x80", b"\x80"])
def test_bytes_that_are_no_utf_8(app: ASGIApp, odd: bytes) -> None:
    body = to_bytes(trial_bundle()).replace(b'"female"', b'"' + odd + b'"')

    _, text = only_error(refused(app, body, 400))

    assert "not UTF-8" in text


def test_utf_16_is_not_utf_8(app: ASGIApp) -> None:
    refused(app, to_bytes(trial_bundle()).decode().encode("utf-16"), 400)


def test_a_byte_order_mark_is_no_reason_for_a_fault(app: ASGIApp) -> None:
    assert ask(app, b"\xef\xbb\xbf" + to_bytes(trial_bundle())).status in (200, 400)


def test_half_of_a_surrogate_pair_is_no_reason_for_a_fault(app: ASGIApp) -> None:
    body = to_bytes(trial_bundle()).replace(b"Patient/p1", b"Patient/\\ud800").replace(b'"p1"', b'"\\ud800"')

    assert ask(app, body).status in (200, 400, 422)


def test_xml_that_is_sent_as_json(app: ASGIApp) -> None:
    _, text = only_error(refused(app, b'<?xml version="1.0"?><Bundle xmlns="http://hl7.org/fhir"/>', 400))

    assert "XML" in text
    assert "application/fhir+json" in text


@pytest.mark.parametrize("body", [b"", b"  \n", b"{", b'{"resourceType"', b"{}{}", b"true", b"[]", b"1", b'"Bundle"'])
def test_what_is_no_json_object(app: ASGIApp, body: bytes) -> None:
    refused(app, body, 400)


@pytest.mark.parametrize("name", ["Bundel", "Observation", "", 7, None])
def test_a_resource_that_is_no_request(app: ASGIApp, name: object) -> None:
    refused(app, to_bytes({"resourceType": name, "status": "final", "code": {}}), 400)


def test_every_wrong_element_is_named_at_once(app: ASGIApp) -> None:
    trial = trial_bundle()
    entries: Any = trial["entry"]
    entries[2]["resource"]["status"] = 5
    entries[3]["resource"]["valueQuantity"]["value"] = "24"

    reply = refused(app, trial, 400)

    assert [issue["expression"][0] for issue in reply.errors][:2] == [
        "Bundle.entry[2].resource.status",
        "Bundle.entry[3].resource.valueQuantity.value",
    ]


# the parameters


def test_a_parameter_that_is_not_known(app: ASGIApp) -> None:
    request = parameters(bundle=trial_bundle())
    listed: Any = request["parameter"]
    listed.append({"name": "peep", "valueString": "12"})

    path, text = only_error(refused(app, request))

    assert path == "Parameters.parameter[1].name"
    assert "sex-for-formula" in text


def test_a_margin_beyond_the_protocol(app: ASGIApp) -> None:
    path, text = only_error(refused(app, parameters(bundle=trial_bundle(), margin=quantity(9))))

    assert path == "Parameters.parameter[1].valueQuantity"
    assert "9 cm[H2O]" in text
    assert "2 to 4 cm[H2O]" in text


def test_all_problems_are_told_at_once(app: ASGIApp) -> None:
    wrong = observation("plateau-pressure", 24, when=at(5, 30), identity="wrong", unit="mmol/L")

    reply = refused(app, bundle(patient(gender="other", born="2015-02-03"), height(17), wrong, *TRIAL))

    text = " ".join(issue["details"]["text"] for issue in reply.errors)
    assert "mmol/L" in text
    assert "17 cm" in text
    assert "child" in text


# no patient data in errors or logs

PRIVATE = {
    "id": "mrn-4711",
    "identifier": [{"system": "https://site.example/mrn", "value": "MRN 4711 0815"}],
    "name": [{"family": "Beispiel", "given": ["Ottilie"]}],
    "telecom": [{"system": "phone", "value": "+49 30 1234567"}],
    "address": [{"line": ["Musterweg 7"], "city": "Beispielstadt"}],
}
CHILDS_YEAR = "2015"
TELLING = ("mrn-4711", "MRN 4711", "0815", "Beispiel", "Ottilie", "1234567", "Musterweg", "1960", CHILDS_YEAR)
"""Of the patients below: whatever names them, and their years of birth."""


def private_requests() -> dict[str, bytes]:
    """Requests about a patient with a name, each refused for another reason."""
    who = {**patient(), **PRIVATE}
    own = [{**one, "subject": {"reference": "Patient/mrn-4711", "display": "Ottilie"}} for one in (height(), *TRIAL)]
    stranger = {**own[1], "id": "s", "subject": {"reference": "Patient/other-0815", "display": "Beispiel"}}
    by_identifier = {**own[1], "id": "s", "subject": {"identifier": {"system": "urn:x", "value": "MRN 4711 0815"}}}
    unread = {**own[1], "id": "Ottilie Beispiel", "code": {"coding": [{"system": "urn:x", "code": "1"}]}}
    return {
        "no height": to_bytes(bundle(who, *own[1:])),
        "an id that is none": to_bytes(bundle(who, unread, *own[1:])),
        "sex": to_bytes(bundle({**who, "gender": "other"}, *own)),
        "child": to_bytes(bundle({**who, "birthDate": f"{CHILDS_YEAR}-02-03"}, *own)),
        "no date": to_bytes(bundle({**who, "birthDate": "1960-17-05"}, *own)),
        "mixed": to_bytes(bundle(who, *own, stranger)),
        "mixed by identifier": to_bytes(bundle(who, *own, by_identifier)),
        "two of one": to_bytes(bundle(who, {**who, "gender": "male"}, *own)),
        "no steps": to_bytes(bundle(who, *own[:4])),
        "name of another kind": to_bytes(bundle({**who, "birthDate": ["1960"], "gender": {"text": "Ottilie"}}, *own)),
        "cut": to_bytes(bundle(who, *own))[:-2],
        "no such parameter": to_bytes(parameters(bundle=bundle(who, *own), other="Ottilie")),
        "write-back": to_bytes(parameters(bundle=bundle(who, *own), write_back=True)),
    }


@pytest.mark.parametrize("body", private_requests().values(), ids=private_requests())
def test_no_error_text_tells_who_the_patient_is(app: ASGIApp, body: bytes, caplog: pytest.LogCaptureFixture) -> None:
    with caplog.at_level(0):
        reply = ask(app, body)

    assert 400 <= reply.status < 500
    assert [word for word in TELLING if word in reply.body.decode()] == []
    assert [word for word in TELLING if word in caplog.text] == []


NAME = "Zaphodine"
CHARTED: list[Json] = [
    {
        "resourceType": "Condition",
        "id": "c",
        "subject": {"reference": "Patient/p1"},
        "code": {"coding": [{"system": "http://snomed.info/sct", "code": "36118008", "display": "x"}], "text": "x"},
        "clinicalStatus": {"coding": [{"system": "urn:x", "code": "active"}]},
        "verificationStatus": {"coding": [{"system": "urn:x", "code": "confirmed"}]},
    },
    {
        "resourceType": "MedicationAdministration",
        "id": "m",
        "status": "in-progress",
        "subject": {"reference": "Patient/p1"},
        "effectivePeriod": {"start": at(1)},
        "medicationCodeableConcept": {
            "coding": [{"system": "http://www.whocc.no/atc", "code": "C01CA03"}],
            "text": "x",
        },
        "dosage": {"rateQuantity": {"value": 0.1, "unit": "x", "system": "urn:x", "code": "x"}},
    },
]
LOCATORS = {"id", "versionId"}
"""Logical ids in the form of FHIR: by them the caller finds the resource again."""


def leaves(value: object, place: tuple[str | int, ...] = ()) -> Iterator[tuple[str | int, ...]]:
    """Where each text of a resource stands."""
    members = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for name, inner in members:
        yield from leaves(inner, (*place, name))
    if isinstance(value, str):
        yield place


def with_name_at(request: Json, place: tuple[str | int, ...]) -> bytes:
    copy: Any = json.loads(to_bytes(request))
    at_it = copy
    for name in place[:-1]:
        at_it = at_it[name]
    at_it[place[-1]] = NAME
    return to_bytes(copy)


def test_a_name_in_any_element_is_not_repeated_by_a_refusal(app: ASGIApp, caplog: pytest.LogCaptureFixture) -> None:
    request = bundle(patient(), height(), *TRIAL[:3], *CHARTED)
    places = [place for place in leaves(request) if place[-1] not in LOCATORS]

    with caplog.at_level(0):
        replies = {place: ask(app, with_name_at(request, place)) for place in places}

    assert len(replies) > 60
    assert {reply.status for reply in replies.values()} <= {400, 422}
    assert [place for place, reply in replies.items() if NAME in reply.body.decode()] == []
    assert NAME not in caplog.text


def one_of_each_shape(request: object) -> list[tuple[str | int, ...]]:
    """A place for every path of names, whatever its indices."""
    shapes = {tuple(one for one in place if isinstance(one, str)): place for place in leaves(request)}
    return [place for place in shapes.values() if place[-1] not in LOCATORS]


def test_a_name_in_any_element_of_a_card_call_is_not_repeated_by_a_refusal(caplog: pytest.LogCaptureFixture) -> None:
    door, whole = hooks_app(), called(prefetch=prefetch(conditions=searchset(CHARTED[0])))
    places = one_of_each_shape(whole)

    with caplog.at_level(0):
        replies = {place: call(door, with_name_at(whole, place)) for place in places}

    refusals = {place: reply.body.decode() for place, reply in replies.items() if reply.status != 200}
    assert len(refusals) > 20
    assert [place for place, told in refusals.items() if NAME in told] == []
    assert NAME not in caplog.text


def test_a_name_in_any_input_of_a_replay_is_not_repeated(app: ASGIApp, caplog: pytest.LogCaptureFixture) -> None:
    # What a Condition is called stands in the answer itself, and what of the answer was altered is told.
    trial = bundle(patient(), height(), *TRIAL, CHARTED[1])
    answer = ask(app, to_bytes(trial)).json
    given = [{"name": "answer", "resource": answer}, {"name": "inputs", "resource": trial}]
    asked: Json = {"resourceType": "Parameters", "parameter": given}
    places = [place for place in one_of_each_shape(asked) if place[:2] != ("parameter", 0)]

    with caplog.at_level(0):
        replies = {place: ask(app, with_name_at(asked, place), path="/fhir/$replay") for place in places}

    assert len(places) > 20
    assert [place for place, reply in replies.items() if NAME in reply.body.decode()] == []
    assert NAME not in caplog.text


@pytest.mark.parametrize("name", ["launch", "state", "code", "error", "error_description", "error_uri", "next"])
def test_a_name_in_the_address_of_a_launch_is_not_repeated(name: str, caplog: pytest.LogCaptureFixture) -> None:
    with caplog.at_level(0):
        for path in ("/launch", "/launch/standalone", "/launch/callback"):
            cookie = [("host", "127.0.0.1"), ("cookie", f"ebbmark-launch-{TAB}={NAME}; ebbmark-{TAB}={NAME}")]
            query = f"iss={quote(ISS)}&state={TAB}.x&{name}={NAME}"
            reply = ask(every_door(), b"", method="GET", path=path, query=query, headers=cookie)
            assert NAME not in reply.body.decode() + str(reply.headers)
    assert NAME not in caplog.text


@pytest.mark.parametrize("header", ["accept", "content-type", "content-encoding", "origin", "expect", "prefer"])
def test_a_name_in_a_header_is_not_repeated(app: ASGIApp, header: str) -> None:
    reply = ask(app, to_bytes(bundle()), headers={**FHIR, header: NAME}, query=f"_format={NAME}")

    assert 400 <= reply.status < 500
    assert NAME.lower() not in (reply.body.decode() + str(reply.headers)).lower()


def test_no_answer_repeats_name_or_number_of_the_patient(app: ASGIApp, caplog: pytest.LogCaptureFixture) -> None:
    who = {**patient(), **PRIVATE, "id": "p1"}

    with caplog.at_level(0):
        reply = ask(app, to_bytes(bundle(who, height(), *TRIAL)), headers=FHIR)

    assert reply.status == 200
    assert [word for word in TELLING if word in reply.body.decode() and word != CHILDS_YEAR] == []
    assert {record.name for record in caplog.records} <= {"asyncio", "ebbmark", "ebbmark.audit"}
    assert [word for word in (*TELLING, "Patient/") if word in caplog.text] == []
