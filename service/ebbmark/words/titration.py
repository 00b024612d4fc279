"""Sentences of a titration, one template per finding with its values by name; and the titration in short.

The last part of a value's name is its unit and decides how it is spelled; a finding without a template is a
mistake that a test finds. In short, pressures, probabilities and cautions are the values of the full answer.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import Final

from ebbmark.physiology.advice import AT_SUGGESTION, Advice, Caution, Severity
from ebbmark.physiology.closing.result import Closing, Evidence, Verdict
from ebbmark.physiology.findings import EvidenceLine, Finding, SourceStatus, Value, Weight
from ebbmark.physiology.patient.titration import LUNG_OR_TUBE, Titration
from ebbmark.physiology.what_if import WhatIf
from ebbmark.words.messages import (
    ENGLISH,
    InShort,
    capital,
    cut,
    interval,
    level,
    percent,
    say,
    section,
    shortened,
    spell,
)

_say = section("titration")
_line = section("titration-line")

_SEVERITY: Final = {
    Weight.LOOK_FIRST: Severity.HIGH,
    Weight.HIGH: Severity.HIGH,
    Weight.MODERATE: Severity.MODERATE,
    Weight.LOW: Severity.LOW,
}


def sentence(finding: Finding) -> str:
    """The finding in plain sentences."""
    if finding.slug == "suggested":
        return _suggested(finding)
    name = _name(finding)
    known = next((one for one in ("caution", "titration") if f"{one}.{name}" in ENGLISH), "")
    if not known and "text" in finding.values:
        return _spelled("text", finding.values["text"])
    condition = "condition-look" if finding.weight is Weight.LOOK_FIRST else "condition"
    spelled = _values(finding)
    spelled["recovery"] = spelled["earlier"] = ""
    if "then_value" in finding.values:
        spelled["recovery"] = _say("recovery", **spelled)
    if "before" in finding.values:
        spelled["earlier"] = _say("earlier", **spelled)
    said = say(f"{known}.{name}" if known else f"titration.{condition}", **spelled)
    return capital(said)


def because(finding: Finding) -> str:
    """What a check found that withholds a number, in one short reason: value, step and limit."""
    known = _name(finding) if f"because.{_name(finding)}" in ENGLISH else "condition"
    said = say(f"because.{known}", **_values(finding))
    return capital(said)


def against(finding: Finding) -> str:
    """What a finding says against an answer, with its value, in a few words; empty where its slug alone says it."""
    known = f"against-value.{_name(finding)}"
    if known not in ENGLISH:
        return ""
    spelled = _values(finding)
    return say(known, **spelled | {"words": cut(spelled.get("words", ""))})


def _name(finding: Finding) -> str:
    """The message of a finding; a leak that ended within the limb has its own."""
    return f"{finding.slug}-ended" if "until_cmh2o" in finding.values else finding.slug


def _values(finding: Finding) -> dict[str, str]:
    """The values of a finding as its sentences spell them."""
    spelled = {name: _spelled(name, value) for name, value in finding.values.items()}
    spelled["at"] = _steps(finding.peeps_cmh2o)
    spelled["At"] = spelled["at"].capitalize().replace("peep", "PEEP").replace("cmh2o", "cmH2O")
    return spelled


def worded(titration: Titration) -> Titration:
    """The same with its sentences: reason of the estimate, rationale, cautions and limits of each row."""
    looks = titration.look_first
    closing = with_reason(titration.closing, looks)
    advice = titration.advice
    if any(look.slug == "stop-limit-in-trial" for look in looks):
        # Nobody is told of further readings or lower steps after a stop limit.
        closing = replace(closing, would_help=None)
        advice = replace(advice, why=_after_stop(advice.why, closing))
    advice = worded_advice(advice, titration.findings)
    if looks:
        tail = _say("no-number")
        if not _reason(looks):
            tail = f"{_say('look')} {advice.rationale}"
        if any(look.slug == "stop-limit-at-suggestion" for look in looks):
            tail = _say("not-tolerated", suggested_cmh2o=level(_number(looks[-1], "suggested_cmh2o")))
        elif any(look.slug == "stop-limit-since-trial" for look in looks):
            tail = _say("no-number")
        short = tuple(dict.fromkeys(map(because, looks)))
        advice = replace(advice, rationale=" ".join((*map(sentence, looks), tail)), because=short)
    chosen = None if titration.chosen is None else _with_limits(titration.chosen)
    return replace(titration, closing=closing, advice=advice, chosen=chosen)


def _with_limits(row: WhatIf) -> WhatIf:
    return replace(row, limits_exceeded=tuple(map(sentence, (*row.beyond, *row.limits_met))))


def _after_stop(why: Finding | None, closing: Closing) -> Finding | None:
    """Why there is no number, without a word on lower steps or further readings."""
    if why is not None and why.slug == "withheld-not-reached":
        return replace(why, slug="withheld-not-reached-after-stop")
    if why is not None and why.slug == "withheld-indeterminate":
        return replace(why, values={"text": closing.why})
    return why


def worded_advice(advice: Advice, findings: Sequence[Finding] = ()) -> Advice:
    """Advice with its rationale, its cautions (those of this patient first) and the limits of each row in words."""
    said = {finding.slug for finding in findings}
    if "circuit-opened" in said:
        said.add("disconnection")
    if "sudden-rise" in said:
        said.add("overdistension-at-top")
    if "impossible-plateaus" in said:
        said.add("plateau-above-peak")
    if any(finding.weight is Weight.LOOK_FIRST for finding in findings):
        said |= AT_SUGGESTION
    mine = [
        Caution(one.slug, _SEVERITY[one.weight], sentence(one), spell(one.source), True, against(one))
        for one in (*findings, *(finding for finding in advice.findings if finding.slug not in said))
    ]
    mine.sort(key=lambda one: list(Severity).index(one.severity))
    return replace(
        advice,
        rationale="" if advice.why is None else sentence(advice.why),
        cautions=(*mine, *map(_general, advice.evidence)),
        what_if=tuple(map(_with_limits, advice.what_if)),
    )


def _general(line: EvidenceLine) -> Caution:
    """A published line, as a caution that is true of every such trial."""
    traced = _say("read-second-hand") if line.status is SourceStatus.SECOND_HAND else ""
    return Caution(line.slug, Severity.MODERATE, spell(line.text), line.citation + traced, False)


def _suggested(finding: Finding) -> str:
    """The suggestion with its certainty, and what is expected there."""
    values = finding.values
    spelled = {name: _spelled(name, value) for name, value in values.items()}
    between = interval(_number(finding, "low_cmh2o"), _number(finding, "high_cmh2o"))
    said = [_say("suggested-last-step" if "last_step" in values else "suggested", between=between, **spelled)]
    said.append(_say("suggested-expected" if "plateau" in values else "suggested-no-plateau", **spelled))
    said += [_say("suggested-intrinsic", **spelled)] if "intrinsic" in values else []
    said += [_say("suggested-measured")] if "plateau_measured" in values else []
    return " ".join(said)


def with_reason(closing: Closing, findings: Sequence[Finding]) -> Closing:
    """An estimate that findings took back, with its reason in words."""
    reason = _reason([finding for finding in findings if finding.weight is Weight.LOOK_FIRST])
    return replace(closing, reason=reason) if reason and closing.verdict is Verdict.INDETERMINATE else closing


def _reason(looks: Sequence[Finding]) -> str:
    """Why there is no estimate; what was not tolerated at a suggestion takes no estimate back."""
    return " ".join(sentence(look) for look in looks if not look.slug.startswith("stop-limit"))


def _steps(peeps_cmh2o: Sequence[float]) -> str:
    """The steps by their PEEP; more than three as a range."""
    levels = [level(peep) for peep in peeps_cmh2o]
    if len(levels) > 3:
        return _say("steps-peep", count=len(levels), levels=levels[0], levels_2=levels[-1])
    return _say("peep", listed=", ".join(levels))


def _number(finding: Finding, name: str) -> float:
    value = finding.values[name]
    assert isinstance(value, float | int)  # noqa: S101 - a check gives it so
    return value


def _spelled(name: str, value: Value) -> str:
    if not isinstance(value, float | int):
        return spell(value)
    if name.endswith("_share"):
        return percent(value)
    if name.endswith("_cmh2o") and not name.endswith("_ml_per_cmh2o"):
        return level(value)
    return f"{value:g}" if name.endswith("_ml_per_kg") or name == "ml_per_kg" else f"{value:.0f}"


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
    """Put an answer in short."""
    suggested = advice.suggested_peep_cmh2o
    everything = [
        caution for caution in advice.cautions if caution.of_this_patient and caution.severity is not Severity.LOW
    ]
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
        first = _line("limits-forbid")
    age = next((one.slug for one in everything if one.slug in AGES), "")
    reasons = [*_why_none(advice, closing), *_interval(closing), *_expected(advice), *_others(against)]
    if grave and grave[0].slug == _SINCE and advice.because:
        # What the patient is like now leads, and the trial comes after it.
        told = [f"{_line('none')}.", *advice.because[1:_MOST_BECAUSE], _found(closing, age)]
        return shortened(say("next-step-line.look"), advice.because[0], "", [*told, *_others(against)])
    head = _line("suggested", peep=number) if number else _line("none")
    sure, too_old = _found(closing, age), False
    if number and age == "trial-very-old":
        # The age leads: a number first would be read as one for now.
        head, sure, too_old = _line("very-old-suggested", peep=number), found_words(closing), True
    elif closing.verdict is Verdict.INDETERMINATE and _taken_back(advice):
        sure = _line("not-trusted")
    return shortened(head, sure, first, reasons, number=number, too_old=too_old)


def against_words(slug: str, severity: str) -> str:
    """What can speak against an answer, in a few words; one without a short form is named by its severity."""
    if f"against.{slug}" in ENGLISH:
        return say(f"against.{slug}")
    if slug.startswith(_CONDITION):
        return say("short.in_record", condition=slug.removeprefix(_CONDITION).replace("-", " "))
    return say("short.caution", severity=severity)


def _short(caution: Caution) -> str:
    return caution.in_few_words or against_words(caution.slug, caution.severity.value)


def _taken_back(advice: Advice) -> bool:
    """Whether a check of the patient or the circuit, and not a stop limit alone, took the estimate back."""
    limits = sum(1 for caution in advice.cautions if caution.slug in ("stop-limit-in-trial", "stop-limit-since-trial"))
    return len(advice.because) > limits


def _found(closing: Closing, age: str) -> str:
    """What was found and how sure it is; where the trial is old that stands first."""
    return _line(age, then=found_words(closing)) if age else found_words(closing)


def objections_in_short(advice: Advice) -> tuple[str, ...]:
    """What speaks against a suggestion, gravest first, in a few words each; the age of a trial is no part of it."""
    everything = [
        caution for caution in advice.cautions if caution.of_this_patient and caution.severity is not Severity.LOW
    ]
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
            said = _line("two-steps", **spelled, other=other, other_chance=chance)
            return _line("fell-weak" if weak else "fell-shared", steps=said)
        doubted = closing.evidence is Evidence.WEAK and closing.evidence_of_curve is not Evidence.WEAK
        return _line("fell-doubted" if doubted else _FALL[closing.evidence_of_curve], steps=_line("step", **spelled))
    if closing.verdict is Verdict.NOT_REACHED:
        return _line("not-reached", lowest=level(closing.steps[-1].peep_cmh2o), chance=percent(closing.probability))
    if closing.verdict is Verdict.FALLING_FROM_FIRST_STEP:
        highest = level(closing.steps[0].peep_cmh2o)
        return _line("from-first-step", highest=highest, chance=percent(closing.probability))
    return _line("not-readable")


def _why_none(advice: Advice, closing: Closing) -> Iterator[str]:
    """Why no PEEP is suggested and what that leaves; in full where there is room for it."""
    if advice.suggested_peep_cmh2o is not None:
        return
    if advice.because:
        yield from advice.because[:_MOST_BECAUSE]
        if closing.verdict is not Verdict.FOUND:
            yield _line("otherwise")
        return
    if closing.verdict is Verdict.NOT_REACHED:
        yield _line("lower-or-otherwise")
        return
    why = advice.rationale if closing.verdict is Verdict.FOUND else spell(closing.why)
    if why:
        yield why if len(why.split()) <= _LONGEST_WHY else _line("why")
    if closing.verdict is not Verdict.FOUND:
        yield _line("otherwise")


def _interval(closing: Closing) -> Iterator[str]:
    if closing.verdict is Verdict.FOUND and closing.interval_cmh2o is not None:
        low, high = closing.interval_cmh2o
        if low != high:
            yield _line("interval", low=level(low), high=level(high))


def _expected(advice: Advice) -> Iterator[str]:
    chosen = [row for row in advice.what_if if row.peep_cmh2o == advice.suggested_peep_cmh2o]
    for row in chosen[:1]:
        if row.driving_pressure_cmh2o is not None and row.plateau_cmh2o is not None and row.tidal_volume is not None:
            yield _line(
                "expected",
                ml_per_kg=f"{row.tidal_volume.ml_per_kg:g}",
                volume_ml=f"{row.tidal_volume.volume_ml:.0f}",
                driving=f"{row.driving_pressure_cmh2o:.0f}",
                plateau=f"{row.plateau_cmh2o:.0f}",
            )


def _others(against: list[str]) -> Iterator[str]:
    if against:
        more, listed = len(against) - _MOST_AGAINST, "; ".join(against[:_MOST_AGAINST])
        yield _line("also-more", listed=listed, count=more) if more > 0 else say("short.also", listed=listed)
