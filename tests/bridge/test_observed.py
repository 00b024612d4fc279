"""From a message to its readings. Field numbers: HL7 v2.6; containment and settings: IHE PCD TF-2."""

from __future__ import annotations

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.conftest import RULES
from bridge.device_messages import PEEP_SET, PLATEAU, ROWS, SYSTEM, device, header, message, number, order, patient
from ebbmark.bridge.hl7v2 import Refused, acknowledgements, header_of
from ebbmark.bridge.observed import DeviceMessage, SiteRules, read_message
from ebbmark.fhir.reading.request import RequestContext
from ebbmark.fhir.writing.entered import device_observation
from ebbmark.use_cases.inspection import inspect

CM = "266048^MDC_DIM_CM_H2O^MDC"
NOW_S = datetime(2026, 3, 2, 12, 10, tzinfo=UTC).timestamp()
MARKS = ("INV", "QUES", "NAV", "CAL", "TEST", "DEMO", "EARLY", "H~QUES")


def marked(row: str, flag: str) -> str:
    """A row with its OBX-8."""
    fields = row.split("|")
    fields[8] = flag
    return "|".join(fields)


def read(content: bytes, rules: SiteRules = RULES) -> DeviceMessage:
    head = header_of(content)
    assert head is not None
    return read_message(content, head, rules, now_s=NOW_S + 86_400.0)


def refusal(content: bytes, rules: SiteRules = RULES) -> tuple[str, int]:
    with pytest.raises(Refused) as refused:
        read(content, rules)
    assert refused.value.verdict == "R"
    return refused.value.row.location, refused.value.row.code


def test_a_message_gives_its_readings_with_code_unit_time_device_and_place() -> None:
    found = read(message())

    assert found.patient == ((SYSTEM, "T0001"),)
    assert found.birth_date == "1970-02-03"
    assert not found.left
    peep, plateau, tidal = found.readings
    assert peep.coding["code"] == "20077-4"
    assert peep.method == "MSET"
    assert plateau.coding == {"system": "urn:iso:std:iso:11073:10101", "code": "152424"}
    assert (str(plateau.value), plateau.unit["code"], plateau.place) == ("24.5", "cm[H2O]", "1.1.1.2")
    assert tidal.unit == {"unit": "milliliter", "system": "http://unitsofmeasure.org", "code": "mL"}
    assert {reading.at_s for reading in found.readings} == {datetime(2026, 3, 2, 12, tzinfo=UTC).timestamp()}
    assert {reading.device["value"] for reading in found.readings} == {"V17"}


@pytest.mark.parametrize(
    ("code", "method", "read_as"),
    [
        ("151976^MDC_VENT_PRESS_AWAY_END_EXP_POS^MDC", "ASET", "20077-4"),
        ("151976^MDC_PRESS_AWAY_END_EXP_POS_SETTING^MDC", "", "20077-4"),
        ("151976^MDC_VENT_PRESS_AWAY_END_EXP_POS^MDC", "AMEAS", "151976"),
        ("151976^MDC_VENT_PRESS_AWAY_END_EXP_POS^MDC", "", "151976"),
        ("MDC_VENT_PRESS_AWAY_END_EXP_POS^^MDC", "AMEAS", "MDC_VENT_PRESS_AWAY_END_EXP_POS"),
        ("99^Druck^99LOC^76248-4^PEEP^LN", "AMEAS", "76248-4"),
    ],
)
def test_setting_and_measured_are_told_apart(code: str, method: str, read_as: str) -> None:
    (reading,) = read(message(device(), number(code, "8", CM, method=method))).readings

    assert reading.coding["code"] == read_as


