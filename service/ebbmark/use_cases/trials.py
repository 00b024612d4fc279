"""More than one trial: did closing, the suggested PEEP and compliance change by more than noise?"""

from __future__ import annotations

from dataclasses import replace

from ebbmark.fhir.answer import COMPLIANCE, PRESSURE, PROBABILITY, Amount, Answer, Coded, Part, Statement
from ebbmark.fhir.reading.request import Request, Site
from ebbmark.physiology.after.trials import (
    MOST_TRIALS,
    PastTrial,
    Shift,
    TrialChange,
    follow_trials,
    trials_of_record,
)
from ebbmark.physiology.patient.titration import Titration
from ebbmark.physiology.trial.limb import peep_levels_of
from ebbmark.physiology.trial.steps import Trial
from ebbmark.use_cases.answer_builder import answered, rule_of
from ebbmark.use_cases.trial_and_patient import beyond_in_trial, look_in_short, the_trial, titration_of
from ebbmark.words.after_trial import trial_change_words, trial_words, trials_in_short, trials_words
from ebbmark.words.messages import say

OPERATION = "follow-trials"

_SHIFTS = {
    Shift.HIGHER: "higher",
    Shift.LOWER: "lower-than-before",
    Shift.WITHIN_NOISE: "within-noise",
    Shift.NOT_COMPARABLE: "not-comparable",
}


def trials_answer(request: Request, _: Site) -> Answer:
    """Answer `$follow-trials`.

    Raises:
        Rejected: the readings hold no trial.
    """
    trials, unread_before_s = trials_of_record(request.readings, request.protocol)
    trials = trials or (the_trial(request),)
    # What the record says now is of the latest trial; what was known beside the earlier ones is not known here.
    earlier = replace(request, conditions=(), unjudged=())
    levels = peep_levels_of(request.readings)
    before = [titration_of(trial, earlier, levels=levels) for trial in trials[:-1]]
    titrations = [*before, titration_of(trials[-1], request, now=True, levels=levels)]
    followed = follow_trials([_past(*both) for both in zip(trials, titrations, strict=True)])
    why_none = [
        titration.advice.rationale if titration.advice.suggested_peep_cmh2o is None else "" for titration in titrations
    ]
    told = [trial_words(*both) for both in zip(followed.trials, why_none, strict=True)]
    rows = [_row(number, *one) for number, one in enumerate(zip(followed.trials, trials, told, strict=True), start=1)]
    changed = trial_change_words(followed)
    changes = [_change(number, *one) for number, one in enumerate(zip(followed.changes, changed, strict=True), start=2)]
    beyond = beyond_in_trial(titrations[-1].findings)
    return answered(
        OPERATION,
        request,
        short=trials_in_short(followed, look=look_in_short(titrations[-1].findings)),
        said=(
            beyond,
            trials_words(followed, most=MOST_TRIALS, unread_before_s=unread_before_s),
            *told,
        ),
        statements=[*rows, *changes],
        rules=(rule_of(request.protocol),),
        values=(request.protocol,),
        span_s=(trials[0].steps[0].start_s, trials[-1].steps[-1].end_s),
        dated=False,
    )


def _past(trial: Trial, found: Titration) -> PastTrial:
    at_s = max(step.end_s for step in trial.steps)
    return PastTrial(at_s, found.closing, trial.kind, found.advice.suggested_peep_cmh2o)


def _row(number: int, past: PastTrial, trial: Trial, told: str) -> Statement:
    closing, at = past.closing, past.at_suggestion
    low, high = closing.interval_cmh2o or (None, None)
    amounts = (
        ("interval-low", low, PRESSURE),
        ("interval-high", high, PRESSURE),
        ("peep-suggested-then", past.suggested_peep_cmh2o, PRESSURE),
        ("compliance-at-suggestion", None if at is None else at.fitted_ml_per_cmh2o, COMPLIANCE),
        ("fitted-compliance-low", None if at is None else at.fitted_low_ml_per_cmh2o, COMPLIANCE),
        ("fitted-compliance-high", None if at is None else at.fitted_high_ml_per_cmh2o, COMPLIANCE),
    )
    parts: list[Part] = [("closing-verdict", Coded(closing.verdict.value)), ("compliance-kind", Coded(past.kind.slug))]
    parts += [(code, Amount(value, unit)) for code, value, unit in amounts if value is not None]
    return Statement(
        kind=f"trial-{number}",
        code="trial-in-record",
        value=Amount(closing.peep_cmh2o, PRESSURE) if closing.peep_cmh2o is not None else None,
        note=told,
        sources=tuple({source for step in trial.steps for sample in step.samples for source in sample.sources}),
        parts=tuple(parts),
        span_s=(trial.steps[0].start_s, past.at_s),
    )


def _change(number: int, one: TrialChange, told: str) -> Statement:
    chances: list[Part] = []
    if one.higher + one.same + one.lower > 0:
        chances = [
            ("probability-higher", Amount(one.higher, PROBABILITY)),
            ("probability-same", Amount(one.same, PROBABILITY)),
            ("probability-lower", Amount(one.lower, PROBABILITY)),
        ]
    return Statement(
        kind=f"change-{number}",
        code="change-between-trials",
        value=Coded(_SHIFTS[one.closing]),
        note=told,
        method=say("trials.probability-over-both"),
        members=(f"trial-{number - 1}", f"trial-{number}"),
        parts=(*chances, ("compliance-shift", Coded(_SHIFTS[one.compliance]))),
        span_s=(one.from_s, one.to_s),
    )
