"""Codes of our own, where no standard code was found: one table, published as a FHIR CodeSystem.

The addresses end in `.example` on purpose: that top-level domain is reserved (RFC 2606), so they name things and
lead nowhere. A site that publishes these definitions keeps the identifiers as they are.
"""

from __future__ import annotations

from dataclasses import dataclass

from ebbmark import __version__
from ebbmark.fhir.naming import BASE, CODE_SYSTEM
from ebbmark.physiology.after.measures import Measure
from ebbmark.physiology.before.risk_concepts import RISK_CONCEPTS
from ebbmark.words.messages import ENGLISH

__all__ = [
    "BASE",
    "CHOICE_REASONS",
    "CODE_SYSTEM",
    "CONCEPTS",
    "DEFINITIONS_DATE",
    "OVERRIDE_REASONS",
    "TOPIC",
    "Concept",
    "code_system",
]


# ruff: noqa: E501


def _capital(words: str) -> str:
    return words[0].upper() + words[1:]


# fmt: off
BEDSIDE_CONCEPTS: tuple[tuple[str, str, str], ...] = (
    # Before: is there reason for a trial?
    ("candidate-assessment", "Assessment before a PEEP trial", "What speaks for and against a trial, as far as it is documented."),
    ("contraindicated", "Contraindicated", "A contraindication to raising PEEP is documented."),
    ("high-risk", "High risk", "A high-risk condition is documented or shows in the readings."),
    ("cannot-judge", "Cannot be judged", "There is not enough to judge."),
    ("no-reason-found", "No reason found", "No reason for a trial was found in the readings."),
    ("nothing-documented-against", "Nothing documented against it", "Nothing that speaks against a trial is documented, which is not the same as nothing being there."),
    ("ards-severity", "Severity of ARDS by oxygenation", "Class by one published definition and one ratio; the definition's other criteria are not among the readings."),
    ("ards-severe", "Severe", "Severe by oxygenation."),
    ("ards-moderate", "Moderate", "Moderate by oxygenation."),
    ("ards-mild", "Mild", "Mild by oxygenation."),
    ("ards-above-threshold", "Better than any class", "Oxygenation is better than any class of ARDS."),
    ("ards-not-classified", "Not classified", "Not classified, since PEEP is below 5 cmH2O."),
    ("severity-definition", "Definition", "Which published definition was applied."),
    ("berlin-2012", "Berlin definition, 2012", "JAMA 2012;307:2526-33."),
    ("global-2023", "Global definition, 2023", "Am J Respir Crit Care Med 2024;209:37-47."),
    ("pf-ratio", "P/F", "Arterial oxygen partial pressure over inspired oxygen fraction."),
    ("sf-ratio", "S/F", "Oxygen saturation in per cent over inspired oxygen fraction."),
    ("trial-indication", "Reason for a trial", "Whether the readings show a reason for a trial."),
    ("present-state", "Present state", "How many readings of circulation and gas exchange are shown, each with its age in the note."),
    ("lowest-mean-arterial-pressure", "Lowest mean arterial pressure of the last hour", "Shown where it was lower than it is now."),
    ("noradrenaline-equivalent", "Vasopressor dose", "As noradrenaline equivalent, as it was sent or as infusions of noradrenaline and adrenaline show."),
    ("documented-conditions", "Conditions that matter for a trial", "How many of the conditions that are looked for are documented as present, and what the record says of each; one that is not documented is which does not mean absent."),
    ("present", "Documented as present", "The record says that it is there."),
    ("refuted", "Documented as refuted", "The record says that it is not there."),
    ("contradictory", "Contradictory", "The record says both; it counts as present."),
    ("not-documented", "Not documented", "The record says nothing; that does not mean absent."),
    *((concept.slug, _capital(concept.words), f"{concept.says} Source: {concept.citation}.") for concept in RISK_CONCEPTS),
    ("gas-in-doubt", "Gas in doubt", "Oxygen tension and saturation of one moment cannot both be true, or a tension is not seen in the living: a slip of the unit is likely."),
    ("condition-not-judged", "Condition that could not be judged", "A Condition that may be there and that this service cannot place: a person has to read it."),
    ("acknowledged", "Acknowledged by a clinician", "A clinician has looked at it and wanted a plan laid out nevertheless."),
    ("vasopressor-not-converted", "Vasopressor that is not converted", "A vasopressor runs whose dose is not known as noradrenaline equivalent, so that the whole dose cannot be judged."),
    ("vasopressor-high", "High vasopressor dose", "The vasopressor dose lies above the threshold that was read."),
    ("arterial-ph-low", "Very low pH", "An extreme value: arterial pH below the threshold that was read."),
    ("arterial-ph-high", "Very high pH", "An extreme value: arterial pH above a threshold of this project."),
    ("arterial-carbon-dioxide-high", "Very high arterial carbon dioxide", "An extreme value: PaCO2 above a threshold of this project."),
    ("predicted-body-weight-low", "Low predicted body weight", "Predicted body weight lies below what a trial included."),
    ("age-low", "Age below that of adults", "All of this is for adults."),
    ("age-high", "High age", "Age lies above what a trial included."),
    ("body-mass-index-high", "High body mass index", "Body mass index lies above what a trial included."),
    # Before: the plan
    ("ventilator-settings", "Ventilator settings of one step", "Settings that a plan names for one step; a plan, never an order."),
    ("pressure-above-peep", "Inspiratory pressure above PEEP", "Inspiratory pressure set above PEEP."),
    ("planned-peak-pressure", "Resulting end-inspiratory pressure", "Set PEEP plus the inspiratory pressure above it, without what flow takes in resistance."),
    ("expected-peak-pressure", "Expected peak pressure", "Resulting end-inspiratory pressure and what flow takes in resistance now; left out where that is not known."),
    ("expected-tidal-volume", "Expected tidal volume", "If compliance stayed as it is now; for the last step, the volume to return to."),
    ("phase-before", "Before the trial", "The state to compare with afterwards."),
    ("phase-up", "Way up", "PEEP raised within the plateau limit."),
    ("phase-recruitment", "Recruitment", "High-pressure recruitment, only on explicit choice."),
    ("phase-descent", "Way down", "PEEP lowered step by step."),
    ("phase-re-opening", "Re-opening", "The highest step once more, where the chosen protocol says so."),
    ("phase-set", "Setting", "PEEP and tidal volume set after the trial."),
    # During
    ("next-step", "What the trial so far allows", "Whether to go on, read again or stop lowering; never a prompt to raise pressure."),
    ("stop-criterion-met", "Stop criterion met", "A reading lies beyond a stop limit."),
    ("read-again", "Read once more", "One more reading at this PEEP would settle more than a lower step."),
    ("lower", "Go on lowering", "The next step of the staircase would still tell something about closing."),
    ("closing-passed", "Closing has been passed", "Lower steps would add little about closing; what follows is a setting."),
    ("look-first", "Look first", "Compliance fell far, or a reading asks for a look at the patient or the circuit, before PEEP is lowered any further."),
    ("measure-first", "Measure first", "A vital sign that has a stop limit was not sent since the trial began, so that a lower PEEP cannot be judged."),
    ("lowest-reached", "Lowest step reached", "The staircase ends here and closing cannot be called."),
    ("not-started", "Not started", "No step of falling PEEP has a settled reading yet."),
    ("trial-ended", "Trial has ended", "A whole trial was read, and PEEP is no longer on its way down."),
    ("next-peep", "Next PEEP of the staircase", "The next level of the staircase, or the present one to read again."),
    ("closing-passed-probability", "Probability that closing has been passed", "From this step and all before it."),
    ("lowering-is-useful", "Lowering is still useful", "Whether a lower step could still tell something about closing."),
    ("running-step", "Step of a trial in progress", "One step of the way down as it stands."),
    ("stop-criteria", "Stop criteria", "What the readings since the trial began say of each stop criterion."),
    ("criterion-met", "Met", "At least one reading lies beyond the limit."),
    ("criterion-held", "Not met", "No reading lies beyond the limit."),
    ("criterion-not-checked", "Not checked", "No limit was signed, or no reading was sent that is usable and recent enough."),
    ("spo2-low", "Low oxygen saturation", "Oxygen saturation below its limit."),
    ("mean-arterial-pressure-low", "Low mean arterial pressure", "Mean arterial pressure below its limit."),
    ("systolic-arterial-pressure-low", "Low systolic arterial pressure", "Systolic arterial pressure below its limit."),
    ("mean-arterial-pressure-fell", "Fall of mean arterial pressure", "Mean arterial pressure fell by more than its limit."),
    ("heart-rate-low", "Low heart rate", "Heart rate below its limit."),
    ("heart-rate-high", "High heart rate", "Heart rate above its limit."),
    ("peak-pressure-high", "High peak pressure", "Peak pressure above its limit."),
    ("volume-lost", "Sudden loss of expired volume", "Expired volume fell below the usual one by more than its limit."),
    ("air-leak-pattern", "Pattern of an air leak", "Expired volume lies below the inspired one by more than its limit."),
    ("heart-rhythm-new", "New heart rhythm", "A heart rhythm that was not there before the trial and that the site signed as one that stops it."),
    # After
    *((f"change-of-{measure.slug}", f"Change of {ENGLISH[f'measure.{measure.slug}']}", f"{_capital(ENGLISH[f'measure.{measure.slug}'])} before the trial and at the new settings, with what its readings wander by themselves.") for measure in Measure),
    ("value-before", "Before", "Middle value of the time before the trial."),
    ("value-after", "After", "Middle value of the time at the new settings."),
    ("difference", "Difference", "After less before."),
    ("noise-band", "Measurement noise", "Half-width of the band in which a difference of nothing but noise lies 19 times out of 20."),
    ("improved", "Improved", "Changed for the better by more than noise."),
    ("worse", "Worse", "Changed for the worse by more than noise."),
    ("changed", "Changed", "Changed by more than noise; whether that is better depends on its cause."),
    ("within-measurement-noise", "Within measurement noise", "Did not change by more than its readings wander."),
    ("not-known", "Not known", "Cannot be said from what was sent."),
    ("limit-plateau", "Plateau pressure within its limit", "Whether plateau pressure keeps to the protocol's limit."),
    ("limit-driving-pressure", "Driving pressure within its limit", "Whether driving pressure keeps to the protocol's limit."),
    ("limit-tidal-volume", "Tidal volume within its limit", "Whether tidal volume per predicted body weight keeps to the protocol's target."),
    ("measured-value", "Measured", "Middle value at the new settings."),
    ("limit-value", "Limit", "Of the protocol."),
    ("shown", "Shown", "The 90 % bands do not touch."),
    ("possible", "Possible", "Seen, but the 90 % bands overlap."),
    ("not-seen", "Not seen", "Not seen in this trial."),
    # Again
    ("titration-may-be-old", "The titration may no longer hold", "Whether something was seen since the titration that makes its answer old; false only says that nothing was seen."),
    ("disconnection-or-suction", "Disconnection or suction", "The circuit seems to have been open since the titration."),
    ("peep-below-suggestion", "PEEP below the suggestion", "PEEP was set below the suggestion since the titration."),
    ("compliance-lost", "Loss of compliance", "Compliance fell since the titration by more than noise."),
    ("oxygenation-lost", "Loss of oxygenation", "Oxygenation fell since the titration by more than noise."),
    ("arterial-pressure-fell", "Fall of arterial pressure", "Arterial pressure fell since the trial began by more than noise, or lies below its limit."),
    ("position-changed", "Change of position", "A change of position was charted since the titration."),
    ("mode-changed", "Change of ventilator mode", "A change of ventilator mode was charted since the titration."),
    ("transport", "Transport", "The patient was moved since the titration."),
    ("patient-triggers", "The patient triggers breaths", "Mechanics hold for a passive patient only and cannot be compared."),
    ("end-tidal-lost", "End-tidal carbon dioxide vanished", "The gas does not come from a perfused lung now."),
    ("peep-lowered-again", "PEEP is being lowered again", "Another trial seems to be in progress."),
    ("air-trapped", "Air is trapped", "Intrinsic PEEP is high now."),
    ("standing-pneumothorax", "A pneumothorax stands in the record", "Coded as present and not as drained."),
    # More than one trial
    ("trial-in-record", "One trial of the record", "Closing pressure of one trial, with its uncertainty."),
    ("peep-suggested-then", "PEEP suggested from this trial", "Closing pressure of that trial plus the margin."),
    ("compliance-at-suggestion", "Compliance at the suggested PEEP", "Expected true compliance at the step of the suggested PEEP."),
    ("change-between-trials", "One trial against the one before it", "Whether closing lies higher or lower than in the trial before, beyond noise."),
    ("probability-higher", "Probability of a higher closing pressure", "That the later closing pressure lies above the earlier."),
    ("probability-same", "Probability of the same closing pressure", "That both lie at the same step."),
    ("probability-lower", "Probability of a lower closing pressure", "That the later closing pressure lies below the earlier."),
    ("compliance-shift", "Change of compliance at the suggested PEEP", "Whether compliance there changed by more than noise."),
    ("higher", "Higher", "Higher by more than noise."),
    ("lower-than-before", "Lower", "Lower by more than noise."),
    ("within-noise", "Within noise", "No more than noise."),
    ("not-comparable", "Not comparable", "The two cannot be compared."),
    # Other markers
    ("markers-agree", "Other markers agree", "Whether the closing levels of independent measurements lie within one step of each other."),
    ("marker-spo2-fall-1", "SpO2 fall by 1 %", "Level at which SpO2 has fallen by 1 % from its maximum."),
    ("marker-spo2-fall-2", "SpO2 fall by 2 %", "Level at which SpO2 has fallen by 2 % from its maximum."),
    ("marker-pao2-fall", "PaO2 fall", "Level from which on PaO2 lies below its maximum by more than noise."),
    ("marker-paco2-rise", "PaCO2 rise", "Level from which on PaCO2 lies above its minimum by more than noise."),
    ("marker-driving-pressure-rise", "Driving pressure rise", "Level from which on driving pressure at constant volume lies above its minimum by more than noise."),
    ("marker-best-compliance", "Highest compliance", "Level of highest compliance: a best level, not a closing level."),
    ("marker-meaning", "Meaning of the level", "Whether the marker names a closing level or a best level; the two are never mixed."),
    ("closing", "Closing level", "First level that is worse."),
    ("best", "Best level", "Level at which something is best."),
    ("recruitment-to-inflation", "Recruitment-to-inflation ratio", "How much of the lung one release of PEEP showed to open over its range, per cmH2O, over what inflation explains; it names no pressure."),
    ("recruited-volume", "Recruited volume", "Volume beyond what inflation at low PEEP explains."),
    ("table-lower-peep", "Lower PEEP / higher FiO2 table", "PEEP that this published table would set for the FiO2 in use."),
    ("table-higher-peep", "Higher PEEP / lower FiO2 table", "PEEP that this published table would set for the FiO2 in use."),
    ("table-fio2", "FiO2 looked up", "Inspired oxygen fraction in use."),
    ("table-peep-low", "Lowest PEEP of the table", "At this FiO2."),
    ("table-peep-high", "Highest PEEP of the table", "At this FiO2."),
)
# fmt: on
"""Code, display and definition."""


