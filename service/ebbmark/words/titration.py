"""Sentences of a titration: one template per finding, with its values by name.

The last part of a value's name is its unit and decides how it is spelled; a finding without a template is a
mistake that a test finds.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

from ebbmark.physiology.advice.advice import AT_SUGGESTION, Advice, Caution, Severity
from ebbmark.physiology.advice.what_if import WhatIf
from ebbmark.physiology.closing.result import Closing, Verdict
from ebbmark.physiology.findings import EvidenceLine, EvidenceStatus, Finding, Value, Weight
from ebbmark.physiology.patient.titration import Titration
from ebbmark.words.in_short import cut
from ebbmark.words.messages import ENGLISH, say, spell
from ebbmark.words.numbers import capital, interval, level, percent

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
    """What a check found that withholds a number, in one short reason: value, step and limit.

    Args:
        finding: of a check whose weight is LOOK_FIRST.
    """
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


def _say(name: str, /, **values: object) -> str:
    return say(f"titration.{name}", **values)


def worded(titration: Titration) -> Titration:
    """The same with its sentences: reason of the estimate, rationale, cautions and limits of each row."""
    looks = titration.look_first
    closing = with_reason(titration.closing, looks)
    advice = titration.advice
    if any(one.slug == "stop-limit-in-trial" for one in looks):
        # Nobody is told of further readings or lower steps after a stop limit.
        closing = replace(closing, would_help=None)
        advice = replace(advice, why=_after_stop(advice.why, closing))
    advice = worded_advice(advice, titration.findings)
    if looks:
        tail = _say("no-number")
        if not _reason(looks):
            tail = f"{_say('look')} {advice.rationale}"
        if any(one.slug == "stop-limit-at-suggestion" for one in looks):
            tail = _say("not-tolerated", suggested_cmh2o=level(_number(looks[-1], "suggested_cmh2o")))
        elif any(one.slug == "stop-limit-since-trial" for one in looks):
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
    """Advice with its rationale, its cautions (those of this patient first) and the limits of each row in words.

    Args:
        findings: of the checks beside the curve.
    """
    said = {one.slug for one in findings}
    if "circuit-opened" in said:
        said.add("disconnection")
    if "sudden-rise" in said:
        said.add("overdistension-at-top")
    if "impossible-plateaus" in said:
        said.add("plateau-above-peak")
    if any(one.weight is Weight.LOOK_FIRST for one in findings):
        said |= AT_SUGGESTION
    mine = [_caution(one) for one in (*findings, *(one for one in advice.findings if one.slug not in said))]
    mine.sort(key=lambda one: list(Severity).index(one.severity))
    return replace(
        advice,
        rationale="" if advice.why is None else sentence(advice.why),
        cautions=(*mine, *map(_general, advice.evidence)),
        what_if=tuple(map(_with_limits, advice.what_if)),
    )


def _general(line: EvidenceLine) -> Caution:
    """A published line, as a caution that is true of every such trial."""
    traced = say("titration.read-second-hand") if line.status is EvidenceStatus.VERIFIED_SECOND_HAND else ""
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
    """An estimate that findings took back, with its reason in words.

    Args:
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
        return say("titration.steps-peep", count=len(levels), levels=levels[0], levels_2=levels[-1])
    return say("titration.peep", listed=", ".join(levels))


def _caution(finding: Finding) -> Caution:
    severity, text = _SEVERITY[finding.weight], sentence(finding)
    return Caution(finding.slug, severity, text, spell(finding.source), True, against(finding))


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