@pytest.mark.parametrize(
    ("row", "why"),
    [
        # An alarm limit under the code of the peak pressure is no peak pressure.
        (number("151957^MDC_VENT_PRESS_MAX^MDC", "40", CM, method="MSET"), "a setting under the code"),
        (number("16929196^MDC_VENT_VOL_TIDAL_SETTING^MDC", "400", "mL^^UCUM", method="AMEAS"), "do not agree"),
        (number("151868^X_SETTING^MDC", "400", "mL^^UCUM", method="AMEAS"), "do not agree"),
        (number("147232^MDC_OTHER^MDC", "1", CM), "code is not one"),
        (number("68060^MDC_ATTR_PT_HEIGHT^MDC", "168", "cm^^UCUM"), "code is not one"),
        (number("152424^^MDC", "---", CM), "no number"),
        (number("152424^^MDC", "1e3", CM), "no number"),
        (number("152424^^MDC", "24", CM, kind="ST"), "no number"),
        (number("152424^^MDC", "8388607", CM, status="X"), "status"),
        (number("152424^^MDC", "24", ""), "unit"),
        (number("152424^^MDC", "24", "263762^MDC_DIM_MILLI_L^MDC"), "unit"),
        (number("152424^^MDC", "24", "1^cmH2O^99LOC"), "unit"),
        (number("152424^^MDC", "8388607", CM), "not possible"),
        (number("152424^^MDC", "-5", CM), "not possible"),
        *[(marked(number("152424^^MDC", "24", CM), flag), flag.split("~")[-1]) for flag in MARKS],
    ],
)
def test_a_row_that_cannot_be_read_is_left_with_its_reason_and_the_others_are_carried(row: str, why: str) -> None:
    found = read(message(device(), row, PLATEAU))

    assert len(found.readings) == 1
    assert [(why in one.reason, one.number) for one in found.left] == [(True, 2)]


@pytest.mark.parametrize(
    ("content", "location", "code"),
    [
        (message(pid="PID|||"), "PID^1^3", 101),
        (message(pid='PID|||""'), "PID^1^3", 101),
        (message(pid=patient("T0001^^^ELSEWHERE^MR")), "PID^1^3^1^4", 103),
        (message(pid=patient("T0001")), "PID^1^3^1^4", 103),
        (message(pid=patient("T,0001^^^HOSPITAL")), "PID^1^3", 102),
        (message(pid=f"{patient()}\r{patient()}"), "PID^1", 100),
        (message(pid=f"{PLATEAU}\r{patient()}"), "OBX^1", 100),
        (message(head=header(kind="ADT^A01^ADT_A01")), "MSH^1^9", 200),
        (message(head=header(kind="ORU^R40^ORU_R40")), "MSH^1^9", 201),
        (message(head=header().replace("|P|2.6", "|T|2.6")), "MSH^1^11", 202),
        (message(head=header().replace("|P|2.6", "|P|3")), "MSH^1^12", 203),
        (message(head=header(charset="GB 18030-2000")), "MSH^1^18", 103),
        (message(head=header(charset="UNICODE UTF-8")).replace(b"Invented", b"\xff"), "MSH^1^18", 102),
        (message(number("152424^^MDC", "24", CM, status="C")), "OBX^1^11", 103),
        (message(number("152424^^MDC", "24", CM, at="20260302")), "OBX^1^14", 102),
        (message(number("152424^^MDC", "24", CM, at="20260230120000+0000")), "OBX^1^14", 102),
        (message(number("152424^^MDC", "24", CM, at="20260302120060+0000")), "OBX^1^14", 102),
        (message(PLATEAU, obr=order("")), "OBR^1^7", 101),
    ],
)
def test_a_message_that_does_not_say_whose_when_or_what_is_refused(content: bytes, location: str, code: int) -> None:
    assert refusal(content) == (location, code)


def test_what_the_site_has_not_set_up_yet_leaves_the_message_with_its_sender() -> None:
    for content, rules in (
        (message(PLATEAU, obr=order("20260302120000")), RULES),
        (message(PLATEAU), SiteRules()),
    ):
        with pytest.raises(Refused) as refused:
            read(content, rules)
        assert refused.value.verdict == "E"


def test_a_reading_that_is_stamped_after_now_is_left() -> None:
    head = header_of(message(PLATEAU))
    assert head is not None

    found = read_message(message(PLATEAU), head, RULES, now_s=NOW_S - 7200.0)

    assert (found.readings, ["stamped after now" in one.reason for one in found.left]) == ((), [True])


