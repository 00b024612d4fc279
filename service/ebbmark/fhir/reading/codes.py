"""The codes that are understood (`data/codes.toml`): meaning of a CodeableConcept, how its value is read, coded sexes.

All codings of one concept must agree. A code that is in use for settings and for measurements is told apart by the
device's DeviceMetric.category where that can be found. A coded sex counts where two official sources name the code
alike. OIDs of code systems: HL7 Terminology (THO).
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from enum import Enum
from typing import Any, Final, NamedTuple
from zoneinfo import ZoneInfo

import msgspec

from ebbmark.data import table
from ebbmark.fhir.model import Codeable, Coding, Component, Observation, QuantityValue
from ebbmark.fhir.naming import ALL_ICD, BASE, LOINC, MDC, SNOMED
from ebbmark.fhir.problems import Reason
from ebbmark.fhir.reading.units import UCUM, UnitProblem, conversion
from ebbmark.physiology.mechanics import ACCEPTED_HEIGHT_RANGE_CM, ACCEPTED_WEIGHT_RANGE_KG, Sex
from ebbmark.physiology.readings import Quantity


class HeightKind(Enum):
    """How a height was obtained; the order is the order of preference."""

    MEASURED = ("measured", "")
    GENERIC = ("generic", "")
    STATED = ("stated", "The height was stated, not measured.")
    LYING = ("lying", "The height was measured lying, which runs longer than standing.")
    ESTIMATED = ("estimated", "The height was estimated, not measured.")

    __hash__ = object.__hash__

    def __init__(self, slug: str, doubt: str) -> None:
        self.slug = slug
        self.doubt = doubt


class SexKind(Enum):
    """What an Observation says by a sex; the order is the order of preference."""

    AT_BIRTH = "sex-at-birth"
    RECORDED = "sex"

    __hash__ = object.__hash__


class WeightKind(Enum):
    """Actual body weight: for the body mass index alone, and never for a predicted weight."""

    ACTUAL = "body-weight"

    __hash__ = object.__hash__


Personal = HeightKind | SexKind | WeightKind
"""What is of the person and of any time, unlike a reading."""


class CodeRow(NamedTuple):
    """One code.

    Attributes:
        code: as in Coding.code; for MDC the decimal 32-bit code.
        display: name of the code, or its reference id for MDC.
        meaning: a quantity, a kind of height, sex or weight; None where the code is known but of no use here.
        source: where the meaning was read (keys in the file).
        variant: tells codes of one quantity apart that may rightly differ at one instant (invasive and cuff ...).
        reason: why a code without meaning is not used; else a remark that goes into the request's notes.
        narrows_to: more exact meanings that another coding of the same concept may give.
        ambiguous: whether the code is in use for settings and for measurements.
        mapped_to: system and code that a site's ConceptMap equates with it; empty for our own rows.
    """

    system: str
    code: str
    display: str
    meaning: Quantity | Personal | None
    source: str
    variant: str = ""
    reason: str = ""
    narrows_to: frozenset[Quantity | Personal] = frozenset()
    ambiguous: bool = False
    mapped_to: tuple[str, str] = ("", "")


MEANINGS: Final[Mapping[str, Quantity | Personal]] = {
    **{quantity.slug: quantity for quantity in Quantity},
    **{("height" if kind is HeightKind.GENERIC else f"height-{kind.slug}"): kind for kind in HeightKind},
    **{kind.value: kind for kind in (*SexKind, *WeightKind)},
}
"""What a code can mean, by the code of our own code system."""

_SYSTEMS: Final = {"LOINC": LOINC, "MDC": MDC, "SNOMED": SNOMED}


def _row(row: Mapping[str, Any]) -> CodeRow:
    meaning, narrower = row.get("meaning"), row.get("narrows_to", ())
    read = {
        "system": _SYSTEMS[row["system"]],
        "meaning": MEANINGS[meaning] if meaning else None,
        "narrows_to": frozenset(MEANINGS[one] for one in narrower),
    }
    return CodeRow(**{**row, **read})


_TABLE: Final = table("codes")

ROWS: Final = tuple(_row(row) for group in _TABLE["group"] for row in group["codes"])

CODES: Final[dict[tuple[str, str], CodeRow]] = {(row.system, row.code): row for row in ROWS}
"""The table by (system, code)."""

SETTING_TWIN: Final[dict[Quantity, Quantity]] = {
    Quantity.PEEP_MEASURED: Quantity.PEEP_SET,
    Quantity.TIDAL_VOLUME_EXPIRED: Quantity.TIDAL_VOLUME_SET,
    Quantity.TIDAL_VOLUME_INSPIRED: Quantity.TIDAL_VOLUME_SET,
    Quantity.TIDAL_VOLUME_UNSTATED: Quantity.TIDAL_VOLUME_SET,
    Quantity.RESPIRATORY_RATE: Quantity.RESPIRATORY_RATE_SET,
    Quantity.FIO2_MEASURED: Quantity.FIO2_SET,
}
"""What a measured quantity is where its DeviceMetric says that it is a setting.

