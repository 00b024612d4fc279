"""From one ORU^R01 message to whose readings it holds: every field by its number, nothing guessed.

Who, when and the status decide about the whole message: where one of them is unusable it is refused. A row whose code,
value or unit cannot be read, which its device marks as not of the patient (OBX-8), whose value is not possible or which
is stamped after now is left, with its number, code and reason in the acknowledgement.

Sources: HL7 v2.6 chapters 2A (data types), 3 (PID) and 7 (OBR, OBX), table 0085 (status); IHE Patient Care Device
Technical Framework, volume 2 (PCD-01: containment in OBX-4, device in OBX-18, settings in OBX-17). Of the tokens of
OBX-17 AMEAS, MMEAS and MSET were read in two public places each, ASET and RSET in one, ACALC and MCALC are from memory.
Status to FHIR: HL7 Version 2 to FHIR, table 0085.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta, timezone
from decimal import Decimal
from zoneinfo import ZoneInfo

from ebbmark.bridge.hl7v2 import AGAIN, NEVER, Refused, Segment, lines_of, segment_of, segments_of
from ebbmark.fhir.model import Coding
from ebbmark.fhir.naming import LOINC, MDC, SNOMED
from ebbmark.fhir.reading.codes import NO_CODE_MAP, RANGES, ROWS, SETTING_TWIN, CodeMap, Unusable, meaning_of
from ebbmark.fhir.reading.units import MDC_UNITS, UCUM, UnitProblem, conversion, to_canonical
from ebbmark.fhir.writing.entered import DeviceReading
from ebbmark.physiology.readings import Quantity

_SYSTEMS = {"MDC": MDC, "LN": LOINC, "SCT": SNOMED}
"""HL7 table 0396."""

_FINAL, _PRELIMINARY = frozenset({"F"}), frozenset({"R", "P"})
_AMENDING = frozenset({"A", "C", "D", "U", "W"})
"""Statuses that change what was sent before."""

_NOT_OF_THE_PATIENT = frozenset(
    {"INV", "QUES", "NAV", "CAL", "CALIB", "TEST", "DEMO", "EARLY", "OFF", "ONG", "INVALID", "QUESTIONABLE"}
)
"""OBX-8 of a value that is not to be used as a reading of the patient. IHE PCD measurement status; INV, QUES, NAV, CAL,
TEST, DEMO and EARLY were read in two public places, the other spellings are from memory."""

AHEAD_S = 300.0
"""A reading that is stamped so far after now is of another zone or another clock [s]; this project's choice."""

_SETTING = frozenset({"ASET", "MSET", "RSET"})
_MEASURED = frozenset({"AMEAS", "MMEAS", "ACALC", "MCALC"})

_PLAIN = re.compile(r"[!-~](?:[ -~]{0,98}[!-~])?")
_NUMBER = re.compile(r"[+-]?\d{1,12}(?:\.\d{0,9})?|[+-]?\.\d{1,9}")
_TIME = re.compile(r"(\d{4})(\d\d)(\d\d)(\d\d)(\d\d)(\d\d(?:\.\d{1,6})?)?([+-]\d{4})?")
_PLACE = re.compile(r"\d{1,9}(?:\.\d{1,9}){0,7}")
_OID = re.compile(r"[0-2](?:\.(?:0|[1-9]\d{0,30})){2,30}")
_BIRTH = re.compile(r"(\d{4})(?:(\d\d)(?:(\d\d)(?:\d{4}(?:\d\d(?:\.\d{1,4})?)?)?)?)?(?:[+-]\d{4})?")
_SHOWN = re.compile(r"[A-Za-z0-9_.:-]{1,80}")
_ABOUT_PATIENT = {"PID": range(2, 31), "NK1": range(2, 31), "PV1": (19, 50)}
"""Fields that tell whose the message is."""
_IDENTIFIERS = frozenset({("PID", 2), ("PID", 3), ("PID", 4), ("PID", 18), ("PID", 21), ("PV1", 19), ("PV1", 50)})
"""Of type CX: only the first component is of the patient, the others name who assigned it."""


@dataclass(frozen=True, slots=True)
class SiteRules:
    """What a site has decided.

    Attributes:
        assigners: FHIR system of patient identifiers by their assigner, as in PID-3.4 (namespace or universal id).
        zone: of times without one; None where they are refused.
    """

    assigners: Mapping[str, str] = field(default_factory=dict)
    zone: ZoneInfo | None = None
    code_map: CodeMap = NO_CODE_MAP


