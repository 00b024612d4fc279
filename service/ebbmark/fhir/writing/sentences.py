"""The results in one or two plain sentences each, made last, from values that are decided."""

from __future__ import annotations

from ebbmark.fhir.answer import FRACTION, PRESSURE, VOLUME_PER_WEIGHT, Rule, in_words
from ebbmark.fhir.operations import CHOICE_REASONS
from ebbmark.fhir.reading.request import Person
from ebbmark.physiology.closing.result import Closing, Verdict
from ebbmark.physiology.mechanics import Sex
from ebbmark.physiology.protocols import Protocol
from ebbmark.physiology.stop.limits import StopLimits
from ebbmark.physiology.trial.steps import Trial
from ebbmark.physiology.what_if import WhatIf
from ebbmark.words.messages import interval, level, percent, say, section, spell

_say = section("result")


def weight_method(sex: Sex) -> str:
    """Name the formula of predicted body weight and its form. Source: ARDS Network, N Engl J Med 2000;342:1301-8."""
    return _say("weight-female" if sex is Sex.FEMALE else "weight-male")


def weight_sentence(person: Person) -> str:
    """Say which height and which statement of sex went into the formula."""
    sentence = _say("height-cm-form", height_cm=f"{person.height_cm:.4g}", sex_origin=person.sex_origin.rstrip("."))
    return f"{sentence} {person.height_note}" if person.height_note else sentence


def closing_method(protocol: Protocol) -> str:
    """Say how closing is told from noise."""
    return _say("probability-over-steps", fall=f"{100 * protocol.fall:g}", slug=protocol.slug, version=protocol.version)


def suggestion_method(protocol: Protocol) -> str:
    """Say how the suggested PEEP follows from the closing pressure."""
    return _say(
        "closing-pressure-plus",
        margin_cmh2o=in_words(protocol.margin_cmh2o, PRESSURE),
        slug=protocol.slug,
        version=protocol.version,
    )


def closing_sentence(closing: Closing) -> str:
    """Say the verdict, its probability and how far it can be trusted."""
    evidence = _say("evidence", value=say(f"strength.{closing.evidence.value}"))
    probability = _say("probability", probability=percent(closing.probability))
    if closing.verdict is Verdict.FOUND and closing.peep_cmh2o is not None:
        low, high = closing.interval_cmh2o or (closing.peep_cmh2o, closing.peep_cmh2o)
        shape = _say("fall", value=say(f"shape.{closing.shape.value}")) if closing.shape else ""
        at = _say("last-step-tested") if closing.peep_cmh2o == closing.steps[-1].peep_cmh2o else _say("good")
        return _say(
            "going-down-compliance",
            at=at,
            peep_cmh2o=in_words(closing.peep_cmh2o, PRESSURE),
            low=interval(low, high),
            probability=probability,
            evidence=evidence,
            shape=shape,
        )
    if closing.verdict is Verdict.NOT_REACHED:
        return _say("compliance-did-not", probability=probability, evidence=evidence)
    if closing.verdict is Verdict.FALLING_FROM_FIRST_STEP:
        return _say("compliance-fell-first", probability=probability, evidence=evidence)
    return _say("no-statement-about", why=spell(closing.why).rstrip("."))


def curve_sentence(trial: Trial) -> str:
    """Say what the curve is made of."""
    return _say(
        "steps-falling-peep",
        count=len(trial.steps),
        peep_cmh2o=in_words(trial.steps[0].peep_cmh2o, PRESSURE),
        peep_cmh2o_2=in_words(trial.steps[-1].peep_cmh2o, PRESSURE),
        slug=trial.kind.slug,
    )


def what_if_sentence(row: WhatIf) -> str:
    """Say what this margin would mean for the limits."""
    if not row.tested:
        return _say("peep-lies-outside", peep_cmh2o=in_words(row.peep_cmh2o, PRESSURE))
    if row.limits_exceeded:
        return " ".join(f"{sentence.rstrip('.')}." for sentence in row.limits_exceeded)
    if row.tidal_volume is None:
        return _say("plateau-there-not")
    return _say("no-limit-protocol", ml_per_kg=in_words(row.tidal_volume.ml_per_kg, VOLUME_PER_WEIGHT))


def chosen_sentence(
    row: WhatIf, suggested_cmh2o: float | None, because: str, *, closing_cmh2o: float | None = None
) -> str:
    """Say which PEEP the clinician chose, why, and what is expected there."""
    suggested = "chosen-none-suggested" if suggested_cmh2o is None else "chosen-suggested"
    beside = say(f"titration.{suggested}", peep_cmh2o=level(suggested_cmh2o or 0.0))
    peep, reason = level(row.peep_cmh2o), CHOICE_REASONS[because]
    said = [say("titration.chosen", peep_cmh2o=peep, suggested=beside, reason=reason)]
    if closing_cmh2o is not None and row.peep_cmh2o <= closing_cmh2o:
        said.append(say("titration.chosen-not-above-closing", closing=level(closing_cmh2o)))
    if not row.tested:
        return " ".join((*said, say("titration.chosen-outside")))
    if row.compliance_ml_per_cmh2o is None:
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
    values = _say(
        "fall-margin", fall=in_words(protocol.fall, FRACTION), margin_cmh2o=in_words(protocol.margin_cmh2o, PRESSURE)
    )
    return Rule(protocol.slug, protocol.version, protocol.title, protocol.citation, values)


def limits_rule(limits: StopLimits) -> tuple[Rule, ...]:
    """How a site's own stop limits are named; none where nobody has signed any."""
    return (Rule("stop-limits", limits.version, "Stop limits", spell(limits.signature)),) if limits.signed else ()
