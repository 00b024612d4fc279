"""Answer a titration: the trial is read, closing is estimated, and what follows is suggested."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from ebbmark import __version__
from ebbmark.fhir.answer import Answer
from ebbmark.fhir.bedside.site import NO_SITE, Site
from ebbmark.fhir.problems import Problem, ProblemKind, Rejected
from ebbmark.fhir.reading.request import Request
from ebbmark.fhir.sources import Ignored
from ebbmark.fhir.writing.canonical import identity, input_digest
from ebbmark.fhir.writing.results import titration_answer
from ebbmark.physiology.patient.steps_seen import SEEN_QUANTITIES, StepSeen
from ebbmark.physiology.readings import Reading
from ebbmark.physiology.trial.reading import NoTrial, Trial, read_trial
from ebbmark.use_cases.said import titration_of

__all__ = ["AGE_REMARK", "OLD_S", "VERY_OLD_S", "titrate"]

AGE_REMARK = "The trial ended"
"""Begins the remark on the age of a trial: it follows from the instant of the request and from no input."""

OLD_S, VERY_OLD_S = 12 * 3600.0, 24 * 3600.0
"""Since the end of a trial, from when on it is called old, and may not be used by itself [s]. This project's choice."""


def titrate(request: Request, _: Site = NO_SITE) -> Answer:
    """Read the decremental trial of a request: closing, suggested PEEP, cautions.

    Raises:
        Rejected: the readings hold no decremental limb.
    """
    trial = read_trial(request.readings, request.protocol)
    if isinstance(trial, NoTrial):
        raise Rejected((_no_trial(trial),), request.ignored)
    request = replace(request, notes=(*_age(request.as_of_s - trial.steps[-1].end_s), *request.notes))
    titration = titration_of(trial, request)
    digest = input_digest(request)
    return titration_answer(
        request,
        titration,
        identity=identity(digest, request.protocol, __version__, request.stop_limits),
        input_digest=digest,
        engine_version=__version__,
        ignored=request.ignored + _left_out(request, trial, titration.seen),
    )


def _age(age_s: float) -> tuple[str, ...]:
    """That the trial is old, first among the remarks: no part of what names the answer, which a replay gives again."""
    if age_s <= OLD_S:
        return ()
    if age_s <= VERY_OLD_S:
        return (f"{AGE_REMARK} more than 12 hours before this request: the lung may have changed since.",)
    return (
        f"{AGE_REMARK} more than 24 hours before this request: the lung may have changed since, "
        "and its suggestion must not be used by itself.",
    )


def _left_out(request: Request, trial: Trial, seen: Sequence[StepSeen]) -> tuple[Ignored, ...]:
    """The readings that the trial left out, as inputs with their reason; one line per input and reason."""
    lines: dict[tuple[int, str], list[str]] = {}
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
                f"{', '.join(slugs)}: {reason}.",
            )
            for (source, reason), slugs in sorted(lines.items(), key=lambda item: item[0][0])
        ]
    )


def _within(reading: Reading, seen: Sequence[StepSeen]) -> bool:
    return seen[0].start_s <= reading.at_s < seen[-1].until_s


def _no_trial(no_trial: NoTrial) -> Problem:
    """What the caller is told when there is no limb to read."""
    return Problem(
        kind=ProblemKind.NO_TRIAL,
        expression="",
        found=no_trial.found,
        accepted=no_trial.accepted,
        sentence=f"No decremental PEEP trial could be read: {no_trial.found}. Needed: {no_trial.accepted}.",
    )
