"""The bridge and another HL7 v2 library (hl7apy, the structures and tables of HL7 v2.6) understand each other."""

from __future__ import annotations

import pytest
from hl7apy.consts import VALIDATION_LEVEL
from hl7apy.core import Message, Segment
from hl7apy.parser import parse_message

from bridge.conftest import new_bridge
from bridge.device_messages import codes_of, header, message, number, patient
from ebbmark.bridge.delivery import Bridge
from record.keeping_record import KeepingRecord

pytestmark = pytest.mark.anyio


def strictly(content: bytes) -> Message:
    """As the library reads it, every structure, cardinality and data type checked."""
    return parse_message(content.decode(), find_groups=True, validation_level=VALIDATION_LEVEL.STRICT)


def test_the_messages_of_these_tests_are_of_the_standards_shape() -> None:
    assert strictly(message()).name == "ORU_R01"


@pytest.mark.parametrize(
    "sent",
    [
        message(),
        message(number("1^UNKNOWN^MDC", "1", "266048^MDC_DIM_CM_H2O^MDC")),
        message(pid=patient("")),
        message(head=header(accept="AL", application="AL")),
    ],
    ids=["accepted", "with a warning", "never", "both acknowledgements"],
)
async def test_every_acknowledgement_is_of_the_standards_shape(record: KeepingRecord, sent: bytes) -> None:
    replies = await new_bridge().answer(sent)

    assert replies
    assert {strictly(reply).name for reply in replies} == {"ACK"}


def built() -> bytes:
    """A message that the library builds element by element."""
    made = Message("ORU_R01", version="2.6")
    made.msh.msh_3, made.msh.msh_4 = "PEER", "ICU"
    made.msh.msh_7, made.msh.msh_10, made.msh.msh_11 = "20260302120005+0000", "P1", "P"
    made.msh.msh_9 = "ORU^R01^ORU_R01"
    result = made.add_group("ORU_R01_PATIENT_RESULT")
    person = result.add_group("ORU_R01_PATIENT").add_segment("PID")
    person.pid_3, person.pid_5 = "T0001^^^HOSPITAL^MR", "Invented^Person"
    observed = result.add_group("ORU_R01_ORDER_OBSERVATION")
    order = observed.add_segment("OBR")
    order.obr_4, order.obr_7 = "69985^MDC_DEV_SYS_PT_VENT_VMD^MDC", "20260302120000+0000"
    row = Segment("OBX", version="2.6")
    row.obx_1, row.obx_2, row.obx_3 = "1", "NM", "152424^MDC_VENT_PRESS_RESP_PLAT^MDC"
    row.obx_4, row.obx_5, row.obx_6, row.obx_11 = "1.1.1.2", "24.5", "266048^MDC_DIM_CM_H2O^MDC", "F"
    observed.add_group("ORU_R01_OBSERVATION").add(row)
    content: str = made.to_er7()
    return content.encode()


async def test_a_message_that_the_library_builds_is_carried(record: KeepingRecord) -> None:
    bridge: Bridge = new_bridge()

    assert codes_of(await bridge.answer(built())) == [("AA", "P1")]
    (one,) = [one for one in record.held.values() if one["resourceType"] == "Observation"]
    assert one["valueQuantity"]["value"] == 24.5
