"""Codes and words of Conditions: the risk concepts that they stand for, and how a Condition is named.

A Condition is named in the caller's own words, for the answer to the caller: a person must recognise the Condition that
is meant. They are text of a record, so that they are never logged.

Source of the codes: `data/condition_codes.toml`.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from typing import Final, NamedTuple
from unicodedata import combining, normalize

from ebbmark.data import table
from ebbmark.fhir.model import Worded, WordedCoding
from ebbmark.fhir.naming import ALL_ICD, ICD10, ICD10_CM, SNOMED
from ebbmark.physiology.before.risks import RISK_CONCEPTS

_TABLE: Final = table("condition_codes")
_SYSTEMS: Final[Mapping[str, tuple[str, ...]]] = {key: tuple(value) for key, value in _TABLE["systems"].items()}


NO_RISK: Final = "no-risk"
"""Not a condition that is looked for: codes that are known to stand for something else."""

PERHAPS: Final = "perhaps"
"""Not a condition that is looked for: codes that leave open whether it is one."""

LEFT_OPEN: Final[Mapping[str, str]] = {
    one["slug"]: one["left_open"] for one in _TABLE["condition"] if "left_open" in one
}
"""What the codes of a concept leave open, and how that is read."""

AS_WIDE: Final[Mapping[str, frozenset[tuple[str, str]]]] = {
    one["slug"]: frozenset(
        (system, code.replace(".", "")) for where, code in one["as_wide"] for system in _SYSTEMS[where]
    )
    for one in _TABLE["condition"]
    if "as_wide" in one
}
"""By concept, system and code, without its dot, of the codes that are as wide as it."""

READ_IN: Final[Mapping[str, str]] = _TABLE["seen"]
"""Where code and meaning were seen together, in words, by the key of the source."""


class ConditionRow(NamedTuple):
    """One code, or all codes that begin with it.

    Attributes:
        concept: slug of the risk concept.
        systems: code systems in which it means this.
        prefix: whether longer codes that begin with it count, too.
        source: where that was seen (a key of `READ_IN`), or whose file it is from.
    """

    concept: str
    systems: tuple[str, ...]
    code: str
    prefix: bool
    display: str
    source: str


CONDITION_ROWS: Final = tuple(
    ConditionRow(one["slug"], _SYSTEMS[where], code.removesuffix("*"), code.endswith("*"), display, source)
    for one in _TABLE["condition"]
    for where, code, display, source in one["codes"]
)

_OF_A_PROCEDURE = frozenset(
    {"extracorporeal-support", "drained-barotrauma", "recent-lung-surgery", "recent-sternotomy"}
)
"""Concepts that a record may hold as a Procedure; the others are states."""

_ICD_CODE = re.compile(r"[A-Z][0-9][0-9A-Z][0-9A-Z]{0,4}")


class ConditionCodes:
    """The table in force: ours, and what a site has added; made once.

    Attributes:
        rows: in order.
    """

    __slots__ = ("_exact", "_longest", "_prefixes", "rows")

    def __init__(self, rows: tuple[ConditionRow, ...]) -> None:
        self.rows = rows
        self._exact: dict[tuple[str, str], set[str]] = {}
        self._prefixes: dict[tuple[str, str], set[str]] = {}
        for row in rows:
            table = self._prefixes if row.prefix else self._exact
            for system in row.systems:
                table.setdefault((system, _spelled(system, row.code)), set()).add(row.concept)
        self._longest = max((len(code) for _, code in self._prefixes), default=0)

    def is_no_risk(self, codings: Iterable[tuple[str, str]]) -> bool:
        """Whether at least one of these codings is known here, and none of them for anything that is looked for.

        ICD-10 sorts every condition into one category, and the categories that matter are in the table: a code of
        another category says something else. Codes of SNOMED CT are known one by one, since below each there are others
        that a terminology server would know.

        """
        listed = list(codings)
        if self.concepts_of(listed) or self.leaves_open(listed):
            return False
        return any(
            (system in ALL_ICD and _ICD_CODE.fullmatch(_spelled(system, code).rstrip("+*!-†")) is not None)
            or NO_RISK in self._found(system, code)
            for system, code in listed
        )

    def concepts_of(self, codings: Iterable[tuple[str, str]]) -> tuple[str, ...]:
        """Slugs of the concepts that any of these codings stands for, in the order of the table of risks.

        ICD-10 codes are sent with and without their dot; marks such as dagger, asterisk and exclamation mark stand
        behind a code and change nothing.

        """
        found: set[str] = set()
        for system, code in codings:
            found |= self._found(system, code)
        return tuple(concept.slug for concept in RISK_CONCEPTS if concept.slug in found)

    def leaves_open(self, codings: Iterable[tuple[str, str]]) -> str:
        """What a code says that leaves open whether it is one that is looked for; empty where there is none."""
        return next(
            (
                row.display
                for system, code in codings
                if PERHAPS in self._found(system, code)
                for row in self.of(PERHAPS)
                if system in row.systems and _spelled(system, code).startswith(_spelled(system, row.code))
            ),
            "",
        )

    def _found(self, system: str, code: str) -> set[str]:
        upper = _spelled(system, code)
        found = set(self._exact.get((system, upper), ()))
        for length in range(1, min(len(upper), self._longest) + 1):
            found |= self._prefixes.get((system, upper[:length]), set())
        return found

    @property
    def procedures(self) -> list[tuple[str, str]]:
        """System and code of every Procedure that stands for a concept; a search takes no beginnings of codes."""
        rows = [row for row in self.rows if row.concept in _OF_A_PROCEDURE and not row.prefix]
        return sorted({(system, row.code) for row in rows for system in row.systems})

    def of(self, concept: str) -> tuple[ConditionRow, ...]:
        """The rows of one concept."""
        return tuple(row for row in self.rows if row.concept == concept)


def _spelled(system: str, code: str) -> str:
    return code.upper().replace(".", "") if system in ALL_ICD else code.upper()


BUILT_IN: Final = ConditionCodes(CONDITION_ROWS)
"""Our own table, before a site adds to it."""


_NAMED_BY: Final = tuple((concept.slug, part) for concept in RISK_CONCEPTS for part in concept.named_by)
_WHOLE_WORD: Final = 4
"""Up to so many letters a part of a word is an abbreviation: only the whole word counts."""

LONGEST_READ: Final = 2000
"""Letters of a Condition's words that are looked through."""


