"""After the trial: what changed at the new settings, by more than the readings wander, and do the limits hold?

Before is the hour before PEEP was first moved; after is the time from the new setting on, up to two hours, and where
these are over the last half hour leads: its coded verdicts stand where it is known. All are this project's choice, and
the answer names them.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from math import inf

from ebbmark.fhir.answer import (
    BLOOD_PRESSURE,
    COMPLIANCE,
    POWER,
    PRESSURE,
    RATIO,
    VOLUME_PER_WEIGHT,
    Amount,
    Answer,
    Coded,
    Part,
    Statement,
    Truth,
    Unit,
)
from ebbmark.fhir.reading.request import Request, Site
from ebbmark.physiology.after.comparison import (
    ChangeVerdict,
    Comparison,
    LimitCheck,
    Measure,
    MeasureChange,
    Overdistension,
    Snapshot,
    compare,
)
from ebbmark.physiology.after.events import Event
from ebbmark.physiology.after.snapshot import without_mechanics
from ebbmark.physiology.closing.estimator import closing_of
from ebbmark.physiology.readings import Quantity
from ebbmark.physiology.trial.reading import read_trial
from ebbmark.physiology.trial.steps import Trial
from ebbmark.use_cases.answer_builder import answered, only_the_patient, rule_of, rule_of_limits, warnings_of
from ebbmark.use_cases.trial_and_patient import (
    Moments,
    judged_closing,
    moments_of,
    now_of,
    pressure_limits,
    snapshot_of,
)
from ebbmark.words.after_trial import seen_words
from ebbmark.words.comparison import (
    comparison_in_short,
    comparison_words,
    limit_check_words,
    measure_change_words,
    overdistension_words,
)
from ebbmark.words.messages import level, say, sentences, spell

OPERATION = "compare-settings"
BEFORE_S = 3600.0
AFTER_S = 7200.0
LATEST_S = 1800.0
SAME_CMH2O = 0.25

_UNITS: dict[Measure, Unit] = {
    Measure.COMPLIANCE: COMPLIANCE,
    Measure.COMPLIANCE_DYNAMIC: COMPLIANCE,
    Measure.DRIVING_PRESSURE: PRESSURE,
    Measure.PF_RATIO: BLOOD_PRESSURE,
    Measure.PACO2: BLOOD_PRESSURE,
    Measure.VENTILATORY_RATIO: RATIO,
    Measure.MECHANICAL_POWER: POWER,
    Measure.MEAN_ARTERIAL_PRESSURE: BLOOD_PRESSURE,
}


def comparison_answer(request: Request, site: Site) -> Answer:
    """Answer `$compare-settings`.

    Raises:
        Rejected: it is not known when the trial began or when PEEP was set after it, and no vital sign is beyond a
            limit now.
    """
    read = read_trial(request.readings, request.protocol)
    trial = read if isinstance(read, Trial) else None
    moments = moments_of(request, trial)
    if moments is None:
        since_s = -inf if trial is None else trial.steps[-1].end_s
        now = now_of(request, since_s=since_s, at_s=request.as_of_s, trial=trial)
        return only_the_patient(OPERATION, request, site, now, since_s=since_s)
    began_s = moments.began_s
    if began_s is None or began_s >= moments.titrated_s:
        accepted = say("comparison.parameter-trial-started")
        sentence = say("comparison.when-trial-began")
        found = say("comparison.no-start-trial")
        now = now_of(request, since_s=-inf, at_s=request.as_of_s)
        return only_the_patient(OPERATION, request, site, now, found=found, sentence=sentence, accepted=accepted)
    until_s = min(request.as_of_s, moments.titrated_s + AFTER_S)
    # The reading at the very moment of the change belongs to the trial.
    before = snapshot_of(request, began_s - BEFORE_S, began_s - 1.0)
    after = snapshot_of(request, moments.titrated_s, until_s)
    now = now_of(request, since_s=moments.titrated_s, at_s=request.as_of_s, began_s=began_s, trial=trial)
    triggers = now.triggers
    if triggers is not None:
        after = without_mechanics(after)
    steps = closing_of(trial, request.protocol).steps if trial is not None else ()
    low = pressure_limits(site).get(Quantity.MEAN_ARTERIAL_PRESSURE)
    comparison = compare(before, after, steps=steps, protocol=request.protocol, pressure_limit=low)
    lately = _lately(request, until_s)
    if lately is not None and triggers is not None:
        lately = without_mechanics(lately)
    gases = any(change.measure is Measure.PF_RATIO and change.difference is not None for change in comparison.changes)
    # Where gases are compared they say what FiO2 and saturation would.
    beside = [*[one for one in now.not_comparable if not (gases and one is now.oxygen)], *now.changed]
    since = None if lately is None else compare(before, lately, protocol=request.protocol)
    latest = _latest(request, since, until_s)
    # Where the comparison begins with the low pressure itself, it is not said twice.
    said_below = not latest and comparison.pressure is not None
    of_now = [alarm for alarm in now.alarms if not (said_below and alarm.event is Event.PRESSURE_LOST)]
    told = [seen_words(one, moments.titrated_s) for one in (*of_now, *beside)]
    during = say("comparison.first-h-new", after_s=f"{AFTER_S / 3600:.0f}") if latest else ""
    changes = [_change(change, before, after) for change in comparison.changes]
    limits = [_limit(limit) for limit in comparison.limits]
    if lately is not None and since is not None:
        # The coded verdicts are those of now where now is known: a patient is no better for two hours that are over.
        now_s = (lately.from_s, lately.until_s)
        latest_of = {
            change.measure: _change(change, before, lately) for change in since.changes if change.after is not None
        }
        changes = [
            replace(latest_of[one.measure], span_s=now_s) if one.measure in latest_of else first
            for one, first in zip(comparison.changes, changes, strict=True)
        ]
        limits = [
            first if later.value is None else replace(_limit(later), span_s=now_s)
            for first, later in zip(limits, since.limits, strict=True)
        ]
    below, below_sentence = _below_closing(request, trial, lately or after)
    top = _top(comparison.overdistension, trial)
    return answered(
        OPERATION,
        request,
        short=comparison_in_short(comparison, alarms=now.alarms, beside=beside, latest=since, below=below),
        said=(
            sentences(
                *told, below_sentence, latest, _within_the_trial(before, trial), during, comparison_words(comparison)
            ),
            *map(measure_change_words, comparison.changes),
            *map(limit_check_words, comparison.limits),
            overdistension_words(comparison.overdistension),
            _windows(began_s, moments, until_s),
        ),
        statements=[*changes, *limits, top],
        warnings=warnings_of([*now.alarms, *beside], moments.titrated_s),
        rules=(rule_of(request.protocol), rule_of_limits(site.stop_limits)),
        values=(request.protocol, site.stop_limits),
        span_s=(began_s - BEFORE_S, request.as_of_s),
        dated=True,
        more_would_help=any(change.difference is None for change in comparison.changes),
    )


def _lately(request: Request, until_s: float) -> Snapshot | None:
    """The state in the last half hour, where the window of the comparison ended earlier."""
    at_s = request.as_of_s
    return None if at_s - until_s < LATEST_S else snapshot_of(request, at_s - LATEST_S, at_s)


def _latest(request: Request, since: Comparison | None, until_s: float) -> str:
    """What is worse now than before the trial; empty where the window of the comparison reaches until now."""
    if since is None:
        return ""
    ended = say("comparison.comparison-new-settings", as_of_s=f"{(request.as_of_s - until_s) / 3600.0:.1f}")
    if all(change.after is None for change in since.changes):
        return say("comparison.nothing-can-compared", ended=ended)
    worse = [measure_change_words(change) for change in since.changes if change.verdict is ChangeVerdict.WORSE]
    broken = [limit_check_words(limit) for limit in since.limits if limit.holds is False]
    if not worse:
        return sentences(say("comparison.last-half-hour"), *broken, ended)
    return sentences(say("comparison.last-half-hour-worse"), *worse, *broken, ended)


def _below_closing(request: Request, trial: Trial | None, now: Snapshot) -> tuple[str, str]:
    """That PEEP is set at or below the closing pressure of the trial, in a few words and in a sentence, or empty."""
    closing = None if trial is None else judged_closing(trial, request).peep_cmh2o
    if closing is None or now.peep is None or now.peep.value > closing + SAME_CMH2O:
        return "", ""
    spelled = {"peep": level(now.peep.value), "closing": level(closing)}
    return say("comparison-line.below-closing", **spelled), say("comparison-line.below-closing-sentence", **spelled)


def _within_the_trial(before: Snapshot, trial: Trial | None) -> str:
    """Say that what counts as before is the trial's own first step; empty where it is not."""
    if trial is None or before.peep is None or abs(before.peep.value - trial.steps[0].peep_cmh2o) > SAME_CMH2O:
        return ""
    return say("comparison.before-top-step", value=level(before.peep.value))


