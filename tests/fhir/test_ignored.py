"""Every reason for which an input does not count, from bytes; nothing is silently dropped."""

from __future__ import annotations

from collections import Counter

import pytest

from ebbmark.fhir.naming import CODE_SYSTEM, RESULT_SYSTEM
from ebbmark.fhir.operations import TITRATE_PEEP
from ebbmark.fhir.problems import Reason, Rejected, ignored_issue
from ebbmark.fhir.reading.read import read_request
from ebbmark.fhir.reading.request import Request, RequestContext
from ebbmark.fhir.writing.write import write_bundle
from ebbmark.use_cases.questions import answer_request
from fhir_builders import (
    LOINC,
    UCUM,
    Json,
    at,
    bundle,
    component,
    height,
    observation,
    panel,
    patient,
    quantity,
    to_bytes,
    trial_observations,
)

NOW_S = 1772355600.0 + 86400.0


def read(*resources: Json, accept_preliminary: bool = False) -> Request:
    """Read these beside a whole trial, which always leaves something usable."""
    body = to_bytes(bundle(patient(), height(), *trial_observations(), *resources))
    return read_request(TITRATE_PEEP, body, RequestContext(NOW_S, accept_preliminary=accept_preliminary))


def odd(value: float | None = 10.0, *, code: str = "peep-set", **more: object) -> Json:
    """One Observation after the trial."""
    return observation(code, value, **{"when": at(55), "identity": "odd", **more})  # type: ignore[arg-type]


def coded(*codings: tuple[str, str], value: float = 10.0) -> Json:
    return odd(value) | {"code": {"coding": [{"system": system, "code": code} for system, code in codings]}}


METRIC: Json = {"resourceType": "DeviceMetric", "id": "m1", "category": "setting"}
UNSURE = {"coding": [{"system": "http://terminology.hl7.org/CodeSystem/data-absent-reason", "code": "error"}]}
FEMALE = {"coding": [{"system": "http://snomed.info/sct", "code": "248152002"}]}
PATH = "Bundle.entry[26].resource"
OURS = {"system": RESULT_SYSTEM, "value": "invented:suggested-peep"}