Source: FHIR R4 DeviceMetric.category (measurement, setting, calculation, unspecified). One national core data
set (MII) asks for the same codes 76248-4 and 151976 for both, so that only the device can tell them apart.
"""

RHYTHM: Final = CODES[LOINC, "8884-9"]
"""Read in the examples of two implementation guides; a rhythm counts as a coded value during a trial only."""


def is_rhythm(row: CodeRow) -> bool:
    """Whether a code stands for the rhythm of the heart."""
    return row.meaning is None and row.display == RHYTHM.display


RANGES: Final[Mapping[Quantity, tuple[float, float]]] = {
    quantity: (lowest, highest) for quantity in Quantity for lowest, highest in [_TABLE["ranges"][quantity.slug]]
}
"""Lowest and highest value that is used, in the unit of the quantity."""

_MOST_NAMED = 6

PlainRule = tuple[Quantity, float, float, float, float, str, str, str]
"""The first fields of `ValueRule`, where it is of a quantity: what the hot path needs."""


class Unusable(NamedTuple):
    """Why something does not count."""

    reason: Reason
    sentence: str


class Meaning(NamedTuple):
    """What a concept stands for; `variant` and `note` as in the table of codes."""

    quantity: Quantity | Personal
    variant: str
    note: str
    ambiguous: bool


class ValueRule(NamedTuple):
    """How to read values of one code in one unit: `value * multiply / divide`, used from low to high.

    Attributes:
        low: lowest value used, in our unit.
        high: highest value used, in our unit.
        variant: tells codes of one quantity apart.
        slug: for the canonical text.
        unit: for the canonical text.
        notes: remarks for the request's notes.
    """

    quantity: Quantity | HeightKind | WeightKind
    multiply: float
    divide: float
    low: float
    high: float
    variant: str
    slug: str
    unit: str
    notes: tuple[str, ...]


def meaning_of(codings: Sequence[Coding], table: Mapping[tuple[str, str], CodeRow]) -> Meaning | Unusable:
    """The one meaning that all known codings agree on."""
    known = {key: row for coding in codings if (row := table.get(key := (coding.system, coding.code))) is not None}
    rows = list(known.values())
    if not rows:
        listed = ", ".join([code_shown(coding) for coding in codings[:4]]) or "no coding"
        return Unusable(Reason.UNKNOWN_CODE, f"No code here is known: {listed}.")
    meaning = _agreed(rows)
    if meaning is None:
        return Unusable(Reason.CODINGS_DISAGREE, "The codings of this code mean different things: " + _named(rows))
    if meaning.meaning is None:
        return Unusable(Reason.NOT_USED, f"{meaning.display} is not used. {meaning.reason}".strip())
    same = [row for row in rows if row.meaning is meaning.meaning]
    notes = [meaning.reason] if meaning.reason and all(row.reason for row in same) else []
    alias = next((row.system for (system, _), row in known.items() if row.system != system), "")
    notes += [f"A code system was spelled otherwise than FHIR does; it was read as {alias}."] if alias else []
    note = " ".join(notes)
    return Meaning(meaning.meaning, max(row.variant for row in same), note, all(row.ambiguous for row in rows))


def with_category(meaning: Meaning, category: str) -> Meaning | Unusable:
    """Apply DeviceMetric.category (measurement, setting, calculation, unspecified, or empty where not found)."""
    quantity = meaning.quantity
    if isinstance(quantity, Personal) or category in {"", "unspecified"}:
        return meaning
    is_setting = quantity.slug.endswith("-set")
    if category == "setting" and not is_setting:
        twin = SETTING_TWIN.get(quantity)
        if twin is None:
            sentence = f"The device says that this is a setting, the code says {quantity.slug}."
            return Unusable(Reason.SETTING_UNCLEAR, sentence)
        return meaning._replace(quantity=twin)
    if category in {"measurement", "calculation"} and is_setting:
        return Unusable(Reason.SETTING_UNCLEAR, f"The device says {category}, the code says {quantity.slug}.")
    return meaning


def value_rule(
    quantity: Quantity | HeightKind | WeightKind,
    meaning: Meaning,
    value: QuantityValue,
    units: Mapping[tuple[str, str], str],
) -> ValueRule | UnitProblem:
    """How values of this quantity, the one of this meaning, become ours in this unit; a site's units come first."""
    if isinstance(quantity, HeightKind):
        slug, unit, (low, high) = "height", "cm", ACCEPTED_HEIGHT_RANGE_CM
    elif isinstance(quantity, WeightKind):
        slug, unit, (low, high) = quantity.value, "kg", ACCEPTED_WEIGHT_RANGE_KG
    else:
        slug, unit, (low, high) = quantity.slug, quantity.unit, RANGES[quantity]
    ucum = units.get((value.system, value.code or value.unit), "") if units else ""
    found = conversion(ucum, "", UCUM, unit) if ucum else conversion(value.code, value.unit, value.system, unit)
    if isinstance(found, UnitProblem):
        return found
    of_site = f"The unit {value.code or value.unit} was read as {ucum}, as the site says." if ucum else ""
    notes = tuple(note for note in (meaning.note, found.note, of_site) if note)
    return ValueRule(quantity, found.multiply, found.divide, low, high, meaning.variant, slug, unit, notes)