@dataclass(frozen=True, slots=True)
class DeviceMessage:
    """What a message holds for the record.

    Attributes:
        patient: identifiers, system and value each; at least one.
        birth_date: `2000-01-31`, `2000-01` or `2000`; empty where none was sent.
    """

    patient: tuple[tuple[str, str], ...]
    birth_date: str
    readings: tuple[DeviceReading, ...]
    left: tuple[LeftRow, ...]


@dataclass(frozen=True, slots=True)
class LeftRow:
    """One OBX that is not carried.

    Attributes:
        number: of the OBX within the message, from 1.
    """

    number: int
    sent_as: str
    kind: str
    reason: str


class _Left(Exception):
    """A row that is not carried: the kind of the reason, and the reason as a phrase."""

    def __init__(self, kind: str, reason: str) -> None:
        super().__init__(reason)
        self.kind = kind


def read_message(content: bytes, header: Segment, rules: SiteRules, *, now_s: float) -> DeviceMessage:
    """Read one message.

    Raises:
        Refused: with the place and the reason.
    """
    _check_kind(header)
    segments = segments_of(content, header)
    patients = [segment for segment in segments if segment.name == "PID"]
    if len(patients) != 1:
        raise Refused(
            "PID^1", 100, f"The message has {len(patients)} PID segments; accepted: one patient in a message."
        )
    names = [segment.name for segment in segments]
    if "OBX" in names and names.index("OBX") < names.index("PID"):
        raise Refused("OBX^1", 100, "An OBX stands before the PID.")
    identifiers = _identifiers(patients[0], rules)
    birth_date, private = _birth_date(patients[0]), told_of_patient(content, header)
    devices = {_branch(segment.text(4)): segment for segment in segments if segment.name == "OBX" and segment.text(18)}
    left: list[LeftRow] = []
    readings: list[DeviceReading] = []
    group = ""
    number = 0
    for segment in segments:
        if segment.name == "OBR":
            group = segment.text(7)
        if segment.name != "OBX":
            continue
        number += 1
        try:
            reading = _reading(segment, number, group, devices, header, rules)
            if reading is not None and reading.at_s > now_s + AHEAD_S:
                raise _Left("time", "it is stamped after now: check the zone and the clock of the sender")
        except _Left as left_out:
            left.append(LeftRow(number, _sent_as(segment, private), left_out.kind, str(left_out)))
        else:
            readings += [reading] if reading is not None else []
    return DeviceMessage(identifiers, birth_date, tuple(readings), tuple(left))


def told_of_patient(content: bytes, header: Segment) -> frozenset[str]:
    """What a message says of its patient, each field and each word of it, in lower case."""
    found: set[str] = set()
    for line in lines_of(content.decode("latin-1")):
        one = segment_of(line, header.delimiters)
        for field_number in _ABOUT_PATIENT.get(one.name, ()):
            for components in one.repetitions(field_number):
                for text in components[:1] if (one.name, field_number) in _IDENTIFIERS else components:
                    found |= {text.strip().lower(), *_words(text)}
    return frozenset(found)


def word_to_show(text: str, private: frozenset[str]) -> str:
    """A name or code as it was sent; empty where it has not the form of one, or tells what `private` holds.

    Args:
        private: from `told_of_patient`.
    """
    told = text.lower() in private or bool(_words(text) & private)
    return "" if told or not _SHOWN.fullmatch(text) else text


def _words(text: str) -> set[str]:
    # Shorter ones, such as a sex, are in names of codes by chance; as the whole of a field they are compared.
    return {one for one in re.split(r"[^a-z0-9]+", text.lower()) if len(one) > 2}


def _birth_date(patient: Segment) -> str:
    """PID-7 as far as it was sent."""
    sent = patient.repetitions(7)
    found = _BIRTH.fullmatch(patient.text(7))
    if not sent or (len(sent) == 1 and not patient.text(7)):
        return ""
    parts = [group for group in found.groups() if group] if found else []
    try:
        date(*[int(one) for one in [*parts, "01", "01"][:3]])
    except (TypeError, ValueError):
        parts = []
    if len(sent) > 1 or not parts:
        sentence = "No usable date of birth, or more than one: accepted is none, or one as YYYY[MM[DD]]."
        raise Refused("PID^1^7", 102, sentence)
    return "-".join(parts)


def _check_kind(header: Segment) -> None:
    kind, event = header.text(9, 1), header.text(9, 2)
    if kind != "ORU":
        raise Refused("MSH^1^9", 200, "This type of message is not carried; accepted: ORU^R01.")
    if event != "R01":
        raise Refused("MSH^1^9", 201, "This event is not carried; accepted: ORU^R01.")
    if header.text(11) != "P":
        raise Refused("MSH^1^11", 202, "Only messages of processing id P (production) are carried.")
    if not header.text(12).startswith("2."):
        raise Refused("MSH^1^12", 203, "This version is not read; accepted: 2.x.")


