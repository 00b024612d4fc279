"""A titration in its two short layers: pressures, probabilities and cautions are the values of the full answer."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from ebbmark.physiology.advice.advice import Advice, Caution, Severity
from ebbmark.physiology.closing.result import Closing, Evidence, Verdict
from ebbmark.physiology.patient.titration import LUNG_OR_TUBE
from ebbmark.words.in_short import InShort, shortened
from ebbmark.words.messages import ENGLISH, say, spell
from ebbmark.words.numbers import level, percent

AGES: Final = ("trial-old", "trial-very-old")
"""Cautions on the age of a trial: they stand in what is said of its certainty, and are not told once more."""
_CONDITION: Final = "condition-"
_SINCE: Final = "stop-limit-since-trial"
_FALL: Final = {Evidence.STRONG: "fell-strong", Evidence.MODERATE: "fell-moderate", Evidence.WEAK: "fell-weak"}
_NAMED_ALONE: Final = 0.9
"""A step at least as likely as this is named without the next likely one; this project's choice."""
_WORTH_NAMING: Final = 0.1
_MOST_AGAINST: Final = 4
_LONGEST_WHY: Final = 42
_MOST_BECAUSE: Final = 2
"""So many reasons of a refusal, the gravest first; this project's choice."""


def in_short(advice: Advice, closing: Closing) -> InShort:
    """Put an answer in short.

    Args:
        advice: what follows from the estimate, with its cautions in words.
    """
    suggested = advice.suggested_peep_cmh2o
    everything = [one for one in advice.cautions if one.of_this_patient and one.severity is not Severity.LOW]
    grave = [one for one in everything if one.slug not in AGES]
    number = "" if suggested is None else level(suggested)
    first, against = "", list(dict.fromkeys(map(_short, grave)))
    if number and against:
        first = say("short.against", what=against.pop(0))
    elif grave and grave[0].severity is Severity.HIGH:
        what = against.pop(0)
        lung = next((_short(one) for one in grave if one.slug in LUNG_OR_TUBE), what)
        if grave[0].slug == "stop-limit-in-trial" and lung in against:
            # What may be behind the limit stands beside it.
            against.remove(lung)
            what = f"{lung}; {what}"
        first = say("short.look_first", what=what)
    elif not number and closing.verdict is Verdict.FOUND:
        first = _say("limits-forbid")
    age = next((one.slug for one in everything if one.slug in AGES), "")
    reasons = [*_why_none(advice, closing), *_interval(closing), *_expected(advice), *_others(against)]
    if grave and grave[0].slug == _SINCE and advice.because:
        # What the patient is like now leads, and the trial comes after it.
        told = [f"{_say('none')}.", *advice.because[1:_MOST_BECAUSE], _found(closing, age)]
        return shortened(say("next-step-line.look"), advice.because[0], "", [*told, *_others(against)])
    head = _say("suggested", peep=number) if number else _say("none")
    sure, too_old = _found(closing, age), False
    if number and age == "trial-very-old":
        # The age leads: a number first would be read as one for now.
        head, sure, too_old = _say("very-old-suggested", peep=number), found_words(closing), True
    elif closing.verdict is Verdict.INDETERMINATE and _taken_back(advice):
        sure = _say("not-trusted")
    return shortened(head, sure, first, reasons, number=number, too_old=too_old)


def _say(name: str, /, **values: object) -> str:
    return say(f"titration-line.{name}", **values)


def against_words(slug: str, severity: str) -> str:
    """What can speak against an answer, in a few words.

    Args:
        slug: of a caution or finding.
        severity: for one that has no short form, so that it is never passed over.
    """
    if f"against.{slug}" in ENGLISH:
        return say(f"against.{slug}")
    if slug.startswith(_CONDITION):
        return say("short.in_record", condition=slug.removeprefix(_CONDITION).replace("-", " "))
    return say("short.caution", severity=severity)


def _short(caution: Caution) -> str:
    return caution.in_few_words or against_words(caution.slug, caution.severity.value)


def _taken_back(advice: Advice) -> bool:
    """Whether a check of the patient or the circuit, and not a stop limit alone, took the estimate back."""
    limits = sum(1 for one in advice.cautions if one.slug in ("stop-limit-in-trial", "stop-limit-since-trial"))
    return len(advice.because) > limits