def _windows(began_s: float, moments: Moments, until_s: float) -> str:
    first, start, setting, end = (
        f"{datetime.fromtimestamp(at_s, UTC):%Y-%m-%d %H:%M}"
        for at_s in (began_s - BEFORE_S, began_s, moments.titrated_s, until_s)
    )
    how = say("comparison.new-setting-found") if moments.assumed else ""
    return say("comparison.before-utc-after", first=first, start=start, setting=setting, end=end, how=how)


def _change(one: MeasureChange, before: Snapshot, after: Snapshot) -> Statement:
    unit = _UNITS[one.measure]
    rows = (
        ("value-before", one.before),
        ("value-after", one.after),
        ("difference", one.difference),
        ("noise-band", one.noise),
    )
    parts: list[Part] = [(code, Amount(value, unit)) for code, value in rows if value is not None]
    figures = (before.figures.get(one.measure), after.figures.get(one.measure))
    return Statement(
        kind=f"change-of-{one.measure.slug}",
        code=f"change-of-{one.measure.slug}",
        value=Coded(one.verdict.value),
        note=sentences(measure_change_words(one), *_reasons(one, before, after)),
        method=say("comparison.noise", noise_source=one.noise_source),
        sources=tuple(source for figure in figures if figure is not None for source in figure.sources),
        parts=tuple(parts),
    )


