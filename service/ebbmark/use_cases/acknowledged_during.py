"""During the trial: what kept PEEP from being lowered did a clinician acknowledge by name, and did it matter?

What nobody sent and a rhythm that is known at the bedside can be acknowledged; a reading that meets a stop criterion
counts whatever anybody says of it. The names are fixed, so that a slip in one is refused the same way in every state
of the patient and never hides a stop criterion.
"""

from __future__ import annotations

from collections.abc import Sequence

from ebbmark.fhir.problems import Problem, ProblemKind, Rejected
from ebbmark.fhir.reading.question import Acknowledged
from ebbmark.fhir.reading.request import Request
from ebbmark.physiology.during.checks import ACKNOWLEDGED_NAMES, is_acknowledged_name
from ebbmark.physiology.during.scene import Concern
from ebbmark.physiology.stop.limits import StopLimits
from ebbmark.words.acknowledged import acknowledged_words, left_words
from ebbmark.words.ages import listed

__all__ = ["acknowledged_during", "how_to_acknowledge", "idle_acknowledgements", "refuse_slips"]


def refuse_slips(request: Request) -> None:
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
    accepted = ", ".join(ACKNOWLEDGED_NAMES)
    for name, path in given.what:
        if not is_acknowledged_name(name):
            sentence = f"During a trial there is nothing named {name[:60]!r} to acknowledge; there are: {accepted}."
            problems.append(Problem(ProblemKind.BAD_PARAMETER, path, name[:60], accepted, sentence))
    if problems:
        raise Rejected(tuple(problems), request.ignored)


def acknowledged_during(found: Sequence[Concern], given: Acknowledged, limits: StopLimits) -> str:
    """Say what was acknowledged, and what that leaves to the bedside; empty where nothing was.

    Args:
        found: what waits for a word.
        given: what was acknowledged, and by whom.
        limits: in force.
    """
    what = {name for name, _ in given.what}
    named = [one for one in found if one.name in what]
    if not named or given.who is None:
        return ""
    left = listed([left for one in named if (left := left_words(one, limits))] or [""])
    said = f"{given.who.words} has acknowledged that {listed([acknowledged_words(one) for one in named])}"
    if not left:
        return f"{said}."
    return f"{said}: {left}, so watch for it at the bedside and stop the trial if need be."


def how_to_acknowledge(found: Sequence[Concern], given: Acknowledged) -> str:
    """How a caller says that something is known at the bedside; empty where nothing is open.

    Args:
        found: what waits for a word.
        given: what was acknowledged.
    """
    what = {name for name, _ in given.what}
    still = [one for one in found if one.name not in what]
    if not still:
        return ""
    known = listed([acknowledged_words(one) for one in still])
    return (
        f"Where a clinician at the bedside knows that {known}, and watches it there, the "
        f"parameters acknowledged ({listed([repr(one.name) for one in still])}) and acknowledged-by say so."
    )


def idle_acknowledgements(found: Sequence[Concern], given: Acknowledged) -> str:
    """Name what was acknowledged and does not stand in the way; empty where all of it does.

    Args:
        found: what waits for a word.
        given: what was acknowledged.
    """
    idle = sorted({name for name, _ in given.what} - {one.name for one in found})
    return f"Acknowledged without effect, because nothing depends on it: {', '.join(idle)}." if idle else ""
