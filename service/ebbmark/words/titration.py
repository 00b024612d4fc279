"""Sentences of a titration: one template per finding, with its values by name.

The last part of a value's name is its unit and decides how it is spelled; a finding without a template is a mistake
that a test finds.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Final

from ebbmark.physiology.advice.advice import Caution, Severity
from ebbmark.physiology.advice.suggestion import AT_SUGGESTION
from ebbmark.physiology.closing.estimate import Closing, Verdict
from ebbmark.physiology.findings import Finding, Weight
from ebbmark.physiology.patient.titration import Titration
from ebbmark.physiology.wording import level, percent

__all__ = ["TEMPLATES", "sentence", "with_reason", "worded"]

TEMPLATES: Final[Mapping[str, str]] = {
    "circuit-opened": (
        "The circuit seems to have been open at the step of {peep_cmh2o} cmH2O: lung volume may have been lost that "
        "the steps below did not give back, so their compliance says nothing sure about closing. Common practice "
        "regards such a trial as void; whether to repeat it, with its risk, is for the clinician."
    ),
    "carbon-dioxide-lost": (
        "End-tidal carbon dioxide fell to {end_tidal_mmhg} mmHg {at}: look at tube, circuit and circulation first."
    ),
    "pressure-support": (
        "Pressure support of {support_cmh2o} cmH2O was set {at}, so the patient triggered the breaths; "
        "compliance holds for a passive patient only and no closing pressure can be read."
    ),
    "rate-above-set": (
        "The measured rate was {measured_per_min} /min with {set_per_min} set, {at}: the patient "
        "triggers breaths. Compliance holds for a passive patient only."
    ),
    "spontaneous-rate": (
        "Spontaneous breaths were charted, up to {spontaneous_per_min} /min, {at}. Compliance holds "
        "for a passive patient only."
    ),
    "sudden-fall": (
        "From PEEP {from_peep_cmh2o} to {to_peep_cmh2o} cmH2O compliance fell from {from_ml_per_cmh2o} to "
        "{to_ml_per_cmh2o} mL/cmH2O, by {lost_share}: more than closing usually takes in one step. Look at the patient "
        "and the tube first: pneumothorax, main-stem intubation, a plug or a kink look like this."
    ),
    "pressure-rises-as-peep-falls": (
        "From PEEP {from_peep_cmh2o} to {to_peep_cmh2o} cmH2O the {which} pressure rose by {pressure_rise_cmh2o} cmH2O "
        "although PEEP was lowered. Look at the patient and the tube first: pneumothorax, main-stem intubation, a plug "
        "or a kink look like this."
    ),
    "leak-began": (
        "From PEEP {peep_cmh2o} cmH2O on expired volume fell short of inspired volume by up to {leak_share}: a leak "
        "began there, and compliance from expired volume falls with it. Look at cuff, circuit and chest drain first."
    ),
    "leak-large": (
        "Expired volume was {leak_share} short of inspired volume throughout: a large leak, so every compliance and "
        "every pressure expected from it is too uncertain to act on by itself."
    ),
    "total-peep-does-not-follow": (
        "Set PEEP went from {set_top_cmh2o} to {set_bottom_cmh2o} cmH2O and total PEEP from {total_top_cmh2o} to "
        "{total_bottom_cmh2o} cmH2O only: air is trapped, the lung did not see the steps that were set, and no closing "
        "pressure can be read. Look at expiratory time and obstruction first."
    ),
    "intrinsic-peep": "Intrinsic PEEP was {intrinsic_cmh2o} cmH2O at PEEP {peep_cmh2o} cmH2O: air is trapped there.",
    "measured-peep-off": (
        "Measured PEEP was {measured_cmh2o} cmH2O where {set_cmh2o} was set ({at}): the lung did not see "
        "the pressure that is charted. Look at leak, water in the circuit and the sensor first."
    ),
    "compliance-came-back": (
        "Below the step of {closing_cmh2o} cmH2O compliance came back to {compliance_ml_per_cmh2o} mL/cmH2O at PEEP "
        "{peep_cmh2o} cmH2O (best {best_ml_per_cmh2o}): it did not fall for good, so no closing pressure can be read."
    ),
    "compliance-rose-below-closing": (
        "Below the step of {closing_cmh2o} cmH2O compliance rose again, to {compliance_ml_per_cmh2o} mL/cmH2O at PEEP "
        "{peep_cmh2o} cmH2O, without reaching its best of {best_ml_per_cmh2o}."
    ),
    "position-changed-in-trial": (
        "The position was changed to {words} while PEEP was being lowered: the steps before and after belong to two "
        "different lungs, and no closing pressure can be read across them."
    ),
    "done-prone": (
        "The trial was done in prone position: its result holds for that position, and has to be looked at anew after "
        "turning back."
    ),
    "mode-changed-in-trial": (
        "The ventilator mode was changed to {words} while PEEP was being lowered: the steps before and after cannot be "
        "compared."
    ),
    "tidal-volume-changed": (
        "The set tidal volume was changed from {least_ml} to {greatest_ml} mL or back during the trial; compliance "
        "depends on it, so part of the curve comes from the volume."
    ),
    "oxygen-changed": (
        "FiO2 was changed between {least_share} and {greatest_share} during the trial, so saturations of its steps "
        "cannot be compared."
    ),
    "unsettled-steps": (
        "{At} every reading was taken less than {settling_s} s after the change, while the lung was still settling."
    ),
    "resistive-pressure-rose": (
        "Peak less plateau pressure rose from {from_cmh2o} to {to_cmh2o} cmH2O at PEEP {peep_cmh2o} cmH2O: secretions, "
        "a kink or bronchospasm narrow the airway."
    ),
    "stop-limit-at-suggestion": ("{At} {words} was {value} {unit}, {side} {limit}{recovery}{earlier}."),
    "stop-limit-above-suggestion": (
        "{At}, above the suggestion, {words} was {value} {unit}, {side} {limit}{recovery}{earlier}."
    ),
    "stop-limit-below-suggestion": ("{At}, below the suggestion, {words} was {value} {unit}, {side} {limit}{earlier}."),
    "stop-limit-met": "{At} {words} was {value} {unit} in this trial, {side} {limit}.",
    "worse-than-best": (
        "At the suggested {suggested_cmh2o} cmH2O {words} was {value} {unit}, against {best} at PEEP {best_peep_cmh2o} "
        "cmH2O: clearly worse than at the best step of this trial."
    ),
    "condition-unjudged": (
        "Conditions of the record that could not be judged here: {words}. They may say anything, a contraindication "
        "included, and are listed among the inputs that did not count; to be read by a person."
    ),
    "vital-signs-not-charted": (
        "No {words} was charted at {suggested_cmh2o} cmH2O, so it is not known how the patient tolerated it."
    ),
    "vital-signs-outside-limb": (
        "{words} was charted, but at no step of this trial, so it is not known how the patient tolerated "
        "{suggested_cmh2o} cmH2O. Check whether the clocks of monitor and ventilator agree."
    ),
}
"""Sentence of each finding."""

_CONDITION: Final = {
    Weight.LOOK_FIRST: (
        "The record says: {words}. {says} No closing pressure and no PEEP is given from a curve then; look at the "
        "patient first."
    ),
    Weight.HIGH: "The record says: {words}. {says}",
    Weight.MODERATE: "The record says: {words}. {says}",
    Weight.LOW: "The record says: {words}. {says}",
}

_SEVERITY: Final = {
    Weight.LOOK_FIRST: Severity.HIGH,
    Weight.HIGH: Severity.HIGH,
    Weight.MODERATE: Severity.MODERATE,
    Weight.LOW: Severity.LOW,
}


_NO_NUMBER: Final = "No PEEP is suggested."
_NOT_TOLERATED: Final = (
    "Closing and margin would give {} cmH2O, which was not tolerated in this trial: no PEEP is suggested. Look at the "
    "patient first."
)


def sentence(finding: Finding) -> str:
    """The finding in plain sentences."""
    template = TEMPLATES.get(finding.slug) or _CONDITION[finding.weight]
    spelled = {name: _spelled(name, value) for name, value in finding.values.items()}
    spelled["at"] = _steps(finding.peeps_cmh2o)
    spelled["At"] = spelled["at"].capitalize().replace("peep", "PEEP").replace("cmh2o", "cmH2O")
    spelled["recovery"] = spelled["earlier"] = ""
    if "then_value" in finding.values:
        spelled["recovery"] = ", and {then_value} at {then_peep_cmh2o} cmH2O".format(**spelled)
    if "before" in finding.values:
        spelled["earlier"] = " ({before} before the trial)".format(**spelled)
    said = template.format(**spelled)
    return said[0].upper() + said[1:]


def worded(titration: Titration) -> Titration:
    """The same with its sentences: reason of the estimate, rationale, cautions and limits of each row."""
    looks = titration.look_first
    closing, advice = titration.closing, titration.advice
    if looks:
        reason = _reason(looks)
        closing = with_reason(closing, looks)
        tail = _NO_NUMBER if reason else _NOT_TOLERATED.format(level(float(looks[0].values["suggested_cmh2o"])))
        advice = replace(advice, rationale=" ".join((*map(sentence, looks), tail)), look_first=True)
    own = [_caution(one) for one in titration.findings]
    said = {one.slug for one in own} | (
        {"disconnection"} if any(one.slug == "circuit-opened" for one in own) else set()
    )
    if looks:
        said |= AT_SUGGESTION
    kept = [one for one in advice.cautions if one.slug not in said]
    every = [one for one in kept if not one.of_this_patient]
    mine = sorted(
        (*own, *(one for one in kept if one.of_this_patient)), key=lambda one: list(Severity).index(one.severity)
    )
    rows = tuple(
        replace(row, limits_exceeded=(*row.limits_exceeded, *map(sentence, row.limits_met))) for row in advice.what_if
    )
    return replace(titration, closing=closing, advice=replace(advice, cautions=(*mine, *every), what_if=rows))


def with_reason(closing: Closing, findings: Sequence[Finding]) -> Closing:
    """An estimate that findings took back, with its reason in words.

    Args:
        closing: the estimate.
        findings: of the checks of its curve.
    """
    reason = _reason([one for one in findings if one.weight is Weight.LOOK_FIRST])
    return replace(closing, reason=reason) if reason and closing.verdict is Verdict.INDETERMINATE else closing


def _reason(looks: Sequence[Finding]) -> str:
    """Why there is no estimate; what was not tolerated at a suggestion takes no estimate back."""
    return " ".join(sentence(one) for one in looks if not one.slug.startswith("stop-limit"))


def _steps(peeps_cmh2o: Sequence[float]) -> str:
    """The steps by their PEEP; more than three as a range."""
    levels = [level(peep) for peep in peeps_cmh2o]
    if len(levels) > 3:
        return f"at {len(levels)} steps from PEEP {levels[0]} to {levels[-1]} cmH2O"
    return f"at PEEP {', '.join(levels)} cmH2O"


def _caution(finding: Finding) -> Caution:
    return Caution(finding.slug, _SEVERITY[finding.weight], sentence(finding), finding.source, True)


def _spelled(name: str, value: float | str) -> str:
    if isinstance(value, str):
        return value
    if name.endswith("_share"):
        return percent(value)
    if name.endswith("_cmh2o") and not name.endswith("_ml_per_cmh2o"):
        return level(value)
    return f"{value:.0f}"
