"""The trial of a request and the patient beside it, as every question reads them: titration, closing, patient now.

After a trial: since when the new settings are in force, what mechanics and gases were then, and what was seen.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, replace
from functools import lru_cache

from ebbmark.fhir.problems import Ignored, Problem, ProblemKind, Rejected
from ebbmark.fhir.reading.request import DocumentedCondition, Request, Site
from ebbmark.physiology.after.comparison import Snapshot
from ebbmark.physiology.after.events import Occurrence
from ebbmark.physiology.after.patient_now import PNEUMOTHORAX, PatientNow, findings_now, lung_now, patient_now
from ebbmark.physiology.after.snapshot import take_snapshot
from ebbmark.physiology.after.trials import set_after
from ebbmark.physiology.before.risks import RISK_CONCEPTS, Risk, RiskConcept, Scope
from ebbmark.physiology.closing.estimator import Estimator, estimate_closing
from ebbmark.physiology.closing.result import Closing
from ebbmark.physiology.findings import OWN_CHOICE, Change, ChangeKind, Finding, KnownCondition, Weight
from ebbmark.physiology.mechanics import predicted_body_weight_kg
from ebbmark.physiology.patient.context import CheckLimits, PatientContext
from ebbmark.physiology.patient.titration import Titration, closing_for, titrate, with_findings
from ebbmark.physiology.readings import Quantity
from ebbmark.physiology.stop.limits import Limit
from ebbmark.physiology.trial.limb import PeepLevel, began_of, peep_levels_of
from ebbmark.physiology.trial.reading import read_trial
from ebbmark.physiology.trial.steps import NoTrial, Trial
from ebbmark.words.messages import say, spell
from ebbmark.words.titration import against, against_words, sentence, with_reason, worded

MOST_NAMED = 4


_NOT_PASSIVE = "spontaneous-effort"


_LEFT_AGAIN = "stop-limit-below-suggestion"
"""Lower than where PEEP goes after the trial: it speaks against the number, and what is so now has its own check."""


_WEIGHTS = {Risk.ABSOLUTE: Weight.LOOK_FIRST, Risk.HIGH: Weight.HIGH, Risk.CAUTION: Weight.MODERATE}


def patient_context_of(request: Request) -> PatientContext:
    """Conditions present, or not judged or read; changes of position and mode, vasopressors, status."""
    present: dict[str, tuple[DocumentedCondition, int]] = {}
    for documented, source in request.conditions:
        if documented.present:
            for slug in documented.concepts:
                if slug not in present or (present[slug][0].unsure and not documented.unsure):
                    present[slug] = (documented, source)
    known = [_known(concept, *present[concept.slug], request) for concept in RISK_CONCEPTS if concept.slug in present]
    named = [one for one in request.unjudged if one.path in request.named_pneumothorax]
    perhaps = [one for one in request.unjudged if one.path in request.perhaps - request.named_pneumothorax]
    others = [one for one in request.unjudged if one.path not in request.perhaps]
    if named:
        known.append(KnownCondition("pneumothorax-named", _charted(named, request), Weight.LOOK_FIRST, "", OWN_CHOICE))
    if perhaps:
        known.append(KnownCondition("unjudged", _charted(perhaps, request), Weight.HIGH, "", OWN_CHOICE))
    if others:
        known.append(KnownCondition("not-placed", _charted(others, request), Weight.MODERATE, "", OWN_CHOICE))
    if request.asked.conditions_not_read:
        known.append(KnownCondition("not-read", "", Weight.MODERATE, "", OWN_CHOICE))
    changes = tuple(change for change in request.changes if change.kind is not ChangeKind.TRANSPORT)
    limits = CheckLimits(vital=request.stop_limits)
    return PatientContext(tuple(known), changes, limits, request.infusions, request.status, request.doubts)


def _known(concept: RiskConcept, documented: DocumentedCondition, source: int, request: Request) -> KnownCondition:
    """One condition with what it does to the number: one that is not certain forbids none, but for a pneumothorax."""
    weight, slug, words, says = _weight(concept), concept.slug, concept.words, concept.says
    # A code may be wider than the concept that it stands for, so that what was charted is always told.
    charted = request.charted[documented.source.path]
    words = say("condition-charted.charted", words="pneumothorax" if slug == PNEUMOTHORAX else words, charted=charted)
    if slug == PNEUMOTHORAX and not documented.unsure:
        words += say("condition-charted.no-code-there")
    if documented.unsure:
        words = say("condition-charted.not-certain", words=words, unsure=documented.unsure)
        says = say("condition-charted.confirm-or-rule", says=says)
        forbids = weight is Weight.LOOK_FIRST and slug != PNEUMOTHORAX
        slug, weight = f"{slug}-suspected", Weight.HIGH if forbids else weight
    return KnownCondition(slug, words, weight, says, concept.citation, source)


def _charted(left_out: Sequence[Ignored], request: Request) -> str:
    """Conditions that could not be judged, in the words of the record."""
    words = list(dict.fromkeys(request.charted.get(one.path) or one.reference or one.path for one in left_out))
    more = say("condition-charted.more", count=len(words) - MOST_NAMED) if len(words) > MOST_NAMED else ""
    return f"{'; '.join(words[:MOST_NAMED])}{more}"


def _weight(concept: RiskConcept) -> Weight:
    """What a condition does to the number of a trial that was performed already."""
    if concept.slug == _NOT_PASSIVE:
        return Weight.LOOK_FIRST
    # What forbids opening the lung forbids no number, but questions the trial that it came from.
    return (
        Weight.HIGH if concept.scope is Scope.RECRUITMENT and concept.risk is Risk.ABSOLUTE else _WEIGHTS[concept.risk]
    )


def the_trial(request: Request) -> Trial:
    """The latest decremental limb.

    Raises:
        Rejected: the readings hold none.
    """
    trial = read_trial(request.readings, request.protocol)
    if isinstance(trial, NoTrial):
        raise Rejected((no_trial(trial),), request.ignored)
    return trial


def beyond_in_trial(findings: Sequence[Finding]) -> str:
    """The vital signs of the latest trial that were beyond a stop limit; empty where none was."""
    grave = [
        finding
        for finding in findings
        if finding.slug.startswith("stop-limit") and finding.weight in (Weight.LOOK_FIRST, Weight.HIGH)
    ]
    told = " ".join(map(sentence, grave))
    # What stands since the trial says so itself.
    passed = "Look at the patient first" in told or all(one.slug == _LEFT_AGAIN for one in grave)
    look = "" if passed else say("condition-charted.look-patient-first")
    return say("condition-charted.latest-trial", told=told, look=look) if told else ""


def look_in_short(findings: Sequence[Finding]) -> str:
    """What of the latest trial asks for a look at the patient first, in a few words; empty where nothing does."""
    limits = [finding for finding in findings if finding.slug.startswith("stop-limit") and finding.slug != _LEFT_AGAIN]
    grave = [limit for limit in limits if limit.weight is Weight.HIGH]
    first = next((one for one in (*findings, *grave) if one.weight is Weight.LOOK_FIRST or one in grave), None)
    return "" if first is None else against(first) or against_words(first.slug, first.weight.value)


def judged_closing(trial: Trial, request: Request) -> Closing:
    """The estimate of closing, as `$titrate-peep` makes it."""
    closing, findings, _ = closing_for(trial, request.readings, request.protocol, patient_context_of(request))
    return with_reason(closing, findings)


_ESTIMATE: ContextVar[Estimator] = ContextVar("estimate", default=estimate_closing)


_REMEMBERED = 64


@contextmanager
def estimates_remembered() -> Iterator[None]:
    """Within this, the same curve is estimated once: for work that titrates one trial several times, as a review."""
    token = _ESTIMATE.set(lru_cache(maxsize=_REMEMBERED)(estimate_closing))
    try:
        yield
    finally:
        _ESTIMATE.reset(token)


def titration_of(
    trial: Trial, request: Request, *, now: bool = False, levels: Sequence[PeepLevel] | None = None
) -> Titration:
    """The titration of one trial, as `$titrate-peep` makes it.

    Args:
        now: whether what the patient is like since the trial counts, too.
        levels: stretches of PEEP among the readings, found once where several trials are titrated.
    """
    person = request.known_person
    levels = peep_levels_of(request.readings) if levels is None else levels
    titration = titrate(
        trial,
        request.readings,
        height_cm=person.height_cm,
        sex=person.sex,
        protocol=request.protocol,
        patient=patient_context_of(request),
        chosen_cmh2o=request.asked.chosen_peep_cmh2o,
        estimate=_ESTIMATE.get(),
        levels=levels,
    )
    if now:
        # The newest reading is now: an answer follows from its inputs and not from the instant of the question.
        newest_s, since_s = max(reading.end_s for reading in request.readings), titration.seen[-1].until_s
        began_s = began_of(request.readings, trial, request.protocol, levels)
        # Where the trial itself gives no number its own checks say why, and speak of that step, too.
        last_s = trial.steps[-1].start_s if titration.advice.suggested_peep_cmh2o is not None else None
        found = now_of(request, since_s=since_s, at_s=newest_s, began_s=began_s, last_step_s=last_s, trial=trial)
        titration = with_findings(titration, tuple(findings_now(found, request.stop_limits)))
    return worded(titration)


def now_of(
    request: Request,
    *,
    since_s: float,
    at_s: float,
    began_s: float | None = None,
    last_step_s: float | None = None,
    trial: Trial | None = None,
) -> PatientNow:
    """The patient now, as every question reads it.

    Args:
        since_s: from when on [s since 1970-01-01T00:00:00Z].
        at_s: what counts as now [s since 1970-01-01T00:00:00Z].
        began_s: when PEEP was first moved for the trial; None where not known [s since 1970-01-01T00:00:00Z].
        trial: that the lung now is held against; None where none is known.
    """
    lung: tuple[Occurrence, ...] = ()
    if trial is not None:
        # Since the trial, whenever PEEP was set after it: so every question sees the same.
        ended_s = min(since_s, trial.steps[-1].until_s)
        lung = lung_now(request.readings, trial, request.protocol, since_s=ended_s, at_s=at_s)
    return patient_now(
        request.readings,
        request.stop_limits,
        since_s=since_s,
        at_s=at_s,
        began_s=began_s,
        last_step_s=last_step_s,
        conditions=patient_context_of(request).conditions,
        changes=[_as_change(change) for change in request.changes],
        lung=lung,
    )


def _as_change(one: Change) -> Change:
    """A mode in which the patient breathes counts as a change after a trial, although none was charted before."""
    if one.breathing is None or not one.first:
        return one
    return replace(one, words=say("since.first-mode", words=one.words), first=False)


def no_trial(why: NoTrial) -> Problem:
    """What the caller is told when there is no limb to read."""
    found, needed = spell(why.found), spell(why.accepted)
    return Problem(ProblemKind.NO_TRIAL, "", found, needed, say("no-trial.sentence", found=found, needed=needed))


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
