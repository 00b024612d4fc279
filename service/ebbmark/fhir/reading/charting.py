"""How a site charts what FHIR leaves open or a record writes otherwise: its signed charting table.

`{"version": "1", "signed_by": "…", "signed_on": "2026-02-01", "time_zone": {"name": "Europe/Vienna", "source": "…"},
"units": [{"system": "", "unit": "ML", "ucum": "mL", "source": "…"}], "numbers": [{"system": "urn:…", "code": "…",
"ucum": "cm[H2O]", "source": "…"}], "codes": [{"system": "", "code": "…", "means": "peep-set", "source": "…"}], "texts":
[{"text": "PEEP set", "means": "peep-set", "source": "…"}], "systems": [{"system": "urn:…", "same_as":
"http://loinc.org", "source": "…"}]}`; every list may be left out. `units` says what a spelling means, `numbers` in
which unit valueInteger, valueString and valueQuantity without unit are under one code, `texts` what
CodeableConcept.text means where no coding is known, `time_zone` where times without a zone were charted, `systems`
which code system is one of the standards under another name. Nothing of it holds unless it stands there.

Observations are rewritten as FHIR R4 wants them before they are read; each kind of rewriting is remarked once.

Of readings that were sent and cannot be used, doubts are told none the less, but for those that were replaced, taken
back, or are none of our quantities: of them nothing is left to ask. Where a unit is missing or not known the number is
taken as if it had ours, and an SpO2 of up to 1 as a fraction: this is only ever used to say that somebody should look.
An SpO2 of up to 1 per cent may be a fraction or anything else: it is taken as a bound, below which the true one may
lie.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from typing import TypeVar
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import msgspec

from ebbmark.fhir.model import Codeable, Coding, Component, Observation, Period, QuantityValue
from ebbmark.fhir.problems import Ignored, Reason
from ebbmark.fhir.reading.codes import CODE_TEXT, CODES, MEANINGS, CodeMap, CodeRow
from ebbmark.fhir.reading.request import Received, stamped_s
from ebbmark.fhir.reading.site_file import ChartedUnit, ChartingTable, SiteFileError, ZoneGiven, read_site_file
from ebbmark.fhir.reading.terminology import MapRows, lay_over, row_of_meaning
from ebbmark.fhir.reading.units import UCUM, UNITS, UnitProblem, conversion, to_canonical
from ebbmark.physiology.readings import Quantity, UnusableReading

_Holder = TypeVar("_Holder", Observation, Component)
_SYSTEMS = frozenset(system for system, _ in CODES)
_UNZONED = re.compile(r"\d{4}-\d{2}-\d{2}T\d{2}:\d{2}(:\d{2}(\.\d{1,9})?)?")
_NUMBER = re.compile(r"\d{1,4}([.,]\d{1,2})?")
"""A number as people type it; three digits behind a point or comma may be thousands and are not read."""


def with_charting(code_map: CodeMap, name: str, content: bytes) -> CodeMap:
    """The codes with what a site's charting table adds.

    Raises:
        SiteFileError: names file and element.
    """
    table = read_site_file(name, content, ChartingTable, "a charting table")
    rows = _rows(table, name, code_map)
    units = {(one.system, one.unit): _ucum(one.ucum, f"{name}: units[{at}]") for at, one in enumerate(table.units)}
    for number, one in enumerate(table.units):
        _refuse_other_meaning(one, f"{name}: units[{number}]")
    _refuse_repeated([(unit.system, unit.unit) for unit in table.units], f"{name}: units")
    laid = lay_over(code_map, MapRows(rows, units, Counter(), []))
    numbers = {
        (one.system, one.code): _ucum(one.ucum, f"{name}: numbers[{at}]") for at, one in enumerate(table.numbers)
    }
    for number, key in enumerate(numbers):
        if key not in laid.table:
            raise SiteFileError(f"{name}: numbers[{number}]: the code {key[1]!r} means nothing here; map it first")
        meaning, ucum = laid.table[key].meaning, numbers[key]
        if isinstance(meaning, Quantity) and isinstance(found := conversion(ucum, "", UCUM, meaning.unit), UnitProblem):
            told = f"{meaning.slug} is not read in {ucum}; accepted: {found.accepted}"
            raise SiteFileError(f"{name}: numbers[{number}].ucum: {told}")
    signed = f"version {table.version}, signed by {table.signed_by} on {table.signed_on}"
    return replace(laid, numbers=numbers, zone=_zone(table.time_zone, name), charting=signed)


def _rows(table: ChartingTable, name: str, code_map: CodeMap) -> list[CodeRow]:
    rows: list[CodeRow] = []
    for number, one in enumerate(table.systems):
        if one.same_as not in _SYSTEMS:
            accepted = ", ".join(sorted(_SYSTEMS))
            raise SiteFileError(f"{name}: systems[{number}].same_as is {one.same_as!r}; accepted: {accepted}")
        rows += [
            row._replace(system=one.system, mapped_to=(system, code))
            for (system, code), row in CODES.items()
            if system == one.same_as
        ]
    for number, code in enumerate(table.codes):
        rows.append(_meant(code.system, code.code, code.means, f"{name}: codes[{number}]"))
    for number, text in enumerate(table.texts):
        rows.append(_meant(CODE_TEXT, _plain(text.text), text.means, f"{name}: texts[{number}]"))
    _refuse_repeated([(row.system, row.code) for row in rows], f"{name}: codes, texts and systems")
    for row in rows:
        there = code_map.table.get((row.system, row.code))
        if there is not None and there.meaning is not row.meaning:
            raise SiteFileError(
                f"{name}: {row.code!r} is mapped to another meaning by EBBMARK_CODE_MAP, or by a standard"
            )
    return rows


def _meant(system: str, code: str, means: str, path: str) -> CodeRow:
    row = row_of_meaning(system, code, means) if code.strip() else None
    if row is None:
        raise SiteFileError(f"{path}: {code!r} means {means!r}; accepted: {', '.join(MEANINGS)}")
    return row


def _ucum(ucum: str, path: str) -> str:
    if ucum not in UNITS and ucum != "[pH]":
        raise SiteFileError(f"{path}.ucum is {ucum!r}, which is no unit that is read; accepted: {', '.join(UNITS)}")
    return ucum


def _refuse_other_meaning(one: ChartedUnit, path: str) -> None:
    if one.system in ("", UCUM) and UNITS.get(one.unit, UNITS.get(one.ucum)) != UNITS.get(one.ucum):
        raise SiteFileError(f"{path}: {one.unit!r} is a unit of UCUM itself and cannot stand for {one.ucum!r}")


def _refuse_repeated(keys: Sequence[tuple[str, str]], path: str) -> None:
    twice = next((key for key in keys if keys.count(key) > 1), None) if len(set(keys)) < len(keys) else None
    if twice is not None:
        raise SiteFileError(f"{path}: {twice[1]!r} stands there twice, and only one of them can be meant")


def _zone(given: ZoneGiven | None, name: str) -> ZoneInfo | None:
    if given is None:
        return None
    try:
        return ZoneInfo(given.name)
    except (ZoneInfoNotFoundError, ValueError, OSError):  # a folder of zones, such as Europe, is an OSError
        raise SiteFileError(f"{name}: time_zone.name is {given.name!r}; no zone of this name is known here") from None


_OF_ZONE = "Times without a zone were read as of {zone}"
_OF_NUMBERS = "Numbers without a unit were read in the unit that the site names for their code"
_OF_TEXTS = "Codes that are given as text only were read as the site says"


def as_charted(
    items: Sequence[Received[Observation]], code_map: CodeMap
) -> tuple[list[Received[Observation]], list[str]]:
    """Observations as FHIR R4 wants them, and what was rewritten, as remarks."""
    remarks: dict[str, None] = {}
    found = [_as_charted(item, code_map, remarks) for item in items]
    # A replay takes texts from the answer itself, the rest from the site's table.
    by = f" (charting table of the site, {code_map.charting})."
    return found, [f"{remark}." if remark == _OF_TEXTS else f"{remark}{by}" for remark in remarks]


def _as_charted(item: Received[Observation], code_map: CodeMap, remarks: dict[str, None]) -> Received[Observation]:
    observation = item.resource
    changed = _spelled(observation, code_map, remarks)
    parts = [_spelled(part, code_map, remarks) for part in observation.component]
    if any(new is not old for new, old in zip(parts, observation.component, strict=True)):
        changed = msgspec.structs.replace(changed, component=parts)
    if code_map.zone is not None:
        changed = _zoned(changed, code_map.zone, remarks)
    return item if changed is observation else msgspec.structs.replace(item, resource=changed)


def _spelled(holder: _Holder, code_map: CodeMap, remarks: dict[str, None]) -> _Holder:
    """One value, with a code for its text and a unit for its number where the site says so."""
    code: Codeable = holder.code
    if code.text and code_map.texts and not any((one.system, one.code) in code_map.table for one in code.coding):
        text = _plain(code.text)
        if text in code_map.texts:
            remarks[_OF_TEXTS] = None
            code = Codeable([*code.coding, Coding(CODE_TEXT, text)], code.text)
            holder = msgspec.structs.replace(holder, code=code)
    ucum = _unit_of(code, code_map.numbers) if code_map.numbers else ""
    value = _number(holder) if ucum else None
    if value is None:
        return holder
    remarks[_OF_NUMBERS] = None
    quantity = QuantityValue(value, ucum, UCUM, ucum)
    return msgspec.structs.replace(holder, valueQuantity=quantity, valueString=None, valueInteger=None)


def _unit_of(code: Codeable, numbers: Mapping[tuple[str, str], str]) -> str:
    found = {ucum for one in code.coding if (ucum := numbers.get((one.system, one.code)))}
    return found.pop() if len(found) == 1 else ""


def _number(holder: Observation | Component) -> float | None:
    """A plain number without a unit; None where there is none, or something beside it."""
    quantity, text, whole = holder.valueQuantity, holder.valueString, holder.valueInteger
    if sum(one is not None for one in (quantity, text, whole)) != 1:
        return None
    if quantity is not None:
        bare = not (quantity.code or quantity.unit or quantity.system or quantity.comparator)
        return quantity.value if bare else None
    if isinstance(whole, int) and not isinstance(whole, bool):
        return float(whole)
    match = _NUMBER.fullmatch(text.strip()) if isinstance(text, str) else None
    return float(match[0].replace(",", ".")) if match is not None else None


def _zoned(observation: Observation, zone: ZoneInfo, remarks: dict[str, None]) -> Observation:
    period = observation.effectivePeriod
    when, instant = with_zone(observation.effectiveDateTime, zone), with_zone(observation.effectiveInstant, zone)
    within = Period(with_zone(period.start, zone), with_zone(period.end, zone)) if period is not None else None
    if (when, instant, within) == (observation.effectiveDateTime, observation.effectiveInstant, period):
        return observation
    remarks[_OF_ZONE.format(zone=zone.key)] = None
    return msgspec.structs.replace(
        observation, effectiveDateTime=when, effectiveInstant=instant, effectivePeriod=within
    )


def with_zone(text: str, zone: ZoneInfo) -> str:
    """A time without a zone, with it; unchanged where the clock shows it twice or never on that day."""
    if not _UNZONED.fullmatch(text):
        return text
    try:
        bare = datetime.fromisoformat(text)
    except ValueError:
        return text
    early, late = bare.replace(tzinfo=zone, fold=0), bare.replace(tzinfo=zone, fold=1)
    if early.utcoffset() != late.utcoffset():
        return text
    return f"{text}{early.isoformat()[-6:]}"


def _plain(text: str) -> str:
    return " ".join(text.split())


_SETTLED = frozenset(
    one.slug
    for one in (
        Reason.SUPERSEDED,
        Reason.DUPLICATE,
        Reason.ENTERED_IN_ERROR,
        Reason.CANCELLED,
        Reason.REGISTERED,
        Reason.OWN_RESULT,
        Reason.OTHER_SUBJECT,
        Reason.UNKNOWN_CODE,
        Reason.NOT_USED,
        Reason.GROUP,
        Reason.HEIGHT_NOT_CHOSEN,
        Reason.SEX_NOT_CHOSEN,
    )
)
_SIDES = {"<": "below", "<=": "below", ">": "above", ">=": "above"}
_ANY_NUMBER = re.compile(r"(<=|>=|<|>)? {0,3}(\d{1,4}(?:[.,]\d{1,3})?) {0,3}(\S{0,8})")
_LONGEST = 40
"""Longest text in which a number is looked for."""
_LARGEST = 10_000
"""Whole numbers from here on are none of a patient's."""


