"""The message catalogue, how sentences spell numbers and lists, and the two short layers of every answer.

Every sentence of a finding has an identifier and a template with named values; refusals and reasons of ignored inputs
are worded where they arise (`fhir/problems.py`). English ships as `english.toml`. A site may lay
another language over it; what it does not translate stays English. The catalogue in force is configuration: it is
chosen once, when the service starts.

The short layers are the line (what, how sure, what speaks against it) of at most 25 words, and the reasons of at most
80; each fact stands once. What does not fit moves down: from the line to the reasons, from these to the full answer.
"""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
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
    """One message with its values; `identifier` is section and name, as in `english.toml`."""
    return _in_force[identifier].format(**values)


def section(name: str) -> Callable[..., str]:
    """`say` for the messages of one section of the catalogue."""

    def of_section(identifier: str, /, **values: object) -> str:
        return say(f"{name}.{identifier}", **values)

    return of_section


def spell(what: Value) -> str:
    """A message of the numeric core or one of its values; numbers with up to six digits, no trailing zeros."""
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
    """Names of the values that a template holds; raises ValueError where it is none, or a value has no name."""
    names = [name for _, name, _, _ in Formatter().parse(template) if name is not None]
    if not all(name.isidentifier() for name in names):
        raise ValueError("a value without a plain name")
    return frozenset(names)


def read_catalogue(content: str) -> dict[str, str]:
    """The templates that a site translated, by identifier; raises NotACatalogue with each fault of the file."""
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
    """Choose the catalogue of this process, as `read_catalogue` gives it; empty for English."""
    _in_force.clear()
    _in_force.update(ENGLISH)
    _in_force.update(translated)


NEARLY_SURE = 0.99
"""No estimate is certain: beyond this, and below its complement, only the bound is named."""


def level(pressure_cmh2o: float) -> str:
    """A pressure to one decimal, without trailing zeros: a setting in mbar must not read 8.00477 cmH2O."""
    return f"{round(pressure_cmh2o, 1):g}"


def interval(low_cmh2o: float, high_cmh2o: float) -> str:
    """An interval of steps; a single step is named as such."""
    if low_cmh2o == high_cmh2o:
        return say("number.single-step", at=level(low_cmh2o))
    return say("number.interval", low=level(low_cmh2o), high=level(high_cmh2o))


def listed(words: Sequence[str]) -> str:
    """At least one word or phrase, as a sentence lists them."""
    return spell(tuple(words))


def percent(probability: float) -> str:
    """Whole per cent; never a certainty that a model cannot have."""
    if probability > NEARLY_SURE:
        return say("number.over", percent=f"{100 * NEARLY_SURE:.0f}")
    if probability < 1 - NEARLY_SURE:
        return say("number.under", percent=f"{100 * (1 - NEARLY_SURE):.0f}")
    return say("number.percent", percent=f"{100 * probability:.0f}")


_NOW_S = 30.0
_HOURS_S = 5400.0
_LONG_S = 7200.0


def age(age_s: float) -> str:
    """How old a reading is, as a phrase; one that is stamped ahead of now says that a clock is off."""
    if age_s < -_NOW_S:
        return say("age.stamped-min-ahead", value=max(1, round(-age_s / 60)))
    if age_s >= _HOURS_S:
        return say("age.h-old", age_s=f"{age_s / 3600:.1f}")
    minutes = round(age_s / 60)
    return say("age.less-than-minute") if minutes < 1 else say("age.min-old", minutes=minutes)


def lasting(length_s: float) -> str:
    """A length of time in minutes, from two hours on in hours."""
    if length_s >= _LONG_S:
        return say("span.hours", count=f"{length_s / 3600:.0f}")
    return say("span.minutes", count=f"{length_s / 60:.0f}")


def clock(at_s: float) -> str:
    """A moment as a time of day in UTC."""
    return say("age.utc", time=f"{datetime.fromtimestamp(at_s, UTC):%H:%M}")


def capital(words: str) -> str:
    """The same with a capital, as a sentence begins."""
    return words[0].upper() + words[1:]


MOST_WORDS_OF_LINE: Final = 25
MOST_WORDS_OF_REASONS: Final = 80
_LONGEST_QUOTED: Final = 60
"""Characters of a record's own words in a short layer; this project's choice."""


@dataclass(frozen=True, slots=True)
class InShort:
    """The two layers; `number` is the PEEP suggested or next, which may not stand alone where the trial is too old."""

    number: str
    head: str
    sure: str
    against: str
    reasons: tuple[str, ...]
    too_old: bool = False

    @property
    def line(self) -> str:
        """The first layer in one line."""
        return " ".join(part for part in (f"{self.head}.", self.sure, self.against) if part)


def shortened(
    head: str,
    sure: str = "",
    against: str = "",
    reasons: Iterable[str] = (),
    *,
    number: str = "",
    too_old: bool = False,
) -> InShort:
    """The two layers within their limits; the head is kept whatever else has to move."""
    moved = []
    if _words(head, sure, against) > MOST_WORDS_OF_LINE:
        # What speaks against an answer stays in the line rather than what it rests on.
        if against and _words(head, against) <= MOST_WORDS_OF_LINE:
            moved, sure = [sure], ""
        else:
            moved, against = [against], ""
            if _words(head, sure) > MOST_WORDS_OF_LINE:
                moved, sure = [sure, *moved], ""
    kept = [one for one in dict.fromkeys((*moved, *reasons)) if one]
    return InShort(number, head, sure, against, _fitting(kept), too_old)


def cut(quoted: str) -> str:
    """A record's own words, cut where they would fill the line."""
    return quoted if len(quoted) <= _LONGEST_QUOTED else f"{quoted[: _LONGEST_QUOTED - 1].rstrip()}…"


def _fitting(reasons: list[str]) -> tuple[str, ...]:
    """As many as there is room for, the most important first; that there is more is said."""
    if _words(*reasons) <= MOST_WORDS_OF_REASONS:
        return tuple(reasons)
    more = say("short.more")
    room = MOST_WORDS_OF_REASONS - _words(more)
    kept: list[str] = []
    for reason in reasons:
        if _words(reason) <= room:
            kept.append(reason)
            room -= _words(reason)
    return (*kept, more)


def _words(*texts: str) -> int:
    return sum(len(text.split()) for text in texts)


def sentences(*parts: str) -> str:
    """Several sentences as one note; empty ones are left out."""
    return " ".join(part for part in parts if part)
