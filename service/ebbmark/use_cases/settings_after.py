"""Since when have the settings after the trial been in force, and what were mechanics and gases then?"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import inf

from ebbmark.fhir.answer import Answer, Statement, Warned
from ebbmark.fhir.bedside.site import Site
from ebbmark.fhir.reading.conditions import PNEUMOTHORAX
from ebbmark.fhir.reading.request import Request
from ebbmark.physiology.after.losses import PressureLimit, beyond_now
from ebbmark.physiology.after.seen import Event, Seen
from ebbmark.physiology.after.snapshot import Snapshot, take_snapshot
from ebbmark.physiology.after.trials_of_record import began_of, set_after
from ebbmark.physiology.formulas.body import predicted_body_weight_kg
from ebbmark.physiology.readings import Quantity
from ebbmark.physiology.trial.steps import Trial
from ebbmark.use_cases.answer_builder import answered, beside_of, missing, rule_of_limits, sentences
from ebbmark.words.comparison import patient_in_short
from ebbmark.words.since_titration import seen_words

__all__ = [
    "NOT_SET",
    "Moments",
    "moments_of",
    "only_the_patient",
    "pressure_limits",
    "snapshot_of",
    "standing_pneumothorax",
    "warnings_of",
    "weight_of",
]

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
    statements: Sequence[Statement] = (),
) -> Answer:
    """The vital signs beyond a stop limit now, where the question itself cannot be answered: whoever asks has to know.

    Args:
        operation: slug of the question.
        request: what was asked.
        site: its stop limits.
        found: what is missing, as a plain phrase.
        sentence: what is not known.
        accepted: what would be.
        statements: of the question, without a value.

    Raises:
        Rejected: no vital sign of now is beyond a limit.
    """
    at_s = request.as_of_s
    alarms = (
        *standing_pneumothorax(request),
        *beyond_now(request.readings, site.stop_limits, titrated_s=-inf, at_s=at_s),
    )
    missing_too = f"{sentence} Send {accepted}."
    if not alarms:
        raise missing(request, found, accepted, missing_too)
    return answered(
        operation,
        request,
        short=patient_in_short(alarms, sentence),
        said=(sentences(*[seen_words(one, at_s) for one in alarms], missing_too),),
        statements=statements,
        warnings=warnings_of(alarms, at_s),
        rules=(rule_of_limits(site.stop_limits),),
        values=(site.stop_limits,),
        span_s=(min(one.from_s for one in alarms), at_s),
        dated=True,
        more_would_help=True,
    )


def weight_of(request: Request) -> float:
    """Predicted body weight [kg], of a request that is only read with height and sex."""
    assert request.person is not None  # noqa: S101 - the reader refuses requests without
    return predicted_body_weight_kg(request.person.height_cm, request.person.sex)


def pressure_limits(site: Site) -> dict[Quantity, PressureLimit]:
    """Below which arterial pressure asks for somebody now: the stop limits of a trial hold at its new settings, too."""
    limits = site.stop_limits
    of = {
        Quantity.MEAN_ARTERIAL_PRESSURE: limits.mean_arterial_pressure_below_mmhg,
        Quantity.SYSTOLIC_ARTERIAL_PRESSURE: limits.systolic_arterial_pressure_below_mmhg,
    }
    return {quantity: PressureLimit(one.value, one.source) for quantity, one in of.items() if one is not None}


def snapshot_of(request: Request, from_s: float, until_s: float) -> Snapshot:
    """The state in one stretch of time."""
    return take_snapshot(request.readings, pbw_kg=weight_of(request), from_s=from_s, until_s=until_s)


def standing_pneumothorax(request: Request) -> list[Seen]:
    """A pneumothorax that the record says is there, and not that it is drained."""
    event, at_s = Event.PNEUMOTHORAX, request.as_of_s
    return [
        Seen(
            event,
            event.value,
            at_s,
            at_s,
            () if one.source is None else (one.source,),
            one.citation,
            {"words": one.words},
            grave=True,
        )
        for one in beside_of(request).conditions
        if one.slug == PNEUMOTHORAX
    ]


def warnings_of(seen: Sequence[Seen], titrated_s: float) -> list[Warned]:
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
                text=f"{seen_words(one, titrated_s)} Source: {one.citation}.",
                sources=one.sources,
                span_s=(one.from_s, one.until_s),
            )
        )
    return warned
