"""Builds answers: puts one together, names it and its rule sets, and words the refusals that questions share.

How a site completes a staircase whose numbers could not all be read: `ebbmark.site_files`, which
reads what the site then writes.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, replace
from math import inf

from ebbmark import __version__
from ebbmark.fhir.answer import Answer, Rule, Statement, Warned
from ebbmark.fhir.problems import Ignored, Problem, ProblemKind, Reason, Rejected
from ebbmark.fhir.reading.request import Acknowledged, Request, Site
from ebbmark.fhir.writing.identity import identity, input_digest, question_basis
from ebbmark.physiology.after.events import Occurrence
from ebbmark.physiology.after.patient_now import PatientNow
from ebbmark.physiology.before.plan import Plan
from ebbmark.physiology.before.staircase import StaircaseRules, staircase_for, unverified
from ebbmark.physiology.during.context import CallRule
from ebbmark.physiology.protocols import Protocol
from ebbmark.physiology.readings import Reading, UnusableReadings
from ebbmark.physiology.stop.limits import Rhythms, StopLimits
from ebbmark.words.after_trial import patient_in_short, seen_words
from ebbmark.words.messages import InShort, say, sentences, spell

FEWEST_AHEAD = 3
"""So many inputs ahead of now are a clock rather than a slip; this project's choice."""


RuleSet = Protocol | StaircaseRules | StopLimits | CallRule | UnusableReadings | Rhythms


def answered(
    operation: str,
    request: Request,
    *,
    short: InShort,
    said: Sequence[str],
    statements: Sequence[Statement],
    warnings: Sequence[Warned] = (),
    rules: Sequence[Rule],
    values: Sequence[RuleSet],
    span_s: tuple[float, float],
    dated: bool,
    more_would_help: bool = False,
    plan: Plan | None = None,
    acknowledged: tuple[str, ...] = (),
) -> Answer:
    """Put an answer together and name it.

    Args:
        warnings: gravest first.
        values: the same rule sets with all their values, and what else the answer depends on, for the identity.
        span_s: from when to when the answer looks [s since 1970-01-01T00:00:00Z].
        dated: whether it depends on the instant that counts as now.
    """
    named = {f"{number}-{type(one).__name__}": _plain(asdict(one)) for number, one in enumerate(values)}
    basis, digest = question_basis(operation, request, named, dated=dated), input_digest(request)
    return Answer(
        operation=operation,
        identity=identity(basis, digest, __version__),
        input_digest=digest,
        engine_version=__version__,
        basis=basis,
        request=request,
        rules=tuple(rules),
        span_s=span_s,
        short=short,
        said=tuple(text for text in (*said, _ahead_words(request) if dated else "") if text),
        statements=tuple(statements),
        warnings=tuple(warnings),
        more_would_help=more_would_help,
        plan=plan,
        acknowledged=acknowledged,
        ignored=request.ignored,
    )


AHEAD_S = 30.0
"""Clocks differ by this much without anybody having to be told [s]; this project's choice."""


def stamped_ahead(request: Request) -> list[Reading]:
    """Readings that are counted although they are stamped after now; those far ahead are no readings."""
    return [reading for reading in request.readings if reading.end_s > request.as_of_s + AHEAD_S]


def _ahead_words(request: Request) -> str:
    ahead = stamped_ahead(request)
    if not ahead:
        return ""
    minutes = (max(one.end_s for one in ahead) - request.as_of_s) / 60.0
    return say("caution.readings-ahead", count=len(ahead), minutes=f"{minutes:.1f}")


def _plain(value: object) -> object:
    """Rule sets as JSON values: an enumeration is named by its value."""
    if isinstance(value, dict):
        return {str(name): _plain(item) for name, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(item) for item in value]
    return value if value is None or isinstance(value, (str, int, float)) else str(getattr(value, "value", value))


def rule_of(rules: Protocol | StaircaseRules) -> Rule:
    """How a protocol or a staircase is named."""
    return Rule(rules.slug, rules.version, rules.title, rules.citation)


def rule_of_limits(limits: StopLimits) -> Rule:
    """How stop limits are named."""
    return Rule("stop-limits", limits.version, "Stop limits", spell(limits.signature))


