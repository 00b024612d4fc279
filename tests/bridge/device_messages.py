"""Messages of a ventilator in the shape of IHE PCD-01, all invented; three dialects, and a sender that sends again."""

from __future__ import annotations

from collections.abc import Sequence

PROFILE = "IHE_PCD_001^IHE PCD^1.3.6.1.4.1.19376.1.6.1.1.1^ISO"
SYSTEM = "https://hospital.example/mrn"
PATIENT = {
    "resourceType": "Patient",
    "id": "1",
    "birthDate": "1970-02-03",
    "identifier": [{"system": SYSTEM, "value": "T0001"}],
}


def header(
    control: str = "M1", *, accept: str = "", application: str = "", charset: str = "", kind: str = "ORU^R01^ORU_R01"
) -> str:
    return (
        f"MSH|^~\\&|VENTGATE^0012210000000001^EUI-64|ICU|RECORD|HOSPITAL|20260302120005+0000||{kind}|{control}|P|2.6|||"
        f"{accept}|{application}||{charset}|||{PROFILE}"
    )


def patient(identifiers: str = "T0001^^^HOSPITAL^MR", born: str = "19700203") -> str:
    return f"PID|||{identifiers}||Invented^Person^^^^^L||{born}|F"


def order(at: str = "20260302120000+0000") -> str:
    return f"OBR|1|A1^VENTGATE|B1^VENTGATE|69985^MDC_DEV_SYS_PT_VENT_VMD^MDC|||{at}"


def device(place: str = "1.0.0.0", identity: str = "V17^VENTGATE") -> str:
    return f"OBX|1||70001^MDC_DEV_SYS_VENT^MDC|{place}|||||||X|||||||{identity}"


def number(
    code: str,
    value: str,
    unit: str,
    *,
    place: str = "1.1.1.1",
    status: str = "F",
    at: str = "",
    method: str = "",
    kind: str = "NM",
) -> str:
    return f"OBX|2|{kind}|{code}|{place}|{value}|{unit}|||||{status}|||{at}|||{method}"


PEEP_SET = number(
    "151976^MDC_VENT_PRESS_AWAY_END_EXP_POS^MDC", "12", "266048^MDC_DIM_CM_H2O^MDC", method="MSET^manual-setting^MDC"
)
PLATEAU = number("152424^MDC_VENT_PRESS_RESP_PLAT^MDC", "24.5", "266048^MDC_DIM_CM_H2O^MDC", place="1.1.1.2")
TIDAL = number("151868^MDC_VOL_AWAY_TIDAL^MDC", "410", "mL^milliliter^UCUM", place="1.1.1.3")

ROWS = (device(), PEEP_SET, PLATEAU, TIDAL)


def message(*rows: str, head: str = "", pid: str | None = None, obr: str | None = None) -> bytes:
    lines = [
        head or header(),
        pid if pid is not None else patient(),
        "PV1||I|ICU^^BED7",
        obr or order(),
        *(rows or ROWS),
    ]
    return ("\r".join(lines) + "\r").encode()


def framed(*messages: bytes) -> bytes:
    return b"".join(b"\x0b" + one + b"\x1c\r" for one in messages)


def codes_of(replies: Sequence[bytes] | None) -> list[tuple[str, str]]:
    """Acknowledgement code and control id of each reply."""
    found = []
    for reply in replies or ():
        fields = next(line for line in reply.decode("latin-1").split("\r") if line.startswith("MSA")).split("|")
        found.append((fields[1], fields[2]))
    return found