def _found(closing: Closing, age: str) -> str:
    """What was found and how sure it is; where the trial is old that stands first."""
    return _say(age, then=found_words(closing)) if age else found_words(closing)


def objections_in_short(advice: Advice) -> tuple[str, ...]:
    """What speaks against a suggestion, gravest first, in a few words each; the age of a trial is no part of it.

    Args:
        advice: with its cautions in words.
    """
    everything = [one for one in advice.cautions if one.of_this_patient and one.severity is not Severity.LOW]
    return tuple(dict.fromkeys(_short(one) for one in everything if one.slug not in AGES))


def found_words(closing: Closing) -> str:
    """What was found, with the probability of the very step that is named."""
    if closing.verdict is Verdict.FOUND:
        ranked = sorted(closing.steps, key=lambda step: -step.probability)
        # The step that is named leads, with its own probability and not that of closing at any step.
        ranked.sort(key=lambda step: step.peep_cmh2o != closing.peep_cmh2o)
        first, *others = ranked
        spelled = {"peep": level(first.peep_cmh2o), "chance": percent(first.probability)}
        if others and first.probability < _NAMED_ALONE and others[0].probability >= _WORTH_NAMING:
            # A fall that two steps share is clear at neither of them.
            other, chance = level(others[0].peep_cmh2o), percent(others[0].probability)
            weak = closing.evidence_of_curve is Evidence.WEAK
            said = _say("two-steps", **spelled, other=other, other_chance=chance)
            return _say("fell-weak" if weak else "fell-shared", steps=said)
        doubted = closing.evidence is Evidence.WEAK and closing.evidence_of_curve is not Evidence.WEAK
        return _say("fell-doubted" if doubted else _FALL[closing.evidence_of_curve], steps=_say("step", **spelled))
    if closing.verdict is Verdict.NOT_REACHED:
        return _say("not-reached", lowest=level(closing.steps[-1].peep_cmh2o), chance=percent(closing.probability))
    if closing.verdict is Verdict.FALLING_FROM_FIRST_STEP:
        highest = level(closing.steps[0].peep_cmh2o)
        return _say("from-first-step", highest=highest, chance=percent(closing.probability))
    return _say("not-readable")


def _why_none(advice: Advice, closing: Closing) -> Iterator[str]:
    """Why no PEEP is suggested and what that leaves; in full where there is room for it."""
    if advice.suggested_peep_cmh2o is not None:
        return
    if advice.because:
        yield from advice.because[:_MOST_BECAUSE]
        if closing.verdict is not Verdict.FOUND:
            yield _say("otherwise")
        return
    if closing.verdict is Verdict.NOT_REACHED:
        yield _say("lower-or-otherwise")
        return
    why = advice.rationale if closing.verdict is Verdict.FOUND else spell(closing.why)
    if why:
        yield why if len(why.split()) <= _LONGEST_WHY else _say("why")
    if closing.verdict is not Verdict.FOUND:
        yield _say("otherwise")


def _interval(closing: Closing) -> Iterator[str]:
    if closing.verdict is Verdict.FOUND and closing.interval_cmh2o is not None:
        low, high = closing.interval_cmh2o
        if low != high:
            yield _say("interval", low=level(low), high=level(high))


def _expected(advice: Advice) -> Iterator[str]:
    chosen = [row for row in advice.what_if if row.peep_cmh2o == advice.suggested_peep_cmh2o]
    for row in chosen[:1]:
        if row.driving_pressure_cmh2o is not None and row.plateau_cmh2o is not None and row.tidal_volume is not None:
            yield _say(
                "expected",
                ml_per_kg=f"{row.tidal_volume.ml_per_kg:g}",
                volume_ml=f"{row.tidal_volume.volume_ml:.0f}",
                driving=f"{row.driving_pressure_cmh2o:.0f}",
                plateau=f"{row.plateau_cmh2o:.0f}",
            )


def _others(against: list[str]) -> Iterator[str]:
    if against:
        more, listed = len(against) - _MOST_AGAINST, "; ".join(against[:_MOST_AGAINST])
        yield _say("also-more", listed=listed, count=more) if more > 0 else say("short.also", listed=listed)
