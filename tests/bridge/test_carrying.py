"""Messages to acknowledgements, against a record in memory. Sources: HL7 v2.6 chapter 2.9; FHIR R4 ccreate."""

from __future__ import annotations

import asyncio
import logging
import ssl
from contextlib import suppress
from ipaddress import ip_network
from pathlib import Path

import httpx
import pytest

from bridge.conftest import new_bridge
from bridge.device_messages import (
    PATIENT,
    PEEP_SET,
    PLATEAU,
    SYSTEM,
    codes_of,
    framed,
    header,
    message,
    number,
    patient,
)
from certificates import Certificates, certificates
from ebbmark.bridge.delivery import Bridge
from ebbmark.bridge.hl7v2 import Limits, listen, server_tls
from ebbmark.fhir.writing.provenance import Access, AuditAction
from ebbmark.fhir.writing.validate import validate
from ebbmark.telemetry.measured import Meters, Watch
from record.keeping_record import KeepingRecord

pytestmark = pytest.mark.anyio


def observations(record: KeepingRecord) -> list[dict[str, object]]:
    return [one for one in record.held.values() if one["resourceType"] == "Observation"]


async def test_readings_are_in_the_record_before_the_message_is_acknowledged(record: KeepingRecord) -> None:
    replies = await new_bridge().answer(message())

    assert codes_of(replies) == [("AA", "M1")]
    written = observations(record)
    assert len(written) == 3
    assert {one["subject"]["reference"] for one in written} == {"Patient/1"}  # type: ignore[index]


async def test_what_is_written_is_a_valid_transaction_that_is_safe_to_repeat(
    record: KeepingRecord, monkeypatch: pytest.MonkeyPatch
) -> None:
    sent: list[dict[str, object]] = []

    def transact(_: KeepingRecord, bundle: dict[str, object]) -> httpx.Response:
        sent.append(bundle)
        return httpx.Response(503)

    monkeypatch.setattr(KeepingRecord, "transact", transact)

    await new_bridge().answer(message())

    assert validate(sent[0]) == ()


@pytest.mark.parametrize(
    ("accept", "application", "good", "bad"),
    [
        ("", "", ["AA"], ["AR"]),
        ("NE", "AL", ["AA"], ["AR"]),
        ("AL", "NE", ["CA"], ["CR"]),
        ("AL", "AL", ["CA", "AA"], ["CR", "AR"]),
        ("ER", "NE", [], ["CR"]),
        ("NE", "SU", ["AA"], []),
        ("NE", "NE", [], []),
    ],
)
async def test_each_sender_gets_the_acknowledgements_that_it_asked_for(
    record: KeepingRecord, accept: str, application: str, good: list[str], bad: list[str]
) -> None:
    head = header(accept=accept, application=application)

    assert [code for code, _ in codes_of(await new_bridge().answer(message(head=head)))] == good
    assert [code for code, _ in codes_of(await new_bridge().answer(message(head=head, pid="PID|||")))] == bad


@pytest.mark.parametrize(("status", "expected"), [(503, "AE"), (500, "AE"), (401, "AE"), (404, "AE"), (422, "AR")])
async def test_a_record_that_cannot_write_now_means_again_and_one_that_never_will_means_never(
    record: KeepingRecord, monkeypatch: pytest.MonkeyPatch, status: int, expected: str
) -> None:
    body = {"resourceType": "OperationOutcome", "issue": [{"severity": "error", "code": "processing"}]}
    monkeypatch.setattr(KeepingRecord, "transact", lambda *_: httpx.Response(status, json=body))

    assert codes_of(await new_bridge().answer(message())) == [(expected, "M1")]


@pytest.mark.parametrize(
    ("identifiers", "born", "others"),
    [
        ("T0009^^^HOSPITAL", "19700203", []),
        ("T0001^^^HOSPITAL", "19700204", []),
        ("T0001^^^HOSPITAL", "19700203", [{**PATIENT, "id": "2"}]),
        (
            "T0001^^^HOSPITAL~T0002^^^HOSPITAL",
            "",
            [{**PATIENT, "id": "2", "identifier": [{"system": SYSTEM, "value": "T0002"}]}],
        ),
    ],
)
async def test_a_patient_who_is_not_exactly_one_is_refused(
    record: KeepingRecord, identifiers: str, born: str, others: list[dict[str, object]]
) -> None:
    for one in others:
        record.held[f"Patient/{one['id']}"] = {**one, "meta": {"versionId": "1"}}

    assert codes_of(await new_bridge().answer(message(pid=patient(identifiers, born)))) == [("AR", "M1")]
    assert observations(record) == []


