"""Messages, findings and evidence: what the numeric core found, as values that `ebbmark.words` spells.

A message is a sentence before it is spelled: its identifier in the catalogue of texts, and named values. A finding says
which check spoke, how much it matters, and the numbers, times and inputs that it rests on. The lines of published
evidence stand in `data/evidence.toml`, each with how far it was traced; they are shown beside an answer and ask nobody
to perform a manoeuvre.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from enum import Enum
from typing import Final, TypeAlias

from ebbmark.data import table


@dataclass(frozen=True, slots=True)
class Message:
    """What to say, before it is spelled.

    Attributes:
        identifier: section and name in the catalogue.
        values: by their names in the template.
    """

    identifier: str
    values: tuple[tuple[str, Value], ...] = ()

    def __str__(self) -> str:
        raise TypeError(f"{self.identifier} is a message: the catalogue spells it")


Value: TypeAlias = str | float | Message | tuple["Value", ...]
"""A word or code as it is; a number; another message; several, which a sentence lists with *and*."""


def message(identifier: str, /, **values: Value) -> Message:
    """A message with its values."""
    return Message(identifier, tuple(values.items()))


def joined(how: str, parts: Sequence[Value]) -> Value:
    """Several as one value; a text without content where there is none.

    Args:
        how: name in the table `list` of the catalogue of what puts the first before the rest.
        parts: in order.
    """
    if len(parts) < 2:
        return parts[0] if parts else ""
    # In halves, since one by one a list of thousands would nest thousands deep.
    middle = len(parts) // 2
    return message(f"list.{how}", first=joined(how, parts[:middle]), rest=joined(how, parts[middle:]))


SOURCES: Final[Mapping[str, str]] = table("sources")
"""What rules rest on, by a short name."""

COMMON_PRACTICE: Final = SOURCES["common-practice"]
OWN_CHOICE: Final = SOURCES["own-choice"]


class Weight(Enum):
    """What a finding does to the number; the order is the order of gravity."""

    LOOK_FIRST = "look-first"  # no number: the patient or the circuit is to be looked at first
    HIGH = "high"  # a number with a high caution
    MODERATE = "moderate"
    LOW = "low"

    __hash__ = object.__hash__


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that a check found.

    Attributes:
        slug: stable name; the sentence for it stands in `ebbmark.words`.
        weight: what it does to the number.
        values: numbers and words that the sentence names, in the units that their names carry.
        peeps_cmh2o: set PEEP of the steps that it was seen at, highest first.
        at_s: when it was first seen; None where it has no time.
        sources: indices of the inputs that show it.
        source: published source, "common practice, no published source", or "this project's own choice".
        of_curve: whether it bears on the curve, so that the certainty of the estimate follows from it, too.
    """

    slug: str
    weight: Weight
    values: Mapping[str, Value] = field(default_factory=dict)
    peeps_cmh2o: tuple[float, ...] = ()
    at_s: float | None = None
    sources: tuple[int, ...] = ()
    source: Value = ""
    of_curve: bool = False


def gravest_first(found: Iterable[Finding]) -> tuple[Finding, ...]:
    """Findings in the order of their weight, otherwise as they come."""
    return tuple(sorted(found, key=lambda one: _GRAVITY[one.weight]))


_GRAVITY: Final = {weight: place for place, weight in enumerate(Weight)}


@dataclass(frozen=True, slots=True)
class KnownCondition:
    """A condition that the record says is present, as a check needs it.

    Attributes:
        weight: LOOK_FIRST where it forbids, HIGH where it speaks against it, MODERATE or LOW where it changes what the
            number means.
        says: what the source says of it, in a plain sentence.
        source: index of the input; None where it is not one of them.
    """

    slug: str
    words: str
    weight: Weight
    says: str
    citation: str
    source: int | None = None


class ChangeKind(Enum):
    """What was changed."""

    POSITION = "position-changed"
    MODE = "mode-changed"
    TRANSPORT = "transport"

    __hash__ = object.__hash__


@dataclass(frozen=True, slots=True)
class Change:
    """A change of position, ventilator mode or place that was charted.

    Attributes:
        words: what it was changed to, as charted.
        first: whether nothing was charted before it, so that it is a state and no change.
        breathing: what a mode in which the patient triggers or breathes does to a trial; None for any other value.
        charted: such a mode as it was charted, with its codes.
    """

    kind: ChangeKind
    at_s: float
    words: str
    source: int
    first: bool = False
    breathing: Weight | None = None
    charted: str = ""


@dataclass(frozen=True, slots=True)
class PatientStatus:
    """What the record says of the patient and of the Patient resource itself.

    Attributes:
        died: whether the record says that the patient has died.
        died_s: when, at the latest; None where that is not known.
        inactive: whether the Patient is marked as no longer used.
        dead: whether the death that is said lies not after the request, or nobody says when it was.
    """

    died: bool = False
    died_s: float | None = None
    inactive: bool = False
    dead: bool = False


IN_USE: Final = PatientStatus()
"""A patient who lives, in a Patient that is used."""


class SourceStatus(Enum):
    """How far a number or a line was traced."""

    VERIFIED = "verified"
    SECOND_HAND = "verified-second-hand"
    COMMON_PRACTICE = "common-practice"
    OWN_CHOICE = "own-choice"
    SITE = "decided-by-the-site"
    NOT_VERIFIED = "not-verified"


@dataclass(frozen=True, slots=True)
class EvidenceLine:
    """One thing worth knowing beside an answer."""

    slug: str
    text: Message
    citation: str
    status: SourceStatus


EVIDENCE: Final = tuple(
    EvidenceLine(row["slug"], message(f"evidence.{row['slug']}"), row["citation"], SourceStatus(row["status"]))
    for row in table("evidence")["line"]
)
"""In the order in which they are shown."""

_BY_SLUG: Final = {line.slug: line for line in EVIDENCE}


def evidence_for(slug: str) -> EvidenceLine:
    """Find one line by its name.

    Raises:
        KeyError: there is no such line; a mistake in our own code.
    """
    return _BY_SLUG[slug]
