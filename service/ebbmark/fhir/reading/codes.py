"""The codes that are understood: `data/codes.toml`, LOINC, MDC (ISO/IEEE 11073-10101) and SNOMED CT."""

from __future__ import annotations

from collections.abc import Mapping
from enum import Enum
from typing import Any, Final, NamedTuple

from ebbmark.data import table
from ebbmark.fhir.naming import LOINC, MDC, SNOMED
from ebbmark.physiology.readings import Quantity

__all__ = [
    "CODES",
    "LOINC",
    "MDC",
    "MEANINGS",
    "RHYTHM",
    "ROWS",
    "SETTING_TWIN",
    "SNOMED",
    "CodeRow",
    "HeightKind",
    "Personal",
    "SexKind",
    "WeightKind",
    "is_rhythm",
]


class HeightKind(Enum):
    """How a height was come by; the order is the order of preference."""

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
        system: code system.
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


ROWS: Final = tuple(_row(row) for group in table("codes")["group"] for row in group["codes"])

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