@pytest.mark.parametrize(
    ("born", "recorded", "code"),
    [
        ("1970", "1970-02-03", "AA"),
        ("1971", "1970-02-03", "AR"),
        ("197003", "1970-02-03", "AR"),
        ("197002031405", "1970-02-03", "AA"),
        ("19700203^D", "1970-02-03", "AA"),
        ("19700204", "1970-02", "AA"),
        ("19710203", "1970", "AR"),
        ("19700203", "", "AA"),
        ("19700203junk", "1970-02-03", "AR"),
        ("1970-02-03", "1970-02-03", "AR"),
        ("unknown", "1970-02-03", "AR"),
        ("19701341", "", "AR"),
        ("19700203~19700204", "1970-02-03", "AR"),
        ("19700203~19700203", "1970-02-03", "AR"),
        ('""', "1970-02-03", "AA"),
    ],
)
async def test_a_date_of_birth_that_contradicts_the_record_or_is_none_refuses_the_message(
    record: KeepingRecord, born: str, recorded: str, code: str
) -> None:
    record.held["Patient/1"]["birthDate"] = recorded

    assert codes_of(await new_bridge().answer(message(pid=patient(born=born)))) == [(code, "M1")]
    assert bool(observations(record)) == (code == "AA")


@pytest.mark.parametrize("change", [{"active": False}, {"link": [{"type": "replaced-by"}]}])
async def test_a_patient_who_was_merged_or_is_inactive_is_refused(
    record: KeepingRecord, change: dict[str, object]
) -> None:
    record.held["Patient/1"].update(change)

    assert codes_of(await new_bridge().answer(message())) == [("AR", "M1")]


async def test_a_record_that_ignores_the_search_finds_no_other_patient(record: KeepingRecord) -> None:
    record.deaf = True

    assert codes_of(await new_bridge().answer(message(pid=patient("T0009^^^HOSPITAL")))) == [("AR", "M1")]


async def test_the_same_message_again_writes_nothing_and_is_acknowledged(record: KeepingRecord) -> None:
    bridge = new_bridge()
    await bridge.answer(message())
    posts = record.posts

    assert codes_of(await bridge.answer(message())) == [("AA", "M1")]
    assert record.posts == posts
    # A fresh process, and the same readings under another control id.
    assert codes_of(await new_bridge().answer(message(head=header("M2")))) == [("AA", "M2")]
    assert len(observations(record)) == 3


async def test_a_control_id_that_is_used_again_for_other_readings_loses_none(record: KeepingRecord) -> None:
    bridge = new_bridge()
    await bridge.answer(message())
    other = number("152424^^MDC", "25", "266048^^MDC", at="20260302120500+0000")

    assert codes_of(await bridge.answer(message(other))) == [("AA", "M1")]
    assert len(observations(record)) == 4


async def test_two_values_at_one_instant_are_both_kept_and_one_that_is_sent_twice_is_one(record: KeepingRecord) -> None:
    await new_bridge().answer(message(PLATEAU, PLATEAU, PLATEAU.replace("24.5", "25.0")))

    assert len(observations(record)) == 2


async def test_rows_that_were_left_are_told_as_warnings(record: KeepingRecord) -> None:
    replies = await new_bridge().answer(message(PLATEAU, number("1^^MDC", "1", "266048^^MDC")))

    assert replies is not None
    assert b"\rERR||OBX^2|0^^HL70357|W||||Left: OBX 2 (1): the code is not one that is read.\r" in replies[0]


