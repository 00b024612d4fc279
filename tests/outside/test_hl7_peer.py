"""A sender that is not ours sends our messages to the bridge; a public profile is the oracle for them and the replies.

The sender is the Java library HAPI (hapi-base and hapi-structures-v26 2.6.0). The profiles are Gazelle's of IHE PCD-01
(PCD Technical Framework volume 2, HL7 v2.6; Apache-2.0), as the Maven artifact ipf-gazelle-validation-profiles-pcd
3.4.0 carries them; this test installs them, and they are no part of this repository.
"""

from __future__ import annotations

import asyncio
import re
import shutil
import subprocess
from collections import defaultdict
from dataclasses import dataclass, field
from pathlib import Path

import pytest
import respx

from bridge.conftest import new_bridge
from bridge.device_messages import PATIENT, PLATEAU, device, header, message, number, order, patient
from ebbmark.bridge.hl7v2 import Limits, listen
from outside.node_packages import missing
from record.keeping_record import KeepingRecord

pytestmark = pytest.mark.live

CODE = "152424^MDC_VENT_PRESS_RESP_PLAT^MDC"
PEER = Path(__file__).parent / "hl7_peer"


def asking(control: str, accept: str = "NE", application: str = "AL", **more: str) -> str:
    return header(control, accept=accept, application=application, **more)


SENT = {
    "in original mode": (message(head=header("M1")), "AA"),
    "for an application acknowledgement": (message(head=asking("M2")), "AA"),
    "for an accept acknowledgement": (message(head=asking("M3", "AL", "NE")), "CA"),
    "with units of UCUM": (
        message(
            device(),
            number(CODE, "25", "cm[H2O]^centimetre of water^UCUM", at="20260302120100+0000"),
            head=asking("M4"),
        ),
        "AA",
    ),
    "with umlauts": (
        message(
            PLATEAU,
            pid=patient().replace("Invented", "Erfunden\u00e4"),
            obr=order("20260302120200+0000"),
            head=asking("M5", charset="UNICODE UTF-8"),
        ),
        "AA",
    ),
    "with a row that is left": (message(PLATEAU, number("1^UNKNOWN^MDC", "1", ""), head=asking("M6")), "AA"),
    "without a patient": (message(pid=patient(""), head=asking("M7")), "AR"),
    "without a patient, for an accept acknowledgement": (message(pid=patient(""), head=asking("M8", "AL", "NE")), "CR"),
}
EXPLAINED = {
    r"DTM doesn't match profile datatype TS|DTM but the profile defines components": (
        "HL7 v2.6 has DTM where the profile kept TS of v2.5"
    ),
    r"Acknowledgment Type must have at least 1 .* at MSH-1[56]": "PCD-01 has no original mode; others in the field do",
    r"Patient Identifier List must have at least 1": "sent without a patient on purpose",
}


@dataclass
class Heard:
    """What the peer told of one message."""

    reply: tuple[str, str] = ("", "")
    faults: dict[str, list[str]] = field(default_factory=lambda: defaultdict(list))


@pytest.fixture(scope="module")
def heard(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Heard]:
    folder = tmp_path_factory.mktemp("hl7-peer")
    if shutil.which("java") is None or shutil.which("mvn") is None:
        missing("java and mvn, which run the HL7 peer, were not found on this machine")
    shutil.copy(PEER / "pom.xml", folder)
    fetch = ["mvn", "-q", "-B", "-Dstyle.color=never", "dependency:copy-dependencies", "-DoutputDirectory=lib"]
    run = subprocess.run(fetch, cwd=folder, capture_output=True, text=True, check=False, timeout=300)
    if run.returncode != 0:
        missing(f"mvn could not install the HL7 peer: {run.stdout[-500:]}")
    for name, (content, _) in SENT.items():
        (folder / name).write_bytes(content)
    return asyncio.run(_sent(folder))


async def _sent(folder: Path) -> dict[str, Heard]:
    """Run the bridge on a free port, and the peer against it."""
    stopping, port = asyncio.Event(), asyncio.get_running_loop().create_future()
    with respx.mock(assert_all_called=False) as router:
        KeepingRecord({"Patient/1": {**PATIENT, "meta": {"versionId": "1"}}}).attach(router)
        door = asyncio.create_task(
            listen(
                new_bridge().answer,
                host="127.0.0.1",
                port=0,
                limits=Limits(),
                stopping=stopping,
                started=port.set_result,
            )
        )
        command = ["java", "-XX:TieredStopAtLevel=1", "-cp", str(folder / "lib" / "*"), str(PEER / "Peer.java")]
        peer = await asyncio.create_subprocess_exec(
            *command,
            str(await port),
            *[str(folder / name) for name in SENT],
            stdout=asyncio.subprocess.PIPE,
            stderr=asyncio.subprocess.PIPE,
        )
        told, trouble = await asyncio.wait_for(peer.communicate(), 120)
        stopping.set()
        await door
    assert peer.returncode == 0, trouble.decode()[-2000:]
    heard: dict[str, Heard] = defaultdict(Heard)
    for line in told.decode().splitlines():
        kind, name, *rest = line.split("\t")
        if kind == "reply":
            heard[name].reply = (rest[0], rest[1])
        else:
            heard[name].faults[rest[0]].append(rest[1])
    return heard


def unexplained(faults: list[str]) -> list[str]:
    return [fault for fault in faults if not any(re.search(pattern, fault) for pattern in EXPLAINED)]


@pytest.mark.parametrize("name", SENT)
def test_a_java_sender_gets_the_acknowledgement_of_its_message_and_both_are_of_the_profile(
    heard: dict[str, Heard], name: str
) -> None:
    content, expected = SENT[name]

    assert heard[name].reply == (expected, content.split(b"\r")[0].decode().split("|")[9])
    assert unexplained(heard[name].faults["message"]) == []
    assert heard[name].faults["reply"] == []


def test_the_profile_finds_what_is_missing_and_every_explanation_is_needed(heard: dict[str, Heard]) -> None:
    found = [fault for one in heard.values() for fault in one.faults["message"]]

    assert [one for one in heard["without a patient"].faults["message"] if "PID-3" in one]
    assert [pattern for pattern in EXPLAINED if not any(re.search(pattern, fault) for fault in found)] == []