def _identifiers(patient: Segment, rules: SiteRules) -> tuple[tuple[str, str], ...]:
    found: list[tuple[str, str]] = []
    sent = [repetition for repetition in patient.repetitions(3) if patient.plain(repetition[0])]
    for components in sent:
        assigner = components[3].split(patient.delimiters[4]) if len(components) > 3 else []
        namespace, universal, kind = [patient.plain(one) for one in [*assigner, "", "", ""][:3]]
        of_oid = f"urn:oid:{universal}" if kind == "ISO" and _OID.fullmatch(universal) else ""
        system = rules.assigners.get(universal, "") or rules.assigners.get(namespace, "") or of_oid
        value = patient.plain(components[0])
        if system and (system, value) not in found:
            if not _PLAIN.fullmatch(value) or set(value) & set("|,$\\"):
                raise Refused("PID^1^3", 102, "The identifier of the patient holds characters that are not read.")
            found.append((system, value))
    if not sent:
        raise Refused("PID^1^3", 101, "The message does not say whose it is; a patient is never guessed by location.")
    if not found:
        sentence = "The assigner of the patient's identifier is not known here: name it in EBBMARK_BRIDGE_ASSIGNERS."
        # Without any assigner it is the bridge that is not set up yet: the sender keeps the message.
        raise Refused("PID^1^3^1^4", 103, sentence, NEVER if rules.assigners else AGAIN)
    if len(found) > 8:
        raise Refused("PID^1^3", 102, "The patient has more than eight identifiers.")
    return tuple(found)


def _reading(
    row: Segment,
    number: int,
    group: str,
    devices: Mapping[tuple[str, ...], Segment],
    header: Segment,
    rules: SiteRules,
) -> DeviceReading | None:
    """The reading of one OBX; None for a row that only describes the device."""
    status, value = row.text(11).upper(), row.text(5)
    if status in _AMENDING:
        sentence = "A change of what was sent before is not carried: correct it in the record. Accepted: F, P, R, X."
        raise Refused(f"OBX^{number}^11", 103, sentence)
    if not row.text(2) and not value:
        return None
    if status not in _FINAL | _PRELIMINARY:
        raise _Left("status", "the status is not F, P or R")
    doubted = {
        row.plain(repetition[0]).upper() for repetition in row.repetitions(8) if repetition
    } & _NOT_OF_THE_PATIENT
    if doubted:
        raise _Left("doubted", f"the device marks it in OBX-8 as {' and '.join(sorted(doubted))}")
    coding, quantity, method = _meaning(row, rules)
    if row.text(2) != "NM" or not _NUMBER.fullmatch(value):
        raise _Left("value", "the value is no number")
    unit = _unit(row, quantity)
    low, high = RANGES[quantity]
    worth = to_canonical(float(value), unit.get("code", ""), unit["unit"], unit.get("system", ""), quantity.unit)
    if isinstance(worth, UnitProblem) or not low <= worth <= high:
        raise _Left("value", "the value is not possible for this quantity")
    return DeviceReading(
        coding=coding,
        sent_as=_sent_as(row),
        value=Decimal(value),
        unit=unit,
        at_s=_moment(row.text(14), f"OBX^{number}^14", rules) if row.text(14) else _moment(group, "OBR^1^7", rules),
        final=status in _FINAL,
        device=_device(row, devices, header),
        place=row.text(4) if _PLACE.fullmatch(row.text(4)) else "",
        method=method,
    )


def _meaning(row: Segment, rules: SiteRules) -> tuple[dict[str, str], Quantity, str]:
    table = rules.code_map.table
    codings = [Coding(_SYSTEMS.get(row.text(3, at + 2), ""), row.text(3, at)) for at in (1, 4) if row.text(3, at)]
    meaning = meaning_of(codings, table)
    if isinstance(meaning, Unusable) or not isinstance(meaning.quantity, Quantity):
        raise _Left("code", "the code is not one that is read")
    quantity, method = meaning.quantity, row.text(17).upper()
    named_setting = row.text(3, 2).upper().endswith("_SETTING") or row.text(3, 1).upper().endswith("_SETTING")
    is_setting = quantity.slug.endswith("-set")
    if method in _MEASURED and (is_setting or named_setting):
        raise _Left("setting", "code and method do not agree on whether it is a setting")
    method = method if method in _SETTING | _MEASURED else ""
    if not is_setting and (method in _SETTING or named_setting):
        twin = SETTING_TWIN.get(quantity)
        if twin is None:
            raise _Left("setting", "a setting under the code of something that is measured only")
        coded = next(one for one in ROWS if one.system == LOINC and one.meaning is twin and not one.variant)
        return {"system": LOINC, "code": coded.code, "display": coded.display}, twin, method or "setting by its name"
    one = next(
        coding
        for coding in codings
        if (row_of := table.get((coding.system, coding.code))) and row_of.meaning is quantity
    )
    return {**({"system": one.system} if one.system else {}), "code": one.code}, quantity, method


