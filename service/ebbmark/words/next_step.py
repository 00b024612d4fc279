"""Sentences of the next step: its rule, what is looked at, measured or read again first, and the way back."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from typing import Any, Final

from ebbmark.physiology.during.context import Concern, RunningContext, StepSoFar
from ebbmark.physiology.during.next_move import Action, Decision, Move, Reason, WayBack
from ebbmark.physiology.findings import Finding, Weight
from ebbmark.physiology.readings import Reading
from ebbmark.physiology.stop.criteria import CRITERIA, Bound
from ebbmark.physiology.stop.limits import RhythmChange, StopLimits
from ebbmark.physiology.trial.steps import Step
from ebbmark.words.messages import age, capital, clock, level, listed, percent, say, section, spell
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

_say = section("next-step")

_UNJUDGED: Final = "unjudged"
_LOOK_SOURCES: Final = {"": "next-step.value-to-look-at", "unit-guide": "next-step.below-unit-guide"}


def move_words(move: Move) -> str:
    """The rule that led to the move, in one or two plain sentences."""
    said = _reason(move)
    return said if move.stops is not None else _joined(said, _say("stops-not-checked"))


def _reason(move: Move) -> str:
    latest, rule = move.latest, move.rule
    if move.reason is Reason.STOP_MET and move.stops is not None:
        return stop_answer_words(move.stops)
    if latest is None:
        return _say("no-step")
    count = _say("one-reading") if latest.readings == 1 else _say("readings", count=latest.readings)
    return _say(
        move.reason.value,
        here=_say("pressure", peep_cmh2o=level(latest.peep_cmh2o)),
        chance=_chance(latest),
        probability=percent(latest.passed or 0.0),
        below="" if move.below_cmh2o is None else _say("pressure-below", below_cmh2o=level(move.below_cmh2o)),
        count=count,
        readings=latest.readings,
        fall=f"{100 * latest.fall:.0f} %",
        held=_say("held", row=rule.steps_in_a_row) if rule.steps_in_a_row > 1 else "",
        row=rule.steps_in_a_row,
        call_at=f"{100 * rule.call_at:.0f} %",
    )


def called_before_words(step: StepSoFar, *, raised_s: float) -> str:
    """Closing had been called before PEEP was raised again: what was set since is a setting and no step."""
    return _say(
        "called-before",
        here=_say("pressure", peep_cmh2o=level(step.peep_cmh2o)),
        raised=clock(raised_s),
        again=_say("go-down-again"),
    )


def ended_words(last: Step, *, now_cmh2o: float) -> str:
    """The trial has ended, and no lower step follows."""
    return _say(
        "ended",
        lowest=level(last.peep_cmh2o),
        time=clock(last.end_s),
        now=level(now_cmh2o),
        again=_say("go-down-again"),
    )


def _chance(step: StepSoFar) -> str:
    return "" if step.passed is None else _say("chance", probability=percent(step.passed))


def decision_words(decision: Decision, reason: str, context: RunningContext) -> str:
    """The move with everything that comes before it and goes with it."""

    def said(concerns: Iterable[Concern]) -> list[str]:
        return list(dict.fromkeys(_WORDS[concern.slug](concern.values, context) for concern in concerns))

    move, looks = decision.move, said(decision.looked_at)
    back = [way_back_words(decision.way_back)] if decision.way_back is not None else []
    before, after = said(decision.remarks[0]), said(decision.remarks[1])
    measured = _measure_first(decision.measured, context)
    if move.reason is Reason.LOOK:
        return _joined(_say("look-patient-first"), *looks, *back)
    if looks and move.action is not Action.NOT_STARTED and move.action is not Action.STOP:
        return _joined(*looks, *before, reason, *back)
    if move.action is Action.MEASURE_FIRST:
        return _joined(measured, *said(decision.again), *before)
    if decision.again:
        return _joined(_say("before-peep-lowered"), *said(decision.again), *before, reason)
    if move.action in (Action.LOWER, Action.READ_AGAIN):
        return _joined(*before, reason, measured, *after)
    return _joined(reason, *looks, *before, *back)


def condition_words(context: RunningContext) -> str:
    """The documented conditions that question a trial, gravest first; those that forbid it are said as a look."""
    graver = [
        condition for condition in context.conditions if condition.weight is Weight.HIGH or condition.slug == _UNJUDGED
    ]
    return _joined(
        *[
            finding_words(Finding(f"condition-{one.slug}", one.weight, {"words": one.words, "says": one.says}))
            for one in graver
        ]
    )


def _joined(*texts: str) -> str:
    return " ".join(text for text in texts if text)


def way_back_words(back: WayBack) -> str:
    """The settings before the trial, and who decides about going back to them."""
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
    held = "" if back.held is None else _held_last(*back.held)
    if back.already:
        return _joined(_say("way-back-already", listed=", ".join(named), time=clock(peep.at_s)), held)
    higher = back.circulation and now is not None and now > peep.value
    cause = _say("peep-is-higher", now=level(now)) if higher and now is not None else ""
    return _joined(cause, _say("way-back", listed=", ".join(named), time=clock(peep.at_s)), held)


def _held_last(peep_cmh2o: float, reading: Reading) -> str:
    """At which PEEP a stop criterion was last not met."""
    words = quantity_words(reading.quantity)
    return _say("held-last", quantity=words, peep=level(peep_cmh2o), value=_value(reading), time=clock(reading.at_s))


def _measure_first(missing: Iterable[Concern], context: RunningContext) -> str:
    """What is to be measured before PEEP is lowered; empty where nothing is missing."""
    missing = list(missing)
    if not missing:
        return ""
    named = listed([vital_words(one.values) for one in missing])
    it = _say("it") if len(missing) == 1 else _say("each")
    limits = "; ".join(limit_words(one.values, context.limits) for one in missing)
    sent = "".join(f" {unusable_words(doubt, at_s=context.at_s)}" for one in missing for doubt in one.values["doubts"])
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
    return "; ".join(named) or _say("new-heart-rhythm")


_UNITS: Final = {row.quantity: row.unit for row in CRITERIA.values() if row.sign}


def _beyond(bound: Bound) -> str:
    """On which side of what a value lies, and who says that it matters."""
    side = "below" if bound.row.sign > 0 else "above"
    words = _say("stop-limit", side=side) if bound.in_force else side
    source = "" if bound.in_force else say(_LOOK_SOURCES[bound.row.look_source])
    return f"{words} {bound.limit:g} {_UNITS[bound.row.quantity]}{source}"


def _ago(reading: Reading, context: RunningContext) -> str:
    return age(context.at_s - reading.at_s)


def _value(reading: Reading) -> str:
    return f"{round(reading.value, 1):g} {_UNITS[reading.quantity]}"


def _rhythm_change_words(change: RhythmChange) -> str:
    """From what to what, as a clause."""
    if change.known_s:
        hours = f"{change.known_s / 3600:.0f} h"
        return _say("heart-rhythm-which", words=spell(change.new.words), hours=hours)
    before = _say("from", words=spell(change.before.words)) if change.before is not None else ""
    return _say("heart-rhythm-changed", before=before, words=spell(change.new.words))


def _rhythm_changed(values: Mapping[str, Any], context: RunningContext) -> str:
    change: RhythmChange = values["change"]
    words = capital(_rhythm_change_words(change))
    if change.known_s:
        return _say("among-those-signed", words=words)
    gone = ""
    if not change.last.same_as(change.new):
        gone = _say("latest", time=clock(change.last.at_s), words=spell(change.last.words))
    signed = _say("no-limit-signed") if context.limits.rhythms_that_stop is None else _say("not-signed-list")
    when = _say("at", time=clock(change.new.at_s), age=age(context.at_s - change.new.at_s))
    return _say("so-judge-patient", words=words, when=when, gone=gone, signed=signed)


def _rhythm_not_readable(values: Mapping[str, Any], context: RunningContext) -> str:
    unread = values["unread"]
    when = "" if unread.at_s is None else _say("at-time", time=clock(unread.at_s), age=age(context.at_s - unread.at_s))
    if unread.is_new:
        return _say("rhythm-new-not-listed", when=when)
    return _say("heart-rhythm-charted", when=when, why=unread.why)


def _beyond_if_slow(values: Mapping[str, Any], context: RunningContext) -> str:
    worst, newest = values["reading"], values["newest"]
    return _say(
        "read-before-trial",
        quantity=capital(quantity_words(worst.quantity)),
        value=_value(worst),
        time=clock(worst.at_s),
        beyond=_beyond(values["bound"]),
        ago=_ago(newest, context),
    )


def _saturation(values: Mapping[str, Any], context: RunningContext) -> str:
    reading = values["reading"]
    return _say(
        "spo2-came-down",
        highest=f"{round(values['highest'], 1):g}",
        value=f"{round(reading.value, 1):g}",
        ago=_ago(reading, context),
    )


def _not_seen(values: Mapping[str, Any], context: RunningContext) -> str:
    told = [unusable_words(one, at_s=context.at_s) for one in values["doubts"]]
    missing = [quantity_words(one) for one in values["quantities"]]
    seen = _say("not-sent-so", listed=", ".join(missing)) if missing else ""
    return _joined(*told, seen)


def _uncheckable(values: Mapping[str, Any], context: RunningContext) -> str:
    named = listed([criterion_words(one.criterion) for one in values["criteria"]])
    return _say(
        "limit-signed-but",
        named=named,
        listed=" ".join(not_checked_words(one, context.stops) for one in values["criteria"]),
    )


_Words = Callable[[Mapping[str, Any], RunningContext], str]
_WORDS: Final[Mapping[str, _Words]] = {
    "unlike-closing": lambda one, _: finding_words(one["finding"]),
    "spoken-against": lambda one, _: finding_words(one["finding"]),
    "beyond": lambda one, context: _say(
        "latest-beyond",
        quantity=quantity_words(one["reading"].quantity),
        value=_value(one["reading"]),
        ago=_ago(one["reading"], context),
        beyond=_beyond(one["bound"]),
    ),
    "beyond-if-slow": _beyond_if_slow,
    "doubtful-pressure": lambda one, _: _say("look-transducer-line"),
    "may-be-beyond": lambda one, context: _say(
        "may", unusable=unusable_words(one["doubt"], at_s=context.at_s), beyond=_beyond(one["bound"])
    ),
    "rhythm-changed": _rhythm_changed,
    "rhythm-not-readable": _rhythm_not_readable,
    "newer-peep-unusable": lambda one, context: _say(
        "peep-sent-but", sent=sent_words(one["doubt"], context.at_s), why=why(one["doubt"])
    ),
    "measured-peep-off": lambda one, context: _say(
        "set-peep-but", now=level(one["now"]), value=level(one["reading"].value), ago=_ago(one["reading"], context)
    ),
    "saturation-fell-far": lambda one, context: _say("fall-points-asks", saturation=_saturation(one, context)),
    "circuit-opened": lambda one, _: _joined(*map(spell, one["sentences"]), _say("common-practice-repeat")),
    "volume-gone": lambda one, context: _say(
        "latest-expired-volume", value=f"{one['reading'].value:.0f}", ago=_ago(one["reading"], context)
    ),
    "volume-missing": lambda one, context: _say(
        "latest-expired-volume-set",
        value=f"{one['reading'].value:.0f}",
        ago=_ago(one["reading"], context),
        value_2=f"{one['ordered'].value:.0f}",
    ),
    "criterion-old": lambda one, context: not_checked_words(one["criterion"], context.stops),
    "latest-breath-fell": lambda one, _: _say("latest-reading-compliance", fall=f"{100 * one['fall']:.0f}"),
    "compliance-old": lambda one, _: _say("latest-compliance-age", age=age(one["age_s"])),
    "saturation-falling": lambda one, context: _say("fall-highest-what", saturation=_saturation(one, context)),
    "plateau-above-limit": lambda one, context: _say(
        "latest-plateau-pressure",
        value=f"{round(one['reading'].value, 1):g}",
        ago=_ago(one["reading"], context),
        limit=f"{one['limit']:g}",
    ),
    "oxygen-raised": lambda one, _: _say(
        "fio2-raised-way", before=f"{100 * one['before']:.0f}", after=f"{100 * one['after']:.0f}"
    ),
    "not-seen": _not_seen,
    "signed-and-uncheckable": _uncheckable,
    "no-limit": lambda one, _: _say("no-limit-signed-so", signed=signed_words(one["criteria"])),
}
"""One sentence, or a few, per finding."""


def acknowledged_words(concern: Concern) -> str:
    """What a clinician acknowledges, as a clause."""
    if concern.slug == "vital-not-sent":
        return say("acknowledged.not-sent", vital=vital_words(concern.values))
    if concern.slug == "rhythm-changed":
        return _rhythm_change_words(concern.values["change"])
    if concern.slug == "rhythm-not-readable" and concern.values["unread"].is_new:
        return say("acknowledged.rhythm-new-not-listed")
    return say(f"acknowledged.{concern.name if concern.slug == 'unlike-closing' else concern.slug}")


def left_words(concern: Concern, limits: StopLimits) -> str:
    """What an acknowledgement leaves to the bedside, as a clause; empty where nothing is left unchecked."""
    if concern.slug == "rhythm-not-recent":
        return say("acknowledged.nothing-here-checks")
    if concern.slug == "vital-not-sent":
        return say("acknowledged.nothing-here-checks-stop", limit=limit_words(concern.values, limits))
    return ""