def _reasons(one: MeasureChange, before: Snapshot, after: Snapshot) -> list[str]:
    """Why a figure is not known, on each side."""
    sides = (("Before", before), ("After", after))
    return [
        f"{side}: {spell(snapshot.not_known[one.measure])}."
        for side, snapshot in sides
        if one.measure in snapshot.not_known
    ]


def _limit(one: LimitCheck) -> Statement:
    unit = VOLUME_PER_WEIGHT if one.slug == "tidal-volume" else PRESSURE
    measured: list[Part] = [("measured-value", Amount(one.value, unit))] if one.value is not None else []
    return Statement(
        kind=f"limit-{one.slug}",
        code=f"limit-{one.slug}",
        value=Truth(one.holds) if one.holds is not None else None,
        note=limit_check_words(one),
        method=one.citation,
        sources=one.sources,
        parts=(*measured, ("limit-value", Amount(one.limit, unit))),
    )


def _top(one: Overdistension, trial: Trial | None) -> Statement:
    steps = trial.steps if trial is not None else ()
    return Statement(
        kind="overdistension-at-top",
        code="overdistension-at-top",
        value=Coded(one.sureness.value),
        note=overdistension_words(one),
        sources=tuple({source for step in steps for sample in step.samples for source in sample.sources}),
    )