Table = Mapping[tuple[str, str], CodeRow]


def doubts_of(
    items: Sequence[Received[Observation]], ignored: Iterable[Ignored], table: Table
) -> tuple[UnusableReading, ...]:
    """Tell what was sent and cannot be used, in an order that does not depend on the order received.

    Args:
        ignored: what does not count, by FHIRPath of the Observation or of its part.
    """
    reasons = {one.path: one for one in ignored if one.code not in _SETTLED}
    if not reasons:
        return ()
    found: set[UnusableReading] = set()
    for item in items:
        observation = item.resource
        whole = reasons.get(item.path)
        parts: list[tuple[Observation | Component, str]] = [(observation, "")]
        parts += [(component, f".component[{number}]") for number, component in enumerate(observation.component)]
        at_s = stamped_s(observation)
        for holder, part in parts:
            reason = reasons.get(item.path + part) if part else whole
            reason = reason or whole
            if reason is not None:
                quantities = _quantities(holder.code.coding, table)
                found.update(_doubt(quantity, holder, at_s, reason.reason) for quantity in quantities)
    return tuple(sorted(found, key=lambda one: (one.at_s or 0.0, one.quantity.slug, one.shown, one.why)))


def _quantities(codings: Sequence[Coding], table: Table) -> set[Quantity]:
    """All that its codings may mean; where they disagree, each of them."""
    rows = [table.get((coding.system, coding.code)) for coding in codings]
    return {row.meaning for row in rows if row is not None and isinstance(row.meaning, Quantity)}