def missing(request: Request, found: str, accepted: str, sentence: str) -> Rejected:
    """A refusal for want of something that this question needs; a clock that is off is said once, not per reading."""
    ahead = [one for one in request.ignored if one.code == Reason.FUTURE.slug]
    if len(ahead) < FEWEST_AHEAD:
        return Rejected((Problem(ProblemKind.MISSING, "", found, accepted, sentence),), request.ignored)
    clock = (
        f"{len(ahead)} inputs are stamped after now, from {ahead[0].path} to {ahead[-1].path}: the clock of the "
        "ventilator, of the record or of this service is off, and they were not used."
    )
    told = Ignored("", "", Reason.FUTURE.slug, clock)
    others = tuple(one for one in request.ignored if one.code != Reason.FUTURE.slug)
    problem = Problem(ProblemKind.MISSING, "", found, accepted, f"{clock} {sentence}")
    return Rejected((problem,), (told, *others))


def nobody_acknowledges(given: Acknowledged) -> list[Problem]:
    """The problem of an acknowledgement without a person; none where it has one, or there is none."""
    if not given.what or given.who is not None:
        return []
    accepted = "acknowledged-by: who has acknowledged"
    sentence = f"An acknowledgement needs a person. Send {accepted}."
    return [Problem(ProblemKind.BAD_PARAMETER, given.what[0][1], "no person", accepted, sentence)]


def how_to_complete(staircase: StaircaseRules, missing_names: Sequence[str]) -> str:
    """Say which cells are missing, and where a site writes them."""
    if staircase_for(staircase.slug) is None:
        lacking = ", ".join(missing_names)
        return say("result.staircase-site-entry", lacking=lacking)
    return say("result.whoever-has-read", slug=staircase.slug, listed=", ".join(missing_names))


def no_steps(staircase: StaircaseRules) -> Problem:
    """A staircase from which no next step can be named, and what would make it usable."""
    completion = how_to_complete(staircase, tuple(unverified(staircase, with_recruitment=False)))
    sentence = (
        f"{staircase.title} has no verified size of its steps down, or no verified lowest PEEP, so no next step can be "
        f"named from it. Ask with another staircase. {completion}"
    )
    return Problem(ProblemKind.BAD_PARAMETER, "", staircase.slug, "a staircase with verified steps", sentence)


NOT_SET = "When PEEP was set after the trial is not known."


NO_SETTING = "the parameter titrated-at, or a trial among the readings with a set PEEP after it"


def only_the_patient(
    operation: str,
    request: Request,
    site: Site,
    now: PatientNow,
    *,
    found: str = "no setting after a trial",
    sentence: str = NOT_SET,
    accepted: str = NO_SETTING,
    since_s: float = -inf,
    statements: Sequence[Statement] = (),
) -> Answer:
    """The patient now, where the question itself cannot be answered: whoever asks has to know.

    Args:
        since_s: end of the trial; changes since count then, too [s since 1970-01-01T00:00:00Z].

    Raises:
        Rejected: no vital sign of now is beyond a limit, and nothing is known to have changed since the trial.
    """
    at_s = request.as_of_s
    seen = now.alarms if since_s == -inf else (*now.alarms, *now.not_comparable, *now.changed)
    to_send = f"Send {accepted}."
    if not seen:
        raise missing(request, found, accepted, f"{sentence} {to_send}")
    return answered(
        operation,
        # What to send is for those who connect the record.
        replace(request, notes=(*request.notes, to_send)),
        short=patient_in_short(seen, sentence, since_s),
        said=(sentences(*[seen_words(one, since_s) for one in seen], sentence),),
        statements=statements,
        warnings=warnings_of(seen, since_s),
        rules=(rule_of_limits(site.stop_limits),),
        values=(site.stop_limits,),
        span_s=(min(one.from_s for one in seen), at_s),
        dated=True,
        more_would_help=True,
    )


def warnings_of(seen: Sequence[Occurrence], titrated_s: float) -> list[Warned]:
    """What was seen since, as warnings of the answer.

    Args:
        titrated_s: when PEEP was set after the trial [s since 1970-01-01T00:00:00Z].
    """
    counts: dict[str, int] = {}
    warned = []
    for one in seen:
        slug = one.event.value
        counts[slug] = counts.get(slug, 0) + 1
        warned.append(
            Warned(
                kind=f"seen-{slug}-{counts[slug]}",
                code=slug,
                severity="high" if one.grave else "moderate",
                text=say("since.seen-source", seen=seen_words(one, titrated_s), citation=one.citation),
                sources=one.sources,
                span_s=(one.from_s, one.until_s),
            )
        )
    return warned
