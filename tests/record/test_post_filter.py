"""A shorter time sieved out of a longer one is the shorter time sieved by itself."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import datetime

import msgspec
from hypothesis import given
from hypothesis import strategies as st

from ebbmark.fhir.naming import RESULT_SYSTEM
from ebbmark.fhir.reading.codes import CODES
from ebbmark.record.record_query import RecordQuery, moment_of, post_filter, subject_of
from ebbmark.record.search import FoundEntry, Head
from fhir_builders import Json, at, height, observation, trial_observations, trial_panels


def entry(resource: Json) -> FoundEntry:
    raw = json.dumps(resource).encode()
    return FoundEntry("", msgspec.json.decode(raw, type=Head), raw)


def moment(minute: int) -> float:
    return datetime.fromisoformat(at(minute)).timestamp()


ODD = [
    height(when=at(0)),
    observation("peep-set", 9.0, subject="Patient/p2", identity="other"),
    observation("http://loinc.org|1234-5", 9.0, identity="unknown"),
    {**observation("peep-set", 9.0, identity="undated"), "effectiveDateTime": "2026"},
    {**observation("peep-set", 9.0, identity="unread"), "code": "no concept"},
]
ENTRIES = [entry(one) for one in (*trial_observations(), *trial_panels(), *ODD)]
WHOLE = RecordQuery("Patient/p1", None, moment(0), moment(60), period_given=False, rest=())


@given(st.integers(0, 30), st.integers(0, 30))
def test_a_shorter_time_is_the_same_whichever_way_it_is_sieved(start: int, length: int) -> None:
    shorter = replace(WHOLE, start_s=moment(start), end_s=moment(start + length))

    taken = post_filter(ENTRIES, WHOLE, CODES).within(shorter.start_s, shorter.end_s)
    anew = post_filter(ENTRIES, shorter, CODES)

    assert taken.kept == anew.kept
    assert taken.not_asked == anew.not_asked


def test_whom_and_when_are_read_where_they_can_be() -> None:
    good, undated, unread = entry(trial_observations()[0]), entry(ODD[3]), entry(ODD[4])

    assert subject_of(good.resource) == "Patient/p1"
    assert moment_of(good.resource) == (moment(2), moment(2))
    assert moment_of(undated.resource) is None
    assert moment_of(unread.resource) is None
    assert subject_of(b'{"subject":"p1"}') == ""


def test_an_earlier_result_of_ours_is_no_reading_of_a_second_ventilator() -> None:
    ours = {
        **observation("peep-set", 9.0, identity="ours"),
        "identifier": [{"system": RESULT_SYSTEM, "value": "abc:step"}],
        "device": {"reference": "Device/software"},
    }

    sieved = post_filter([*ENTRIES, entry(ours)], WHOLE, CODES)

    assert "Device/software" not in sieved.devices
    assert sieved.sightings == post_filter(ENTRIES, WHOLE, CODES).sightings
