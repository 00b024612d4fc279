"""What is missing, in words of the ward: the sentences of the API speak to those who send requests."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Final

from ebbmark.fhir.problems import Problem, ProblemKind
from ebbmark.web.page.words import plainly

__all__ = ["in_clinical_words", "technical_words"]

_MISSING: Final = (
    ("no height", "No body height is charted, or none that can be used."),
    ("none of PEEP", "No PEEP with its time is charted, or none that can be used."),
    ("no PEEP", "No PEEP with its time is charted, or none that can be used."),
    (
        "no pressure above PEEP",
        "No inspiratory pressure above PEEP, and no plateau or peak pressure since PEEP was set, is charted.",
    ),
)
_TO_SENDERS: Final = (
    (re.compile(r"Send the newest ones; a"), "A"),
    (re.compile(r", or send the data\."), "."),
    (re.compile(r"; send [^.]*\."), "."),
    (re.compile(r" Send [^.]*\.(?= |$)"), ""),
    (re.compile(r" \((?:LOINC )?\d{4,5}-\d\)"), ""),
)
"""What asks for another request, and codes, which nobody at a bedside can act on."""


def in_clinical_words(problem: Problem) -> str:
    """What is the matter, for a clinician.

    Args:
        problem: of a refusal.
    """
    if problem.kind is ProblemKind.MISSING:
        for found, words in _MISSING:
            if found in problem.found:
                return words
    sentence = plainly(problem.sentence)
    for pattern, instead in _TO_SENDERS:
        sentence = pattern.sub(instead, sentence)
    return sentence


def technical_words(problems: Sequence[Problem]) -> tuple[str, ...]:
    """The sentences of the API that the page says in other words, for those who connect the record.

    Args:
        problems: of a refusal.
    """
    return tuple(one.sentence for one in problems if plainly(one.sentence) != in_clinical_words(one))
