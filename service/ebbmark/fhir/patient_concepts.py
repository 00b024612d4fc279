"""Own codes for the patient beside the curve: parts of a step, and findings of the checks before a number."""

from __future__ import annotations

__all__ = ["PATIENT_CONCEPTS"]

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
    ("total-peep-does-not-follow", "Total PEEP does not follow set PEEP", "Air is trapped; the steps were not seen."),
    ("intrinsic-peep", "Intrinsic PEEP", "Total PEEP lies above set PEEP."),
    ("measured-peep-off", "Measured PEEP off its setting", "Measured PEEP does not agree with set PEEP."),
    ("compliance-came-back", "Compliance came back", "Compliance returned below the step named as closing."),
    ("compliance-rose-below-closing", "Compliance rose below closing", "It rose again without reaching its best."),
    ("position-changed-in-trial", "Position changed during the trial", "The steps belong to two different lungs."),
    ("done-prone", "Trial done in prone position", "Its result holds for that position."),
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