TOPIC = (
    "topic-peep-titration",
    "PEEP titration",
    "Reading of a decremental PEEP trial, and what follows for PEEP and tidal volume.",
)
"""What every card is about: code, display, definition."""

OVERRIDE_REASONS: tuple[tuple[str, str, str], ...] = (
    (
        "not-now-unstable",
        "Not now: the patient is not stable enough for a change",
        "The person decided against a change for now, for the patient's state.",
    ),
    (
        "other-peep-chosen",
        "Another PEEP was chosen for clinical reasons",
        "The person weighed other findings and chose another PEEP.",
    ),
    (
        "trial-not-representative",
        "The trial does not describe this lung (disconnection, secretions, effort)",
        "The person holds that the trial was disturbed or is out of date.",
    ),
    ("data-not-right", "Some of the data are not right", "The person holds that readings, height or sex are wrong."),
    ("done-already", "Done already", "What the card suggests was done before it was shown."),
    (
        "not-for-this-patient",
        "Goals of care: not for this patient",
        "The person decided that the suggestion does not fit the goals of care.",
    ),
)
"""Reasons a person may give for not following a card: code, display, definition. This project's own choice."""

CHOICE_REASONS: dict[str, str] = {
    "oxygenation": "Oxygenation asks for another PEEP",
    "circulation": "Circulation asks for another PEEP",
    "pleural-pressure": "Pleural pressure is high (chest wall, abdomen)",
    "loss-expected": "PEEP may be lost (transport, suction)",
    "not-representative": "The trial does not describe this lung",
    "local-protocol": "Local protocol sets this PEEP",
}
"""Why a clinician chooses another PEEP than the suggested one: code and display. This project's own choice."""