def _doubt(quantity: Quantity, holder: Observation | Component, at_s: float | None, why: str) -> UnusableReading:
    number, comparator, unit = _number_sent(holder)
    if number is None:
        return UnusableReading(quantity, None, "", at_s, "", why)
    value = _in_our_unit(quantity, number, holder.valueQuantity)
    side = _SIDES.get(comparator, "")
    if quantity is Quantity.SPO2 and number <= 1.0 and unit.strip() == "%":
        side = "below"
    shown = f"'{comparator}{number:g}{' ' + unit if unit else ''}'"
    return UnusableReading(quantity, value, side, at_s, shown, why)


def _number_sent(holder: Observation | Component) -> tuple[float | None, str, str]:
    """Value, comparator and unit, however they were sent."""
    quantity = holder.valueQuantity
    if quantity is not None and quantity.value is not None:
        return quantity.value, quantity.comparator[:2], (quantity.unit or quantity.code)[:12]
    whole, text = holder.valueInteger, holder.valueString
    if isinstance(whole, int) and not isinstance(whole, bool) and abs(whole) < _LARGEST:
        return float(whole), "", ""
    text = text.strip() if isinstance(text, str) and len(text) <= _LONGEST else ""
    match = _ANY_NUMBER.fullmatch(text)
    if match is None:
        return None, "", ""
    return float(match[2].replace(",", ".")), match[1] or "", match[3]


def _in_our_unit(quantity: Quantity, number: float, sent: QuantityValue | None) -> float:
    found = to_canonical(number, sent.code, sent.unit, sent.system, quantity.unit) if sent is not None else number
    value = found if isinstance(found, float) else number
    return 100.0 * value if quantity is Quantity.SPO2 and value <= 1.0 else value
