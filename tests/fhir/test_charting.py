"""A site's signed charting table: units, texts, numbers and times as they are charted there, and every fault named."""

from __future__ import annotations

import json
from datetime import datetime
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ebbmark.audit.comparison import ReplayOutcome
from ebbmark.fhir.operations import TITRATE_PEEP
from ebbmark.fhir.problems import ProblemKind, Rejected
from ebbmark.fhir.reading.charting import with_charting
from ebbmark.fhir.reading.codes import NO_CODE_MAP, CodeMap
from ebbmark.fhir.reading.read import read_request
from ebbmark.fhir.reading.request import Request, RequestContext
from ebbmark.fhir.reading.site_file import SiteFileError
from ebbmark.fhir.writing.normal_form import resources_of
from ebbmark.fhir.writing.write import write_bundle
from ebbmark.physiology.readings import Quantity
from ebbmark.use_cases.questions import answer_request
from ebbmark.use_cases.replay import replay
from fhir_builders import Json, bundle, height, observation, panel, patient, to_bytes, trial_bundle

NOW_S = 1772355600.0 + 86400.0
SIGNED = {"version": "1", "signed_by": "Dr A. Invented", "signed_on": "2026-02-01"}
WHY = "ward meeting of 2026-01-15"


def table(**rows: object) -> CodeMap:
    return with_charting(NO_CODE_MAP, "charting.json", to_bytes({**SIGNED, **rows}))


def read(code_map: CodeMap, *resources: Json) -> Request:
    return read_request(
        TITRATE_PEEP, to_bytes(bundle(patient(), height(), *resources)), RequestContext(NOW_S, code_map=code_map)
    )


def values(request: Request) -> list[tuple[Quantity, float]]:
    return [(reading.quantity, reading.value) for reading in request.readings]


@pytest.mark.parametrize(
    ("system", "code", "unit", "ucum"),
    [
        ("", "", "ML", "mL"),
        ("", "", "mls", "mL"),
        ("http://unitsofmeasure.org", "ML", "", "mL"),
        ("urn:example:units", "u17", "millilitre", "mL"),
    ],
)
def test_a_spelling_of_a_unit_is_read_as_the_site_signed_it(system: str, code: str, unit: str, ucum: str) -> None:
    sent = {name: text for name, text in (("system", system), ("code", code), ("unit", unit)) if text}
    given = observation("tidal-volume-expired", None, identity="v", valueQuantity={"value": 380, **sent})
    peep = observation("peep-set", 10.0)

    request = read(table(units=[{"system": system, "unit": code or unit, "ucum": ucum, "source": WHY}]), peep, given)

    assert values(request) == [(Quantity.PEEP_SET, 10.0), (Quantity.TIDAL_VOLUME_EXPIRED, 380.0)]
    assert "was read as mL, as the site says." in " ".join(request.notes)
    # Without the table the same is not read.
    assert values(read(NO_CODE_MAP, peep, given)) == [(Quantity.PEEP_SET, 10.0)]


def test_a_text_without_a_known_code_means_what_the_site_says() -> None:
    texts = table(texts=[{"text": "PEEP  (set)", "means": "peep-set", "source": WHY}])
    by_text = observation("peep-set", 10.0) | {"code": {"text": "PEEP (set)"}}

    request = read(texts, by_text)

    assert values(request) == [(Quantity.PEEP_SET, 10.0)]
    assert [mapped_code.target_code for mapped_code in request.mapped_codes] == ["peep-set"]


def test_a_known_code_counts_before_a_text() -> None:
    texts = table(texts=[{"text": "PEEP", "means": "peep-measured", "source": WHY}])
    both = observation("peep-set", 10.0)
    code = {"coding": [{"system": "http://loinc.org", "code": "20077-4"}], "text": "PEEP"}

    assert values(read(texts, both | {"code": code})) == [(Quantity.PEEP_SET, 10.0)]


