"""The message catalogue: every sentence has an identifier and a template with named values.

English ships as `english.toml`. A site may lay another language over it; what it does not translate stays English. The
catalogue in force is configuration: it is chosen once, when the service starts.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Iterator, Mapping
from importlib.resources import files
from string import Formatter
from typing import Any, Final

from ebbmark.physiology.findings import Message, Value


class NotACatalogue(ValueError):
    """A translation that cannot be used; the message names each fault."""


def _flat(tables: Mapping[str, Any], prefix: str = "") -> Iterator[tuple[str, object]]:
    for name, value in tables.items():
        if isinstance(value, dict):
            yield from _flat(value, f"{prefix}{name}.")
        else:
            yield f"{prefix}{name}", value


ENGLISH: Final[Mapping[str, str]] = {
    name: str(text)
    for name, text in _flat(
        tomllib.loads(files(__name__.rpartition(".")[0]).joinpath("english.toml").read_text("utf-8"))
    )
}
"""Template of each message by its identifier."""

_in_force: dict[str, str] = dict(ENGLISH)


def say(identifier: str, /, **values: object) -> str:
    """One message with its values.

    Args:
        identifier: section and name, as in `english.toml`.
        values: by the names in the template.
    """
    return _in_force[identifier].format(**values)


def spell(what: Value) -> str:
    """A message of the numeric core, or one of its values, in the language in force.

    Args:
        what: its numbers are written with up to six digits, without trailing zeros.
    """
    if isinstance(what, Message):
        return say(what.identifier, **{name: spell(value) for name, value in what.values})
    if isinstance(what, str):
        return what
    if isinstance(what, tuple):
        *most, last = [spell(one) for one in what]
        return say("list.and", most=", ".join(most), last=last) if most else last
    return f"{what:g}"


def spelled(several: Iterable[Value]) -> str:
    """Several messages, one after another."""
    return " ".join(spell(one) for one in several)


def values_of(template: str) -> frozenset[str]:
    """Names of the values that a template holds.

    Args:
        template: in the form of `str.format`.

    Raises:
        ValueError: it is no template, or a value has no name.
    """
    names = [name for _, name, _, _ in Formatter().parse(template) if name is not None]
    if not all(name.isidentifier() for name in names):
        raise ValueError("a value without a plain name")
    return frozenset(names)


def read_catalogue(content: str) -> dict[str, str]:
    """A site's translation, checked against the English one.

    Args:
        content: TOML in the form of `english.toml`; whatever is missing stays English.

    Returns:
        Templates by identifier, those that were translated only.

    Raises:
        NotACatalogue: no TOML; an identifier that does not exist; a value that is missing, or that the message has not.
    """
    try:
        translated = dict(_flat(tomllib.loads(content)))
    except tomllib.TOMLDecodeError as error:
        raise NotACatalogue(f"it is not TOML: {error}") from None
    faults = [fault for name, text in translated.items() if (fault := _fault(name, text))]
    if faults:
        raise NotACatalogue("; ".join(faults))
    return {name: str(text) for name, text in translated.items()}


def _fault(name: str, text: object) -> str:
    if name not in ENGLISH:
        return f"{name}: there is no message of this name"
    if not isinstance(text, str):
        return f"{name}: not a text"
    try:
        given = values_of(text)
    except ValueError as error:
        return f"{name}: not a template ({error})"
    wanted = values_of(ENGLISH[name])
    parts = [f"{name}: the value {{{one}}} is missing" for one in sorted(wanted - given)]
    parts += [f"{name}: the message has no value {{{one}}}" for one in sorted(given - wanted)]
    return "; ".join(parts)


def use_catalogue(translated: Mapping[str, str]) -> None:
    """Choose the catalogue of this process.

    Args:
        translated: as `read_catalogue` gives it; empty for English.
    """
    _in_force.clear()
    _in_force.update(ENGLISH)
    _in_force.update(translated)
