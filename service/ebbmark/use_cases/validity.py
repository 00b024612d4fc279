"""Again: what was seen since the titration that makes its answer old?"""

from __future__ import annotations

from datetime import UTC, datetime
from math import inf

from ebbmark.fhir.answer import Answer, Statement, Truth
from ebbmark.fhir.reading.request import Request, Site
from ebbmark.physiology.after.surveillance import watch
from ebbmark.physiology.trial.reading import read_trial
from ebbmark.physiology.trial.steps import Trial
from ebbmark.use_cases.answer_builder import NOT_SET, answered, only_the_patient, rule_of, rule_of_limits, warnings_of
from ebbmark.use_cases.trial_and_patient import (
    SETTLING_S,
    look_in_short,
    moments_of,
    now_of,
    pressure_limits,
    snapshot_of,
    titration_of,
    weight_of,
)
from ebbmark.words.after_trial import gaps_words, seen_words, validity_in_short, validity_words
from ebbmark.words.messages import level, say, sentences, spell

OPERATION = "check-validity"


def validity_answer(request: Request, site: Site) -> Answer:
    """Answer `$check-validity`.

    Raises:
        Rejected: it is not known when PEEP was set after the trial, and no vital sign is beyond a limit now.
    """
    trial = trial_before(request)
    moments = moments_of(request, trial)
    if moments is None:
        since_s = -inf if trial is None else trial.steps[-1].end_s
        now = now_of(request, since_s=since_s, at_s=request.as_of_s, trial=trial)
        # A lung in another position, or one that needs more oxygen, is another one whatever PEEP was set since.
        other = trial is not None and bool((*now.changed, *now.not_comparable))
        told = sentences(
            *[seen_words(one, since_s) for one in (*now.changed, *now.not_comparable)] if other else [], NOT_SET
        )
        doubt = Statement(
            kind="titration-may-be-old",
            code="titration-may-be-old",
            value=Truth(True) if other else None,
            note=told,
        )
        return only_the_patient(OPERATION, request, site, now, since_s=since_s, statements=(doubt,))
    suggested, how = _suggested(request, trial)
    until_s = min(request.as_of_s, moments.titrated_s + SETTLING_S)
    answer = watch(
        request.readings,
        titrated_s=moments.titrated_s,
        at_s=request.as_of_s,
        pbw_kg=weight_of(request),
        suggested_peep_cmh2o=suggested,
        at_titration=snapshot_of(request, moments.titrated_s, until_s),
        now=now_of(request, since_s=moments.titrated_s, at_s=request.as_of_s, began_s=moments.began_s, trial=trial),
        began_s=moments.began_s,
        pressure_limits=pressure_limits(site),
    )
    gaps = gaps_words(answer.not_checked) if answer.stale else ""
    told = validity_words(answer)
    look = ""
    if trial is not None and request.person is not None and not answer.seen:
        look = look_in_short(titration_of(trial, request).look_first)
    when = datetime.fromtimestamp(moments.titrated_s, UTC)
    validity = Statement(
        kind="titration-may-be-old",
        code="titration-may-be-old",
        value=None if answer.silent and not answer.stale else Truth(answer.stale),
        note=told,
        method=say("since.source", text=spell(answer.evidence.text), citation=answer.evidence.citation),
        sources=tuple({source for one in answer.seen for source in one.sources}),
        span_s=(moments.titrated_s, request.as_of_s),
    )
    return answered(
        OPERATION,
        request,
        short=validity_in_short(answer, look=look),
        said=(told, gaps, how, say("since.looked-utc-when", when=f"{when:%Y-%m-%d %H:%M}")),
        statements=[validity],
        warnings=warnings_of(answer.seen, moments.titrated_s),
        rules=(rule_of(request.protocol), rule_of_limits(site.stop_limits)),
        values=(request.protocol, site.stop_limits),
        span_s=(moments.titrated_s, request.as_of_s),
        dated=True,
        more_would_help=bool(answer.not_checked),
    )


def trial_before(request: Request) -> Trial | None:
    """The trial that is asked about: the last one, or the last one before PEEP was set where that instant is named."""
    titrated_s = request.asked.titrated_s
    readings = tuple(reading for reading in request.readings if titrated_s is None or reading.start_s <= titrated_s)
    found = read_trial(readings, request.protocol)
    return found if isinstance(found, Trial) else None


def _suggested(request: Request, trial: Trial | None) -> tuple[float | None, str]:
    """The suggestion that PEEP is compared with, and where it comes from."""
    if request.asked.suggested_peep_cmh2o is not None:
        return request.asked.suggested_peep_cmh2o, ""
    if trial is None or request.person is None:
        return None, ""
    advice = titration_of(trial, request).advice
    peep = advice.suggested_peep_cmh2o
    if peep is None:
        return None, say("since.trial-among-readings", rationale=advice.rationale)
    return peep, say("since.suggested-peep-computed", peep=level(peep))