def _agreed(rows: Sequence[CodeRow]) -> CodeRow | None:
    """The most exact of the rows, where all the others allow it."""
    for row in rows:
        if all(other.meaning is row.meaning or row.meaning in other.narrows_to for other in rows):
            return row
    heights = [row for row in rows if isinstance(row.meaning, HeightKind)]
    kinds = {row.meaning for row in heights} - {HeightKind.GENERIC}
    if len(heights) == len(rows) and len(kinds) == 1:
        return next(row for row in heights if row.meaning in kinds)
    return None


def _named(rows: Sequence[CodeRow]) -> str:
    named = ", ".join([f"{row.code} {row.display}" for row in rows[:_MOST_NAMED]])
    return f"{named} and {len(rows) - _MOST_NAMED} more." if len(rows) > _MOST_NAMED else f"{named}."


_SYSTEMS_SHOWN = frozenset({LOINC, MDC, SNOMED})
_NUMERIC = re.compile(r"[0-9][0-9.\-]{0,19}")
_ICD_CODE = re.compile(r"[A-Z][0-9][0-9A-Z]\.?[0-9A-Z]{0,4}[+*!†-]?")


def code_shown(coding: Coding) -> str:
    """A coding as `system|code` where system and form of the code are known, else what kind of code it is."""
    if not coding.code:
        return "no code"
    if coding.system in ALL_ICD and _ICD_CODE.fullmatch(coding.code):
        return f"{coding.system}|{coding.code}"
    number = coding.code if _NUMERIC.fullmatch(coding.code) else ""
    if not coding.system:
        return f"{number or 'a code'} without a system"
    if coding.system not in _SYSTEMS_SHOWN:
        return "a code of another system"
    return f"{coding.system}|{number}" if number else f"another code of {coding.system}"


OWN_QUANTITIES = f"{BASE}/CodeSystem/quantities"
"""Code system of our own quantity slugs, for use as ConceptMap.group.target."""


CODE_TEXT = f"{BASE}/CodeSystem/code-text"
"""Stands as ConceptMap.group.source for texts of CodeableConcept.text, letter by letter with single spaces."""


_ALIASES = {
    "urn:oid:2.16.840.1.113883.6.1": LOINC,
    "https://loinc.org": LOINC,
    "http://loinc.org/": LOINC,
    "https://loinc.org/": LOINC,
    "urn:oid:2.16.840.1.113883.6.96": SNOMED,
    "https://snomed.info/sct": SNOMED,
    "http://snomed.info/sct/": SNOMED,
    "urn:oid:2.16.840.1.113883.6.24": MDC,
    "urn:iso:std:iso:11073:10101/": MDC,
}
"""Other spellings of a code system in the field; read, never searched for. So are reference ids of MDC as codes."""


