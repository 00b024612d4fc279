"""An answer in two short layers: the line (what, how sure, what speaks against it), and the reasons.

The line has at most 25 words and the reasons at most 80; each fact stands once. Everything else stands in the full
answer, which both leave out and never contradict: the pressures, probabilities and cautions are the same values.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

from ebbmark.physiology.advice.advice import Advice, Caution, Severity
from ebbmark.physiology.closing.estimate import Closing, Evidence, Verdict
from ebbmark.physiology.wording import level, percent

__all__ = ["MOST_WORDS_OF_LINE", "MOST_WORDS_OF_REASONS", "SHORT", "InShort", "in_short"]

MOST_WORDS_OF_LINE: Final = 25
MOST_WORDS_OF_REASONS: Final = 80

SHORT: Final = {
    "carbon-dioxide-lost": "end-tidal CO2 vanished",
    "charted-compliance-differs": "charted and computed compliance differ",
    "charted-driving-pressure-differs": "charted and computed driving pressure differ",
    "circuit-opened": "the circuit was open",
    "closing-at-last-step": "nothing below shows that it lasts",
    "condition-not-read": "conditions of the record were not read",
    "condition-unjudged": "conditions that could not be judged",
    "condition-untreated-pneumothorax": "a pneumothorax in the record",
    "condition-untreated-pneumothorax-suspected": "a suspected pneumothorax in the record",
    "coarse-steps": "the steps are coarse",
    "compliance-as-charted": "compliance is as charted, not computed",
    "compliance-came-back": "compliance came back below",
    "compliance-rose-below-closing": "compliance rose again below closing",
    "disconnection": "the circuit was open",
    "driving-pressure-above-limit": "driving pressure above its limit",
    "driving-pressure-as-charted": "driving pressure is as charted, not computed",
    "dynamic-compliance-only": "dynamic compliance only",
    "interval-reaches-suggestion": "closing may lie at this PEEP",
    "total-peep-not-charted": "total PEEP not charted",
    "intrinsic-peep": "intrinsic PEEP",
    "intrinsic-peep-partly-known": "intrinsic PEEP partly known",
    "large-drop": "one large drop of compliance",
    "died-before-trial": "by the record, died before the trial",
    "leak-at-best": "a leak where compliance may be best",
    "leak-at-steps": "a leak at some steps",
    "patient-died": "the record says: died",
    "patient-inactive": "this Patient is marked inactive",
    "vasopressor-raised": "a vasopressor was raised",
    "leak-began": "a leak began",
    "leak-large": "large leak",
    "leak-throughout": "a large leak",
    "fall-with-vital-signs": "vital signs fell with compliance",
    "oxygen-raised": "FiO2 was raised",
    "blood-pressure-doubtful": "a doubtful blood pressure",
    "leak-likely": "a leak is likely",
    "measured-peep-contradicted": "measured PEEP contradicts its setting",
    "measured-peep-off": "measured PEEP off its setting",
    "mode-changed-in-trial": "the mode was changed",
    "other-limb": "another trial lies beside it",
    "peep-from-measurement": "PEEP as measured, not set",
    "plateau-above-limit": "plateau above its limit",
    "plateau-above-limit-during-trial": "plateau was above its limit",
    "plateau-above-peak": "a plateau above peak",
    "position-changed-in-trial": "the position was changed",
    "pressure-rises-as-peep-falls": "pressure rose as PEEP fell",
    "pressure-support": "pressure support: the patient triggers",
    "rate-above-set": "the patient triggers breaths",
    "resistive-pressure-rose": "resistive pressure rose",
    "short-trial": "the trial is short",
    "spontaneous-rate": "spontaneous breaths",
    "step-without-compliance": "a step without compliance",
    "stop-limit-above-suggestion": "a stop limit was met above it",
    "stop-limit-at-suggestion": "a stop limit was met there",
    "stop-limit-below-suggestion": "a stop limit was met below it",
    "stop-limit-in-trial": "a stop limit was met",
    "stop-limit-met": "a stop limit was met",
    "sudden-fall": "compliance fell suddenly",
    "tidal-volume-as-set": "tidal volume as set, not measured",
    "tidal-volume-changed": "tidal volume was changed",
    "tidal-volume-varies": "tidal volume varies",
    "total-peep-below-set": "total PEEP below set PEEP",
    "total-peep-does-not-follow": "air is trapped",
    "unit-slip": "a value seems in another unit",
    "unsettled-steps": "readings before the lung had settled",
    "vital-signs-not-charted": "vital signs there not charted",
    "vital-signs-outside-limb": "vital signs not charted during the trial",
    "volume-far-from-target": "tidal volume far from target",
    "weak-evidence": "the estimate is weak",
    "worse-than-best": "vital signs there worse than at best",
}
"""What can speak against an answer, in a few words, by the slug of its caution or finding."""

_CONDITION: Final = "condition-"
_FALL: Final = {
    Evidence.STRONG: "Compliance fell clearly",
    Evidence.MODERATE: "Compliance fell fairly clearly",
    Evidence.WEAK: "Compliance fell, but not clearly,",
}
_NAMED_ALONE: Final = 0.9
"""A step at least as likely as this is named without the next likely one; this project's choice."""
_WORTH_NAMING: Final = 0.1
_MOST_AGAINST: Final = 4
_LONGEST_WHY: Final = 42


