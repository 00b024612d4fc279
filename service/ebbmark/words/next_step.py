"""Sentences of the next step: its rule, what is looked at, measured or read again first, and the way back."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from typing import Any, Final

from ebbmark.physiology.during.checks import Bound
from ebbmark.physiology.during.next_move import Action, Decision, Move, Reason, WayBack
from ebbmark.physiology.during.running import Concern, Scene, StepSoFar
from ebbmark.physiology.findings import Finding, Weight
from ebbmark.physiology.readings import Reading
from ebbmark.physiology.stop.criteria import CRITERIA
from ebbmark.physiology.stop.limits import StopLimits
from ebbmark.physiology.stop.rhythm import RhythmChange
from ebbmark.physiology.trial.steps import Step
from ebbmark.words.ages import age, capital, clock
from ebbmark.words.messages import say, spell
from ebbmark.words.numbers import level, listed, percent
from ebbmark.words.stopping import (
    criterion_words,
    not_checked_words,
    quantity_words,
    sent_words,
    signed_words,
    stop_answer_words,
    unusable_words,
    why,
)
from ebbmark.words.titration import sentence as finding_words

__all__ = [
    "called_before_words",
    "change_words",
    "condition_words",
    "decision_words",
    "ended_words",
    "limit_words",
    "move_words",
    "vital_words",
    "way_back_words",
]

_UNJUDGED: Final = "unjudged"
_LOOK_SOURCES: Final = {
    "": ", a value to look at (this project's own choice; no limit is signed)",
    "unit-guide": ", below which one unit's public guide avoids manoeuvres (a weak source; no limit is signed)",
}


def move_words(move: Move) -> str:
    """The rule that led to the move, in one or two plain sentences.

    Args:
        move: which.
    """
    said = _reason(move)
    return said if move.stops is not None else _joined(said, _say("stops-not-checked"))


def _reason(move: Move) -> str:
    latest, rule = move.latest, move.rule
    if move.reason is Reason.STOP_MET and move.stops is not None:
        return stop_answer_words(move.stops)
    if latest is None:
        return _say("no-step")
    if move.reason is Reason.CALLED:
        return _called(move, latest)
    count = _say("one-reading") if latest.readings == 1 else _say("readings", count=latest.readings)
    return _say(
        move.reason.value,
        here=f"{level(latest.peep_cmh2o)} cmH2O",
        chance=_chance(latest),
        probability=percent(latest.passed or 0.0),
        below="" if move.below_cmh2o is None else f"{level(move.below_cmh2o)} cmH2O",
        count=count,
        readings=latest.readings,
        fall=f"{100 * latest.fall:.0f} %",
        row=rule.steps_in_a_row,
        call_at=f"{100 * rule.call_at:.0f} %",
    )


def _say(name: str, /, **values: object) -> str:
    return say(f"next-step.{name}", **values)


def called_before_words(step: StepSoFar, *, raised_s: float) -> str:
    """Closing had been called before PEEP was raised again: what was set since is a setting and no step.

    Args:
        step: at which it had been called.
        raised_s: when PEEP was raised again [s since 1970-01-01T00:00:00Z].
    """
    return _say("called-before", here=f"{level(step.peep_cmh2o)} cmH2O", raised=clock(raised_s))


def ended_words(last: Step, *, now_cmh2o: float) -> str:
    """The trial has ended, and no lower step follows.

    Args:
        last: its last step.
        now_cmh2o: PEEP now.
    """
    return _say("ended", lowest=level(last.peep_cmh2o), time=clock(last.end_s), now=level(now_cmh2o))


def _called(move: Move, latest: StepSoFar) -> str:
    rule = move.rule
    held = _say("held", row=rule.steps_in_a_row) if rule.steps_in_a_row > 1 else ""
    here = f"{level(latest.peep_cmh2o)} cmH2O"
    return _say("called", here=here, chance=_chance(latest), readings=latest.readings, held=held)


def _chance(step: StepSoFar) -> str:
    return "" if step.passed is None else _say("chance", probability=percent(step.passed))


def decision_words(decision: Decision, reason: str, scene: Scene) -> str:
    """The move with everything that comes before it and goes with it.

    Args:
        decision: the move and the concerns.
        reason: the words of its rule.
        scene: what is known.
    """

    def said(concerns: Iterable[Concern]) -> list[str]:
        return list(dict.fromkeys(_WORDS[one.slug](one.values, scene) for one in concerns))

    move, looks = decision.move, said(decision.looked_at)
    back = [way_back_words(decision.way_back)] if decision.way_back is not None else []
    before, after = said(decision.told[0]), said(decision.told[1])
    measured = _measure_first(decision.measured, scene)
    if move.reason is Reason.LOOK:
        return _joined("Look at the patient first; no lower step is named from these readings.", *looks, *back)
    if looks and move.action is not Action.NOT_STARTED and move.action is not Action.STOP:
        return _joined(*looks, *before, reason, *back)
    if move.action is Action.MEASURE_FIRST:
        return _joined(measured, *said(decision.again), *before)
    if decision.again:
        return _joined("Before PEEP is lowered, one more reading here:", *said(decision.again), *before, reason)
    if move.action in (Action.LOWER, Action.READ_AGAIN):
        return _joined(*before, reason, measured, *after)
    return _joined(reason, *looks, *before, *back)


def condition_words(scene: Scene) -> str:
    """The documented conditions that question a trial, gravest first; those that forbid it are said as a look.

    Args:
        scene: what is known.
    """
    graver = [one for one in scene.beside.conditions if one.weight is Weight.HIGH or one.slug == _UNJUDGED]
    return _joined(
        *[
            finding_words(Finding(f"condition-{one.slug}", one.weight, {"words": one.words, "says": one.says}))
            for one in graver
        ]
    )


def _joined(*texts: str) -> str:
    return " ".join(text for text in texts if text)


def way_back_words(back: WayBack) -> str:
    """The settings before the trial, and who decides about going back to them.

    Args:
        back: as read from the chart.
    """
    before, now = back.before, back.now_cmh2o
    peep = before.peep if before is not None else None
    if before is None or peep is None:
        return _say("way-back-not-known")
    named = [_say("was-peep", value=level(peep.value))]
    if before.tidal_volume is not None:
        named.append(_say("was-volume", value=f"{before.tidal_volume.value:.0f}"))
    if before.pressure_above_peep is not None:
        named.append(_say("was-pressure", value=level(before.pressure_above_peep.value)))
    if before.fio2 is not None:
        named.append(_say("was-fio2", value=f"{100 * before.fio2.value:.0f}"))
    higher = back.circulation and now is not None and now > peep.value
    cause = _say("peep-is-higher", now=level(now)) if higher and now is not None else ""
    return _joined(cause, _say("way-back", listed=", ".join(named), time=clock(peep.at_s)))


def _measure_first(missing: Iterable[Concern], scene: Scene) -> str:
    """What is to be measured before PEEP is lowered; empty where nothing is missing."""
    missing = list(missing)
    if not missing:
        return ""
    named = listed([vital_words(one.values) for one in missing])
    it = _say("it") if len(missing) == 1 else _say("each")
    limits = "; ".join(limit_words(one.values, scene.limits) for one in missing)
    sent = "".join(f" {unusable_words(doubt, at_s=scene.at_s)}" for one in missing for doubt in one.values["doubts"])
    return f"{_say('measure', named=named, it=it, limits=limits)}{sent}"


def vital_words(values: Mapping[str, Any]) -> str:
    """A vital sign that was not sent, in words."""
    return "SpO2" if values["words"] == "spo2" else str(values["words"]).replace("-", " ")


def limit_words(values: Mapping[str, Any], limits: StopLimits) -> str:
    """The stop limits of a vital sign that was not sent, as a phrase."""
    named = [
        f"{row.words} {row.shown_limit(limit.value)}"
        for row in values["rows"]
        if (limit := row.limit_of(limits)) is not None
    ]
    return "; ".join(named) or "a new heart rhythm of those signed"


_UNITS: Final = {row.quantity: row.unit for row in CRITERIA.values() if row.sign}


def _beyond(bound: Bound) -> str:
    """On which side of what a value lies, and who says that it matters."""
    side = "below" if bound.sign > 0 else "above"
    words = f"{side} the stop limit of" if bound.signed else side
    source = "" if bound.signed else _LOOK_SOURCES[bound.source]
    return f"{words} {bound.limit:g} {_UNITS[bound.quantity]}{source}"


def _ago(reading: Reading, scene: Scene) -> str:
    return age(scene.at_s - reading.at_s)


def _value(reading: Reading) -> str:
    return f"{round(reading.value, 1):g} {_UNITS[reading.quantity]}"


def change_words(change: RhythmChange) -> str:
    """From what to what, as a clause."""
    if change.known_s:
        hours = f"{change.known_s / 3600:.0f} h"
        return f"the heart rhythm is {spell(change.new.words)}, which had last been charted {hours} before the trial"
    before = f" from {spell(change.before.words)}" if change.before is not None else ""
    return f"the heart rhythm changed{before} to {spell(change.new.words)}"


def _rhythm_changed(values: Mapping[str, Any], scene: Scene) -> str:
    change: RhythmChange = values["change"]
    words = capital(change_words(change))
    if change.known_s:
        return (
            f"{words}. It is among those signed to stop at where they are new, and what was charted that long ago does "
            "not show that it is not; judge it at the patient."
        )
    gone = ""
    if not change.last.same_as(change.new):
        gone = f"; the latest, at {clock(change.last.at_s)}, is {spell(change.last.words)}"
    signed = "no limit is signed for it" if scene.limits.rhythms_that_stop is None else "it is not on the signed list"
    when = f"at {clock(change.new.at_s)} ({age(scene.at_s - change.new.at_s)})"
    return f"{words} {when}{gone}; {signed}, so judge it at the patient."


def _rhythm_not_readable(values: Mapping[str, Any], scene: Scene) -> str:
    unread = values["unread"]
    when = "" if unread.at_s is None else f" at {clock(unread.at_s)} ({age(scene.at_s - unread.at_s)})"
    return f"A heart rhythm was charted{when} that cannot be read here: {unread.why}. Look at the rhythm itself."


def _beyond_if_slow(values: Mapping[str, Any], scene: Scene) -> str:
    worst, newest = values["reading"], values["newest"]
    return (
        f"{capital(quantity_words(worst.quantity))} {_value(worst)} was read at {clock(worst.at_s)}, "
        f"{_beyond(values['bound'])}. That is before the trial began by its own stamp, but the newest of its readings "
        f"is {_ago(newest, scene)}: if that clock is slow, it came during the trial. Compare the clocks, or read "
        "once more now."
    )


def _saturation(values: Mapping[str, Any], scene: Scene) -> str:
    reading = values["reading"]
    return (
        f"SpO2 came down from {round(values['highest'], 1):g} to {round(reading.value, 1):g} % on the way down "
        f"({_ago(reading, scene)})."
    )


def _not_seen(values: Mapping[str, Any], scene: Scene) -> str:
    told = [unusable_words(one, at_s=scene.at_s) for one in values["doubts"]]
    missing = [quantity_words(one) for one in values["quantities"]]
    seen = f"Not sent, so look before PEEP is lowered: {', '.join(missing)}." if missing else ""
    return _joined(*told, seen)


def _uncheckable(values: Mapping[str, Any], scene: Scene) -> str:
    named = listed([criterion_words(one.criterion) for one in values["criteria"]])
    return (
        f"A limit is signed but cannot be checked here, so watch yourself: {named}. "
        f"{' '.join(not_checked_words(one, scene.stops) for one in values['criteria'])}"
    )


_Words = Callable[[Mapping[str, Any], Scene], str]
_WORDS: Final[Mapping[str, _Words]] = {
    "unlike-closing": lambda one, _: finding_words(one["finding"]),
    "spoken-against": lambda one, _: finding_words(one["finding"]),
    "beyond": lambda one, scene: (
        f"The latest {quantity_words(one['reading'].quantity)} is {_value(one['reading'])} "
        f"({_ago(one['reading'], scene)}), {_beyond(one['bound'])}."
    ),
    "beyond-if-slow": _beyond_if_slow,
    "doubtful-pressure": lambda one, _: (
        "Look at the transducer and its line before PEEP is lowered, and at the patient where they are as they should "
        "be."
    ),
    "may-be-beyond": lambda one, scene: (
        f"{unusable_words(one['doubt'], at_s=scene.at_s)} It may be {_beyond(one['bound'])}."
    ),
    "rhythm-changed": _rhythm_changed,
    "rhythm-not-readable": _rhythm_not_readable,
    "newer-peep-unusable": lambda one, scene: (
        f"A PEEP was sent{sent_words(one['doubt'], scene.at_s)} but is not usable: {why(one['doubt'])} What is set "
        "now is not known."
    ),
    "measured-peep-off": lambda one, scene: (
        f"Set PEEP is {level(one['now'])} cmH2O, but {level(one['reading'].value)} cmH2O was measured "
        f"({_ago(one['reading'], scene)}): a setting that is not in force, an open circuit, or readings of another "
        "device."
    ),
    "saturation-fell-far": lambda one, scene: (
        f"{_saturation(one, scene)} A fall of 5 points asks for a look (this project's own choice)."
    ),
    "circuit-opened": lambda one, _: _joined(
        *map(spell, one["sentences"]), "Common practice is to repeat a titration after any disconnection."
    ),
    "volume-gone": lambda one, scene: (
        f"The latest expired volume is {one['reading'].value:.0f} mL ({_ago(one['reading'], scene)}), as in an "
        "open or blocked circuit."
    ),
    "volume-missing": lambda one, scene: (
        f"The latest expired volume is {one['reading'].value:.0f} mL ({_ago(one['reading'], scene)}) of "
        f"{one['ordered'].value:.0f} mL set: a leak, a cuff, a pneumothorax, or a setting that is no longer in force."
    ),
    "criterion-old": lambda one, scene: not_checked_words(one["criterion"], scene.stops),
    "latest-breath-fell": lambda one, _: (
        f"The latest reading of compliance lies {100 * one['fall']:.0f} % below the others at this PEEP."
    ),
    "compliance-old": lambda one, _: f"The latest reading of compliance is {age(one['age_s'])}.",
    "saturation-falling": lambda one, scene: (
        f"{_saturation(one, scene)} A fall of 2 % from the highest is what PHARLAP took for closing (read in "
        "Cochrane review CD009098); the probability here rests on compliance alone."
    ),
    "plateau-above-limit": lambda one, scene: (
        f"The latest plateau pressure is {round(one['reading'].value, 1):g} cmH2O "
        f"({_ago(one['reading'], scene)}), above the protocol's limit of {one['limit']:g} cmH2O."
    ),
    "oxygen-raised": lambda one, _: (
        f"FiO2 was raised from {100 * one['before']:.0f} to {100 * one['after']:.0f} % on the way down, so that SpO2 "
        "no longer shows what the lower PEEP did."
    ),
    "not-seen": _not_seen,
    "signed-and-uncheckable": _uncheckable,
    "no-limit": lambda one, _: f"No limit is signed, so watch yourself: {signed_words(one['criteria'])}.",
}
"""One sentence, or a few, per finding."""
