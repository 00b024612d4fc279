"""Bayesian change-point estimate of the closing pressure: where compliance fell for good, and how sure that is.

**What is asked.** A curve of true (noise-free) compliance closes at the first step, going down, that lies at least
`fall` (5 %) below the maximum so far and does not recover at the next step; at the last step there is no next one,
and the fall counts. Where that is the second step, no step above was better: *falling from the first step*. Where
there is no such step: *not reached*. Whatever compliance does, one and only one of these is true. A rise while
PEEP comes down from the top, which is relief of overdistension, is none of them.

**Likelihood.** The readings of a step are condensed to a robust centre z of their logarithms (`model`), in which a
wild one among several has next to no weight. For a
true curve x, also in logarithms, z[k] is x[k] plus Gaussian noise of variance

    step^2 + reading^2 / n[k] + rounding

with n[k] readings. `reading` is the spread of single readings, `step` what all readings of a step share, and
`rounding` follows from `CurveStep.resolution`, divided by n[k] as far as the noise spreads readings over the marks
of the scale. Where steps have several readings, their spread within steps is part of the likelihood. In addition
up to two steps may be spoiled as a whole by suction, a leak, a disconnection, effort or a slip (one where the limb has
fewer than 6 steps; where it has more than 16, two of the five that are likeliest to be spoiled alone): of these z says
nothing of the lung. So outliers lose their say by the model's own account of them; none is removed beforehand.

**How credible a spoiled step is** depends on what confirms it (`model`). A single reading is spoiled with
probability 0.03 and by any amount, at a density of 1 per unit of logarithm. Where several readings of a step agree,
taken over 30 s or more, the step is spoiled with probability 0.001, as often upwards as downwards, about the steps
around it with a Cauchy density of scale 0.10. This decides what is believed of a fall at the last step, which no next
step can take back. Confirmed, it gains belief as it grows from 8 to about 60 %, and loses it where no lung falls so far
within one step. On a single reading the doubt stays: beyond some 12 % a lone fall is neither closing nor its absence,
and the answer says so in its reason.

**Priors.** x is a mixture of Gaussian processes (`model`): level (SD 1.5), slope, curvature, a smooth part of unknown
form, a roughness of 0.6 % from step to step (a lung of finitely many units is no smooth curve), and often one more
rapid fall of unknown size (logarithm: mean -0.3, SD 0.3): within any one step with probability 0.015 (together at most
0.35), or spread over several with 0.15. Most of the weight lies on curves that bend downwards, as lungs give them which
are first relieved of overdistension and then lose units; a quarter lies on a broader family for lungs unlike those. The
curves of each event are then re-weighted, so that before any reading *not reached* has 0.30, *falling from the first
step* 0.10 and the other steps equal parts of the rest: none is preferred. `reading` has six values from 0.3 to 8 %, and
`step` is next to nothing (0.15 %), or like one reading (at most 1.8 %), or 1.8 %; where each step has one reading the
two cannot be told apart, and four values from 0.8 to 8.5 % stand for both.

**What is marginalised.** Level, slope, curvature, smooth part, roughness and size of the rapid fall exactly, as
Gaussians; its presence, place and width, the noise, and the sets of spoiled steps by summing over all of them. Which
event a curve has is no Gaussian question: 640 curves are laid evenly, without chance, through the posterior, and their
events are counted. The same steps give the same bytes, on every machine (`arithmetic`).

**What is stated.** See `decision`: the loss of each answer, the one with the smallest expected loss, and
*indeterminate*.

**What is not known of the measurement.** Dynamic compliance contains the pressure that resistance takes, which dilutes
a fall, while resistance itself rises as airways close, which adds to it. So where the caller says that compliance is
dynamic, the fall that counts is not known: 0.65, 0.85, 1.1 or 1.4 times `fall`, equally probable. Where compliance is
static but total PEEP was not charted, intrinsic PEEP dilutes a fall: 0.94 times `fall` or all of it.

**Limits.** The sizes were set on simulated lungs; see the benchmark for how far they carry. What spoils all readings of
the last step alike and lasts, such as a leak that begins there, is taken for closing. A slow drift of the measurement
looks like a slow change of the lung. Where plateaus are charted without total PEEP, closings of the report lungs and of
the second generator that are answered are named too low more often than too high (0.24 against 0.12, and 0.31 against
0.15). A wider dilution of the fall lessens that, but gained nothing on the tuning lungs, and was not adopted. Of the
closings with a large fall on the second generator 0.71 are named exactly with plateaus and 0.32 without; with that very
generator as the prior it would be 0.46 and 0.62, nearly all others one step too high (`benchmarks.detection --ceiling
12000`, 24 and 139 closings): without plateaus there is something to gain, with them hardly anything.

**From a trial.** `closing_of` is the only way from a trial to its closing pressure, whoever asks: the kind of
compliance and steps missing from the curve are always part of the estimate. Whether the circuit was open is a check of
`patient`.

**While PEEP is still being lowered** (sequential detection; `closing_passed`). The same model, asked after each step
about the steps so far. Two things differ. The limb has no known end, so that *not reached* gets the prior of a constant
hazard: each further step closes with probability `HAZARD_PER_STEP`, whatever came before. And the newest step has no
next one that could take its fall back, which the model knows: a spoiled step competes with a real fall, on a single
reading on equal terms, and hardly where several readings agree.

Rule: call closing passed where that is expected to cost less than no answer, at the losses of `decision`: a call in
vain costs 8 and no call 0.8, so that the limit is a probability of 0.9, reached after each of the last `in_a_row`
steps. A higher limit, or two in a row, gives fewer false calls and a later call; the benchmark draws the trade-off. A
call that comes late costs units which then have to be opened again; a false call ends the trial without an answer.
Posterior probability against a limit is the textbook form of sequential detection (Shiryaev 1963, from memory).

Source: the definition, the model and the rule are the project's own; the parts are textbook.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import accumulate, pairwise
from math import fsum, isfinite
from operator import mul
from statistics import median

import numpy as np

from ebbmark.physiology.closing.decision import decide
from ebbmark.physiology.closing.model import (
    FALLING,
    NOT_REACHED,
    Posterior,
    event_prior,
    log_spoiled_odds,
    noise_of,
    step_centres,
)
from ebbmark.physiology.closing.posterior import lay_curves, weigh_hypotheses
from ebbmark.physiology.closing.result import Closing, CurveStep, Evidence, StepEstimate, Verdict
from ebbmark.physiology.findings import Message, joined, message
from ebbmark.physiology.protocols import Protocol
from ebbmark.physiology.trial.steps import Sample, Trial

_DYNAMIC_FALLS = (0.65, 0.85, 1.1, 1.4)
"""Fall of dynamic compliance, in units of the fall of static compliance that it stands for: pressure that resistance
takes dilutes it, resistance that rises as airways close adds to it."""

_DILUTED_FALLS = (0.94, 1.0)
"""The same, of a compliance from plateau pressure where total PEEP was not charted: intrinsic PEEP dilutes a fall."""

FEWEST_STEPS = 3
"""The model says nothing on fewer."""

_MOST_STEPS = 30
_SMALLEST_STEP_CMH2O = 0.25
_LONGEST_LIMB_CMH2O = 60.0


def estimate_closing(
    steps: Sequence[CurveStep], fall: float = 0.05, dynamic: bool = False, total_peep_known: bool = True
) -> Closing:
    """Estimate the closing pressure from the steps of one decremental limb.

    Args:
        steps: strictly falling PEEP, highest first.
        fall: relative fall below the maximum so far that counts as closing (0.05: the project's choice).
        dynamic: whether the compliances are dynamic; the answer is then less sure.
        total_peep_known: whether compliance was computed from total PEEP; if not, intrinsic PEEP may dilute a fall.

    Returns:
        The estimate; INDETERMINATE with its reason where the steps cannot support a statement.

    Raises:
        ValueError: a compliance that is not positive and finite, a step without readings, a PEEP or resolution
            that is not a number, or a `fall` outside 0.01 to 0.5: mistakes of the calling code.

    Source: the model is the project's own, stated in the module's docstring.
    """
    reason = why_unusable(steps, fall=fall)
    if reason is not None:
        return _without_model(steps, reason)
    return decide(steps, closing_posterior(steps, fall=fall, dynamic=dynamic, total_peep_known=total_peep_known))


def closing_posterior(
    steps: Sequence[CurveStep], *, fall: float = 0.05, dynamic: bool = False, total_peep_known: bool = True
) -> Posterior:
    """Compute the probability of every event, for steps that are usable; arguments as of `estimate_closing`."""
    # Only distances matter to the model: limbs with the same steps at another height share their tables.
    peeps = tuple(round(float(step.peep_cmh2o - steps[-1].peep_cmh2o), 6) for step in steps)
    data = step_centres(tuple(step.compliances_ml_per_cmh2o for step in steps))
    noise = noise_of(
        data,
        tuple(len(step.compliances_ml_per_cmh2o) for step in steps),
        tuple(step.resolution for step in steps),
    )
    shares = _DYNAMIC_FALLS if dynamic else (1.0,) if total_peep_known else _DILUTED_FALLS
    falls = tuple(round(share * fall, 6) for share in shares)
    log_spoiled = log_spoiled_odds(data, [step.span_s for step in steps])
    return lay_curves(peeps, data, noise, weigh_hypotheses(peeps, data, noise, log_spoiled), falls)


def _refuse_nonsense(steps: Sequence[CurveStep], fall: float) -> None:
    if not 0.01 <= fall <= 0.5:
        raise ValueError(f"fall must lie between 0.01 and 0.5, not {fall}")
    for step in steps:
        if not isfinite(step.peep_cmh2o):
            raise ValueError("PEEP must be a finite number")
        if not (isfinite(step.resolution) and step.resolution >= 0.0):
            raise ValueError(f"resolution at PEEP {step.peep_cmh2o:g} must be finite and not negative")
        if not step.compliances_ml_per_cmh2o:
            raise ValueError(f"no reading at PEEP {step.peep_cmh2o:g}")
        if not all(isfinite(value) and value > 0.0 for value in step.compliances_ml_per_cmh2o):
            raise ValueError(f"compliance at PEEP {step.peep_cmh2o:g} must be positive and finite")


def why_unusable(steps: Sequence[CurveStep], *, fall: float = 0.05) -> Message | None:
    """Say why the model cannot be applied to these steps; None where it can. Raises as `estimate_closing`."""
    _refuse_nonsense(steps, fall)
    if len(steps) < FEWEST_STEPS:
        return message("closing.too-short", steps=len(steps), least=FEWEST_STEPS)
    peeps = [step.peep_cmh2o for step in steps]
    if any(lower >= higher for higher, lower in pairwise(peeps)):
        return message("closing.no-limb")
    if len(steps) > _MOST_STEPS:
        return message("closing.too-many-steps", most=_MOST_STEPS)
    if min(higher - lower for higher, lower in pairwise(peeps)) < _SMALLEST_STEP_CMH2O:
        return message("closing.steps-too-close", least_cmh2o=_SMALLEST_STEP_CMH2O)
    if peeps[0] - peeps[-1] > _LONGEST_LIMB_CMH2O:
        return message("closing.limb-too-long", longest_cmh2o=_LONGEST_LIMB_CMH2O)
    return None


def _without_model(steps: Sequence[CurveStep], reason: Message) -> Closing:
    """Answer where the model does not apply: nothing is known, so all that could be true is equally probable."""
    share = 1.0 / max(len(steps), 1)
    rows = []
    for place, step in enumerate(steps):
        centre = float(median(step.compliances_ml_per_cmh2o))
        count = len(step.compliances_ml_per_cmh2o)
        chance = share if place > FALLING else 0.0
        rows.append(StepEstimate(step.peep_cmh2o, count, centre, centre, centre, centre, chance))
    return Closing(
        verdict=Verdict.INDETERMINATE,
        peep_cmh2o=None,
        interval_cmh2o=None,
        probability=share,
        not_reached=share,
        falling_from_first_step=share if len(steps) > FALLING else 0.0,
        steps=tuple(rows),
        shape=None,
        evidence=Evidence.WEAK,
        reason=reason,
    )


HAZARD_PER_STEP = 0.12
"""Prior probability that the next step closes: about 8 steps, the project's choice."""

_DECIMALS = 6
"""To which the probability is rounded, before any limit is applied."""


def closing_passed(
    steps: Sequence[CurveStep], *, fall: float = 0.05, dynamic: bool = False, total_peep_known: bool = True
) -> float:
    """Give the probability that closing, or a fall from the first step on, lies within the steps so far.

    It is 0 for fewer than three steps, and for steps that are no limb, on which nothing can be said. Arguments and
    errors as of `estimate_closing`.
    """
    if why_unusable(steps, fall=fall) is not None:
        return 0.0
    events = closing_posterior(steps, fall=fall, dynamic=dynamic, total_peep_known=total_peep_known).events
    survived = list(accumulate([1.0 - HAZARD_PER_STEP] * (events.size - 1), mul, initial=1.0))
    wanted = np.array([survived[-1], *(HAZARD_PER_STEP * chance for chance in survived[:-1])])
    weighed: list[float] = (events * wanted / event_prior(events.size)).tolist()
    return round(fsum(weighed[FALLING:]) / (weighed[NOT_REACHED] + fsum(weighed[FALLING:])), _DECIMALS)


HOLDS_TOGETHER_S = 30.0
HOLDS_AGREE = 0.10
"""Holds beside one volume within so long of the first [s], and so near to it, repeat it; this project's choice."""


Estimator = Callable[[tuple[CurveStep, ...], float, bool, bool], Closing]
"""`estimate_closing`, or a function that remembers what it gave."""


def closing_of(trial: Trial, protocol: Protocol, estimate: Estimator = estimate_closing) -> Closing:
    """Estimate closing of a trial from its compliances alone; `patient` looks at everything beside them."""
    closing = estimate(curve_of(trial), protocol.fall, not trial.kind.static, trial.total_peep_known)
    reason = None if closing.peep_cmh2o is None else _missing_above(closing.peep_cmh2o, trial)
    return closing if reason is None else closing.taken_back(reason)


def curve_of(trial: Trial) -> tuple[CurveStep, ...]:
    """The steps of a limb as the estimate sees them.

    Holds that repeat one another beside one measured volume are one reading, their median: the noise of the volume is
    the same in all.
    """
    return tuple(
        [
            CurveStep(
                step.peep_cmh2o,
                _apart(step.samples),
                trial.resolution,
                step.samples[-1].at_s - step.samples[0].at_s,
            )
            for step in trial.steps
        ]
    )


def _apart(samples: Sequence[Sample]) -> tuple[float, ...]:
    by_volume: dict[object, list[Sample]] = {}
    for number, sample in enumerate(samples):
        together = by_volume.setdefault(sample.volume_from or number, [])
        if not together or _is_again(sample, together[0]):
            together.append(sample)
        else:
            by_volume[number] = [sample]
    return tuple(
        [
            each[0].compliance_ml_per_cmh2o if len(each) == 1 else median([one.compliance_ml_per_cmh2o for one in each])
            for each in by_volume.values()
        ]
    )


def _is_again(hold: Sample, first: Sample) -> bool:
    """Whether a hold repeats another; one that disagrees with it is a reading of its own, and may be an odd one."""
    apart = abs(hold.compliance_ml_per_cmh2o / first.compliance_ml_per_cmh2o - 1.0)
    return hold.at_s - first.at_s <= HOLDS_TOGETHER_S and apart <= HOLDS_AGREE


def passed_along(trial: Trial, protocol: Protocol) -> tuple[float | None, ...]:
    """`closing_passed` after each step, from the steps so far; None where there are too few of them to say."""
    curve = curve_of(trial)
    return tuple(
        closing_passed(
            curve[:count],
            fall=protocol.fall,
            dynamic=not trial.kind.static,
            total_peep_known=trial.total_peep_known,
        )
        if count >= FEWEST_STEPS
        else None
        for count in range(1, len(curve) + 1)
    )


def _missing_above(closing_cmh2o: float, trial: Trial) -> Message | None:
    """Say that closing may lie at a tested step that is missing from the curve, and so higher than the step named.

    That is so where the step directly above the one named is missing, or two neighbouring steps anywhere above it,
    where compliance may have been best unseen.
    """
    used = [step.peep_cmh2o for step in trial.steps]
    missing = [seen.peep_cmh2o for seen in trial.observed if seen.slug == "step-without-compliance"]
    for above, below in pairwise(used[: used.index(closing_cmh2o) + 1]):
        between = [peep for peep in missing if below < peep < above]
        if len(between) > 1 or (between and below == closing_cmh2o):
            return message(
                "closing.missing-above",
                above_cmh2o=round(above, 1),
                below_cmh2o=round(below, 1),
                between_cmh2o=joined("each-and", [round(one, 1) for one in between]),
                closing_cmh2o=round(closing_cmh2o, 1),
            )
    return None