@pytest.mark.parametrize(
    "value",
    [{"valueInteger": 12}, {"valueString": " 12 "}, {"valueString": "12,0"}, {"valueQuantity": {"value": 12.0}}],
)
def test_a_number_without_a_unit_has_the_unit_that_the_site_names_for_its_code(value: Json) -> None:
    numbers = [{"system": "http://loinc.org", "code": "20077-4", "ucum": "cm[H2O]", "source": WHY}]
    bare = observation("peep-set", None, identity="b") | value

    request = read(table(numbers=numbers), bare)

    assert values(request) == [(Quantity.PEEP_SET, 12.0)]
    assert any("charting table of the site, version 1, signed by Dr A. Invented" in note for note in request.notes)


@pytest.mark.parametrize("text", ["12 to 14", "1,200", "about 12", "", "12 cmH2O", "-12", "1e3", "12345"])
def test_a_text_that_is_no_plain_number_is_not_read(text: str) -> None:
    numbers = [{"system": "http://loinc.org", "code": "20077-4", "ucum": "cm[H2O]", "source": WHY}]
    kept = observation("peep-measured", 10.0)

    request = read(table(numbers=numbers), kept, observation("peep-set", None, identity="b", valueString=text))

    assert values(request) == [(Quantity.PEEP_MEASURED, 10.0)]


def test_a_component_is_read_as_the_site_charts_it_too() -> None:
    units = table(units=[{"unit": "cmH₂O", "ucum": "cm[H2O]", "source": WHY}])
    charted = panel({"peep-set": 10.0}, when="2026-03-01T10:00:00+01:00")
    spelled = json.loads(
        json.dumps(charted).replace(
            '"unit": "cm[H2O]", "system": "http://unitsofmeasure.org", "code": "cm[H2O]"', '"unit": "cmH\\u2082O"'
        )
    )

    assert values(read(units, spelled)) == [(Quantity.PEEP_SET, 10.0)]


def test_times_without_a_zone_are_of_the_zone_that_the_site_names() -> None:
    zone = table(time_zone={"name": "Europe/Vienna", "source": WHY})
    unzoned = to_bytes(trial_bundle()).replace(b"+01:00", b"")

    found = answer_request(TITRATE_PEEP, unzoned, RequestContext(NOW_S, code_map=zone))

    zoned = answer_request(TITRATE_PEEP, to_bytes(trial_bundle()), RequestContext(NOW_S))
    assert found.titration.trial == zoned.titration.trial
    assert any(note.startswith("Times without a zone were read as of Europe/Vienna") for note in found.request.notes)
    with pytest.raises(Rejected) as caught:
        answer_request(TITRATE_PEEP, unzoned, RequestContext(NOW_S))
    assert {problem.kind for problem in caught.value.problems} == {ProblemKind.TIME_UNUSABLE, ProblemKind.MISSING}


@pytest.mark.parametrize("when", ["2026-10-25T02:30:00", "2026-03-29T02:30:00"], ids=["shown twice", "never shown"])
def test_an_hour_that_a_clock_shows_twice_or_never_is_not_guessed(when: str) -> None:
    zone = table(time_zone={"name": "Europe/Vienna", "source": WHY})
    body = to_bytes(bundle(patient(), height(), observation("peep-set", 10.0, when=when)))

    with pytest.raises(Rejected) as caught:
        read_request(TITRATE_PEEP, body, RequestContext(NOW_S + 365 * 86400, code_map=zone))

    assert "no zone" in caught.value.problems[0].sentence


@given(st.datetimes(min_value=datetime(2020, 1, 1), max_value=datetime(2026, 2, 27)))  # noqa: DTZ001 - without a zone
def test_a_time_with_the_zone_s_offset_is_the_same_instant(when: datetime) -> None:
    zone = ZoneInfo("Europe/Vienna")
    one, other = when.replace(tzinfo=zone, fold=0), when.replace(tzinfo=zone, fold=1)
    code_map = table(time_zone={"name": "Europe/Vienna", "source": WHY})
    body = to_bytes(bundle(patient(), height(), observation("peep-set", 10.0, when=when.isoformat())))

    if one.utcoffset() == other.utcoffset():
        assert read_request(TITRATE_PEEP, body, RequestContext(NOW_S, code_map=code_map)).readings[
            0
        ].start_s == pytest.approx(one.timestamp())