IGNORED: list[tuple[str, Reason, str, list[Json]]] = [
    # what was sent, reason, FHIRPath, resources after the trial
    ("an older version", Reason.SUPERSEDED, PATH, [odd(9.0, version="9"), odd(11.0, version="10")]),
    ("the same twice", Reason.DUPLICATE, "Bundle.entry[27].resource", [odd(version="1"), odd(version="1")]),
    (
        "one value under two ids",
        Reason.DUPLICATE,
        "Bundle.entry[27].resource",
        [odd(identity="a"), odd(identity="b")],
    ),
    ("two values for an instant", Reason.CONFLICT, PATH, [odd(9.0, identity="a"), odd(11.0, identity="b")]),
    ("an error", Reason.ENTERED_IN_ERROR, PATH, [odd(status="entered-in-error")]),
    ("a cancelled one", Reason.CANCELLED, PATH, [odd(status="cancelled")]),
    ("a registered one", Reason.REGISTERED, PATH, [odd(status="registered")]),
    ("an unknown status", Reason.STATUS_UNKNOWN, PATH, [odd(status="unknown")]),
    ("a preliminary one", Reason.PRELIMINARY, PATH, [odd(status="preliminary")]),
    ("a modifier extension", Reason.MODIFIER_EXTENSION, PATH, [odd(modifierExtension=[{"url": "urn:example:not"}])]),
    ("implicit rules", Reason.IMPLICIT_RULES, PATH, [odd(implicitRules="urn:example:rules")]),
    ("a result of ours", Reason.OWN_RESULT, PATH, [coded((CODE_SYSTEM, "closing-pressure"))]),
    ("a value under our identifier", Reason.OWN_RESULT, PATH, [odd(identifier=[OURS])]),
    ("a Group as subject", Reason.OTHER_SUBJECT, PATH, [odd(subject="Group/1")]),
    ("a code that is not known", Reason.UNKNOWN_CODE, PATH, [coded((LOINC, "1234-5"))]),
    ("codings that disagree", Reason.CODINGS_DISAGREE, PATH, [coded((LOINC, "20077-4"), (LOINC, "76259-1"))]),
    (
        "a peak pressure of a setting's device",
        Reason.SETTING_UNCLEAR,
        PATH,
        [odd(code="peak-pressure", device={"reference": "DeviceMetric/m1"}), METRIC],
    ),
    ("a body weight", Reason.NOT_USED, PATH, [odd(80.0, code=f"{LOINC}|29463-7", unit="kg")]),
    ("an Encounter", Reason.NOT_USED, PATH, [{"resourceType": "Encounter", "id": "e1", "status": "finished"}]),
    (
        "a contained Patient",
        Reason.NOT_USED,
        f"{PATH}.contained[0]",
        [odd(contained=[{"resourceType": "Patient", "id": "x"}])],
    ),
    ("of a focus that is not its subject", Reason.OTHER_SUBJECT, PATH, [odd(focus=[{"reference": "RelatedPerson/7"}])]),
    ("a group", Reason.GROUP, PATH, [odd(None, hasMember=[{"reference": "Observation/1"}])]),
    ("no value", Reason.NO_VALUE, PATH, [odd(None)]),
    ("an absent value", Reason.DATA_ABSENT, PATH, [odd(None, dataAbsentReason=UNSURE)]),
    ("an absent value that is there", Reason.DATA_ABSENT, PATH, [odd(dataAbsentReason=UNSURE)]),
    ("a text as value", Reason.NOT_A_QUANTITY, PATH, [odd(None, valueString="ten")]),
    ("a bare number", Reason.NOT_A_QUANTITY, PATH, [odd(None, valueInteger=10)]),
    ("a bound", Reason.COMPARATOR, PATH, [odd(valueQuantity=quantity(10.0) | {"comparator": "<"})]),
    ("a value without unit", Reason.UNIT_MISSING, PATH, [odd(valueQuantity={"value": 10.0})]),
    ("a unit that is not known", Reason.UNIT_UNKNOWN, PATH, [odd(unit="in.wg")]),
    ("megalitres", Reason.UNIT_UNKNOWN, PATH, [odd(400.0, code="tidal-volume-expired", unit="ML")]),
    ("a negative PEEP", Reason.OUT_OF_RANGE, PATH, [odd(-5.0)]),
    ("an absurd volume", Reason.OUT_OF_RANGE, PATH, [odd(45000.0, code="tidal-volume-expired")]),
    ("40 as fraction", Reason.OUT_OF_RANGE, PATH, [odd(40.0, code="fio2-set", unit="1")]),
    ("no time", Reason.NO_TIME, PATH, [odd(effectiveDateTime=None)]),
    ("a date alone", Reason.DATE_ONLY, PATH, [odd(when="2026-03-01")]),
    ("a month alone", Reason.DATE_ONLY, PATH, [odd(when="2026-03")]),
    ("a time without zone", Reason.NO_ZONE, PATH, [odd(when="2026-03-01T10:50:00")]),
    ("a time that is none", Reason.INVALID_TIME, PATH, [odd(when="2026-03-01T25:00:00Z")]),
    ("a time before the calendar begins", Reason.INVALID_TIME, PATH, [odd(when="0001-01-01T00:00:00+10:00")]),
    ("a time in words", Reason.INVALID_TIME, PATH, [odd(when="ten past ten")]),
    ("a Timing", Reason.TIMING, PATH, [odd(effectiveDateTime=None, effectiveTiming={"event": [at(1), at(2)]})]),
    ("a period without start", Reason.PERIOD, PATH, [odd(effectiveDateTime=None, effectivePeriod={"end": at(55)})]),
    (
        "a period that ends before it starts",
        Reason.PERIOD,
        PATH,
        [odd(effectiveDateTime=None, effectivePeriod={"start": at(56), "end": at(55)})],
    ),
    ("a time to come", Reason.FUTURE, PATH, [odd(when="2027-01-01T00:00:00Z")]),
    (
        "a second height that agrees",
        Reason.HEIGHT_NOT_CHOSEN,
        "Bundle.entry[26].resource",
        [observation("height", 167.0, identity="h2")],
    ),
    (
        "a sex in words",
        Reason.NOT_CODED,
        PATH,
        [odd(None, code=f"{LOINC}|46098-0", valueString="female")],
    ),
    (
        "a sex recorded beside the sex at birth",
        Reason.SEX_NOT_CHOSEN,
        PATH,
        [
            odd(None, code=f"{LOINC}|46098-0", valueCodeableConcept=FEMALE),
            odd(None, code=f"{LOINC}|76689-9", valueCodeableConcept=FEMALE) | {"id": "born"},
        ],
    ),
    ("a deletion", Reason.NOTHING_TO_READ, "Bundle.entry[26]", []),
]


