"""Sentences of a titration, one template per finding, with its values by name. A table: `titration` fills it in."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

__all__ = ["REASONS", "TEMPLATES"]

REASONS: Final[Mapping[str, str]] = {
    "withheld-not-reached": (
        "Compliance had not fallen for good at the lowest PEEP tested ({lowest_cmh2o} cmH2O), so the closing "
        "pressure was not reached and no PEEP is suggested from it. Whether to test lower steps or to choose PEEP"
        " in another way is for local protocol."
    ),
    "withheld-not-reached-after-stop": (
        "Compliance had not fallen for good at the lowest PEEP tested ({lowest_cmh2o} cmH2O), so the closing "
        "pressure was not reached and no PEEP is suggested from it."
    ),
    "withheld-falling": (
        "Compliance fell from the first step on, so closing began at or above the highest PEEP tested "
        "({top_cmh2o} cmH2O) and no PEEP is suggested. PEEP has to be chosen in another way, by local protocol."
    ),
    "withheld-indeterminate": "{text} No PEEP is suggested; PEEP has to be chosen in another way, by local protocol.",
    "withheld-coarse-steps": (
        "Compliance fell for good at the step of {closing_cmh2o} cmH2O, and the step above is {margin_cmh2o} "
        "cmH2O away: how far above it the fall began is not known, so a margin of {asked_cmh2o} cmH2O may not "
        "reach above it. No PEEP is suggested."
    ),
    "withheld-below-least": (
        "Closing plus margin is {peep_cmh2o} cmH2O, below {least_cmh2o} cmH2O, the least PEEP under which ARDS is"
        " defined (Berlin, 2012). No PEEP is suggested."
    ),
    "withheld-above-tested": (
        "Closing pressure {closing_cmh2o} plus a margin of {margin_cmh2o} cmH2O lies above the highest PEEP "
        "tested ({top_cmh2o} cmH2O); compliance there is not known, so no PEEP is suggested."
    ),
    "withheld-plateau": (
        "At {peep_cmh2o} cmH2O (closing plus margin) the plateau would be about {plateau_cmh2o} cmH2O even at the"
        " lowest tidal volume of the ladder, above {limit_cmh2o}; no PEEP is suggested. A clinician has to weigh "
        "one against the other."
    ),
    "plateau-above-limit-at-any-volume": "Plateau above {limit_cmh2o} cmH2O even at {used_ml_per_kg} mL/kg.",
    "driving-pressure-beyond": "Driving pressure above {limit_cmh2o} cmH2O.",
    "below-least-peep": "Below {least_cmh2o} cmH2O, the least PEEP under which ARDS is defined.",
    "beyond-largest-margin": "The step above the fall is further away than the largest margin.",
    "single-readings": (
        "{single} of {steps} steps rest on a single reading; a second one per step would make the estimate firmer."
    ),
    "gradual-closing": (
        "Compliance fell gradually, so closing is a range rather than one pressure; read the interval."
    ),
    "overdistension-at-top": (
        "Compliance rose as PEEP came down from {top_cmh2o} to {best_cmh2o} cmH2O: relief of overdistension at "
        "the top of the limb, not closing."
    ),
    "done-prone": (
        "The trial was done in prone position: its result holds for that position, and has to be looked at anew "
        "after turning back."
    ),
}
"""Why none is suggested, limits of a row, and what is worth knowing and speaks against nothing."""

TEMPLATES: Final[Mapping[str, str]] = {
    "plateau-above-limit": (
        "At {asked_ml_per_kg} mL/kg the plateau would be about {plateau_cmh2o} cmH2O, above {limit_cmh2o}; this "
        "row is for {used_ml_per_kg} mL/kg."
    ),
    "interval-reaches-suggestion": (
        "Closing may have started as high as {high_cmh2o} cmH2O (90 % interval), which is not below the suggested"
        " {peep_cmh2o} cmH2O: part of the lung may already be closing there."
    ),
    "coarse-steps": (
        "The steps are {margin_cmh2o} cmH2O apart where compliance fell, so the suggestion is the last step "
        "before the fall and not {asked_cmh2o} cmH2O above closing."
    ),
    "driving-pressure-above-limit": (
        "Driving pressure at the suggested PEEP would be about {driving_cmh2o} cmH2O, above {limit_cmh2o}."
    ),
    "volume-far-from-target": (
        "Compliance was measured at {trial_ml} mL, and the pressures above are given for {given_ml} mL; that "
        "compliance does not change with volume is an assumption."
    ),
    "plateau-above-limit-during-trial": (
        "Plateau pressure was above {limit_cmh2o} cmH2O during the trial {at} (highest {highest_cmh2o} cmH2O)."
    ),
    "dynamic-compliance-only": (
        "Only dynamic compliance is known: it contains airway resistance and inspiratory flow, so the closing "
        "pressure is less certain, and no driving or plateau pressure follows from it. The plateau is not known: "
        "a hold would tell."
    ),
    "total-peep-not-charted": (
        "Total PEEP was not charted. Intrinsic PEEP, if there is any, makes compliance and its fall read too small; "
        "the estimate counts in that the fall may be diluted."
    ),
    "peep-from-measurement": "No PEEP setting was sent; the steps were told apart by measured PEEP, to half a cmH2O.",
    "weak-evidence": (
        "The evidence for this closing pressure is weak; look at the curve and its interval before using it."
    ),
    "closing-at-last-step": (
        "Compliance fell at the last step that was tested, so no step below shows that the fall lasts. A leak, an"
        " open circuit or effort of the patient's own that lasts through a step looks the same."
    ),
    "disconnection": (
        "{text} Common practice regards a trial as void after any disconnection; what follows is for the clinician."
    ),
    "circuit-opened": (
        "The circuit seems to have been open at the step of {peep_cmh2o} cmH2O: lung volume may have been lost "
        "that the steps below did not give back, so their compliance says nothing sure about closing. Common "
        "practice regards such a trial as void; whether to repeat it, with its risk, is for the clinician."
    ),
    "carbon-dioxide-lost": (
        "End-tidal carbon dioxide fell to {end_tidal_mmhg} mmHg {at}: look at tube, circuit and circulation first."
    ),
    "pressure-support": (
        "Pressure support of {support_cmh2o} cmH2O was set {at}, so the patient triggered the breaths; compliance"
        " holds for a passive patient only and no closing pressure can be read."
    ),
    "rate-above-set": (
        "The measured rate was {measured_per_min} /min with {set_per_min} set, {at}: the patient triggers "
        "breaths. Compliance holds for a passive patient only."
    ),
    "spontaneous-rate": (
        "Spontaneous breaths were charted, up to {spontaneous_per_min} /min, {at}. Compliance holds for a passive"
        " patient only."
    ),
    "sudden-fall": (
        "From PEEP {from_peep_cmh2o} to {to_peep_cmh2o} cmH2O compliance fell from {from_ml_per_cmh2o} to "
        "{to_ml_per_cmh2o} mL/cmH2O, by {lost_share}: more than closing usually takes in one step. Look at the "
        "patient and the tube first: pneumothorax, main-stem intubation, a plug or a kink look like this."
    ),
    "pressure-rises-as-peep-falls": (
        "From PEEP {from_peep_cmh2o} to {to_peep_cmh2o} cmH2O the {which} pressure rose by {pressure_rise_cmh2o} "
        "cmH2O although PEEP was lowered. Look at the patient and the tube first: pneumothorax, main-stem "
        "intubation, a plug or a kink look like this."
    ),
    "leak-began": (
        "From PEEP {peep_cmh2o} cmH2O on expired volume fell short of inspired volume by up to {leak_share}: a "
        "leak began there, and compliance from expired volume falls with it. Look at cuff, circuit and chest "
        "drain first."
    ),
    "leak-large": (
        "Expired volume was {leak_share} short of what was given, at all steps: a leak, so every compliance "
        "and every pressure expected from it is too uncertain to act on by itself."
    ),
    "total-peep-does-not-follow": (
        "Set PEEP went from {set_top_cmh2o} to {set_bottom_cmh2o} cmH2O and total PEEP from {total_top_cmh2o} to "
        "{total_bottom_cmh2o} cmH2O only: air is trapped, the lung did not see the steps that were set, and no "
        "closing pressure can be read. Look at expiratory time and obstruction first."
    ),
    "intrinsic-peep": "Intrinsic PEEP was {intrinsic_cmh2o} cmH2O at PEEP {peep_cmh2o} cmH2O: air is trapped there.",
    "measured-peep-off": (
        "Measured PEEP was {measured_cmh2o} cmH2O where {set_cmh2o} was set ({at}): the lung did not see the "
        "pressure that is charted. Look at leak, water in the circuit and the sensor first."
    ),
    "compliance-came-back": (
        "Below the step of {closing_cmh2o} cmH2O compliance came back to {compliance_ml_per_cmh2o} mL/cmH2O at "
        "PEEP {peep_cmh2o} cmH2O (best {best_ml_per_cmh2o}): it did not fall for good, so no closing pressure can"
        " be read."
    ),
    "compliance-rose-below-closing": (
        "Below the step of {closing_cmh2o} cmH2O compliance rose again, to {compliance_ml_per_cmh2o} mL/cmH2O at "
        "PEEP {peep_cmh2o} cmH2O, without reaching its best of {best_ml_per_cmh2o}."
    ),
    "position-changed-in-trial": (
        "The position was changed to {words} while PEEP was being lowered: the steps before and after belong to "
        "two different lungs, and no closing pressure can be read across them."
    ),
    "mode-changed-in-trial": (
        "The ventilator mode was changed to {words} while PEEP was being lowered: the steps before and after "
        "cannot be compared."
    ),
    "tidal-volume-changed": (
        "The set tidal volume was changed from {least_ml} to {greatest_ml} mL or back during the trial; "
        "compliance depends on it, so part of the curve comes from the volume."
    ),
    "oxygen-changed": (
        "FiO2 was changed between {least_fio2_percent} and {greatest_fio2_percent} % during the trial, so saturations "
        "of its steps cannot be compared."
    ),
    "oxygen-raised": (
        "FiO2 was raised during the trial, between {least_fio2_percent} and {greatest_fio2_percent} %: saturations of "
        "the lower steps hide what was lost there."
    ),
    "fall-with-vital-signs": (
        "From PEEP {from_peep_cmh2o} to {to_peep_cmh2o} cmH2O compliance fell by {lost_share}, and {words} with it. "
        "Look at the patient and the tube first: pneumothorax, main-stem intubation, a plug or a kink look like this."
    ),
    "leak-throughout": (
        "Expired volume was {leak_share} short of what was given at all steps: a large leak, so no closing pressure "
        "can be read. Look at cuff, circuit and chest drain first."
    ),
    "leak-at-best": (
        "{At} expired volume fell short of inspired volume by up to {leak_share}, and not below: a leak. Compliance "
        "there may be the best of the curve, so no fall can be read against another one. Look at cuff, circuit and "
        "chest drain first."
    ),
    "leak-at-steps": (
        "{At} expired volume fell short of inspired volume by up to {leak_share}: a leak, so compliance there reads "
        "too small."
    ),
    "died-before-trial": (
        "The record says that the patient died before this trial ended: the readings are of somebody else, or the date "
        "is wrong. Clarify whose readings these are first."
    ),
    "patient-died": (
        "The record says that the patient has died: no setting follows from this answer. Where that is wrong, the "
        "record has to be corrected first."
    ),
    "patient-inactive": (
        "The record no longer uses this Patient (it is marked inactive): make sure that the readings are of the "
        "patient at the bedside."
    ),
    "vasopressor-raised": (
        "{drug} was {how} during the trial, {at}: arterial pressures from there on say less of how PEEP was "
        "tolerated.{needed}"
    ),
    "blood-pressure-doubtful": (
        "A {words} of {value} mmHg was charted {at} between others of {least} mmHg or more: doubtful. Look at the "
        "transducer."
    ),
    "unsettled-steps": (
        "{At} every reading was taken less than {settling_s} s after the change, while the lung was still settling."
    ),
    "resistive-pressure-rose": (
        "Peak less plateau pressure rose from {from_cmh2o} to {to_cmh2o} cmH2O at PEEP {peep_cmh2o} cmH2O: "
        "secretions, a kink or bronchospasm narrow the airway."
    ),
    "stop-limit-in-trial": "{place} {peep_cmh2o} cmH2O, {words}.{before_it}",
    "stop-limit-at-suggestion": "{At} {words} was {value} {unit}, {side} {limit}{recovery}{earlier}.",
    "stop-limit-above-suggestion": (
        "{At}, above the suggestion, {words} was {value} {unit}, {side} {limit}{recovery}{earlier}."
    ),
    "stop-limit-below-suggestion": "{At}, below the suggestion, {words} was {value} {unit}, {side} {limit}{earlier}.",
    "stop-limit-met": "{At} {words} was {value} {unit} in this trial, {side} {limit}.",
    "worse-than-best": (
        "At the suggested {suggested_cmh2o} cmH2O {words} was {value} {unit}, against {best} at PEEP "
        "{best_peep_cmh2o} cmH2O: clearly worse than at the best step of this trial."
    ),
    "condition-unjudged": (
        "The record names a condition that no code here places: {words}. It may say anything, a contraindication "
        "included: read it first."
    ),
    "condition-not-read": (
        "Conditions of the record were not read: a pneumothorax would not be seen, nor anything else that they say."
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
