"""Findings of this patient's data that stand beside the numbers, and the published lines that bear on them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from enum import Enum

from ebbmark.physiology.advice.evidence import EVIDENCE, EvidenceLine
from ebbmark.physiology.closing.estimate import Closing, Evidence, Shape, Verdict
from ebbmark.physiology.findings import COMMON_PRACTICE, OWN_CHOICE, SOURCES, Finding, Weight
from ebbmark.physiology.formulas.body import height_remark
from ebbmark.physiology.protocols import Protocol
from ebbmark.physiology.trial.steps import Observed, Step, Trial

__all__ = ["Caution", "Severity", "evidence_for_trial", "findings_for"]


class Severity(Enum):
    """How much a caution matters; the words of FHIR's detectedissue-severity."""

    HIGH = "high"
    MODERATE = "moderate"
    LOW = "low"


@dataclass(frozen=True, slots=True)
class Caution:
    """Something the reader must know before acting.

    Attributes:
        slug: stable code, for example "plateau-above-limit".
        severity: how much it matters.
        text: one or two plain sentences.
        citation: published source, or that there is none.
        of_this_patient: found in this patient's data (True) or true of every trial (False).
        in_few_words: what it says against the answer, with its value; empty where its slug alone says it.
    """

    slug: str
    severity: Severity
    text: str
    citation: str
    of_this_patient: bool
    in_few_words: str = ""


SEVERITY_OF_OBSERVED = {
    "disconnection": Severity.HIGH,
    "charted-compliance-differs": Severity.MODERATE,
    "driving-pressure-as-charted": Severity.MODERATE,
    "tidal-volume-varies": Severity.MODERATE,
    "tidal-volume-as-set": Severity.MODERATE,
    "step-without-compliance": Severity.MODERATE,
    "large-drop": Severity.MODERATE,
    "other-limb": Severity.MODERATE,
    "compliance-as-charted": Severity.MODERATE,
    "intrinsic-peep-partly-known": Severity.MODERATE,
    "plateau-above-peak": Severity.HIGH,
    "total-peep-below-set": Severity.MODERATE,
    "charted-driving-pressure-differs": Severity.MODERATE,
    "unit-slip": Severity.MODERATE,
    "measured-peep-contradicted": Severity.MODERATE,
    "short-trial": Severity.MODERATE,
    "leak-likely": Severity.MODERATE,
    "unsettled-steps": Severity.MODERATE,
}
"""How much each thing seen along the limb matters; what is not listed is low."""

RELIEF = 0.05
"""Relative rise of compliance below the top step that is worth naming as relief of overdistension. Our choice."""

NOT_SHOWN = frozenset({"lung-volume-falls-within-breaths"})
"""Lines that are the source of a rule of ours and tell a clinician nothing more."""


def findings_for(
    *, trial: Trial, closing: Closing, height_cm: float, protocol: Protocol, suggested_cmh2o: float | None = None
) -> tuple[Finding, ...]:
    """What this patient's data show that must be said, gravest first.

    Args:
        trial: the limb.
        closing: the estimate.
        height_cm: the patient's height [cm].
        protocol: the limits.
        suggested_cmh2o: suggested PEEP; None where there is none.
    """
    found = [
        *map(_seen, trial.observed),
        *_pressures_during_trial(trial.steps, protocol, suggested_cmh2o),
        *_quality(trial, closing),
        *_shape(closing),
    ]
    remark = height_remark(height_cm)
    if remark:
        found.append(Finding("height-outside-table", Weight.LOW, {"text": remark}, source=SOURCES["ards-network-2000"]))
    return tuple(sorted(found, key=lambda one: list(Weight).index(one.weight)))


def evidence_for_trial(trial: Trial, closing: Closing) -> tuple[EvidenceLine, ...]:
    """The lines of published work that bear on this answer, in the order of the evidence table.

    Args:
        trial: the limb.
        closing: the estimate.
    """
    return tuple(line for line in EVIDENCE if _bears_on(line.slug, trial, closing))


def _bears_on(slug: str, trial: Trial, closing: Closing) -> bool:
    if slug == "intrinsic-peep":
        return all(sample.baseline_cmh2o == step.peep_cmh2o for step in trial.steps[:1] for sample in step.samples[:1])
    if slug in ("driving-pressure-association", "mechanical-power-association"):
        return closing.verdict is Verdict.FOUND
    return slug not in NOT_SHOWN


def _seen(observed: Observed) -> Finding:
    weight = Weight(SEVERITY_OF_OBSERVED.get(observed.slug, Severity.LOW).value)
    return Finding(
        observed.slug,
        weight,
        {"text": observed.sentence},
        (observed.peep_cmh2o,),
        observed.at_s,
        source=COMMON_PRACTICE,
    )


def _pressures_during_trial(
    steps: Sequence[Step], protocol: Protocol, suggested_cmh2o: float | None
) -> Iterator[Finding]:
    """Plateau above its limit; of low weight where that was above the suggestion only: nobody stays there."""
    limit = protocol.plateau_limit_cmh2o
    above = [step for step in steps if step.plateau_cmh2o is not None and step.plateau_cmh2o > limit]
    if above:
        values = {"limit_cmh2o": limit, "highest_cmh2o": max(step.plateau_cmh2o or 0.0 for step in above)}
        peeps = tuple(step.peep_cmh2o for step in above)
        left = suggested_cmh2o is not None and min(peeps) > suggested_cmh2o
        yield Finding(
            "plateau-above-limit-during-trial",
            Weight.LOW if left else Weight.MODERATE,
            values,
            peeps,
            above[0].start_s,
            source=SOURCES["ards-network-2000"],
        )


def _quality(trial: Trial, closing: Closing) -> Iterator[Finding]:
    if not trial.kind.static:
        yield Finding("dynamic-compliance-only", Weight.MODERATE, source=COMMON_PRACTICE)
    elif not trial.total_peep_known and all(seen.slug != "intrinsic-peep-partly-known" for seen in trial.observed):
        yield Finding("total-peep-not-charted", Weight.LOW, source=OWN_CHOICE)
    if trial.peep_source == "measured":
        yield Finding("peep-from-measurement", Weight.MODERATE, source=OWN_CHOICE)
    single = sum(1 for step in trial.steps if len(step.samples) == 1)
    if single:
        values = {"single": float(single), "steps": float(len(trial.steps))}
        yield Finding("single-readings", Weight.LOW, values, source=OWN_CHOICE)
    if closing.verdict is Verdict.FOUND and closing.evidence is Evidence.WEAK:
        yield Finding("weak-evidence", Weight.MODERATE, source=OWN_CHOICE)


def _shape(closing: Closing) -> Iterator[Finding]:
    last = closing.steps[-1].peep_cmh2o if closing.steps else None
    if closing.verdict is Verdict.FOUND and closing.peep_cmh2o == last:
        yield Finding("closing-at-last-step", Weight.MODERATE, source=OWN_CHOICE)
    if closing.verdict is Verdict.FOUND and closing.shape is Shape.GRADUAL:
        yield Finding("gradual-closing", Weight.LOW, source=OWN_CHOICE)
    fitted = [step.fitted_ml_per_cmh2o for step in closing.steps]
    stated = closing.verdict in (Verdict.FOUND, Verdict.NOT_REACHED)
    if stated and fitted and max(fitted) > (1 + RELIEF) * fitted[0]:
        best = closing.steps[fitted.index(max(fitted))].peep_cmh2o
        values = {"top_cmh2o": closing.steps[0].peep_cmh2o, "best_cmh2o": best}
        yield Finding("overdistension-at-top", Weight.LOW, values, source=OWN_CHOICE)