@dataclass(frozen=True, slots=True)
class CodeMap:
    """The codes, units and texts that are understood, and how the site charts.

    Attributes:
        table: by (system, code); a site's rows come before ours, an alias of a system leads to the row of its own.
        units: UCUM by Quantity.system and code, or unit where there is no code, as the site says.
        numbers: UCUM of numbers without a unit, by (system, code) of the concept.
        zone: of times without one; None where they are not read.
        charting: version and signature of the site's charting table, for remarks; empty where there is none.
        rules: how values are read, by system and code of the concept and UCUM code; filled as they first come up, for
            codes and units of the tables only, so that no caller can make it grow beyond these.
        rhythms: system and code of every code of the table that stands for the rhythm of the heart.
        texts: those of CodeableConcept.text that stand for a code.
    """

    table: Mapping[tuple[str, str], CodeRow]
    units: Mapping[tuple[str, str], str] = field(default_factory=dict)
    numbers: Mapping[tuple[str, str], str] = field(default_factory=dict)
    zone: ZoneInfo | None = None
    charting: str = ""
    rules: dict[tuple[str, str, str], PlainRule] = field(default_factory=dict, compare=False, repr=False)
    rhythms: frozenset[tuple[str, str]] = field(init=False, compare=False, repr=False)
    texts: frozenset[str] = field(init=False, compare=False, repr=False)

    def __post_init__(self) -> None:
        rhythms = frozenset(key for key, row in self.table.items() if row.meaning is None and is_rhythm(row))
        object.__setattr__(self, "rhythms", rhythms)
        object.__setattr__(self, "texts", frozenset(code for system, code in self.table if system == CODE_TEXT))


def _with_aliases(table: Mapping[tuple[str, str], CodeRow]) -> dict[tuple[str, str], CodeRow]:
    others = {system: [alias for alias, of in _ALIASES.items() if of == system] for system in (LOINC, MDC, SNOMED)}
    found = {(alias, code): row for (system, code), row in table.items() for alias in others[system]}
    names = {(MDC, row.display): row for (system, _), row in table.items() if system == MDC and _is_name(row.display)}
    return {**found, **names, **table}


def _is_name(display: str) -> bool:
    """Whether the display is a reference id of the nomenclature, which some gateways send as the code."""
    return display.startswith("MDC_") and " " not in display


NO_CODE_MAP = CodeMap(_with_aliases(CODES))
"""Our own table alone."""


_SEX_CODES: Final = {
    said: frozenset((_TABLE["sex_systems"][system], code) for system, code in codes)
    for said, codes in _TABLE["sexes"].items()
}
"""System and code of what a coded sex can say: female, male, that it is not known, or neither."""
_MOST_SEXES_NAMED = 4


def _shown(coding: Coding) -> str:
    pair = (coding.system, coding.code)
    return "|".join(pair) if any(pair in codes for codes in _SEX_CODES.values()) else code_shown(coding)


def sexes_of(codes: Iterable[tuple[str, str]]) -> set[Sex]:
    """The sexes that these codes (system, code) say; more than one where they contradict one another."""
    listed = set(codes)
    return {sex for sex in Sex if not listed.isdisjoint(_SEX_CODES[sex.value])}


class CodedSex(NamedTuple):
    """What is said: a sex, or None with the codes that say neither."""

    sex: Sex | None
    value: str


def coded_sex(holder: Observation | Component, others: list[str]) -> CodedSex | Unusable:
    """Read valueCodeableConcept.

    Codes that are not known here may stand beside one that is; two that are known and contradict each other say
    neither.

    Args:
        others: names of the values that are there, but for a Quantity.
    """
    if holder.valueCodeableConcept is None:
        found = others[0] if others else "valueQuantity" if holder.valueQuantity is not None else ""
        if not found:
            return Unusable(Reason.NO_VALUE, "It has no value.")
        return Unusable(Reason.NOT_CODED, f"It has {found}; a sex is read from valueCodeableConcept only.")
    try:
        concept = msgspec.convert(holder.valueCodeableConcept, Codeable)
    except msgspec.ValidationError:
        return Unusable(Reason.NOT_CODED, "Its value does not have the shape of a CodeableConcept.")
    pairs = [(coding.system, coding.code) for coding in concept.coding if coding.code]
    if not pairs:
        return Unusable(Reason.NOT_CODED, "Its value has no code; the sex is not read from a text.")
    sexes = sexes_of(pairs)
    if len(sexes) == 1:
        sex = sexes.pop()
        return CodedSex(sex, sex.value)
    listed = ", ".join([_shown(coding) for coding in concept.coding if coding.code][:_MOST_SEXES_NAMED])
    if not sexes and _SEX_CODES["not-known"].intersection(pairs):
        return Unusable(Reason.DATA_ABSENT, f"It says that the sex is not known ({listed}).")
    return CodedSex(None, listed)
