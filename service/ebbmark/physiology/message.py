"""A sentence as a value: its identifier in the catalogue of texts, and named values.

The numeric core says what was found; `ebbmark.words` spells it, in whatever language is in force.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TypeAlias


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
