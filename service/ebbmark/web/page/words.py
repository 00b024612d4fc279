"""How pages spell times and ages, and refusals in the words of clinicians."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from datetime import UTC, datetime, tzinfo
from typing import Final
from zoneinfo import ZoneInfo

from ebbmark.fhir.problems import Problem, ProblemKind
from ebbmark.words.messages import say

MINUTE_S, HOUR_S, DAY_S = 60.0, 3600.0, 86400.0


def clock(at_s: float, zone: tzinfo) -> str:
    """The time of day, to the second: `09:17:05`."""
    return f"{datetime.fromtimestamp(at_s, zone):%H:%M:%S}"


def day_and_time(at_s: float, zone: tzinfo) -> str:
    """Day and time with the zone: `2 March 2026, 09:17 UTC`."""
    moment = datetime.fromtimestamp(at_s, zone)
    return f"{moment.day} {moment:%B %Y, %H:%M %Z}"


def span(start_s: float, end_s: float, zone: tzinfo) -> str:
    """From when to when: `2 March 2026, 09:04 to 09:17 UTC`, with both days where they differ."""
    start, end = datetime.fromtimestamp(start_s, zone), datetime.fromtimestamp(end_s, zone)
    if start.date() != end.date():
        return say("page.day-span", day_and_time=day_and_time(start_s, zone), day_and_time_2=day_and_time(end_s, zone))
    return say("page.within-day", day=start.day, start=f"{start:%B %Y, %H:%M}", end=f"{end:%H:%M %Z}")


def lasting(seconds: float) -> str:
    """A length of time, no finer than a minute: `less than a minute`, `13 minutes`, `26 hours`, `3 days`.

    Args:
        seconds: not negative [s].
    """
    for unit_s, name in ((DAY_S, "days"), (HOUR_S, "hours")):
        if seconds >= 2 * unit_s:
            return say(f"page.{name}", count=int(seconds // unit_s))
    # Rounded as the sentences of an answer do: one page must not give two ages of one reading.
    minutes = round(seconds / MINUTE_S)
    if minutes < 1:
        return say("page.less-than-minute")
    return say("page.one-minute") if minutes == 1 else say("page.minutes", minutes=minutes)


def ago(then_s: float, now_s: float) -> str:
    """How long before now: `13 minutes ago`; what lies ahead of now says so."""
    if then_s > now_s + 1:
        return say("page.ahead-service-s", lasting=lasting(then_s - now_s))
    return say("page.ago", lasting=lasting(max(0.0, now_s - then_s)))


def zone_of(name: str) -> tzinfo:
    """The zone of this name; UTC also where the machine knows no zones."""
    return UTC if name == "UTC" else ZoneInfo(name)


_OF_THE_API: Final = {
    "titrate-peep-reads": "answer-reads",
    "titration-gives": "answer-gives",
    "titration-certainty": "answer-certainty",
    "go-down-again": "",
}


def plainly(sentence: str) -> str:
    """Sentences of an answer, with the page in place of the operation that they name, and without what programs do."""
    for of_the_api, instead in _OF_THE_API.items():
        sentence = sentence.replace(say(f"next-step.{of_the_api}"), say(f"page.{instead}") if instead else "")
    return sentence.replace("  ", " ").rstrip()


_ENDS: Final = re.compile(r"(?<=[.?]) (?=[A-Z'])")


def not_shown(texts: Iterable[str], shown: Iterable[str]) -> tuple[str, ...]:
    """The texts without the sentences that stand elsewhere on the page; nothing of a text that stands there whole."""
    said = " ".join(shown)
    left = (" ".join(one for one in _ENDS.split(text) if one not in said) for text in texts)
    return tuple(text for text in left if text)


_MISSING: Final = (
    ("no height", "page.no-height"),
    ("none of PEEP", "page.no-peep"),
    ("no PEEP", "page.no-peep"),
    (
        "no pressure above PEEP",
        "page.no-pressure",
    ),
)
_TO_SENDERS: Final = (
    (re.compile(r"Send the newest ones; "), ""),
    (re.compile(r", or send the data\."), "."),
    (re.compile(r"; send [^.]*\."), "."),
    (re.compile(r" Send [^.]*\.(?= |$)"), ""),
    (re.compile(r" \((?:LOINC )?\d{4,5}-\d\)"), ""),
)
"""What asks for another request, and codes, which nobody at a bedside can act on."""


def in_clinical_words(problem: Problem) -> str:
    """What is the matter, for a clinician."""
    if problem.kind is ProblemKind.MISSING:
        for found, words in _MISSING:
            if found in problem.found:
                return say(words)
    sentence = plainly(problem.sentence)
    for pattern, instead in _TO_SENDERS:
        sentence = pattern.sub(instead, sentence)
    return sentence


def clinical_sentences(problems: Sequence[Problem]) -> tuple[str, ...]:
    """What is the matter, for a clinician, each sentence once: two places of the request may have one fault."""
    return tuple(dict.fromkeys(map(in_clinical_words, problems)))


def technical_words(problems: Sequence[Problem]) -> tuple[str, ...]:
    """The sentences of the API that the page says in other words, for those who connect the record."""
    return tuple(
        dict.fromkeys(
            problem.sentence for problem in problems if plainly(problem.sentence) != in_clinical_words(problem)
        )
    )
