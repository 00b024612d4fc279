"""The results in one or two plain sentences each, made last, from values that are decided."""

from __future__ import annotations

import re

from ebbmark.fhir.answer import FRACTION, PRESSURE, VOLUME_PER_WEIGHT, Rule, in_words
from ebbmark.fhir.operations import CHOICE_REASONS
from ebbmark.fhir.reading.patient import Person
from ebbmark.fhir.reading.read import Request
from ebbmark.physiology.advice.advice import WhatIf
from ebbmark.physiology.closing.estimate import Closing, Verdict
from ebbmark.physiology.formulas.body import Sex
from ebbmark.physiology.protocols import Protocol
from ebbmark.physiology.stop.limits import StopLimits
from ebbmark.physiology.trial.reading import Trial
from ebbmark.words.messages import say, spell
from ebbmark.words.numbers import interval, level, percent

__all__ = [
    "chosen_sentence",
    "closing_method",
    "closing_sentence",
    "curve_sentence",
    "first_sentence",
    "limits_rule",
    "protocol_rule",
    "protocol_sentence",
    "suggestion_method",
    "weight_method",
    "weight_sentence",
    "what_if_sentence",
]

# Source of the formula: ARDS Network, N Engl J Med 2000;342:1301-8.
_WEIGHT_METHOD = {
    Sex.FEMALE: "ARDS Network formula, female form: 45.5 + 0.91 × (height in cm − 152.4)",
    Sex.MALE: "ARDS Network formula, male form: 50 + 0.91 × (height in cm − 152.4)",
}


def weight_method(sex: Sex) -> str:
    """Name the formula of predicted body weight and its form."""
    return _WEIGHT_METHOD[sex]


def weight_sentence(person: Person) -> str:
    """Say which height and which statement of sex went into the formula."""
    sentence = f"From a height of {person.height_cm:.4g} cm; form of the formula: {person.sex_origin.rstrip('.')}."
    return f"{sentence} {person.height_note}" if person.height_note else sentence


def closing_method(protocol: Protocol) -> str:
    """Say how closing is told from noise."""
    return (
        "Probability over the steps of the decremental limb that true compliance fell by at least "
        f"{100 * protocol.fall:g} % below its maximum so far and did not recover at the next step; "
        f"protocol {protocol.slug} version {protocol.version}"
    )


def suggestion_method(protocol: Protocol) -> str:
    """Say how the suggested PEEP follows from the closing pressure."""
    return (
        f"Closing pressure plus {in_words(protocol.margin_cmh2o, PRESSURE)}, within the limits and the tested range; "
        f"protocol {protocol.slug} version {protocol.version}"
    )


def closing_sentence(closing: Closing) -> str:
    """Say the verdict, its probability and how far it can be trusted."""
    evidence = f"the evidence is {closing.evidence.value}"
    probability = f"probability {percent(closing.probability)}"
    if closing.verdict is Verdict.FOUND and closing.peep_cmh2o is not None:
        low, high = closing.interval_cmh2o or (closing.peep_cmh2o, closing.peep_cmh2o)
        shape = f", the fall {closing.shape.value}" if closing.shape else ""
        at = "at the last step tested," if closing.peep_cmh2o == closing.steps[-1].peep_cmh2o else "for good at"
        return (
            f"Going down, compliance began to fall {at} PEEP {in_words(closing.peep_cmh2o, PRESSURE)} "
            f"(90 % interval: {interval(low, high)}). Closing was reached at one of the steps tested with "
            f"{probability}; {evidence}{shape}."
        )
    if closing.verdict is Verdict.NOT_REACHED:
        return (
            "Compliance did not fall for good down to the lowest step tested: closing was not reached in this trial "
            f"({probability}; {evidence})."
        )
    if closing.verdict is Verdict.FALLING_FROM_FIRST_STEP:
        return (
            "Compliance fell from the first step on: closing lies at or above the highest step tested, so no closing "
            f"pressure is given ({probability}; {evidence})."
        )
    return f"No statement about closing can be made: {spell(closing.why).rstrip('.')}."


def curve_sentence(trial: Trial) -> str:
    """Say what the curve is made of."""
    return (
        f"{len(trial.steps)} steps of falling PEEP from {in_words(trial.steps[0].peep_cmh2o, PRESSURE)} to "
        f"{in_words(trial.steps[-1].peep_cmh2o, PRESSURE)}; all compliances of one kind ({trial.kind.slug})."
    )


def what_if_sentence(row: WhatIf) -> str:
    """Say what this margin would mean for the limits."""
    if not row.tested:
        return f"PEEP {in_words(row.peep_cmh2o, PRESSURE)} lies outside the tested range, so nothing is expected of it."
    if row.limits_exceeded:
        return " ".join(f"{sentence.rstrip('.')}." for sentence in row.limits_exceeded)
    if row.tidal_volume is None:
        return "The plateau there is not known, so whether its limits are kept is not known either."
    return f"At {in_words(row.tidal_volume.ml_per_kg, VOLUME_PER_WEIGHT)} no limit of the protocol is exceeded."


def chosen_sentence(row: WhatIf, suggested_cmh2o: float | None, because: str) -> str:
    """Say which PEEP the clinician chose, why, and what is expected there.

    Args:
        row: what is expected at that PEEP.
        suggested_cmh2o: None where none was suggested.
        because: code of the reason.
    """
    suggested = "chosen-none-suggested" if suggested_cmh2o is None else "chosen-suggested"
    beside = say(f"titration.{suggested}", peep_cmh2o=level(suggested_cmh2o or 0.0))
    peep, reason = level(row.peep_cmh2o), CHOICE_REASONS[because]
    said = [say("titration.chosen", peep_cmh2o=peep, suggested=beside, reason=reason)]
    if row.tested and row.compliance_ml_per_cmh2o is None:
        said += [say("titration.chosen-unread"), *row.limits_exceeded]
        return " ".join(said)
    volume, driving, plateau = row.tidal_volume, row.driving_pressure_cmh2o, row.plateau_cmh2o
    if volume is not None and driving is not None and plateau is not None:
        expected = {"ml_per_kg": f"{volume.ml_per_kg:g}", "volume_ml": f"{volume.volume_ml:.0f}"}
        pressures = {"driving": f"{driving:.0f}", "plateau": f"{plateau:.0f}"}
        said.append(say("titration.suggested-expected", **expected, **pressures))
    return " ".join((*said, what_if_sentence(row)))


def protocol_rule(protocol: Protocol) -> Rule:
    """How the rules of a titration are named."""
    values = f"fall {in_words(protocol.fall, FRACTION)}, margin {in_words(protocol.margin_cmh2o, PRESSURE)}"
    return Rule(protocol.slug, protocol.version, protocol.title, protocol.citation, values)


def limits_rule(limits: StopLimits) -> tuple[Rule, ...]:
    """How a site's own stop limits are named; none where nobody has signed any."""
    return (Rule("stop-limits", limits.version, "Stop limits", spell(limits.signature)),) if limits.signed else ()


def protocol_sentence(request: Request) -> str:
    """Name the rules and where they come from."""
    return protocol_rule(request.protocol).sentence


def first_sentence(text: str) -> tuple[str, str]:
    """The first sentence, and what follows it; a full stop within a number or before a small letter ends none."""
    first, *rest = re.split(r"(?<=[.?]) (?=[A-Z])", text, maxsplit=1)
    return first, rest[0] if rest else ""
