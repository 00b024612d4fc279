"""The next step of a running trial in its two short layers."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from typing import Any, Final

from ebbmark.physiology.closing.result import Closing
from ebbmark.physiology.during.context import Concern, RunningContext
from ebbmark.physiology.during.next_move import Action, Decision, Move, Reason, WayBack
from ebbmark.physiology.findings import Weight
from ebbmark.physiology.readings import Quantity, Reading
from ebbmark.physiology.stop.criteria import CRITERIA, Bound, CriterionMet, NotCheckedReason, StopAnswer, StopCriterion
from ebbmark.physiology.trial.limb import peep_levels_of
from ebbmark.words.messages import (
    ENGLISH,
    MOST_WORDS_OF_LINE,
    InShort,
    age,
    capital,
    clock,
    cut,
    lasting,
    level,
    percent,
    say,
    section,
    shortened,
    spell,
)
from ebbmark.words.stopping import within_limits
from ebbmark.words.titration import against_words, found_words

_say = section("next-step-line")
_of = section("concern")

_MOST_NAMED: Final = 3
LONGEST_LINE_OF_STOP: Final = 139
"""Characters of a line that also fits as the summary of a card, which CDS Hooks 2.0 keeps below 140."""


def next_step_in_short(
    decision: Decision,
    context: RunningContext,
    *,
    suggested_cmh2o: float | None = None,
    closed: Closing | None = None,
    objections: Sequence[str] = (),
) -> InShort:
    """Put the next step in short; once closing has been passed, with its estimate and what speaks against a PEEP."""
    move, stops = decision.move, context.stops
    if move.action is Action.STOP:
        return _stop(decision, stops)
    looks, again = _told(decision.looked_at), _told(decision.again)
    told = _told([one for one in decision.remarks[0] if one.slug != "not-seen"])
    recorded = [
        say("against-value.condition-unjudged", words=cut(condition.words))
        if condition.slug == "unjudged"
        else against_words(f"condition-{condition.slug}", condition.weight.value)
        for condition in context.conditions
        if condition.weight in (Weight.HIGH, Weight.LOOK_FIRST)
    ]
    against = list(dict.fromkeys([*looks, *again, *told, *objections, *recorded]))
    doubted = any(one.slug == "unlike-closing" for one in decision.looked_at)
    # Of a curve that cannot be trusted no chance is told.
    why = "" if doubted and move.reason is Reason.LOOK else _reason(move)
    reason = " ".join(one for one in (why, _suggestion(move, context, suggested_cmh2o)) if one)
    leaks = any(_is_leak(one) for one in (*decision.looked_at, *decision.again, *decision.remarks[0]))
    rhythm = _new_rhythm_seen(decision)
    rest = [
        "" if closed is None else found_words(closed),
        _say("still-on-step") if move.reason is Reason.CALLED and move.action is Action.CLOSING_PASSED else "",
        *([_say("sudden-causes")] if move.reason is Reason.SUDDEN else []),
        *(_way_back(decision.way_back) if decision.way_back is not None else []),
        _held(stops),
        *_unchecked(stops, leaks=leaks, rhythm=rhythm),
    ]
    head, number = _head(decision, context)
    now = context.running.now_cmh2o
    if closed is not None and closed.peep_cmh2o is not None and now is not None:
        # The step of closing is named, which is not the step at which it was called.
        head = _say("closing-was", closing=level(closed.peep_cmh2o), now=level(now))
        reason = _suggested(suggested_cmh2o)
    if move.action is Action.LOOK_FIRST and looks:
        named = looks[:_MOST_NAMED]
        others = [one for one in against if one not in named and one not in objections]
        return shortened(head, capital(f"{'; '.join(named)}."), "", [_also(others), reason, *rest])
    if again:
        return shortened(head, capital(f"{again[0]}."), "", [_also([*again[1:], *looks, *told, *recorded]), *rest])
    if move.action is Action.MEASURE_FIRST:
        return shortened(head, _say("no-usable"), "", [_also(against), *rest])
    first = say("short.against", what=against[0]) if against else ""
    return shortened(head, reason, first, [_also(against[1:]), *rest], number=number)


def _also(named: Sequence[str]) -> str:
    return say("short.also", listed="; ".join(named)) if named else ""


def _head(decision: Decision, context: RunningContext) -> tuple[str, str]:
    """The move in a few words, and the PEEP that it names."""
    move, latest = decision.move, decision.move.latest
    peep = "" if move.next_peep_cmh2o is None else level(move.next_peep_cmh2o)
    here = "" if latest is None else level(latest.peep_cmh2o)
    match move.action:
        case Action.LOWER:
            return _say("lower", peep=peep), peep
        case Action.READ_AGAIN:
            return _say("again", peep=peep or here), peep
        case Action.MEASURE_FIRST:
            return _say("measure", listed=", ".join(_vital(one) for one in decision.measured)), ""
        case Action.CLOSING_PASSED:
            chance = "" if latest is None or latest.passed is None else percent(latest.passed)
            return _say("closing-passed", peep=here, chance=chance), ""
        case Action.LOWEST_REACHED:
            return _say("lowest", peep=here), ""
        case Action.NOT_STARTED | Action.ENDED:
            now = context.running.now_cmh2o
            kept_s = _kept_s(context)
            if move.action is Action.NOT_STARTED and now is not None and kept_s > context.protocol.longest_step_s:
                return _say("unchanged", peep=level(now), span=lasting(kept_s)), ""
            name = "ended" if move.action is Action.ENDED else "not-started"
            return _say(name, peep="" if now is None else level(now)), ""
        case _:
            return _say("look"), ""


def _kept_s(context: RunningContext) -> float:
    """For how long PEEP has been as it is [s]; 0 where it was not moved among the readings."""
    levels = peep_levels_of(context.readings)
    return context.at_s - levels[-1].start_s if len(levels) > 1 else 0.0


def _reason(move: Move) -> str:
    """The rule that led to the move, in a few words; empty where the head says it."""
    latest = move.latest
    if latest is None:
        return ""
    peep = level(latest.peep_cmh2o)
    chance = "" if latest.passed is None else percent(latest.passed)
    match move.reason:
        case Reason.NOT_READ | Reason.CALLED_BEFORE:
            return _say(move.reason.value, peep=peep)
        case Reason.THIN:
            count = latest.readings
            readings = _say("one-reading") if count == 1 else _say("readings", count=count)
            return _say("thin", readings=readings, chance=chance) if chance else _say("thin-unknown", readings=readings)
        case Reason.SUDDEN:
            return _say("sudden", peep=peep, fall=f"{100 * latest.fall:.0f} %")
        case Reason.UNCLEAR:
            return _say("unclear")
        case Reason.LOWEST:
            return _say("not-called", chance=chance) if chance else _say("not-called-unknown")
        case Reason.CALLED | Reason.NO_STEP:
            return ""
        case Reason.LOOK:
            return _say("chance", peep=peep, chance=chance) if chance else ""
        case Reason.PROBABLE | Reason.POSSIBLE if chance:
            return _say(move.reason.value, peep=peep, chance=chance)
        case _:
            enough = chance and move.reason is not Reason.TOO_FEW
            return _say("chance", peep=peep, chance=chance) if enough else _say("no-chance")


def _suggestion(move: Move, context: RunningContext, suggested_cmh2o: float | None) -> str:
    """What follows, and what is set now; empty where the trial goes on."""
    if move.action is Action.LOWEST_REACHED:
        return _say("decides")
    if move.action is Action.ENDED:
        return _say("ended-without") if suggested_cmh2o is None else _suggested(suggested_cmh2o)
    if move.action is not Action.CLOSING_PASSED:
        return ""
    now = context.running.now_cmh2o
    set_now = "" if now is None else _say("now", now=level(now))
    return f"{_suggested(suggested_cmh2o)} {set_now}".rstrip()


def _suggested(peep_cmh2o: float | None) -> str:
    return _say("no-suggestion") if peep_cmh2o is None else _say("suggested", peep=level(peep_cmh2o))


def _stop(decision: Decision, stops: StopAnswer) -> InShort:
    first, *others = [capital(_met(one, stops)) for one in stops.pressing] or [""]
    back = list(_way_back(decision.way_back)) if decision.way_back is not None else []
    before, *decides = back or [""]
    at_peep = _held_last(decision.way_back)
    looks = _told(decision.looked_at)
    lung = [_concern(one) for one in decision.looked_at if one.slug == "unlike-closing"][:1]
    both = f"{first} {capital(lung[0])}." if first and lung else first
    if lung and len(both.split()) + len(before.split()) < MOST_WORDS_OF_LINE:
        # A pneumothorax or a displaced tube behind a stop limit stands beside it.
        first, looks = both, [look for look in looks if look not in lung]
    line = f"{_say('stop')}. {first} {before}"
    if len(line) > LONGEST_LINE_OF_STOP or len(line.split()) > MOST_WORDS_OF_LINE:
        # What is met leads, whatever else has to move.
        before, decides = "", [before, *decides]
    elif len(f"{line} {at_peep}") <= LONGEST_LINE_OF_STOP and len(f"{line} {at_peep}".split()) <= MOST_WORDS_OF_LINE:
        before, at_peep = f"{before} {at_peep}".rstrip(), ""
    rhythm = _new_rhythm_seen(decision)
    rest = [*others, _also(looks), at_peep, *decides, _held(stops), *_unchecked(stops, rhythm=rhythm)]
    return shortened(_say("stop"), first, before, rest)


def _met(one: CriterionMet, stops: StopAnswer) -> str:
    if one.rhythm is not None:
        return _say("rhythm", rhythm=spell(one.rhythm.new[0].words))
    row, worst = CRITERIA[one.criterion], one.worst
    limit = "" if one.limit is None else _bare(row.shown_limit(one.limit.value))
    if worst.against is not None:
        before, value = f"{worst.against:.0f}", f"{worst.reading.value:.0f}"
        if one.criterion is StopCriterion.AIR_LEAK:  # held against what was inspired, and not against what it was
            form, before = "met-leak", f"{before} {row.unit}"
        else:
            form, value = "met-from", f"{value} {row.unit}"
        return _say(form, name=_name(worst.reading.quantity), before=before, value=value, limit=limit)
    name, value = _name(worst.reading.quantity), _value(worst.reading, row.unit)
    if one.still or one.latest is None or one.latest is worst:
        return _say("met", name=name, value=value, limit=limit)
    now, at = _value(one.latest.reading, row.unit), clock(worst.reading.at_s)
    return _say("met-was", name=name, value=value, limit=limit, time=at, now=now)


def _bare(limit: str) -> str:
    """A limit without the words that its place says."""
    return " ".join(one for one in limit.split() if one not in ("below", "above", "by", "of", "more", "than"))


def _value(reading: Reading, unit: str) -> str:
    return f"{round(reading.value, 1):g} {unit}"


def _name(quantity: Quantity) -> str:
    known = f"name.{quantity.slug}"
    return say(known) if known in ENGLISH else quantity.slug.replace("-", " ")


def _way_back(back: WayBack) -> Iterator[str]:
    before = back.before
    if before is None or before.peep is None:
        yield _say("before-not-known")
        return
    peep = level(before.peep.value)
    volume = before.tidal_volume
    if back.already:
        yield _say("before-already", peep=peep)
        yield _say("already-decides")
        return
    yield _say("before", peep=peep, volume=f"{volume.value:.0f}") if volume else _say("before-peep", peep=peep)
    yield _say("before-decides")


def _held_last(back: WayBack | None) -> str:
    """At which PEEP the criterion was last not met: a fact, and no order."""
    if back is None or back.held is None:
        return ""
    peep_cmh2o, reading = back.held
    return _say(
        "held-last",
        peep=level(peep_cmh2o),
        name=_name(reading.quantity),
        value=_value(reading, _UNITS[reading.quantity]),
    )


def _held(stops: StopAnswer) -> str:
    """The vital signs within every limit of theirs, with their values; one beyond another of its limits is not."""
    shown: dict[str, str] = {}
    for within_limit in within_limits(stops):
        if within_limit.rhythm is not None and within_limit.rhythm.last is not None:
            shown["rhythm"] = spell(within_limit.rhythm.last.words)
        elif within_limit.latest is not None and within_limit.latest.against is None:
            reading, row = within_limit.latest.reading, CRITERIA[within_limit.criterion]
            shown[reading.quantity.slug] = f"{_name(reading.quantity)} {_value(reading, row.unit)}"
    if shown:
        return _say("held", listed=", ".join(shown.values()))
    return "" if stops.not_met or stops.met else _say("nothing-checked")


def _is_leak(one: Concern) -> bool:
    finding = one.values.get("finding")
    return one.slug == "volume-missing" or (finding is not None and finding.slug.startswith("leak-"))


def _new_rhythm_seen(decision: Decision) -> bool:
    return any(one.slug == "rhythm-not-readable" and one.values["unread"].is_new for one in decision.looked_at)


def _unchecked(stops: StopAnswer, *, leaks: bool = False, rhythm: bool = False) -> Iterator[str]:
    """What nobody checked, and what is charted and too old; of a leak or a new rhythm that was seen neither is said."""
    seen = {StopCriterion.AIR_LEAK: leaks, StopCriterion.RHYTHM: rhythm}
    open_ = [one for one in stops.not_checked if not seen.get(one.criterion, False)]
    old = dict.fromkeys(_quantity(one.criterion) for one in open_ if one.why is NotCheckedReason.OLD)
    if old:
        yield _say("too-old", listed=", ".join(old), minutes=f"{stops.limits.oldest_reading_min.value:g}")
    named = dict.fromkeys(_criterion(one.criterion) for one in open_ if one.why is not NotCheckedReason.OLD)
    if named:
        yield say("short.not_checked", listed=", ".join(named))


def _quantity(criterion: StopCriterion) -> str:
    row = CRITERIA.get(criterion)
    return _name(row.quantity) if row is not None and row.sign else _criterion(criterion)


def _vital(concern: Concern) -> str:
    words = str(concern.values["words"])
    known = f"name.{words.replace(' ', '-')}"
    return say(known) if known in ENGLISH else words.replace("-", " ")


_UNITS: Final = {row.quantity: row.unit for row in CRITERIA.values() if row.sign}


def _told(concerns: Iterable[Concern]) -> list[str]:
    """Each once."""
    return list(dict.fromkeys(map(_concern, concerns)))


def _concern(one: Concern) -> str:
    if one.slug in ("vital-not-sent", "no-limit", "signed-and-uncheckable"):
        return _vital(one) if one.slug == "vital-not-sent" else ""
    return _CONCERNS[one.slug](one.values) if one.slug in _CONCERNS else _of(one.slug)


def _against(values: Mapping[str, Any]) -> str:
    return against_words(values["finding"].slug, values["finding"].weight.value)


def _beyond(values: Mapping[str, Any]) -> str:
    bound: Bound = values["bound"]
    reading: Reading = values["reading"]
    spelled = {"name": _name(reading.quantity), "value": _value(reading, _UNITS[bound.row.quantity])}
    return _of("beyond-signed", **spelled, limit=f"{bound.limit:g}") if bound.in_force else _of("beyond", **spelled)


def _fall(values: Mapping[str, Any]) -> str:
    latest: Reading = values["reading"]
    return _of("saturation-fell", highest=f"{round(values['highest'], 1):g}", latest=f"{round(latest.value, 1):g}")


def _criterion(judged: StopCriterion) -> str:
    return say(f"criterion.{judged.value}")


_CONCERNS: Final[Mapping[str, Callable[[Mapping[str, Any]], str]]] = {
    "spoken-against": _against,
    "unlike-closing": _against,
    "beyond": _beyond,
    "beyond-if-slow": lambda one: _of(
        "beyond-if-slow",
        name=_name(one["reading"].quantity),
        value=_value(one["reading"], _UNITS[one["bound"].row.quantity]),
    ),
    "may-be-beyond": lambda one: _of("may-be-beyond", name=_name(one["doubt"].quantity)),
    "rhythm-changed": lambda one: _of("rhythm-changed", rhythm=spell(one["change"].new.words)),
    "rhythm-not-readable": lambda one: _of("rhythm-new" if one["unread"].is_new else "rhythm-not-readable"),
    "measured-peep-off": lambda one: _of(
        "measured-peep-off", set=level(one["now"]), measured=level(one["reading"].value)
    ),
    "saturation-fell-far": _fall,
    "saturation-falling": _fall,
    "volume-gone": lambda one: _of("volume-gone", volume=f"{one['reading'].value:.0f}"),
    "volume-missing": lambda one: _of(
        "volume-missing", volume=f"{one['reading'].value:.0f}", ordered=f"{one['ordered'].value:.0f}"
    ),
    "criterion-old": lambda one: _of("criterion-old", name=_criterion(one["criterion"].criterion)),
    "latest-breath-fell": lambda one: _of("latest-breath-fell", fall=f"{100 * one['fall']:.0f} %"),
    "compliance-old": lambda one: _of("compliance-old", age=age(one["age_s"])),
    "plateau-above-limit": lambda one: _of(
        "plateau-above-limit", value=f"{round(one['reading'].value, 1):g}", limit=f"{one['limit']:g}"
    ),
    "oxygen-raised": lambda one: _of(
        "oxygen-raised", before=f"{100 * one['before']:.0f}", after=f"{100 * one['after']:.0f}"
    ),
}