HOOKS_CONCEPTS = (TOPIC, *OVERRIDE_REASONS)


# fmt: off
PATIENT_CONCEPTS: tuple[tuple[str, str, str], ...] = (
    ("total-peep", "Total PEEP of the step", "Set plus intrinsic PEEP, or total PEEP as charted."),
    ("least-saturation", "Lowest SpO2 of the step", "Lowest settled value between two changes of PEEP."),
    ("least-mean-arterial-pressure", "Lowest mean arterial pressure of the step",
     "Lowest settled value between two changes of PEEP."),
    ("least-systolic-arterial-pressure", "Lowest systolic arterial pressure of the step",
     "Lowest settled value between two changes of PEEP."),
    ("greatest-heart-rate", "Highest heart rate of the step", "Highest settled value between two changes of PEEP."),
    ("oldest-vital-sign-age", "Age of the oldest vital sign of the step",
     "How long before the last reading of the step the oldest of its last vital signs was taken."),
    ("circuit-opened", "Circuit opened at or above closing", "The steps below an open circuit belong to another lung."),
    ("carbon-dioxide-lost", "End-tidal carbon dioxide lost", "It vanished at a step: tube, circuit or circulation."),
    ("pressure-support", "Pressure support during the trial", "The patient triggered the breaths."),
    ("rate-above-set", "Measured above set rate", "The patient triggers breaths."),
    ("spontaneous-rate", "Spontaneous breaths", "Spontaneous breaths were charted during the trial."),
    ("sudden-fall", "Sudden fall of compliance", "Compliance fell by more in one step than closing usually takes."),
    ("pressure-rises-as-peep-falls", "Pressure rises as PEEP falls", "Plateau or peak rose although PEEP was lowered."),
    ("leak-began", "Leak that began during the trial", "Expired fell short of inspired volume from one step on."),
    ("leak-large", "Large leak", "Expired volume was far below inspired volume throughout."),
    ("stop-limit-since-trial", "Stop limit met since the trial", "A vital sign after the trial passes its stop limit."),
    ("impossible-plateaus", "Plateaus above peak", "Plateau pressure lay above peak pressure where the curve is read."),
    ("leak-throughout", "Large leak at all steps", "Expired volume was far below what was given at every step."),
    ("clocks-differ", "Clocks that differ", "Measured PEEP follows or precedes its setting at most steps."),
    ("leak-at-best", "Leak where compliance may be best",
     "Expired fell short of inspired volume at a step that may be the best of the curve, and not below."),
    ("leak-at-steps", "Leak at some steps", "Expired fell short of inspired volume at steps at or above closing."),
    ("died-before-trial", "Died before the trial ended", "By the record, before the last reading."),
    ("patient-died", "Patient has died", "By the record the patient has died; no setting follows."),
    ("trial-old", "Trial of more than 12 hours ago", "As of the request; the lung may have changed since."),
    ("trial-very-old", "Trial of more than 24 hours ago", "As of the request; not to be used by itself."),
    ("patient-inactive", "Patient marked inactive", "The record no longer uses this Patient."),
    ("vasopressor-raised", "Vasopressor begun or raised during the trial",
     "Arterial pressures from there on say less of how PEEP was tolerated."),
    ("fall-with-vital-signs", "Vital signs fell with compliance",
     "Saturation or blood pressure fell at a step at which compliance fell far."),
    ("oxygen-raised", "FiO2 raised during the trial", "Saturations of the lower steps hide what was lost there."),
    ("blood-pressure-doubtful", "Doubtful blood pressure", "A single impossible value between possible ones."),
    ("stop-limit-in-trial", "Stop limit met in a trial without a number",
     "A vital sign was beyond its stop limit at a step, and no PEEP is suggested."),
    ("condition-unjudged", "Condition that may be one that is looked for", "Its code or words leave that open."),
    ("condition-not-placed", "Condition that no code places", "What it says is not known here."),
    ("condition-pneumothorax-named", "Pneumothorax in words", "Words of the record name one, and no code places them."),
    ("total-peep-does-not-follow", "Total PEEP does not follow set PEEP", "Air is trapped; the steps were not seen."),
    ("intrinsic-peep", "Intrinsic PEEP", "Total PEEP lies above set PEEP."),
    ("measured-peep-off", "Measured PEEP off its setting", "Measured PEEP does not agree with set PEEP."),
    ("compliance-came-back", "Compliance came back", "Compliance returned below the step named as closing."),
    ("compliance-rose-below-closing", "Compliance rose below closing", "It rose again without reaching its best."),
    ("position-changed-in-trial", "Position changed during the trial", "The steps belong to two different lungs."),
    ("prone-since-when", "Since when prone is not known", "First charted while PEEP was lowered."),
    ("lung-lost-since", "Compliance fell since the trial", "By more than closing takes: the patient is looked at first."),
    ("end-tidal-lost-since", "End-tidal carbon dioxide vanished since the trial", "Tube, circuit or circulation."),
    ("air-trapped-since", "Air trapped since the trial", "Intrinsic PEEP is high now."),
    ("open-circuit-since", "The circuit is open", "Measured PEEP is about zero, or the volume gone, at the latest reading."),
    ("opened-circuit-since", "The circuit was open since the trial", "The lung may have lost volume."),
    ("lowered-again-since", "PEEP is being lowered again", "Another trial seems to be in progress."),
    ("effort-since-trial", "The patient triggers breaths since the trial", "Its result is of a passive patient."),
    ("oxygen-need-since-trial", "Oxygen need rose since the trial", "FiO2 was raised and saturation did not rise with it."),
    ("position-changed-since", "Position changed since the trial", "The result is of another position."),
    ("done-prone", "Trial done in prone position", "Its result holds for that position."),
    ("mode-changed-since", "Ventilator mode changed since the trial", "The result is of another mode."),
    ("mode-spontaneous", "Mode of spontaneous breathing", "The patient triggers or breathes in the charted mode."),
    ("mode-with-spontaneous-breaths", "Mode with spontaneous breaths",
     "The charted mode gives breaths and leaves room for the patient's own."),
    ("mode-changed-in-trial", "Ventilator mode changed during the trial", "The steps cannot be compared."),
    ("tidal-volume-changed", "Set tidal volume changed during the trial", "Part of the curve comes from the volume."),
    ("oxygen-changed", "FiO2 changed during the trial", "Saturations of the steps cannot be compared."),
    ("resistive-pressure-rose", "Resistive pressure rose", "Peak less plateau pressure rose along the trial."),
    ("stop-limit-at-suggestion", "Stop limit met at the suggestion",
     "A vital sign was beyond its stop limit at the PEEP that closing and margin give."),
    ("stop-limit-above-suggestion", "Stop limit met above the suggestion",
     "A vital sign was beyond its stop limit at a higher PEEP of this trial."),
    ("stop-limit-below-suggestion", "Stop limit met below the suggestion",
     "A vital sign was beyond its stop limit at a lower PEEP of this trial."),
    ("stop-limit-met", "Stop limit met during the trial", "A vital sign was beyond its stop limit at a step."),
    ("worse-than-best", "Clearly worse than at the best step",
     "Saturation or blood pressure was clearly worse at the suggestion than at the best step."),
    ("vital-signs-not-charted", "Vital signs not charted", "It is not known how the suggestion was tolerated."),
    ("vital-signs-outside-limb", "Vital signs charted outside the trial",
     "They were charted, but at no step of the trial."),
)
# fmt: on
"""Code, display and definition of each."""