def ignored_of(resources: list[Json]) -> Request:
    if resources:
        return read(*resources)
    built = bundle(patient(), height(), *trial_observations(), kind="transaction")
    entries = built["entry"]
    assert isinstance(entries, list)
    entries.append({"request": {"method": "DELETE", "url": "Observation/9"}})
    return read_request(TITRATE_PEEP, to_bytes(built), RequestContext(NOW_S))


@pytest.mark.parametrize(("reason", "path", "resources"), [row[1:] for row in IGNORED], ids=[row[0] for row in IGNORED])
def test_what_does_not_count_is_listed_with_its_reason_and_path(
    reason: Reason, path: str, resources: list[Json]
) -> None:
    request = ignored_of(resources)

    assert (reason.slug, path) in {(one.code, one.path) for one in request.ignored}
    assert all(one.reason.endswith(".") for one in request.ignored)


@pytest.mark.parametrize("resources", [row[3] for row in IGNORED], ids=[row[0] for row in IGNORED])
def test_the_trial_beside_it_is_read_all_the_same(resources: list[Json]) -> None:
    request = ignored_of(resources)

    assert Counter(reading.quantity.slug for reading in request.readings) >= Counter(
        {"peep-set": 8, "plateau-pressure": 8, "tidal-volume-expired": 8}
    )


def test_every_reason_is_produced_here() -> None:
    assert {row[1] for row in IGNORED} == set(Reason)


def test_every_resource_is_used_or_listed() -> None:
    extra = [resource for row in IGNORED for resource in row[3]]
    distinct = [{**resource, "id": f"x{number}"} for number, resource in enumerate(extra)]

    request = read(*distinct)

    listed = {one.path for one in request.ignored} | {source.path for source in request.sources}
    assert listed >= {f"Bundle.entry[{number}].resource" for number in range(1, 26 + len(distinct))}


def test_an_absent_component_is_listed_and_its_neighbours_are_used() -> None:
    step = panel({"peep-set": 8.0}, when=at(50), identity="step")
    parts = step["component"]
    assert isinstance(parts, list)
    absent = {name: item for name, item in component("plateau-pressure", 1.0).items() if name != "valueQuantity"}
    parts.append({**absent, "dataAbsentReason": UNSURE})

    request = read(step)

    assert [(one.code, one.path) for one in request.ignored] == [("data-absent", f"{PATH}.component[1]")]
    assert len(request.readings) == 25


def test_a_panel_without_time_is_listed_once() -> None:
    request = read(panel({"peep-set": 8.0, "plateau-pressure": 20.0}, when="2026-03-01", identity="step"))

    assert [(one.code, one.path) for one in request.ignored] == [("date-only", PATH)]


@pytest.mark.parametrize(
    ("coding", "shown"),
    [
        ((LOINC, "99999-9"), f"{LOINC}|99999-9"),
        ((LOINC, "Jane Doe"), f"another code of {LOINC}"),
        (("urn:example:Jane-Doe", "PEEP-X"), "a code of another system"),
        (("", "Jane Doe"), "a code without a system"),
    ],
)
def test_an_unknown_code_is_told_without_what_may_be_a_name(coding: tuple[str, str], shown: str) -> None:
    request = read(coded(coding))

    assert request.ignored[0].reason == f"No code here is known: {shown}."