def without_accents(text: str) -> str:
    """Words as they are compared: in small letters, without accents."""
    return "".join(one for one in normalize("NFKD", text.casefold()) if not combining(one))


def named_in_words(text: str) -> frozenset[str]:
    """Slugs of the conditions that words name, by `named_by` of `data/conditions.toml`."""
    plain = without_accents(text[:LONGEST_READ])
    tokens = frozenset(re.findall(r"[a-z]+", plain))
    return frozenset(
        slug for slug, part in _NAMED_BY if (part in tokens if len(part) <= _WHOLE_WORD else part in plain)
    )


LONGEST: Final = 120
"""Longest text of a Condition that is repeated."""


MOST_CODES: Final = 3
"""Most codes of a Condition that are named one by one."""


_NAMES: Final = {**dict.fromkeys(ALL_ICD, "ICD-10-GM"), ICD10: "ICD-10", ICD10_CM: "ICD-10-CM", SNOMED: "SNOMED CT"}


def charted_words(code: Worded | None) -> str:
    """What was charted, in the words of whoever charted it, and its codes."""
    codings = code.coding if code is not None else []
    texts = [_plain(code.text)] if code is not None else []
    text = next((one for one in (*texts, *[_plain(coding.display) for coding in codings]) if one), "")
    named = [_named(coding) for coding in codings if coding.code]
    codes = ", ".join(named[:MOST_CODES]) + (f" and {len(named) - MOST_CODES} more" if len(named) > MOST_CODES else "")
    if text:
        return f"'{text}' ({codes or 'no code'})"
    return codes or "a Condition without words and without a code"


def _named(coding: WordedCoding) -> str:
    code = _plain(coding.code)
    if coding.system in _NAMES:
        return f"{_NAMES[coding.system]} {code}"
    return f"{_plain(coding.system)}|{code}"


def _plain(text: str) -> str:
    """On one line, without what cannot be seen, and not without end."""
    seen = " ".join("".join(sign if sign.isprintable() else " " for sign in text).split())
    return seen if len(seen) <= LONGEST else f"{seen[: LONGEST - 1].rstrip()}…"