async def test_a_message_of_which_nothing_is_carried_is_accepted_counted_by_reason_and_logged_as_a_warning(
    record: KeepingRecord, caplog: pytest.LogCaptureFixture
) -> None:
    meters = Meters(process=False)
    bridge = new_bridge(watch=Watch(lambda size: "a1" * size, lambda: 0, lambda: 0.0, meters))

    # It was processed, and sent again it would be no better: HL7 v2.6 chapter 2.9.2 keeps AE and AR for what is not.
    replies = await bridge.answer(
        message(number("1^^MDC", "1", "266048^^MDC"), number("152424^^MDC", "---", "266048^^MDC"))
    )

    assert codes_of(replies) == [("AA", "M1")]
    assert observations(record) == []
    counted = meters.registry.get_sample_value
    assert [counted("ebbmark_bridge_rows_left_total", {"reason": one}) for one in ("code", "value")] == [1.0, 1.0]
    (line,) = [record for record in caplog.records if "verdict" in record.getMessage()]
    assert line.levelno == logging.WARNING
    assert line.getMessage().startswith("Message VENTGATE/ICU/M1: ")
    assert "0 readings carried. No reading of this message was carried." in line.getMessage()


async def test_the_log_tells_of_readings_carried_only_where_they_were_written_now(
    record: KeepingRecord, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.INFO, logger="ebbmark.bridge")
    bridge = new_bridge()
    await bridge.answer(message(pid="PID|||NOBODY^^^HOSP^MR"))
    for one in (bridge, bridge, new_bridge()):
        await one.answer(message())

    never, first, *repeats = [record.getMessage() for record in caplog.records if "verdict" in record.getMessage()]
    assert "0 readings carried" in never
    assert "0 readings carried" not in first
    assert len(repeats) == 2
    assert all("0 readings carried. The record has its readings already" in repeat for repeat in repeats)


async def test_no_log_line_and_no_acknowledgement_tells_a_patient(
    record: KeepingRecord, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.DEBUG, logger="ebbmark")
    said = b""
    for content in (
        message(),
        message(PEEP_SET.replace("|12|", "|x|"), pid=patient("T0001^^^NOBODY")),
        message(pid=patient("T0009^^^HOSPITAL")),
        message(pid=patient(born="19700204")),
    ):
        said += b"".join(await new_bridge().answer(content) or ())

    for word in ("T0001", "T0009", "Invented", "1970", "BED7", "24.5"):
        assert word not in caplog.text
        assert word.encode() not in said


async def test_what_the_message_tells_of_its_patient_is_not_shown_where_a_code_or_a_sender_stands(
    record: KeepingRecord, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.DEBUG, logger="ebbmark")
    rows = [
        number(code, "1", "266048^^MDC") for code in ("Invented", "1^Person.Invented^L", "T0001", "19700203", "X7^PEEP")
    ]
    sent = message(*rows, head=header("Person-1").replace("|ICU|", "|T0001|"))
    said = b"".join(await new_bridge().answer(sent) or ())

    told = caplog.text + said.decode().partition("\rERR")[2]
    assert "Message VENTGATE/?/?: " in told
    assert "(a code of the device, 1, X7 PEEP)" in told
    assert not [one for one in ("Invented", "Person", "T0001", "19700203") if one in told]


async def test_a_fault_of_ours_means_send_again(record: KeepingRecord, monkeypatch: pytest.MonkeyPatch) -> None:
    async def broken(*_: object) -> None:
        raise RuntimeError("T0001")

    monkeypatch.setattr(Bridge, "_carry", broken)

    assert codes_of(await new_bridge().answer(message())) == [("AE", "M1")]


async def exchange(
    sent: bytes,
    *,
    limits: Limits | None = None,
    tls: ssl.SSLContext | None = None,
    peer_tls: ssl.SSLContext | None = None,
) -> bytes:
    """What a sender gets that writes these bytes at once and then says that it has ended."""
    stopping, port = asyncio.Event(), asyncio.get_running_loop().create_future()
    door = asyncio.create_task(
        listen(
            new_bridge().answer,
            host="127.0.0.1",
            port=0,
            limits=limits or Limits(),
            stopping=stopping,
            started=port.set_result,
            tls=tls,
        )
    )
    got = b""
    # The door may have closed before everything was said.
    with suppress(OSError, asyncio.IncompleteReadError):
        reader, writer = await asyncio.open_connection("127.0.0.1", await port, ssl=peer_tls)
        try:
            writer.write(sent)
            if peer_tls is None:
                writer.write_eof()
            # TLS cannot be ended on one side alone.
            got = await (reader.read() if peer_tls is None else reader.readuntil(b"\x1c\r"))
        finally:
            writer.close()
            with suppress(OSError):
                await writer.wait_closed()
    stopping.set()
    await door
    return got