DEFINITIONS_DATE = "2026-11-25"
"""When the published definitions last changed."""


@dataclass(frozen=True, slots=True)
class Concept:
    """One row: stable code, what people read, and what exactly it means."""

    code: str
    display: str
    definition: str


CONCEPTS: tuple[Concept, ...] = (
    # Results
    Concept(
        "compliance-curve",
        "Compliance along the PEEP trial",
        "Group of the steps of one decremental limb, highest PEEP first.",
    ),
    Concept(
        "peep-trial-step",
        "Step of a PEEP trial",
        "Medians of the settled readings while set PEEP stood still, with the probability that closing started here.",
    ),
    Concept(
        "closing-pressure",
        "Closing pressure",
        "Set PEEP of the first step, going down, at which the true compliance has fallen by the "
        "protocol's fraction below its maximum on the limb so far and does not recover.",
    ),
    Concept(
        "suggested-peep",
        "Suggested PEEP",
        "Closing pressure plus the protocol's margin, within the limits and the tested range. A "
        "suggestion, never a setting.",
    ),
    Concept(
        "chosen-peep",
        "PEEP chosen by the clinician",
        "A PEEP that the person who records chose instead of the suggested one, with the reason and what is expected there. A choice on record, never a setting.",
    ),
    Concept(
        "peep-what-if",
        "What one margin would mean",
        "Expected mechanics at the closing pressure plus one margin, at the target tidal volume.",
    ),
    Concept(
        "tidal-volume-target",
        "Tidal volume target",
        "Tidal volume that the protocol aims at for this predicted body weight.",
    ),
    Concept(
        "peep-trial-report",
        "Report on a PEEP trial",
        "One page with the results of one decremental limb, as they were recorded; preliminary until a clinician has "
        "signed it.",
    ),
    Concept(
        "write-back",
        "What became of the write-back",
        "An issue about the delivery of the answer to the record; no part of the answer.",
    ),
    # Components of results
    Concept(
        "tidal-volume-at-4-ml-per-kg",
        "Tidal volume at 4 mL/kg",
        "Four millilitres per kilogram of predicted body weight.",
    ),
    Concept(
        "tidal-volume-at-5-ml-per-kg",
        "Tidal volume at 5 mL/kg",
        "Five millilitres per kilogram of predicted body weight.",
    ),
    Concept(
        "tidal-volume-at-6-ml-per-kg",
        "Tidal volume at 6 mL/kg",
        "Six millilitres per kilogram of predicted body weight.",
    ),
    Concept(
        "tidal-volume-at-7-ml-per-kg",
        "Tidal volume at 7 mL/kg",
        "Seven millilitres per kilogram of predicted body weight.",
    ),
    Concept(
        "tidal-volume-at-8-ml-per-kg",
        "Tidal volume at 8 mL/kg",
        "Eight millilitres per kilogram of predicted body weight.",
    ),
    Concept(
        "tidal-volume-per-predicted-weight",
        "Tidal volume per predicted body weight",
        "The rung of the ladder, in millilitres per kilogram of predicted body weight.",
    ),
    Concept(
        "compliance-kind",
        "Kind of compliance",
        "How the compliances of the curve were obtained; never mixed along one curve.",
    ),
    Concept(
        "peep-source",
        "Source of PEEP",
        "Whether the steps rest on set or on measured PEEP.",
    ),
    Concept(
        "readings-used",
        "Readings used",
        "Number of settled compliances that the step rests on.",
    ),
    Concept(
        "closing-probability",
        "Probability that closing started here",
        "Probability that this step is the closing pressure.",
    ),
    Concept(
        "fitted-compliance",
        "Fitted compliance",
        "Expected true compliance of the step given all steps.",
    ),
    Concept(
        "fitted-compliance-low",
        "Fitted compliance, lower bound",
        "Lower bound of the 90 % band of the true compliance.",
    ),
    Concept(
        "fitted-compliance-high",
        "Fitted compliance, upper bound",
        "Upper bound of the 90 % band of the true compliance.",
    ),
    Concept(
        "closing-verdict",
        "Verdict",
        "What the trial says about closing.",
    ),
    Concept(
        "verdict-probability",
        "Probability of the verdict",
        "For found: that closing was reached at one of the steps. For indeterminate: the largest single "
        "probability that there was.",
    ),
    Concept(
        "not-reached-probability",
        "Probability that closing was not reached",
        "Probability that compliance never fell for good in this trial.",
    ),
    Concept(
        "falling-from-first-step-probability",
        "Probability of falling from the first step",
        "Probability that compliance fell from the first step on.",
    ),
    Concept(
        "interval-low",
        "Closing pressure, lower bound",
        "Lower bound of the 90 % interval of the closing pressure, given that there is one.",
    ),
    Concept(
        "interval-high",
        "Closing pressure, upper bound",
        "Upper bound of the 90 % interval of the closing pressure, given that there is one.",
    ),
    Concept(
        "closing-evidence",
        "Strength of the evidence",
        "Strength of the evidence for the verdict, in words with a fixed rule.",
    ),
    Concept(
        "closing-shape",
        "Shape of the fall",
        "How compliance fell once it fell.",
    ),
    Concept(
        "fall-threshold",
        "Fall that counts as closing",
        "Relative fall of compliance below its maximum so far that counts as closing.",
    ),
    Concept(
        "margin",
        "Margin",
        "Pressure added above the closing pressure.",
    ),
    Concept(
        "what-if-peep",
        "PEEP at this margin",
        "Closing pressure plus the margin; a calculation, never a setting.",
    ),
    Concept(
        "within-tested-range",
        "Within the tested range",
        "Whether this PEEP lies within the steps that were tested.",
    ),
    Concept(
        "expected-compliance",
        "Expected compliance",
        "Expected true compliance at this PEEP, from the fitted curve.",
    ),
    Concept(
        "margin-used",
        "Margin used",
        "What was added to the closing pressure: the margin, or more, up to the last step before the fall.",
    ),
    Concept(
        "expected-total-peep",
        "Expected total PEEP",
        "That PEEP plus the intrinsic PEEP that was seen at the nearest steps, where it was measured.",
    ),
    Concept(
        "expected-driving-pressure",
        "Expected driving pressure",
        "Tidal volume over the expected compliance.",
    ),
    Concept(
        "expected-plateau-pressure",
        "Expected plateau pressure",
        "PEEP plus the expected driving pressure.",
    ),
    Concept(
        "expected-mechanical-power",
        "Expected mechanical power",
        "Expected mechanical power at this PEEP and tidal volume.",
    ),
    Concept(
        "tidal-volume-used",
        "Tidal volume used",
        "Tidal volume that the expectations rest on: the target, or a lower rung that keeps the plateau "
        "pressure within its limit.",
    ),
    # Verdicts, evidence, shape
    Concept(
        "found",
        "Closing pressure found",
        "Compliance fell for good at one of the steps.",
    ),
    Concept(
        "not-reached",
        "Closing not reached",
        "Compliance did not fall for good in this trial.",
    ),
    Concept(
        "falling-from-first-step",
        "Falling from the first step",
        "Compliance fell from the first step on: closing lies at or above the highest step.",
    ),
    Concept(
        "indeterminate",
        "Indeterminate",
        "The data support no statement; the note says why.",
    ),
    Concept(
        "strong",
        "Strong evidence",
        "The evidence for the verdict is strong.",
    ),
    Concept(
        "moderate",
        "Moderate evidence",
        "The evidence for the verdict is moderate.",
    ),
    Concept(
        "weak",
        "Weak evidence",
        "The evidence for the verdict is weak.",
    ),
    Concept(
        "abrupt",
        "Abrupt fall",
        "Compliance fell abruptly once it fell.",
    ),
    Concept(
        "gradual",
        "Gradual fall",
        "Compliance fell gradually once it fell.",
    ),
    # Kinds of compliance, sources of PEEP
    Concept(
        "static-computed",
        "Static, computed",
        "Tidal volume over plateau pressure less total PEEP.",
    ),
    Concept(
        "static-charted",
        "Static, as charted",
        "Static compliance as it was sent.",
    ),
    Concept(
        "dynamic-computed",
        "Dynamic, computed",
        "Tidal volume over peak pressure less total PEEP.",
    ),
    Concept(
        "dynamic-charted",
        "Dynamic, as charted",
        "Dynamic compliance as it was sent.",
    ),
    Concept(
        "peep-source-set",
        "Set PEEP",
        "The steps rest on set PEEP.",
    ),
    Concept(
        "peep-source-measured",
        "Measured PEEP",
        "The steps rest on measured PEEP, since no setting was sent.",
    ),
    Concept(
        "static-from-charted-driving-pressure",
        "Static, from charted driving pressure",
        "Tidal volume over the driving pressure as it was sent.",
    ),
    Concept(
        "dynamic-from-set-pressure", "Dynamic, from set pressure", "Tidal volume over the set pressure above PEEP."
    ),
    # Cautions about this patient's data
    Concept("disconnection", "Disconnection", "The circuit seems to have been open during the trial."),
    Concept("other-limb", "Other limb", "PEEP fell once more after the trial; the answer names what was read."),
    Concept("short-trial", "Short trial", "PEEP was lowered over fewer steps than the protocol asks for."),
    Concept("unit-slip", "Slip of a unit", "A value under the wrong unit was left out, and not put right."),
    Concept("odd-breath", "One odd breath", "A breath of low volume under an unchanged pressure was left out."),
    Concept("measured-peep-contradicted", "Measured PEEP contradicted", "A full volume of its row contradicts it."),
    Concept("earlier-trial", "Earlier trial", "An earlier trial is not part of the answer."),
    Concept("compliance-as-charted", "Compliance as charted", "How the charted compliance was measured is not known."),
    Concept(
        "plateau-above-peak", "Plateau above peak", "Plateau pressure lies above peak pressure; one of them is wrong."
    ),
    Concept("total-peep-below-set", "Total PEEP below set PEEP", "Total PEEP lies below set PEEP; one is wrong."),
    Concept(
        "charted-driving-pressure-differs",
        "Charted driving pressure differs",
        "A charted driving pressure differs from plateau less total PEEP.",
    ),
    Concept("leak-likely", "Leak likely", "Expired tidal volume is clearly below inspired tidal volume."),
    Concept(
        "unsettled-steps", "Unsettled steps", "All readings of a step were taken while the lung was still settling."
    ),
    Concept(
        "coarse-steps",
        "Coarse steps",
        "The steps are further apart than the margin; the suggestion is the last step before the fall.",
    ),
    Concept(
        "volume-far-from-target",
        "Tidal volume far from target",
        "Compliance was measured at a tidal volume far from the one that pressures are given for.",
    ),
    Concept(
        "closing-at-last-step", "Closing at the last step", "No step below shows that the fall of compliance lasts."
    ),
    Concept("large-drop", "Large drop of PEEP", "Set PEEP fell between two steps by more than a step of a trial does."),
    Concept(
        "step-without-compliance",
        "Step without compliance",
        "A step has no usable compliance and is not part of the curve.",
    ),
    Concept(
        "tidal-volume-varies",
        "Tidal volume varies",
        "Tidal volume differed between the steps, which moves compliance by itself.",
    ),
    Concept(
        "tidal-volume-as-set",
        "Tidal volume as set",
        "Compliance rests on the tidal volume that was set, since none was measured.",
    ),
    Concept(
        "volume-side-not-stated",
        "Side of the tidal volume not stated",
        "It is not known whether the tidal volume was inspired or expired.",
    ),
    Concept(
        "charted-compliance-differs",
        "Charted compliance differs",
        "The compliance that was sent differs from the one computed from the readings.",
    ),
    Concept(
        "driving-pressure-as-charted",
        "Driving pressure as charted",
        "Compliance rests on the driving pressure that was sent.",
    ),
    Concept(
        "intrinsic-peep-partly-known",
        "Intrinsic PEEP partly known",
        "Intrinsic PEEP is known for some of the steps only.",
    ),
    Concept(
        "peep-from-measurement",
        "PEEP from measurement",
        "No PEEP setting was sent; steps were told apart by measured PEEP.",
    ),
    Concept(
        "dynamic-compliance-only",
        "Dynamic compliance only",
        "No plateau pressure was sent; dynamic compliance contains airway resistance.",
    ),
    Concept(
        "total-peep-not-charted",
        "Total PEEP not charted",
        "Total PEEP was not charted; intrinsic PEEP may dilute a fall of compliance.",
    ),
    Concept("single-readings", "Single readings", "Some steps rest on a single reading."),
    Concept(
        "weak-evidence", "Weak evidence for the closing pressure", "The closing pressure is given with weak evidence."
    ),
    Concept(
        "interval-reaches-suggestion",
        "Interval reaches the suggestion",
        "The 90 % interval of the closing pressure reaches the suggested PEEP: part of the lung may be closing there.",
    ),
    Concept(
        "gradual-closing",
        "Gradual closing",
        "Compliance fell gradually, so closing is a range rather than one pressure.",
    ),
    Concept(
        "overdistension-at-top",
        "Overdistension at the top",
        "Compliance rose as PEEP came down from the top: relief of overdistension, not closing.",
    ),
    Concept(
        "height-outside-table",
        "Height outside the published table",
        "The height lies outside the range of the published table of predicted body weight.",
    ),
    Concept(
        "plateau-above-limit",
        "Plateau pressure above the limit",
        "The expected plateau pressure at the suggested PEEP lies above the protocol's limit.",
    ),
    Concept(
        "plateau-above-limit-during-trial",
        "Plateau pressure above the limit during the trial",
        "Plateau pressure was above the protocol's limit at a step of the trial.",
    ),
    Concept(
        "driving-pressure-above-limit",
        "Driving pressure above the limit",
        "The expected driving pressure at the suggested PEEP lies above the protocol's limit.",
    ),
    # Before, during and after a trial
    *(Concept(*row) for row in BEDSIDE_CONCEPTS),
    # The patient beside the curve
    *(Concept(*row) for row in PATIENT_CONCEPTS),
    # Cards in the clinician's workflow
    *(Concept(*row) for row in HOOKS_CONCEPTS),
)
"""In the order of the published CodeSystem."""


def code_system() -> dict[str, object]:
    """FHIR R4 CodeSystem of every code of ours that leaves."""
    return {
        "resourceType": "CodeSystem",
        "id": "ebbmark",
        "url": CODE_SYSTEM,
        "version": __version__,
        "name": "Ebbmark",
        "title": "Ebbmark: results of a PEEP trial for which no standard code was found",
        "status": "active",
        "experimental": False,
        "date": DEFINITIONS_DATE,
        "publisher": "Ebbmark",
        "description": (
            "Results of reading a decremental PEEP trial, their parts, cautions, and the reasons for which an input "
            "did not count. The address is an identifier in a reserved domain and leads nowhere."
        ),
        "caseSensitive": True,
        "content": "complete",
        "count": len(CONCEPTS),
        "concept": [{"code": row.code, "display": row.display, "definition": row.definition} for row in CONCEPTS],
    }
