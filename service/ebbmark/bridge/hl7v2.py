"""HL7 v2 messages in their ER7 form: a bounded, tolerant parser, and the writer of acknowledgements.

Sources: HL7 v2.6 chapter 2 (delimiters, escapes, original and enhanced acknowledgement, segments MSH, MSA, ERR); tables
0008 (acknowledgement code), 0155 (when to acknowledge), 0211 (character set), 0357 (error condition), 0516 (severity).
In the field AE and CE mean "send again", AR and CR "never": common practice, no published source.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime

__all__ = ["ErrorRow", "Refused", "Segment", "Verdict", "acknowledgements", "header_of", "segments_of"]

ACCEPTED, AGAIN, NEVER = "A", "E", "R"
Verdict = str
"""Second letter of the acknowledgement code: `A` accepted, `E` send again, `R` never send this again."""

_LONGEST_ID = 199
_MOST_SEGMENTS = 5_000
_LINES = re.compile(r"\r\n|\r|\n")
_ESCAPE_NAMES = "FSRET"
"""In the order of the delimiters: field, component, repetition, escape, subcomponent."""

CHARACTER_SETS = {
    "": "ascii",
    "ASCII": "ascii",
    "UNICODE UTF-8": "utf-8",
    **{f"8859/{part}": f"iso8859-{part}" for part in (1, 2, 3, 4, 5, 6, 7, 8, 9, 15)},
}
"""Table 0211; where MSH-18 is empty, bytes beyond ASCII stand in no field that is used."""


@dataclass(frozen=True, slots=True)
class ErrorRow:
    """One ERR segment.

    Attributes:
        location: ERR-2, as `PID^1^3`: segment and its number within the message, then the field where one is meant.
        code: ERR-3, of table 0357.
        sentence: ERR-8; nothing of a patient.
        severity: ERR-4, of table 0516.
    """

    location: str
    code: int
    sentence: str
    severity: str = "E"


class Refused(Exception):
    """A message that is not carried.

    Args:
        location: what it is about, as `PID^1^3`.
        code: of table 0357.
        sentence: what was found and what is accepted.
        verdict: whether it may come again.
    """

    def __init__(self, location: str, code: int, sentence: str, verdict: Verdict = NEVER) -> None:
        super().__init__(sentence)
        self.row = ErrorRow(location, code, sentence)
        self.verdict = verdict


@dataclass(frozen=True, slots=True)
class Segment:
    """One segment; field numbers are those of the standard, also in MSH.

    Attributes:
        fields: as sent; the name stands at 0.
        delimiters: field, component, repetition, escape, subcomponent.
    """

    fields: tuple[str, ...]
    delimiters: str

    @property
    def name(self) -> str:
        """`MSH`, `PID` ..."""
        return self.fields[0]

    def raw(self, field: int) -> str:
        """A field as sent; empty where it is missing or the explicit null."""
        text = self.fields[field] if field < len(self.fields) else ""
        return "" if text == '""' else text

    def repetitions(self, field: int) -> list[list[str]]:
        """Each repetition of a field as its components, subcomponents still in them."""
        text = self.raw(field)
        return [one.split(self.delimiters[1]) for one in text.split(self.delimiters[2])] if text else []

    def text(self, field: int, component: int = 1) -> str:
        """One component of the first repetition, escapes resolved; empty where it is missing."""
        first = next(iter(self.repetitions(field)), [])
        return self.plain(first[component - 1]) if component <= len(first) else ""

    def plain(self, text: str) -> str:
        """Escapes of delimiters resolved; others stay as they are."""
        mark = self.delimiters[3]
        if mark not in text:
            return "" if text == '""' else text.strip()
        meant = dict(zip(_ESCAPE_NAMES, self.delimiters, strict=True))
        pattern = re.compile(re.escape(mark) + "([FSTRE])" + re.escape(mark))
        return pattern.sub(lambda found: meant[found[1]], text).strip()


def header_of(content: bytes) -> Segment | None:
    """The MSH of a message, byte for byte as Latin-1; None where there is none, so that nothing can be acknowledged."""
    line = _LINES.split(content[:20_000].decode("latin-1"), maxsplit=1)[0]
    delimiters = line[3:8]
    if (
        not line.startswith("MSH")
        or len(set(delimiters)) != 5
        or any(one.isalnum() or one <= " " for one in delimiters)
    ):
        return None
    segment = _segment(line, delimiters)
    control = segment.raw(10)
    return segment if 0 < len(control) <= _LONGEST_ID and segment.raw(9) else None


def segments_of(content: bytes, header: Segment) -> tuple[Segment, ...]:
    """All segments in the character set that MSH-18 names.

    Raises:
        Refused: the character set is another one, the bytes do not fit it, or there are too many segments.
    """
    named = header.text(18).upper()
    if named not in CHARACTER_SETS:
        raise Refused("MSH^1^18", 103, f"This character set is not read; accepted: {', '.join(CHARACTER_SETS)[2:]}.")
    try:
        text = content.decode(CHARACTER_SETS[named], errors="strict" if named else "replace")
    except UnicodeDecodeError:
        raise Refused("MSH^1^18", 102, "The message holds bytes that its character set does not have.") from None
    lines = [line for line in _LINES.split(text) if line.strip()]
    if len(lines) > _MOST_SEGMENTS:
        raise Refused("", 100, f"The message has more than {_MOST_SEGMENTS} segments.")
    return tuple(_segment(line, header.delimiters) for line in lines)


def _segment(line: str, delimiters: str) -> Segment:
    fields = line.split(delimiters[0])
    if fields[0] == "MSH":
        fields.insert(1, delimiters[0])
    return Segment(tuple(fields), delimiters)


def acknowledgements(
    header: Segment, verdict: Verdict, rows: Sequence[ErrorRow], *, now: datetime, identity: str
) -> Iterator[bytes]:
    """The acknowledgements that the sender asked for: none, one, or an accept and an application acknowledgement.

    Args:
        header: MSH of the message, which says in MSH-15 and MSH-16 what is asked for.
        verdict: what became of it.
        rows: errors, or warnings about what was left.
        now: time of the acknowledgement.
        identity: its own control id.
    """
    accept, application = header.text(15).upper(), header.text(16).upper()
    if not accept and not application:
        # Original mode: always one.
        application = "AL"
    for letter, asked in (("C", accept), ("A", application)):
        if asked == "AL" or (asked == "ER" and verdict != ACCEPTED) or (asked == "SU" and verdict == ACCEPTED):
            yield _acknowledgement(header, letter + verdict, rows, now, f"{identity}{letter}")


def _acknowledgement(header: Segment, code: str, rows: Sequence[ErrorRow], now: datetime, identity: str) -> bytes:
    bar, caret = header.delimiters[0], header.delimiters[1]
    # Sender and receiver change places; the fields go back as they came.
    ends = [header.raw(field) for field in (5, 6, 3, 4)]
    kind = caret.join(("ACK", header.text(9, 2) or "R01", "ACK"))
    stamp = now.strftime("%Y%m%d%H%M%S%z")
    version = header.raw(12) or "2.6"
    head = ["MSH", header.delimiters[1:], *ends, stamp, "", kind, identity, header.raw(11) or "P", version]
    if profile := header.raw(21):
        # IHE PCD-01 asks for the profile in every message of the transaction, acknowledgements among them.
        head += [""] * 8 + [profile]
    lines = [bar.join(head), bar.join(("MSA", code, header.raw(10)))]
    for row in rows:
        condition = caret.join((str(row.code), "", "HL70357"))
        location = row.location.replace("^", caret)
        lines.append(
            bar.join(("ERR", "", location, condition, row.severity, "", "", "", _escaped(row.sentence, header)))
        )
    return ("\r".join(lines) + "\r").encode("latin-1", errors="replace")


def _escaped(text: str, header: Segment) -> str:
    mark = header.delimiters[3]
    names = dict(zip(header.delimiters, _ESCAPE_NAMES, strict=True))
    return "".join(f"{mark}{names[one]}{mark}" if one in names else one for one in text)
