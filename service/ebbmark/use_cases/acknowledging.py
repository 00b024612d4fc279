"""Acknowledgement by a clinician, by name: of what stands in the way of a plan, or keeps PEEP from being lowered.

A documented contraindication or high-risk condition, readings that show one, and a Condition that nobody here can judge
stop a plan until they are acknowledged; with recruitment a contraindication stops it for good.

During the trial, what nobody sent and a rhythm that is known at the bedside can be acknowledged; a reading that meets a
stop criterion counts whatever anybody says of it. The names are fixed, so that a slip in one is refused the same way in
every state of the patient and never hides a stop criterion.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass

from ebbmark.fhir.problems import Problem, ProblemKind, Rejected
from ebbmark.fhir.reading.question import Acknowledged
from ebbmark.fhir.reading.request import Request
from ebbmark.fhir.sources import Ignored
from ebbmark.physiology.before.candidate import Candidate
from ebbmark.physiology.before.obstacles import Obstacle, obstacles_of
from ebbmark.physiology.before.risk_concepts import RISK_CONCEPTS
from ebbmark.physiology.before.risk_readings import READING_RISKS
from ebbmark.physiology.during.checks import ACKNOWLEDGED_NAMES, is_acknowledged_name
from ebbmark.physiology.during.scene import Concern
from ebbmark.physiology.stop.limits import StopLimits
from ebbmark.use_cases.before_trial import named, unjudged_words
from ebbmark.use_cases.state import sources_of_dose
from ebbmark.words.acknowledged import acknowledged_words, left_words
from ebbmark.words.messages import spell
from ebbmark.words.numbers import listed

__all__ = [
    "InTheWay",
    "acknowledged_during",
    "acknowledged_sentences",
    "how_to_acknowledge",
    "idle_acknowledgements",
    "in_the_way",
    "refuse_slips",
    "still_open",
    "without_effect",
]

_KNOWN = frozenset({*(concept.slug for concept in RISK_CONCEPTS), *READING_RISKS})
_OF_A_REFERENCE = frozenset("/:.")
_DOSE = "Parameters.parameter.where(name='noradrenaline-equivalent')"
_OF_A_PARAMETER = {"vasopressor-high": _DOSE, "vasopressor-not-converted": _DOSE}


@dataclass(frozen=True, slots=True)
class InTheWay:
    """One thing that stands in the way of a plan.

    Attributes:
        what: the word by which it is acknowledged.
        words: for people, in a few words.
        sentence: what was found.
        paths: FHIRPath of the inputs that show it.
        inputs: names of the same inputs.
        final: whether no acknowledgement helps.
    """

    what: str
    words: str
    sentence: str
    paths: tuple[str, ...]
    inputs: tuple[str, ...]
    final: bool = False


def in_the_way(candidate: Candidate, request: Request, *, recruiting: bool) -> tuple[InTheWay, ...]:
    """Everything that stands in the way, Conditions that nobody here can judge first, then gravest first.

    Args:
        candidate: what was found beforehand.
        request: for the inputs that show it.
        recruiting: whether high-pressure recruitment was chosen.
    """
    found = [_of_obstacle(one, request) for one in obstacles_of(candidate, recruiting=recruiting)]
    return (*[_of_unjudged(one, request) for one in request.unjudged], *found)


def _of_unjudged(one: Ignored, request: Request) -> InTheWay:
    name = one.reference or one.path
    words = f"a Condition that could not be judged here: {named(one, request)}"
    return InTheWay(name, words, unjudged_words(one, request), (one.path,), (name,))


def _of_obstacle(one: Obstacle, request: Request) -> InTheWay:
    if one.source is not None:
        shown = [request.sources[one.source]]
    elif one.slug in _OF_A_PARAMETER:
        shown = [request.sources[index] for index in sources_of_dose(request)]
    else:
        indices = {index for said, index in request.conditions if said.present and one.slug in said.concepts}
        shown = [request.sources[index] for index in sorted(indices)]
    asked_with = (_OF_A_PARAMETER[one.slug],) if one.slug in _OF_A_PARAMETER and not shown else ()
    return InTheWay(
        what=one.slug,
        words=spell(one.words),
        sentence=f"{spell(one.sentence)} Source: {spell(one.citation)}.",
        paths=(*[source.path for source in shown], *asked_with),
        inputs=tuple(source.reference or source.path for source in shown),
        final=one.final,
    )


def still_open(found: Sequence[InTheWay], request: Request) -> tuple[Problem, ...]:
    """What stops the plan: everything not acknowledged, and acknowledgements that cannot count.

    Args:
        found: what stands in the way.
        request: with what was acknowledged.
    """
    given = request.asked.acknowledged
    what = {name for name, _ in given.what}
    problems = [_problem(one) for one in found if one.final or one.what not in what]
    if given.what and given.who is None:
        accepted = "acknowledged-by: who has acknowledged"
        sentence = f"An acknowledgement needs a person. Send {accepted}."
        problems.append(Problem(ProblemKind.BAD_PARAMETER, given.what[0][1], "no person", accepted, sentence))
    for name, path in given.what:
        if name not in _KNOWN and not _OF_A_REFERENCE & set(name) and name not in {one.what for one in found}:
            accepted = ", ".join(one.what for one in found) or "nothing, since nothing stands in the way"
            sentence = f"There is nothing named {name[:60]!r} to acknowledge; here: {accepted}."
            problems.append(Problem(ProblemKind.BAD_PARAMETER, path, name[:60], accepted, sentence))
    return tuple(problems)


def _problem(one: InTheWay) -> Problem:
    path = one.paths[0] if one.paths else ""
    shown = f" Shown by {', '.join(one.inputs)}." if one.inputs and one.what not in one.inputs else ""
    if one.final:
        sentence = f"No plan with recruitment, acknowledged or not: {one.sentence}{shown}"
        return Problem(ProblemKind.NO_PLAN, path, one.what, "a plan without recruitment", sentence)
    accepted = f"the parameters acknowledged with {one.what!r} and acknowledged-by"
    sentence = (
        f"{one.sentence}{shown} No plan is laid out until a clinician has looked at it and says so: send the "
        f"parameters acknowledged with {one.what!r} and acknowledged-by."
    )
    return Problem(ProblemKind.NOT_ACKNOWLEDGED, path, one.what, accepted, sentence)


def acknowledged_sentences(found: Collection[InTheWay], request: Request) -> tuple[str, ...]:
    """What stands in the way and was acknowledged, one sentence each, for the answer to repeat.

    Args:
        found: what stands in the way.
        request: with what was acknowledged, and by whom.
    """
    given = request.asked.acknowledged
    if given.who is None:
        return ()
    what = {name for name, _ in given.what}
    return tuple(_repeated(one, given.who.words) for one in found if one.what in what)


def _repeated(one: InTheWay, who: str) -> str:
    shown = f" ({', '.join(one.inputs)})" if one.inputs and one.what not in one.inputs else ""
    return f"Planned although the record has {one.words}{shown}, which {who} has acknowledged."


def without_effect(found: Collection[InTheWay], request: Request) -> tuple[str, ...]:
    """Acknowledgements of what does not stand in the way, one sentence for all.

    Args:
        found: what stands in the way.
        request: with what was acknowledged.
    """
    idle = sorted({name for name, _ in request.asked.acknowledged.what} - {one.what for one in found})
    if not idle:
        return ()
    return (f"Acknowledged without effect, since nothing of that name stands in the way: {', '.join(idle)}.",)


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