def test_a_time_without_zone_is_read_in_the_zone_of_the_site_and_its_doubtful_hours_are_refused() -> None:
    rules = SiteRules({"HOSPITAL": SYSTEM}, ZoneInfo("Europe/Vienna"))

    (reading,) = read(message(PLATEAU, obr=order("202603021300")), rules).readings
    assert reading.at_s == datetime(2026, 3, 2, 12, tzinfo=UTC).timestamp()
    # Summer time begins on 29 March 2026 and ends on 25 October 2026.
    assert refusal(message(PLATEAU, obr=order("20260329023000")), rules) == ("OBR^1^7", 102)
    assert refusal(message(PLATEAU, obr=order("20261025023000")), rules) == ("OBR^1^7", 102)


def test_the_time_of_a_row_comes_before_that_of_its_order() -> None:
    row = number("152424^^MDC", "24", CM, at="20260302123000.250-0130")

    assert read(message(row)).readings[0].at_s == datetime(2026, 3, 2, 14, 0, 0, 250_000, tzinfo=UTC).timestamp()


def test_a_row_belongs_to_the_nearest_device_above_it() -> None:
    rows = (
        *(device(), device("1.10.0.0", "VMD9^^1.2.3.4^ISO"), device("2.0.0.0", "M5")),
        *(number("152424^^MDC", "24", CM, place=place) for place in ("1.1.1.1", "1.10.1.1", "2.1.1.1", "3.1.1.1")),
    )

    assert [reading.device for reading in read(message(*rows)).readings] == [
        {"value": "V17"},
        {"system": "urn:oid:1.2.3.4", "value": "VMD9"},
        {"value": "M5"},
        {"value": "VENTGATE/ICU"},
    ]


def test_an_assigner_with_an_oid_needs_no_row_and_every_known_identifier_counts() -> None:
    found = read(message(pid=patient("X1^^^&1.2.40.0.1&ISO^MR~T0001^^^HOSPITAL^MR~9^^^OTHER")))

    assert found.patient == (("urn:oid:1.2.40.0.1", "X1"), (SYSTEM, "T0001"))


def test_other_delimiters_and_escapes_are_read_and_answered_in_kind() -> None:
    plain = message(PLATEAU, pid=patient("T\\T\\1^^^HOSPITAL^MR"))
    other = plain.decode().translate(str.maketrans("|^~\\&", "#*%!+")).encode()
    head = header_of(other)
    assert head is not None

    assert read(other).patient == ((SYSTEM, "T+1"),)
    (reply,) = acknowledgements(head, "A", [], now=datetime(2026, 3, 2, tzinfo=UTC), identity="E1")
    assert reply.startswith(b"MSH#*%!+#RECORD#HOSPITAL#VENTGATE*0012210000000001*EUI-64#ICU#")
    assert b"\rMSA#AA#M1\r" in reply


def test_what_the_bridge_writes_is_what_the_service_reads() -> None:
    written = [device_observation(reading, "Patient/1") for reading in read(message()).readings]
    entries = [{"resource": {**one, "id": str(number)}} for number, one in enumerate(written)]
    bundle = {"resourceType": "Bundle", "type": "collection", "entry": entries}

    told = inspect(msgspec.json.Encoder(decimal_format="number").encode(bundle), RequestContext(NOW_S)).text

    for expected in ("peep-set; valueQuantity; cm[H2O]; 12;", "plateau-pressure; valueQuantity; cm[H2O]; 24.5;"):
        assert expected in told
    assert "Not read: nothing." in told


@settings(max_examples=150, deadline=None)
@given(st.data())
def test_bytes_that_were_changed_are_read_or_refused_and_never_a_crash(data: st.DataObject) -> None:
    content = bytearray(message(*ROWS, PEEP_SET))
    for _ in range(data.draw(st.integers(1, 6))):
        at = data.draw(st.integers(0, len(content) - 1))
        content[at : at + data.draw(st.integers(0, 3))] = data.draw(st.binary(max_size=4))

    head = header_of(bytes(content))
    if head is None:
        return
    try:
        found = read_message(bytes(content), head, RULES, now_s=NOW_S)
    except Refused as refused:
        verdict, rows = refused.verdict, [refused.row]
    else:
        verdict, rows = "A", []
        assert found.patient
    for reply in acknowledgements(head, verdict, rows, now=datetime(2026, 3, 2, tzinfo=UTC), identity="E1"):
        assert header_of(reply) is not None