def test_a_code_system_under_another_name_is_the_standard_one() -> None:
    systems = table(systems=[{"system": "urn:example:loinc", "same_as": "http://loinc.org", "source": WHY}])

    assert values(read(systems, observation("urn:example:loinc|20077-4", 10.0))) == [(Quantity.PEEP_SET, 10.0)]


def test_an_answer_to_data_charted_in_the_site_s_way_is_the_same_when_replayed() -> None:
    local = json.loads(
        to_bytes(trial_bundle()).replace(
            b'"unit": "mL", "system": "http://unitsofmeasure.org", "code": "mL"', b'"unit": "ML"'
        )
    )
    for one in local["entry"]:
        if one["resource"].get("code", {}).get("coding", [{}])[0].get("code") == "20077-4":
            one["resource"]["code"] = {"text": "PEEP set"}
    units = [{"unit": "ML", "ucum": "mL", "source": WHY}]
    texts = [{"text": "PEEP set", "means": "peep-set", "source": WHY}]
    site = table(units=units, texts=texts, time_zone={"name": "Europe/Vienna", "source": WHY})
    unzoned = json.loads(json.dumps(local).replace("+01:00", ""))

    for charted, at_replay in ((local, NO_CODE_MAP), (unzoned, site)):
        assert b'"ML"' in to_bytes(charted)
        stored = write_bundle(
            answer_request(TITRATE_PEEP, to_bytes(charted), RequestContext(NOW_S, code_map=site)), recorded_s=NOW_S
        )
        inputs = [("", one["resource"]) for one in charted["entry"]]

        outcome = replay(resources_of(stored), inputs, RequestContext(NOW_S + 60.0, code_map=at_replay))

        assert (outcome.outcome, outcome.findings) == (ReplayOutcome.SAME, ())

    unloaded = replay(resources_of(stored), inputs, RequestContext(NOW_S + 60.0))
    assert (unloaded.outcome, unloaded.same) == (ReplayOutcome.NOT_REPLAYABLE, False)
    assert "charting table of the site, version 1, which is not loaded here" in unloaded.findings[0].sentence
    assert "Invented" not in unloaded.findings[0].sentence


@pytest.mark.parametrize(
    ("rows", "says"),
    [
        ({"signed_on": "1.2.2026"}, "signed_on"),
        ({"signed_by": " "}, "signed_by"),
        ({"units": [{"unit": "L", "ucum": "mL", "source": WHY}]}, "units[0]: 'L' is a unit of UCUM itself"),
        ({"units": [{"unit": "x", "ucum": "cmH2O", "source": WHY}]}, "units[0].ucum is 'cmH2O'"),
        ({"units": [{"unit": "x", "ucum": "mL", "source": ""}]}, "units[0].source is ''; accepted: text"),
        ({"units": [{"unit": "x", "ucum": "mL"}]}, "source"),
        ({"units": [{"unit": "x", "ucum": "mL", "source": WHY}, {"unit": "x", "ucum": "L", "source": WHY}]}, "twice"),
        ({"texts": [{"text": "PEEP", "means": "peep", "source": WHY}]}, "accepted: peep-set"),
        ({"numbers": [{"code": "x", "ucum": "mL", "source": WHY}]}, "means nothing here"),
        ({"time_zone": {"name": "Vienna", "source": WHY}}, "time_zone.name is 'Vienna'"),
        ({"time_zone": {"name": "Europe", "source": WHY}}, "time_zone.name is 'Europe'"),
        ({"systems": [{"system": "urn:x", "same_as": "urn:y", "source": WHY}]}, "systems[0].same_as"),
        (
            {"codes": [{"system": "http://loinc.org", "code": "20077-4", "means": "peep-measured", "source": WHY}]},
            "another meaning",
        ),
        ({"unit": []}, "unit"),
    ],
)
def test_a_fault_of_the_table_is_named(rows: Json, says: str) -> None:
    with pytest.raises(SiteFileError) as caught:
        table(**rows)

    assert str(caught.value).startswith("charting.json")
    assert says in str(caught.value)
