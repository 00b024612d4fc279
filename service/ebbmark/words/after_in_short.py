"""Markers of one trial in short; all trials of a patient in short and in sentences."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Final

from ebbmark.physiology.after.markers import SAME_AS_COMPLIANCE, Marker, Markers, Meaning
from ebbmark.physiology.after.trials import Shift, TrialChange, TrialRow, TrialsOverTime
from ebbmark.physiology.before.peep_tables import TableAnswer
from ebbmark.physiology.closing.result import Closing
from ebbmark.words.in_short import InShort, shortened
from ebbmark.words.messages import ENGLISH, say, spell
from ebbmark.words.numbers import level, percent

_MOST_TRIALS: Final = 4
_HOURS_UP_TO: Final = 48.0


def markers_in_short(
    markers: Markers, closing: Closing, tables: Sequence[TableAnswer] = (), *, look: str = ""
) -> InShort:
    """Put it in short where each marker puts closing.

    Args:
        tables: what the published PEEP/FiO2 tables would set.
        look: what of the trial asks for a look at the patient first; empty where nothing does.
    """
    head = {True: "agree", False: "disagree", None: "not-compared"}[markers.agree]
    compliance = _named("compliance", closing.peep_cmh2o)
    # At constant volume driving pressure is the same measurement as compliance.
    falls = [one for one in markers.markers if one.meaning is Meaning.CLOSING and one.slug != SAME_AS_COMPLIANCE]
    named = [compliance, *[_named(one.slug, one.peep_cmh2o) for one in falls]]
    best = [_named(one.slug, one.peep_cmh2o) for one in markers.markers if _names_best(one)]
    looked_up = [
        _line("table" if low != high else "table-one", low=level(low), high=level(high))
        for one in tables
        if (low := one.lowest_cmh2o) is not None and (high := one.highest_cmh2o) is not None
    ]
    first = say("short.look_first", what=look) if look else ""
    return shortened(
        _line(head),
        _line("closing", listed=", ".join(named)),
        first,
        [
            _line("best", listed=", ".join(best)) if best else "",
            _line("tables", listed=" or ".join(looked_up)) if looked_up else "",
            *[spell(one) for one in markers.not_recorded],
            _line("choose"),
        ],
    )


def _names_best(one: Marker) -> bool:
    return one.meaning is Meaning.BEST and one.peep_cmh2o is not None


def _named(slug: str, peep_cmh2o: float | None) -> str:
    name = say(f"marker.{slug}") if f"marker.{slug}" in ENGLISH else slug.replace("-", " ")
    return _line("none", name=name) if peep_cmh2o is None else _line("at", name=name, peep=level(peep_cmh2o))


def _line(name: str, /, **values: object) -> str:
    return say(f"markers-line.{name}", **values)


def trials_in_short(trials: TrialsOverTime, *, look: str = "") -> InShort:
    """Put several trials in short: closing and suggested PEEP one after the other, and what changed.

    Args:
        trials: oldest first.
        look: what of the latest trial asks for a look at the patient first; empty where nothing does.
    """
    rows = trials.rows
    latest = rows[-_MOST_TRIALS:]
    closing = [_trials("none") if one.closing_cmh2o is None else level(one.closing_cmh2o) for one in latest]
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


def _trials(name: str, /, **values: object) -> str:
    return say(f"trials-line.{name}", **values)


def trials_words(trials: TrialsOverTime, *, most: int, unread_before_s: float | None) -> str:
    """How many trials there are, and how each differs from the one before it.

    Args:
        trials: oldest first.
        most: trials that are read of one record.
        unread_before_s: readings before this moment were not looked at; None where all were.
    """
    count = len(trials.rows)
    parts = [_told("one") if count == 1 else _told("several", count=count), *change_words(trials)]
    if count == most:
        parts.append(_told("most", count=most))
    elif unread_before_s is not None:
        parts.append(_told("unread", before=f"{datetime.fromtimestamp(unread_before_s, UTC):%Y-%m-%d %H:%M} UTC"))
    return " ".join(parts)


def trial_words(row: TrialRow, why_none: str) -> str:
    """What one trial found.

    Args:
        why_none: why no PEEP is suggested from it, in plain sentences; may be empty.
    """
    if row.closing_cmh2o is None or row.interval_cmh2o is None:
        known = f"trials.{row.verdict.value}" in ENGLISH
        return f"{_told(row.verdict.value if known else 'not-told')} {why_none}".rstrip()
    low, high = row.interval_cmh2o
    span = _told("span" if low < high else "span-one", low=level(low), high=level(high))
    parts = [_told("closing", peep=level(row.closing_cmh2o), span=span)]
    if row.suggested_peep_cmh2o is None:
        return " ".join([*parts, _told("no-peep"), why_none]).rstrip()
    parts.append(_told("suggested", peep=level(row.suggested_peep_cmh2o)))
    band = row.compliance_band_ml_per_cmh2o
    if row.compliance_ml_per_cmh2o is not None and band is not None:
        name = "static" if row.kind.static else "dynamic"
        value, least, greatest = (f"{one:.0f}" for one in (row.compliance_ml_per_cmh2o, *band))
        parts.append(_told(name, value=value, low=least, high=greatest))
    return " ".join(parts)


def change_words(trials: TrialsOverTime) -> tuple[str, ...]:
    """How each trial differs from the one before it."""
    pairs = zip(trials.changes, trials.rows, trials.rows[1:], strict=False)
    return tuple(_changed(change, one, two) for change, one, two in pairs)


def _changed(change: TrialChange, one: TrialRow, two: TrialRow) -> str:
    hours = (two.at_s - one.at_s) / 3600.0
    later = _told("hours", count=f"{hours:.0f}") if hours < _HOURS_UP_TO else _told("days", count=f"{hours / 24:.1f}")
    closing = _told(
        f"closing-{change.closing.value}",
        later=later,
        now="" if two.closing_cmh2o is None else level(two.closing_cmh2o),
        before="" if one.closing_cmh2o is None else level(one.closing_cmh2o),
        higher=percent(change.higher),
        lower=percent(change.lower),
    )
    return f"{closing} {_told(f'compliance-{change.compliance.value}')}"


def _told(name: str, /, **values: object) -> str:
    return say(f"trials.{name}", **values)
