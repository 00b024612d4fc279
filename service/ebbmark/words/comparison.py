"""Sentences of what changed at new settings, whether the limits hold, and the answer in short."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

from ebbmark.physiology.after.comparison import (
    RELIEF,
    ChangeVerdict,
    Comparison,
    Confidence,
    LimitCheck,
    MeasureChange,
    Overdistension,
)
from ebbmark.physiology.after.events import Event, Occurrence
from ebbmark.physiology.findings import Message
from ebbmark.words.messages import InShort, age, capital, level, listed, say, section, shortened, spell

_say = section("comparison")
_line = section("comparison-line")

_TURNED: Final = (Event.POSITION_CHANGED, Event.MODE_CHANGED, Event.TRANSPORT)
_GROUPS: Final = (
    ChangeVerdict.WORSE,
    ChangeVerdict.CHANGED,
    ChangeVerdict.IMPROVED,
    ChangeVerdict.WITHIN_NOISE,
    ChangeVerdict.NOT_KNOWN,
)
"""What is wrong comes first: whoever reads one line only must not read what is better."""


def measure_change_words(one: MeasureChange) -> str:
    """One figure before and after, in a plain sentence."""
    name = capital(say(f"measure.{one.measure.slug}"))
    if one.before is None or one.after is None or one.noise is None or one.difference is None:
        sides = [side for side, value in (("before", one.before), ("after", one.after)) if value is None]
        return _say("not-known", name=name, side=listed(sides))
    direction = _say("rose" if one.difference > 0 else "fell")
    moved = _say(f"moved-{one.verdict.value}", direction=direction)
    return _say(
        "change",
        name=name,
        moved=moved,
        before=one.measure.show(one.before),
        after=one.measure.show(one.after),
        noise=one.measure.show(one.noise),
        how=_say("assumed" if one.noise_assumed else "published"),
    )


def limit_check_words(one: LimitCheck) -> str:
    """Whether one limit holds, in a plain sentence."""
    spelled = {"name": say(f"limit.{one.slug}"), "limit": f"{one.limit:g}", "unit": say(f"limit.{one.slug}-unit")}
    if one.value is None:
        return _say("limit-not-known", **spelled)
    return _say("limit-holds" if one.holds else "limit-broken", value=f"{one.value:.1f}", **spelled)


def overdistension_words(one: Overdistension) -> str:
    """What the top of the trial showed, in a plain sentence."""
    relief = f"{100 * RELIEF:.0f}"
    if one.top_cmh2o is None or one.best_cmh2o is None:
        return _say("top-not-known")
    return _say(
        f"top-{one.sureness.value}",
        relief=relief,
        top=level(one.top_cmh2o),
        best=level(one.best_cmh2o),
        top_compliance=f"{one.top_ml_per_cmh2o:.0f}",
        best_compliance=f"{one.best_ml_per_cmh2o:.0f}",
    )


def comparison_words(comparison: Comparison) -> str:
    """What changed, what is wrong first, in a few plain sentences."""
    parts = [pressure_words(comparison)]
    parts += [limit_check_words(limit) for limit in comparison.limits if limit.holds is False]
    for verdict in _GROUPS:
        named = [say(f"measure.{change.measure.slug}") for change in comparison.changes if change.verdict is verdict]
        parts += [_say(f"group-{verdict.value}", listed=", ".join(named))] if named else []
    return " ".join(part for part in parts if part)


def pressure_words(comparison: Comparison) -> str:
    """A mean arterial pressure that fell or is low; empty where neither."""
    one = comparison.pressure
    if one is None:
        return ""
    now = f"{one.now_mmhg:.0f}"
    moved = _say("pressure-is", now=now)
    if one.before_mmhg is not None:
        moved = _say("pressure-fell", before=f"{one.before_mmhg:.0f}", now=now)
    low = "" if one.limit is None else _say("pressure-low", limit=f"{one.limit.value:g}", source=one.limit.source)
    return _say("pressure", moved=moved, low=low)


def comparison_in_short(
    comparison: Comparison,
    *,
    alarms: Sequence[Occurrence] = (),
    beside: Sequence[Occurrence] = (),
    latest: Comparison | None = None,
    below: str = "",
) -> InShort:
    """Put the comparison in short: worse, better, limits.

    Args:
        alarms: vital signs that are beyond a stop limit now, and a pneumothorax that stands.
        beside: that the patient triggers breaths, needs more oxygen, or that position or mode was changed.
        latest: before the trial and the last half hour, where that is later: what is known of it leads.
        below: that PEEP is set at or below closing, which comes first; empty where it is not.
    """
    if below:
        told = comparison_in_short(comparison, alarms=alarms, beside=beside, latest=latest)
        if alarms:
            return shortened(told.head, told.sure, f"{below}.", [told.against, *told.reasons])
        return shortened(below, f"{told.head}.", "", [told.sure, told.against, *told.reasons])
    top, early, lead = _top(comparison.overdistension), _of(comparison, ChangeVerdict.WORSE), ""
    if latest is not None and any(change.after is not None for change in latest.changes):
        comparison, lead = latest, "now-"
    else:
        early = []
    need = [say(f"seen.{one.kind}", **one.values) for one in beside if one.kind == "oxygen-need"]
    triggers = any(one.event is Event.TRIGGERS for one in beside)
    worse, better = [*need, *_of(comparison, ChangeVerdict.WORSE)], _of(comparison, ChangeVerdict.IMPROVED)
    broken = [
        _line(
            "broken",
            name=say(f"name.{limit.slug}"),
            value=f"{limit.value:.1f} {_unit(limit)}",
            limit=f"{limit.limit:g}",
        )
        for limit in comparison.limits
        if limit.holds is False
    ]
    kept = [
        _line("kept", name=say(f"name.{limit.slug}"), value=f"{limit.value:.1f} {_unit(limit)}")
        for limit in comparison.limits
        if limit.holds
    ]
    unknown = [change.measure for change in comparison.changes if change.verdict is ChangeVerdict.NOT_KNOWN]
    unknown_words = [say(f"name.{one.slug}") for one in unknown]
    same = [
        say(f"name.{change.measure.slug}")
        for change in comparison.changes
        if change.verdict is ChangeVerdict.WITHIN_NOISE
    ]
    now = [beyond_in_short(alarm) for alarm in alarms]
    limits = _listed("limit-broken", broken)
    if not broken and kept and not triggers:
        limits = _listed("limits-hold", kept)
    turned = [spell(one.values["words"]) for one in beside if one.event in _TURNED]
    rest = [
        _listed("turned", turned),
        _listed("first-worse", early),
        _listed("changed", _of(comparison, ChangeVerdict.CHANGED)),
        _listed("same", same),
        _listed("unknown", unknown_words),
        top,
    ]
    improved, worse_words = _listed("better-sentence", better), _listed(f"{lead}worse", worse)
    worse_sentence = f"{worse_words}." if worse else ""
    if now:
        rest = [f"{_line('triggers')}.", *rest] if triggers else rest
        return shortened(
            _line("look"), f"{capital('; '.join(now))}.", limits if broken else "", [worse_sentence, *rest, improved]
        )
    if triggers:
        return shortened(_line("triggers"), worse_sentence, limits, [improved, *rest])
    if worse:
        return shortened(worse_words, improved, limits, rest)
    if better:
        return shortened(_listed(f"{lead}better", better), limits, _line("no-worse-sentence"), rest)
    head = "nothing-known" if len(unknown) == len(comparison.changes) else f"{lead}no-change"
    return shortened(_line(head), limits, "", rest)


def _listed(name: str, words: Sequence[str]) -> str:
    """A line that lists these; empty where there are none."""
    return _line(name, listed=", ".join(words)) if words else ""


def _of(comparison: Comparison, verdict: ChangeVerdict) -> list[str]:
    return [
        _line(
            "change",
            name=say(f"name.{change.measure.slug}"),
            before="" if change.before is None else change.measure.show(change.before).split(" ")[0],
            after="" if change.after is None else change.measure.show(change.after),
        )
        for change in comparison.changes
        if change.verdict is verdict
    ]


def _unit(one: LimitCheck) -> str:
    return say(f"limit.{one.slug}-unit").split(" ")[0]


def beyond_in_short(one: Occurrence) -> str:
    """A vital sign beyond its limit now with its age, or a standing pneumothorax, in a few words."""
    if one.kind != "beyond-limit":
        return say(f"seen.{one.kind}", **numbers_spelled(one.values))
    reading, limit = one.values["reading"], one.values["limit"]
    name, value = say(f"name.{reading.quantity.slug}"), f"{round(reading.value, 1):g}"
    return f"{say('seen.beyond-limit', name=name, value=value, limit=f'{limit.value:g}')}, {age(one.values['age_s'])}"


def numbers_spelled(values: Mapping[str, Any]) -> dict[str, str]:
    """Values as a sentence spells them: pressures to a decimal, other numbers whole, words as they are."""
    return {
        name: spell(value)
        if isinstance(value, str | Message | tuple)
        else level(value)
        if name.endswith("cmh2o")
        else f"{value:.0f}"
        for name, value in values.items()
    }


def _top(one: Overdistension) -> str:
    if one.sureness is Confidence.SHOWN:
        return _line("top-shown")
    return _line("top-possible") if one.sureness is Confidence.POSSIBLE else ""
