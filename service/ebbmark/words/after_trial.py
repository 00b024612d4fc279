"""Sentences and short layers of what follows a trial: whether it still holds, its markers, and trials over time."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import UTC, datetime
from typing import Any, Final

from ebbmark.physiology.after.events import Event, NotLookedFor, Occurrence
from ebbmark.physiology.after.markers import SAME_AS_COMPLIANCE, Markers, Meaning, TableAnswer
from ebbmark.physiology.after.surveillance import Surveillance
from ebbmark.physiology.after.trials import PastTrial, Shift, TrialChange, TrialsOverTime
from ebbmark.physiology.closing.result import Closing
from ebbmark.physiology.timeline import fio2_words
from ebbmark.words.comparison import beyond_in_short, measure_change_words, numbers_spelled
from ebbmark.words.messages import ENGLISH, InShort, age, capital, level, percent, say, section, shortened, spell

_say = section("since")
_line = section("validity-line")
_marker_line = section("markers-line")
_trials = section("trials-line")
_told = section("trials")


def validity_words(found: Surveillance) -> str:
    """Whether the titration still holds, in a few plain sentences."""
    hours = _hours(found.at_s - found.titrated_s)
    silence = "" if found.silent_s is None else _say("silent-since", hours=_hours(found.silent_s))
    if found.seen:
        look = _say("look") if found.patient_first else ""
        told = [seen_words(one, found.titrated_s) for one in found.seen]
        return _joined([look, _say("old", hours=hours), *told, silence])
    return _joined([_say("silent" if silence else "holds", hours=hours), silence, gaps_words(found.not_checked)])


def gaps_words(gaps: Iterable[NotLookedFor]) -> str:
    """What could not be looked for; empty where everything could."""
    told = [_gap(gap) for gap in gaps]
    return _say("gaps", listed=" ".join(told)) if told else ""


def seen_words(one: Occurrence, titrated_s: float) -> str:
    """What was seen, when, and why it matters."""
    said = _say(one.kind, **_spelled(one, titrated_s))
    if one.kind == Event.COMPLIANCE_LOST.value and one.grave:
        return f"{said} {_say('large-loss')}"
    return capital(said)


_HOURS_FROM_S: Final = 7200.0


def _joined(texts: Iterable[str]) -> str:
    return " ".join(text for text in texts if text)


def _hours(seconds: float) -> str:
    """A length of time, as pages say it beside: minutes up to two hours."""
    if seconds < _HOURS_FROM_S:
        return say("span.minutes", count=f"{seconds / 60.0:.0f}")
    return say("span.hours", count=f"{seconds / 3600.0:.1f}")


def _after(at_s: float, titrated_s: float) -> str:
    minutes = (at_s - titrated_s) / 60.0
    return (
        say("seen.minutes", count=f"{minutes:.0f}") if minutes < 90 else say("seen.hours", count=f"{minutes / 60:.1f}")
    )


def _spelled(one: Occurrence, titrated_s: float) -> dict[str, str]:
    """The values of a message, spelled."""
    values = one.values
    match one.kind:
        case "disconnection-or-suction":
            episode = values["episode"]
            count = _say("one-reading") if episode.readings == 1 else _say("readings", count=episode.readings)
            return {"after": _after(episode.from_s, titrated_s), "words": spell(episode.words), "readings": count}
        case "peep-below-suggestion":
            episode = values["episode"]
            lasts = _say("peep-still-below" if episode.goes_on else "peep-came-back")
            return {
                "after": _after(episode.from_s, titrated_s),
                "peep": level(episode.lowest),
                "suggested": level(values["suggested_cmh2o"]),
                "lasts": lasts,
            }
        case "compliance-lost" | "oxygenation-lost":
            return {"after": _after(one.until_s, titrated_s), "change": measure_change_words(values["change"])}
        case "saturation-lost":
            fio2 = values["fio2"]
            oxygen = _say("fio2-not-known") if fio2 is None else _say("at-fio2", fio2=fio2_words(fio2))
            return {
                "after": _after(one.from_s, titrated_s),
                "before": f"{round(values['before_percent'], 1):g}",
                "now": f"{round(values['now_percent'], 1):g}",
                "oxygen": oxygen,
                "noise": f"{values['noise_percent']:.0f}",
            }
        case "beyond-limit":
            row, reading, limit = values["row"], values["reading"], values["limit"]
            return {
                "name": row.reading_words,
                "value": f"{round(reading.value, 1):g} {row.unit}",
                "age": age(values["age_s"]),
                "limit": row.shown_limit(limit.value),
                "source": limit.source,
            }
        case "arterial-pressure-fell":
            return _of_pressure(one, titrated_s)
        case "oxygen-need":
            return {name: str(value) for name, value in values.items()}
        case "lung-lost" | "end-tidal-lost" | "air-trapped" | "lowered-again":
            return numbers_spelled(values)
        case _:
            return {"after": _after(one.from_s, titrated_s), "words": spell(values["words"])}


def _of_pressure(one: Occurrence, titrated_s: float) -> dict[str, str]:
    values = one.values
    times = (("before_mmhg", "pressure-before"), ("then_mmhg", "pressure-then"))
    froms = [_say(words, value=f"{values[when]:.0f}") for when, words in times if when in values]
    limit = values["limit"]
    now = f"{values['now_mmhg']:.0f}"
    moved = _say("pressure-moved", from_=_say("and").join(froms), now=now) if froms else _say("pressure-is", now=now)
    low = "" if limit is None else _say("pressure-low", limit=f"{limit.value:g}", source=limit.source)
    name = say(f"pressure.{values['quantity'].slug}")
    return {"name": name, "moved": moved, "low": low, "after": _after(one.until_s, titrated_s)}


def _gap(one: NotLookedFor) -> str:
    values: dict[str, Any] = dict(one.values)
    if one.kind == "loss":
        return _say("gap-loss", measure=say(f"measure.{values['measure'].slug}"), why=spell(values["why"]))
    if one.kind == "another-peep":
        return _say("gap-another-peep", now=level(values["now_cmh2o"]), then=level(values["then_cmh2o"]))
    if one.kind == "saturation-and-oxygen":
        return _say(
            "gap-saturation-and-oxygen",
            before=f"{values['before_percent']:g}",
            now=f"{values['now_percent']:g}",
            fio2_before=fio2_words(values["fio2_before"]),
            fio2_now=fio2_words(values["fio2_now"]),
        )
    return _say(f"gap-{one.kind}")


def validity_in_short(found: Surveillance, *, look: str = "") -> InShort:
    """Put it in short whether the titration still holds; `look` is what of the trial asks for a look first."""
    hours = _hours(found.at_s - found.titrated_s)
    named = (one.values["measure"].slug if one.kind == "loss" else one.kind for one in found.not_checked)
    gaps = list(dict.fromkeys(say(f"gap.{one}") for one in named))
    missing = _line("not-looked-for", listed=", ".join(gaps)) if gaps else ""
    silence = "" if found.silent_s is None else _line("silent-since", hours=_hours(found.silent_s))
    if not found.seen:
        head = _line("silent" if silence else "holds", hours=hours)
        if look:
            first = say("short.look_first", what=look)
            return shortened(_line("no-number"), first, "", [f"{head}.", silence or _line("not-proof"), missing])
        return shortened(head, silence or _line("not-proof"), "", [missing])
    first, *others = list(dict.fromkeys(_seen_in_short(one, found.titrated_s) for one in found.seen))
    also = say("short.also", listed="; ".join(others)) if others else ""
    rest = [also, silence, missing, _line("repeat")]
    if found.patient_first:
        return shortened(_line("look"), f"{capital(first)}.", f"{_line('old', hours=hours)}.", rest)
    return shortened(_line("old", hours=hours), f"{capital(first)}.", "", rest)


def patient_in_short(seen: Sequence[Occurrence], not_known: str, since_s: float) -> InShort:
    """Put the patient now in short, where nothing else can be said."""
    turned = any(one.event is Event.POSITION_CHANGED for one in seen)
    head = _line("look" if any(one.grave for one in seen) else "no-longer" if turned else "may-not-hold")
    told = [beyond_in_short(one) if one.grave else _seen_in_short(one, since_s) for one in seen]
    return shortened(head, f"{capital('; '.join(told))}.", "", [not_known])


def _seen_in_short(one: Occurrence, titrated_s: float) -> str:
    values = one.values
    spelled: dict[str, str] = {}
    name = one.kind
    match one.kind:
        case "compliance-lost" | "oxygenation-lost":
            change = values["change"]
            spelled = {"before": f"{change.before:.0f}", "now": f"{change.after:.0f}"}
        case "beyond-limit":
            reading, limit = values["reading"], values["limit"]
            spelled = {
                "name": say(f"name.{reading.quantity.slug}"),
                "value": f"{round(reading.value, 1):g}",
                "limit": f"{limit.value:g}",
            }
        case "arterial-pressure-fell":
            before = values.get("before_mmhg", values.get("then_mmhg"))
            spelled = {"name": say(f"name.{values['quantity'].slug}"), "now": f"{values['now_mmhg']:.0f}"}
            if before is None:
                name, spelled["limit"] = "arterial-pressure-low", f"{values['limit'].value:g}"
            else:
                spelled["before"] = f"{before:.0f}"
        case _:
            spelled = _spelled(one, titrated_s)
    return say(f"seen.{name}", **spelled)


_MOST_TRIALS: Final = 4
_HOURS_UP_TO: Final = 48.0


def markers_in_short(
    markers: Markers, closing: Closing, tables: Sequence[TableAnswer] = (), *, look: str = ""
) -> InShort:
    """Put it in short where each marker puts closing."""
    head = {True: "agree", False: "disagree", None: "not-compared"}[markers.agree]
    compliance = _named("compliance", closing.peep_cmh2o)
    # At constant volume driving pressure is the same measurement as compliance.
    falls = [
        marker for marker in markers.markers if marker.meaning is Meaning.CLOSING and marker.slug != SAME_AS_COMPLIANCE
    ]
    named = [compliance, *[_named(fall.slug, fall.peep_cmh2o) for fall in falls]]
    best = [
        _named(marker.slug, marker.peep_cmh2o)
        for marker in markers.markers
        if marker.meaning is Meaning.BEST and marker.peep_cmh2o is not None
    ]
    looked_up = [
        _marker_line("table" if low != high else "table-one", low=level(low), high=level(high))
        for table in tables
        if (low := table.lowest_cmh2o) is not None and (high := table.highest_cmh2o) is not None
    ]
    first = say("short.look_first", what=look) if look else ""
    return shortened(
        _marker_line(head),
        _marker_line("closing", listed=", ".join(named)),
        first,
        [
            _marker_line("best", listed=", ".join(best)) if best else "",
            _marker_line("tables", listed=" or ".join(looked_up)) if looked_up else "",
            *[spell(one) for one in markers.not_recorded],
            _marker_line("choose"),
        ],
    )


def _named(slug: str, peep_cmh2o: float | None) -> str:
    name = say(f"marker.{slug}") if f"marker.{slug}" in ENGLISH else slug.replace("-", " ")
    return (
        _marker_line("none", name=name) if peep_cmh2o is None else _marker_line("at", name=name, peep=level(peep_cmh2o))
    )


def trials_in_short(trials: TrialsOverTime, *, look: str = "") -> InShort:
    """Put several trials in short: closing and suggested PEEP one after the other, and what changed."""
    rows = trials.trials
    latest = rows[-_MOST_TRIALS:]
    closing = [_trials("none") if one.closing.peep_cmh2o is None else level(one.closing.peep_cmh2o) for one in latest]
    suggested = [
        _trials("no-peep") if one.suggested_peep_cmh2o is None else level(one.suggested_peep_cmh2o) for one in latest
    ]
    head = _trials("one") if len(rows) == 1 else _trials("several", count=len(rows))
    told = f"{_trials('closing', listed=' → '.join(closing))} {_trials('suggested', listed=' → '.join(suggested))}"
    changes = [_trials("nothing-to-compare")]
    if trials.changes:
        last = trials.changes[-1]
        shift = {Shift.HIGHER: "higher", Shift.LOWER: "lower", Shift.WITHIN_NOISE: "same"}
        chance = percent(last.higher if last.closing is Shift.HIGHER else last.lower)
        changes = [
            _trials(shift.get(last.closing, "not-comparable"), chance=chance),
            _trials(f"compliance-{shift.get(last.compliance, 'not-comparable')}"),
        ]
    none = _trials("last") if rows and rows[-1].suggested_peep_cmh2o is None else ""
    first = say("short.look_first", what=look) if look else ""
    return shortened(head, told, first or changes[0], [*changes[0 if first else 1 :], none])


def trials_words(trials: TrialsOverTime, *, most: int, unread_before_s: float | None) -> str:
    """How many trials there are and how each differs from the one before; what was left unread is said."""
    count = len(trials.trials)
    parts = [_told("one") if count == 1 else _told("several", count=count), *trial_change_words(trials)]
    if count == most:
        parts.append(_told("most", count=most))
    elif unread_before_s is not None:
        parts.append(_told("unread", before=f"{datetime.fromtimestamp(unread_before_s, UTC):%Y-%m-%d %H:%M} UTC"))
    return " ".join(parts)


def trial_words(past: PastTrial, why_none: str) -> str:
    """What one trial found."""
    closing, at = past.closing, past.at_suggestion
    if closing.peep_cmh2o is None or closing.interval_cmh2o is None:
        known = f"trials.{closing.verdict.value}" in ENGLISH
        return f"{_told(closing.verdict.value if known else 'not-told')} {why_none}".rstrip()
    low, high = closing.interval_cmh2o
    span = _told("span" if low < high else "span-one", low=level(low), high=level(high))
    parts = [_told("closing", peep=level(closing.peep_cmh2o), span=span)]
    if past.suggested_peep_cmh2o is None:
        return " ".join([*parts, _told("no-peep"), why_none]).rstrip()
    parts.append(_told("suggested", peep=level(past.suggested_peep_cmh2o)))
    if at is not None:
        name = "static" if past.kind.static else "dynamic"
        fitted = (at.fitted_ml_per_cmh2o, at.fitted_low_ml_per_cmh2o, at.fitted_high_ml_per_cmh2o)
        value, least, greatest = (f"{one:.0f}" for one in fitted)
        parts.append(_told(name, value=value, low=least, high=greatest))
    return " ".join(parts)


def trial_change_words(trials: TrialsOverTime) -> tuple[str, ...]:
    """How each trial differs from the one before it."""
    pairs = zip(trials.changes, trials.trials, trials.trials[1:], strict=False)
    return tuple(_changed(change, one, two) for change, one, two in pairs)


def _changed(change: TrialChange, one: PastTrial, two: PastTrial) -> str:
    hours = (two.at_s - one.at_s) / 3600.0
    later = _told("hours", count=f"{hours:.0f}") if hours < _HOURS_UP_TO else _told("days", count=f"{hours / 24:.1f}")
    closing = _told(
        f"closing-{change.closing.value}",
        later=later,
        now="" if two.closing.peep_cmh2o is None else level(two.closing.peep_cmh2o),
        before="" if one.closing.peep_cmh2o is None else level(one.closing.peep_cmh2o),
        higher=percent(change.higher),
        lower=percent(change.lower),
    )
    return f"{closing} {_told(f'compliance-{change.compliance.value}')}"