NAME = "Jane Doe"


@pytest.mark.parametrize(
    "changes",
    [
        {"status": NAME},
        {"valueQuantity": {"value": 10.0, "system": UCUM, "code": NAME}},
        {"valueQuantity": {"value": 10.0, "system": NAME, "code": "cm[H2O]"}},
        {"valueQuantity": {"value": 10.0, "system": UCUM, "code": f"Pa{{{NAME}}}", "comparator": NAME}},
        {"valueQuantity": None, "dataAbsentReason": {"coding": [{"code": NAME}]}},
        {"contained": [{"resourceType": NAME}]},
    ],
)
def test_no_refusal_repeats_a_name_that_was_sent_in_the_wrong_place(changes: Json) -> None:
    sent = {name: value for name, value in (odd() | changes).items() if value is not None}
    body = to_bytes(bundle(patient(), height(), *trial_observations(), sent))

    try:
        told = [one.reason for one in read_request(TITRATE_PEEP, body, RequestContext(NOW_S)).ignored]
    except Rejected as rejected:
        told = [f"{problem.sentence} {problem.found}" for problem in rejected.problems]
        told += [one.reason for one in rejected.ignored]

    assert told
    assert not any(NAME in one for one in told)


def test_preliminary_values_count_where_the_caller_accepts_them() -> None:
    request = read(odd(status="preliminary"), accept_preliminary=True)

    assert request.ignored == ()
    assert request.preliminary_inputs
    assert not read().preliminary_inputs


def test_a_unit_by_display_alone_is_taken_from_the_table_and_noted() -> None:
    request = read(odd(valueQuantity={"value": 10.0, "unit": "cmH2O"}))

    assert request.readings[-1].value == 10.0
    assert any("cmH2O" in note for note in request.notes)


def test_a_remark_is_made_once_however_many_values_it_is_about() -> None:
    bare = {"value": 10.0, "unit": "cmH2O"}
    request = read(*(odd(valueQuantity=bare, identity=f"o{k}", when=at(50 + k)) for k in range(3)))

    assert len(request.readings) == 27
    assert len([note for note in request.notes if "cmH2O" in note]) == 1


def test_a_remark_is_made_in_every_request() -> None:
    bare = odd(valueQuantity={"value": 10.0, "system": UCUM, "code": "cmH2O"})

    assert read(bare).notes == read(bare).notes != ()


def test_an_ignored_input_becomes_an_issue_with_type_and_path() -> None:
    ignored = read(odd(-5.0)).ignored[0]

    issue = ignored_issue(ignored)

    assert issue["severity"] == "warning"
    assert issue["code"] == "value"
    assert issue["expression"] == [PATH]


def test_an_answer_that_comes_back_signed_changes_nothing() -> None:
    trial = [patient(), height(), *trial_observations()]
    first = answer_request(TITRATE_PEEP, to_bytes(bundle(*trial)), RequestContext(NOW_S))
    entries = write_bundle(first, recorded_s=NOW_S)["entry"]
    assert isinstance(entries, list)
    signed = [
        entry["resource"] | {"status": "final"}
        for entry in entries
        if entry["resource"]["resourceType"] == "Observation"
    ]

    again = answer_request(TITRATE_PEEP, to_bytes(bundle(*trial, *signed)), RequestContext(NOW_S))

    assert again.identity == first.identity
    assert [one.code for one in again.ignored].count(Reason.OWN_RESULT.slug) == len(signed)


@pytest.mark.parametrize(
    ("shown", "said"),
    [
        ("mmHg", ["A value is shown in mmHg and coded in cm[H2O]: the code counts; look at it."]),
        ("cmH2O", []),
        ("x", []),
    ],
)
def test_a_unit_that_is_shown_otherwise_than_it_is_coded_is_said(shown: str, said: list[str]) -> None:
    one = odd(10.0, valueQuantity={**quantity(10.0), "unit": shown})

    assert [note for note in read(one).notes if "coded in" in note] == said