def _sent_as(row: Segment, private: frozenset[str] = frozenset()) -> str:
    shown = [one for text in (row.text(3, 1), row.text(3, 2)) if (one := word_to_show(text, private))]
    return " ".join(shown) or "a code of the device"


def _unit(row: Segment, quantity: Quantity) -> dict[str, str]:
    for at in (1, 4):
        code, name, system = row.text(6, at), row.text(6, at + 1), row.text(6, at + 2)
        if system == "MDC" and code in MDC_UNITS:
            code, system = MDC_UNITS[code], UCUM
        elif system == "UCUM":
            system = UCUM
        elif system or not code:
            continue
        found = conversion(code if system else "", code, system, quantity.unit)
        if not isinstance(found, UnitProblem):
            shown = name if system and _PLAIN.fullmatch(name) and len(name) < 40 else code
            return {"unit": shown, **({"system": system, "code": code} if system else {})}
    raise _Left("unit", "the unit is missing, not read, or does not fit the quantity")


def _moment(text: str, where: str, rules: SiteRules) -> float:
    found = _TIME.fullmatch(text)
    if found is None:
        sentence = "No usable time: accepted is YYYYMMDDHHMM[SS[.S]][+ZZZZ] in OBX-14 or in OBR-7."
        raise Refused(where, 102 if text else 101, sentence)
    year, month, day, hour, minute, second, offset = found.groups()
    try:
        naive = datetime(int(year), int(month), int(day), int(hour), int(minute))  # noqa: DTZ001 - zone follows
        naive += timedelta(seconds=_seconds(second))
        if offset:
            minutes = int(offset[1:3]) * 60 + int(offset[3:])
            zone = timezone(timedelta(minutes=-minutes if offset[0] == "-" else minutes))
            return naive.replace(tzinfo=zone).timestamp()
    except (ValueError, OverflowError):
        raise Refused(where, 102, "There is no such time.") from None
    if rules.zone is None:
        # As with an assigner: what is not set up yet, the site can mend, and the sender keeps the message.
        raise Refused(where, 102, "The time has no zone: send one, or set EBBMARK_BRIDGE_TIME_ZONE.", AGAIN)
    instants = {naive.replace(tzinfo=rules.zone, fold=fold).timestamp() for fold in (0, 1)}
    if len(instants) > 1:
        # The hour that the change of clocks repeats or leaves out.
        raise Refused(where, 102, "This local time is twice or never there when clocks change: send it with its zone.")
    return instants.pop()


def _seconds(text: str | None) -> float:
    seconds = float(text or 0)
    if seconds >= 60:
        raise ValueError("no second of a minute")
    return seconds


def _branch(place: str) -> tuple[str, ...]:
    """A place in the device's tree without the zeros that fill it up."""
    parts = place.split(".") if _PLACE.fullmatch(place) else ["", place]
    while len(parts) > 1 and parts[-1].strip("0") == "":
        parts.pop()
    return tuple(parts)


def _device(row: Segment, devices: Mapping[tuple[str, ...], Segment], header: Segment) -> dict[str, str]:
    """The identifier of the nearest device above a row, else of the sender."""
    branch = _branch(row.text(4))
    above: Sequence[tuple[str, ...]] = [branch[:length] for length in range(len(branch), 0, -1)]
    named = row if row.text(18) else next((devices[one] for one in above if one in devices), None)
    parts = [named.text(18, at) for at in range(1, 5)] if named is not None else []
    if parts and _PLAIN.fullmatch(parts[0]):
        is_oid = parts[3] == "ISO" and _OID.fullmatch(parts[2])
        return {**({"system": f"urn:oid:{parts[2]}"} if is_oid else {}), "value": parts[0]}
    sender = "/".join(one for one in (header.text(3), header.text(4)) if _PLAIN.fullmatch(one))
    return {"value": sender or "unnamed device"}
