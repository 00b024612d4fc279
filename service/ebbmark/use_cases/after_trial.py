"""After a trial: since when the new settings are in force, what mechanics and gases were then, and what was seen."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import inf

from ebbmark.fhir.answer import Answer, Statement, Warned
from ebbmark.fhir.reading.request import Request, Site
from ebbmark.physiology.after.comparison import Snapshot
from ebbmark.physiology.after.events import Occurrence
from ebbmark.physiology.after.snapshot import take_snapshot
from ebbmark.physiology.after.trials import set_after
from ebbmark.physiology.mechanics import predicted_body_weight_kg
from ebbmark.physiology.readings import Quantity
from ebbmark.physiology.stop.limits import Limit
from ebbmark.physiology.trial.limb import began_of
from ebbmark.physiology.trial.steps import Trial
from ebbmark.use_cases.answer_builder import answered, missing, rule_of_limits, sentences
from ebbmark.use_cases.trial_and_patient import now_of
from ebbmark.words.after_trial import patient_in_short, seen_words
from ebbmark.words.messages import say

SETTLING_S = 3600.0
"""The state at the new settings is taken over the first hour of them. This project's choice."""


@dataclass(frozen=True, slots=True)
class Moments:
    """When a trial took place.

    Attributes:
        began_s: when PEEP was first moved for it; None where no trial is among the readings.
        titrated_s: when PEEP was set after it.
        assumed: whether `titrated_s` was read from the settings.
    """

    began_s: float | None
    titrated_s: float
    assumed: bool


NOT_SET = "When PEEP was set after the trial is not known."
NO_SETTING = "the parameter titrated-at, or a trial among the readings with a set PEEP after it"


def moments_of(request: Request, trial: Trial | None) -> Moments | None:
    """When the trial began and when PEEP was set after it: as asked, else as the settings show; None where neither."""
    asked = request.asked
    began_s = asked.trial_started_s
    if began_s is None and trial is not None:
        began_s = began_of(request.readings, trial, request.protocol)
    titrated_s = asked.titrated_s
    if titrated_s is None and trial is not None:
        titrated_s = set_after(request.readings, trial)
    if titrated_s is None:
        return None
    return Moments(began_s, titrated_s, asked.titrated_s is None)


def only_the_patient(
    operation: str,
    request: Request,
    site: Site,
    *,
    found: str = "no setting after a trial",
    sentence: str = NOT_SET,
    accepted: str = NO_SETTING,
    since_s: float = -inf,
    trial: Trial | None = None,
    statements: Sequence[Statement] = (),
) -> Answer:
    """The patient now, where the question itself cannot be answered: whoever asks has to know.

    Args:
        found: what is missing, as a plain phrase.
        sentence: what is not known.
        since_s: end of the trial; changes since count then, too [s since 1970-01-01T00:00:00Z].
        trial: that the lung now is held against; None where none is known.

    Raises:
        Rejected: no vital sign of now is beyond a limit, and nothing is known to have changed since the trial.
    """
    at_s = request.as_of_s
    now = now_of(request, since_s=since_s, at_s=at_s, trial=trial)
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


def weight_of(request: Request) -> float:
    """Predicted body weight [kg], of a request that is only read with height and sex."""
    assert request.person is not None  # noqa: S101 - the reader refuses requests without
    return predicted_body_weight_kg(request.person.height_cm, request.person.sex)


def pressure_limits(site: Site) -> dict[Quantity, Limit]:
    """Below which arterial pressure asks for somebody now: the stop limits of a trial hold at its new settings, too."""
    limits = site.stop_limits
    of = {
        Quantity.MEAN_ARTERIAL_PRESSURE: limits.mean_arterial_pressure_below_mmhg,
        Quantity.SYSTOLIC_ARTERIAL_PRESSURE: limits.systolic_arterial_pressure_below_mmhg,
    }
    return {quantity: one for quantity, one in of.items() if one is not None}


def snapshot_of(request: Request, from_s: float, until_s: float) -> Snapshot:
    """The state in one stretch of time."""
    return take_snapshot(request.readings, pbw_kg=weight_of(request), from_s=from_s, until_s=until_s)


def warnings_of(seen: Sequence[Occurrence], titrated_s: float) -> list[Warned]:
    """What was seen since, as warnings of the answer.

    Args:
        seen: gravest first.
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
