"""During the trial: what kept PEEP from being lowered did a clinician acknowledge by name, and did it matter?

Only what nobody sent can be acknowledged; a reading that was sent counts whatever anybody says of it. The names are
fixed, so that a slip in one is refused the same way in every state of the patient and never hides a stop criterion.
"""

from __future__ import annotations

from collections.abc import Sequence

from ebbmark.fhir.bedside.acknowledged import Acknowledged
from ebbmark.fhir.bedside.received import BedsideRequest
from ebbmark.fhir.problems import Problem, ProblemKind, Rejected
from ebbmark.physiology.during.unsent import UNSENT_SLUGS, Unsent

__all__ = ["acknowledged_during", "how_to_acknowledge", "idle_acknowledgements", "refuse_slips"]


def refuse_slips(request: BedsideRequest) -> None:
    """Let acknowledgements pass that name what there is to acknowledge, and a person.

    Raises:
        Rejected: a name that means nothing here, or nobody who acknowledges.
    """
    given = request.asked.acknowledged
    problems = []
    if given.what and given.who is None:
        accepted = "acknowledged-by: who has acknowledged"
        sentence = f"An acknowledgement needs a person. Send {accepted}."
        problems.append(Problem(ProblemKind.BAD_PARAMETER, given.what[0][1], "no person", accepted, sentence))
    accepted = ", ".join(sorted(UNSENT_SLUGS))
    for name, path in given.what:
        if name not in UNSENT_SLUGS:
            sentence = f"During a trial there is nothing named {name[:60]!r} to acknowledge; there are: {accepted}."
            problems.append(Problem(ProblemKind.BAD_PARAMETER, path, name[:60], accepted, sentence))
    if problems:
        raise Rejected(tuple(problems), request.ignored)


def acknowledged_during(unsent: Sequence[Unsent], given: Acknowledged) -> str:
    """Say what is not sent and was acknowledged, and what that leaves to the bedside; empty where nothing was.

    Args:
        unsent: vital signs that have a limit and no reading.
        given: what was acknowledged, and by whom.
    """
    what = {name for name, _ in given.what}
    named = [one for one in unsent if one.slug in what]
    if not named or given.who is None:
        return ""
    words, limits = " and ".join(one.words for one in named), "; ".join(one.limits for one in named)
    return (
        f"{given.who.words} has acknowledged that {words} {'is' if len(named) == 1 else 'are'} not sent: nothing here "
        f"checks the stop limit ({limits}), so whoever is at the bedside watches for it and stops the trial if it is reached."
    )


def how_to_acknowledge(unsent: Sequence[Unsent], given: Acknowledged) -> str:
    """How a caller says that a vital sign is watched and not sent; empty where nothing is open.

    Args:
        unsent: vital signs that have a limit and no reading.
        given: what was acknowledged.
    """
    what = {name for name, _ in given.what}
    still = [one for one in unsent if one.slug not in what]
    if not still:
        return ""
    names = " and ".join(repr(one.slug) for one in still)
    return (
        f"Where {' and '.join(one.words for one in still)} can be watched at the bedside but not sent, a clinician may "
        f"say so: with the parameters acknowledged ({names}) and acknowledged-by."
    )


def idle_acknowledgements(unsent: Sequence[Unsent], given: Acknowledged) -> str:
    """Name what was acknowledged although it was sent or has no limit; empty where all mattered.

    Args:
        unsent: vital signs that have a limit and no reading.
        given: what was acknowledged.
    """
    idle = sorted({name for name, _ in given.what} - {one.slug for one in unsent})
    named = ", ".join(idle)
    return f"Acknowledged without effect, since it was sent or no limit holds for it: {named}." if idle else ""
