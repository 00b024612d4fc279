"""Answer a titration: the trial is read, closing is estimated, and what follows is suggested."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from math import inf
from typing import Final

from ebbmark.fhir.answer import Answer
from ebbmark.fhir.problems import Ignored, Rejected
from ebbmark.fhir.reading.request import NO_SITE, Request, Site
from ebbmark.fhir.writing.titration import titration_answer
from ebbmark.physiology.advice import Caution, Severity
from ebbmark.physiology.findings import OWN_CHOICE, Message
from ebbmark.physiology.patient.context import SEEN_QUANTITIES, StepSeen
from ebbmark.physiology.patient.titration import Titration
from ebbmark.physiology.readings import Reading
from ebbmark.physiology.trial.reading import read_trial
from ebbmark.physiology.trial.steps import NoTrial, Trial
from ebbmark.use_cases.answer_builder import stamped_ahead
from ebbmark.use_cases.trial_and_patient import no_trial, titration_of
from ebbmark.words.messages import say, spell


@dataclass(frozen=True, slots=True)
class Age:
    """From when on a trial is called old; this project's choice.

    Attributes:
        over_s: since the end of the trial [s].
    """

    over_s: float
    caution: Caution


AGES: Final = (
    Age(
        24 * 3600.0,
        Caution(
            "trial-very-old",
            Severity.HIGH,
            "caution.trial-very-old",
            OWN_CHOICE,
            True,
        ),
    ),
    Age(
        12 * 3600.0,
        Caution(
            "trial-old",
            Severity.MODERATE,
            "caution.trial-old",
            OWN_CHOICE,
            True,
        ),
    ),
)
"""Oldest first. An age follows from the instant of the request and from no input: it is told beside the results, which
stay the same, and is no part of what names the answer."""

AHEAD: Final = Age(
    -inf,
    Caution(
        "readings-ahead",
        Severity.MODERATE,
        "result.readings-stamped-ahead",
        OWN_CHOICE,
        True,
    ),
)
"""A clock that is off, which shows in a new trial only."""


def titrate_request(request: Request, _: Site = NO_SITE) -> Answer:
    """Read the decremental trial of a request: closing, suggested PEEP, cautions, and how old it is.

    Raises:
        Rejected: the readings hold no decremental limb.
    """
    titration, ignored = titrate_values(request)
    since_s = request.as_of_s - titration.trial.steps[-1].end_s
    ahead = AHEAD if stamped_ahead(request) else None
    age = next((one for one in AGES if since_s > one.over_s), ahead)
    return _answer(request, titration, ignored, age)


def titrate_told(request: Request, age: Age | None) -> Answer:
    """The same, told as old as an earlier answer told it; None where that said nothing of age.

    Raises:
        Rejected: the readings hold no decremental limb.
    """
    return _answer(request, *titrate_values(request), age)


def titrate_values(request: Request) -> tuple[Titration, tuple[Ignored, ...]]:
    """The same as values that do not depend on the instant of the question, and every input that did not count.

    Raises:
        Rejected: the readings hold no decremental limb.
    """
    trial = read_trial(request.readings, request.protocol)
    if isinstance(trial, NoTrial):
        raise Rejected((no_trial(trial),), request.ignored)
    titration = titration_of(trial, request, now=True)
    return titration, request.ignored + _left_out(request, trial, titration.seen)


def age_told(kinds: Collection[str]) -> Age | None:
    """How old an answer calls its trial; None where it says nothing."""
    return next((one for one in (*AGES, AHEAD) if f"caution-{one.caution.slug}" in kinds), None)


def _answer(request: Request, titration: Titration, ignored: tuple[Ignored, ...], age: Age | None) -> Answer:
    """The answer, with the age of the trial as a caution and first among the remarks where there is one to tell."""
    if age is not None:
        caution = replace(age.caution, text=say(age.caution.text))
        request = replace(request, notes=(caution.text, *request.notes))
        cautions = tuple(sorted((caution, *titration.advice.cautions), key=_severity))
        titration = replace(titration, advice=replace(titration.advice, cautions=cautions))
    return titration_answer(request, titration, ignored)


def _severity(caution: Caution) -> tuple[bool, int]:
    """Those of this patient first, gravest first."""
    return not caution.of_this_patient, list(Severity).index(caution.severity)


def _left_out(request: Request, trial: Trial, seen: Sequence[StepSeen]) -> tuple[Ignored, ...]:
    """The readings that the trial left out, as inputs with their reason; one line per input and reason."""
    lines: dict[tuple[int, Message], list[str]] = {}
    for unused in trial.unused:
        if unused.reading.quantity in SEEN_QUANTITIES and _within(unused.reading, seen):
            continue  # the table of what each step saw holds it
        lines.setdefault((unused.reading.source, unused.reason), []).append(unused.reading.quantity.slug)
    return tuple(
        [
            Ignored(
                request.sources[source].path,
                request.sources[source].reference,
                "not-in-curve",
                f"{', '.join(slugs)}: {spell(reason)}.",
            )
            for (source, reason), slugs in sorted(lines.items(), key=lambda item: item[0][0])
        ]
    )


def _within(reading: Reading, seen: Sequence[StepSeen]) -> bool:
    return seen[0].start_s <= reading.at_s < seen[-1].until_s