async def test_several_messages_in_one_write_are_each_acknowledged_in_order(record: KeepingRecord) -> None:
    got = await exchange(framed(*(message(head=header(f"M{one}")) for one in range(5))) + b"\r\n" + framed(message()))

    assert codes_of(got.split(b"\x1c\r")[:-1]) == [("AA", f"M{one}") for one in range(5)] + [("AA", "M1")]


@pytest.mark.parametrize(
    "sent", [b"GET / HTTP/1.1\r\n\r\n", framed(b"hello"), framed(message())[:-1], b"\x0b" + b"x" * 3_000, b""]
)
async def test_what_is_no_message_gets_no_answer_and_writes_nothing(record: KeepingRecord, sent: bytes) -> None:
    assert await exchange(sent, limits=Limits(message_bytes=1_000)) == b""
    assert observations(record) == []


async def test_a_connection_too_many_or_from_elsewhere_is_closed_and_the_log_says_why(
    record: KeepingRecord, caplog: pytest.LogCaptureFixture
) -> None:
    assert await exchange(framed(message()), limits=Limits(connections=0)) == b""
    assert await exchange(framed(message()), limits=Limits(networks=(ip_network("192.0.2.0/24"),))) == b""
    assert await exchange(framed(message()), limits=Limits(networks=(ip_network("127.0.0.0/8"),))) != b""
    assert [record.getMessage() for record in caplog.records if "refused" in record.getMessage()] == [
        "A connection of 127.0.0.1 was refused: 0 are open already.",
        "A connection of 127.0.0.1 was refused: EBBMARK_BRIDGE_NETWORKS does not name its address.",
    ]


def as_server(made: Certificates) -> ssl.SSLContext:
    whole = made.server.with_name("bridge.pem")
    whole.write_bytes(made.server.read_bytes() + made.server_key.read_bytes())
    context = server_tls(whole, made.authority)
    assert context is not None
    return context


def as_sender(made: Certificates, *, shows: bool) -> ssl.SSLContext:
    context = ssl.create_default_context(cafile=str(made.authority))
    if shows:
        context.load_cert_chain(made.client, made.client_key)
    return context


async def test_over_tls_a_sender_that_shows_its_certificate_is_carried_and_others_are_not(
    record: KeepingRecord, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    made = certificates(tmp_path)
    tls = as_server(made)

    assert await exchange(framed(message()), tls=tls, peer_tls=as_sender(made, shows=False)) == b""
    assert await exchange(framed(message()), tls=tls) == b""
    assert observations(record) == []
    told = [record.getMessage() for record in caplog.records]
    assert "A TLS connection was refused: peer did not return a certificate." in told
    assert sum(one.startswith("A TLS connection was refused: ") for one in told) == 2
    got = await exchange(framed(message()), tls=tls, peer_tls=as_sender(made, shows=True))
    assert codes_of(got.split(b"\x1c\r")[:-1]) == [("AA", "M1")]
    assert observations(record)


async def test_each_message_is_counted_by_its_verdict_and_each_write_is_audited(record: KeepingRecord) -> None:
    meters, noted = Meters(process=False), list[Access]()

    async def note(access: Access) -> None:
        noted.append(access)

    bridge = new_bridge(note=note, watch=Watch(lambda size: "a1" * size, lambda: 0, lambda: 0.0, meters))
    counted = meters.registry.get_sample_value
    assert counted("ebbmark_bridge_messages_total", {"verdict": "never"}) == 0.0
    await bridge.answer(message())
    await bridge.answer(message(head=header("M2", kind="ADT^A01^ADT_A01")))

    assert counted("ebbmark_bridge_messages_total", {"verdict": "accepted"}) == 1.0
    assert counted("ebbmark_bridge_messages_total", {"verdict": "never"}) == 1.0
    assert counted("ebbmark_bridge_readings_total") == len(observations(record))
    (access,) = noted
    assert (access.deed, access.succeeded, access.patient) == (AuditAction.WRITTEN, True, "Patient/1")
    assert len(access.resources) == len(observations(record))
    assert access.actor.client == "VENTGATE^0012210000000001^EUI-64"