@dataclass(frozen=True, slots=True)
class InShort:
    """The two layers.

    Attributes:
        number: the PEEP in cmH2O; empty where none is suggested.
        head: the suggestion, or that there is none.
        sure: what was found, and how sure it is.
        against: what speaks against it most; empty where nothing of weight does.
        reasons: one clause or sentence each.
    """

    number: str
    head: str
    sure: str
    against: str
    reasons: tuple[str, ...]

    @property
    def line(self) -> str:
        """The first layer in one line."""
        return " ".join(part for part in (f"{self.head}.", self.sure, self.against) if part)


def in_short(advice: Advice, closing: Closing) -> InShort:
    """Put an answer in short.

    Args:
        advice: what follows from the estimate, with its cautions in words.
        closing: the estimate.
    """
    suggested = advice.suggested_peep_cmh2o
    grave = [one for one in advice.cautions if one.of_this_patient and one.severity is not Severity.LOW]
    number = "" if suggested is None else level(suggested)
    first, against = "", list(dict.fromkeys(map(_short, grave)))
    if number and against:
        first = f"Against: {against.pop(0)}."
    elif grave and grave[0].severity is Severity.HIGH:
        first = f"Look first: {against.pop(0)}."
    elif not number and closing.verdict is Verdict.FOUND:
        first = "Limits forbid the PEEP above it."
    reasons = [*_why_none(advice, closing), *_interval(closing), *_expected(advice), *_others(against)]
    head = f"Suggested PEEP {number} cmH2O" if number else "No PEEP is suggested"
    return InShort(number, head, _found(closing), first, tuple(reasons))


def _short(caution: Caution) -> str:
    if caution.slug in SHORT:
        return SHORT[caution.slug]
    if caution.slug.startswith(_CONDITION):
        return f"{caution.slug.removeprefix(_CONDITION).replace('-', ' ')} in the record"
    # A caution that has no short form is never passed over.
    return f"a caution of {caution.severity.value} severity"


def _found(closing: Closing) -> str:
    if closing.verdict is Verdict.FOUND:
        ranked = sorted(closing.steps, key=lambda step: -step.probability)
        # The step that is named leads, with its own probability and not that of closing at any step.
        ranked.sort(key=lambda step: step.peep_cmh2o != closing.peep_cmh2o)
        first, *others = ranked
        said = f"{level(first.peep_cmh2o)} ({percent(first.probability)})"
        if others and first.probability < _NAMED_ALONE and others[0].probability >= _WORTH_NAMING:
            said += f" or {level(others[0].peep_cmh2o)} ({percent(others[0].probability)})"
        return f"{_FALL[closing.evidence]} at PEEP {said}."
    if closing.verdict is Verdict.NOT_REACHED:
        lowest = level(closing.steps[-1].peep_cmh2o)
        return f"Compliance did not fall for good down to {lowest} ({percent(closing.probability)})."
    if closing.verdict is Verdict.FALLING_FROM_FIRST_STEP:
        highest = level(closing.steps[0].peep_cmh2o)
        return f"Compliance fell from the first step, {highest}, on ({percent(closing.probability)})."
    return "Where compliance begins to fall cannot be read."


def _why_none(advice: Advice, closing: Closing) -> Iterator[str]:
    """Why no PEEP is suggested and what that leaves; in full where there is room for it."""
    if advice.suggested_peep_cmh2o is not None:
        return
    if closing.verdict is Verdict.NOT_REACHED:
        if advice.look_first:
            return
        yield "Whether to test lower steps, or to choose PEEP in another way, is for local protocol."
        return
    why = advice.rationale if closing.verdict is Verdict.FOUND else closing.reason
    if why:
        yield why if len(why.split()) <= _LONGEST_WHY else "The full answer says why."
    if closing.verdict is not Verdict.FOUND:
        yield "PEEP has to be chosen in another way, by local protocol."


def _interval(closing: Closing) -> Iterator[str]:
    if closing.verdict is Verdict.FOUND and closing.interval_cmh2o is not None:
        low, high = closing.interval_cmh2o
        if low != high:
            yield f"90 % interval of closing: {level(low)} to {level(high)} cmH2O."


def _expected(advice: Advice) -> Iterator[str]:
    chosen = [row for row in advice.what_if if row.peep_cmh2o == advice.suggested_peep_cmh2o]
    for row in chosen[:1]:
        if row.driving_pressure_cmh2o is not None and row.plateau_cmh2o is not None and row.tidal_volume is not None:
            volume = row.tidal_volume
            yield (
                f"At {volume.ml_per_kg:g} mL/kg ({volume.volume_ml:.0f} mL): driving pressure about "
                f"{row.driving_pressure_cmh2o:.0f}, plateau about {row.plateau_cmh2o:.0f} cmH2O."
            )


def _others(against: list[str]) -> Iterator[str]:
    if against:
        more = len(against) - _MOST_AGAINST
        listed = "; ".join(against[:_MOST_AGAINST])
        yield f"Also: {listed}{f'; and {more} more' if more > 0 else ''}."
