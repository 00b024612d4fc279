"""What must be said beside the numbers: what this patient's data show, and what is true of every such trial."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from enum import Enum

from ebbmark.physiology.advice.evidence import EVIDENCE, EvidenceStatus
from ebbmark.physiology.closing.estimate import Closing, Evidence, Shape, Verdict
from ebbmark.physiology.formulas.body import height_remark
from ebbmark.physiology.protocols import Protocol
from ebbmark.physiology.trial.steps import Observed, Step, Trial
from ebbmark.physiology.wording import level

__all__ = ["Caution", "Severity", "cautions_for"]


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
    """

    slug: str
    severity: Severity
    text: str
    citation: str
    of_this_patient: bool


COMMON_PRACTICE = "common practice, no published source"
OWN_CHOICE = "this project's own choice"
LOW_TIDAL_VOLUME = "ARDS Network, N Engl J Med 2000;342:1301-8"
DRIVING_PRESSURE = "Amato et al, N Engl J Med 2015;372:747-55 (an association, not a tested target)"

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
    "plateau-above-peak": Severity.MODERATE,
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

_SECOND_HAND = " (read at second hand)"

GENERAL = tuple(
    Caution(
        line.slug,
        Severity.MODERATE,
        line.text,
        line.citation + (_SECOND_HAND if line.status is EvidenceStatus.VERIFIED_SECOND_HAND else ""),
        False,
    )
    for line in EVIDENCE
)
"""What published work says of every such trial, in the order of the evidence table."""

NOT_SHOWN = frozenset({"lung-volume-falls-within-breaths"})
"""Lines that are the source of a rule of ours and tell a clinician nothing more."""

_ORDER = {Severity.HIGH: 0, Severity.MODERATE: 1, Severity.LOW: 2}


def cautions_for(
    *, trial: Trial, closing: Closing, height_cm: float, at_suggestion: Sequence[Caution], protocol: Protocol
) -> tuple[Caution, ...]:
    """All cautions, most severe first; those of this patient before those of every trial.

    Args:
        trial: the limb.
        closing: the estimate.
        height_cm: the patient's height [cm].
        at_suggestion: what the limits say about the suggested PEEP.
        protocol: the limits.
    """
    found = [
        *at_suggestion,
        *map(_seen, trial.observed),
        *_pressures_during_trial(trial.steps, protocol),
        *_quality(trial, closing),
        *_shape(closing),
    ]
    remark = height_remark(height_cm)
    if remark:
        found.append(Caution("height-outside-table", Severity.LOW, remark, LOW_TIDAL_VOLUME, True))
    found.sort(key=lambda caution: _ORDER[caution.severity])
    return (*found, *(line for line in GENERAL if _bears_on(line.slug, trial, closing)))


def _bears_on(slug: str, trial: Trial, closing: Closing) -> bool:
    """Whether a line of evidence bears on this answer."""
    if slug == "intrinsic-peep":
        return all(sample.baseline_cmh2o == step.peep_cmh2o for step in trial.steps[:1] for sample in step.samples[:1])
    if slug in ("driving-pressure-association", "mechanical-power-association"):
        return closing.verdict is Verdict.FOUND
    return slug not in NOT_SHOWN


def _seen(observed: Observed) -> Caution:
    severity = SEVERITY_OF_OBSERVED.get(observed.slug, Severity.LOW)
    text = observed.sentence
    if observed.slug == "disconnection":
        text += " Common practice regards a trial as void after any disconnection; what follows is for the clinician."
    return Caution(observed.slug, severity, text, COMMON_PRACTICE, True)


def _pressures_during_trial(steps: Sequence[Step], protocol: Protocol) -> Iterator[Caution]:
    limit = protocol.plateau_limit_cmh2o
    above = [step for step in steps if step.plateau_cmh2o is not None and step.plateau_cmh2o > limit]
    if above:
        levels = ", ".join(f"{level(step.peep_cmh2o)}" for step in above)
        highest = max(step.plateau_cmh2o or 0.0 for step in above)
        text = (
            f"Plateau pressure was above {limit:g} cmH2O during the trial at PEEP {levels} cmH2O (highest "
            f"{level(highest)} cmH2O)."
        )
        yield Caution("plateau-above-limit-during-trial", Severity.MODERATE, text, LOW_TIDAL_VOLUME, True)


def _quality(trial: Trial, closing: Closing) -> Iterator[Caution]:
    if not trial.kind.static:
        text = (
            "Only dynamic compliance is known: it contains airway resistance and inspiratory flow, so the closing "
            "pressure is less certain, and no driving or plateau pressure follows from it. The plateau is not known: a "
            "hold would tell."
        )
        yield Caution("dynamic-compliance-only", Severity.MODERATE, text, COMMON_PRACTICE, True)
    if trial.peep_source == "measured":
        text = "No PEEP setting was sent; the steps were told apart by measured PEEP, to half a cmH2O."
        yield Caution("peep-from-measurement", Severity.MODERATE, text, OWN_CHOICE, True)
    single = sum(1 for step in trial.steps if len(step.samples) == 1)
    if single:
        text = (
            f"{single} of {len(trial.steps)} steps rest on a single reading; a second one per step would make the "
            "estimate firmer."
        )
        yield Caution("single-readings", Severity.LOW, text, OWN_CHOICE, True)
    if closing.verdict is Verdict.FOUND and closing.evidence is Evidence.WEAK:
        text = "The evidence for this closing pressure is weak; look at the curve and its interval before using it."
        yield Caution("weak-evidence", Severity.MODERATE, text, OWN_CHOICE, True)


def _shape(closing: Closing) -> Iterator[Caution]:
    last = closing.steps[-1].peep_cmh2o if closing.steps else None
    if closing.verdict is Verdict.FOUND and closing.peep_cmh2o == last:
        text = (
            "Compliance fell at the last step that was tested, so no step below shows that the fall lasts. A leak, an "
            "open circuit or effort of the patient's own that lasts through a step looks the same."
        )
        yield Caution("closing-at-last-step", Severity.MODERATE, text, OWN_CHOICE, True)
    if closing.verdict is Verdict.FOUND and closing.shape is Shape.GRADUAL:
        text = "Compliance fell gradually, so closing is a range rather than one pressure; read the interval."
        yield Caution("gradual-closing", Severity.LOW, text, OWN_CHOICE, True)
    fitted = [step.fitted_ml_per_cmh2o for step in closing.steps]
    stated = closing.verdict in (Verdict.FOUND, Verdict.NOT_REACHED)
    if stated and fitted and max(fitted) > (1 + RELIEF) * fitted[0]:
        best = closing.steps[fitted.index(max(fitted))].peep_cmh2o
        text = (
            f"Compliance rose as PEEP came down from {level(closing.steps[0].peep_cmh2o)} to {level(best)} cmH2O: "
            "relief of overdistension at the top of the limb, not closing."
        )
        yield Caution("overdistension-at-top", Severity.LOW, text, OWN_CHOICE, True)
