"""Entering a trial by hand: rows of a form become Observations, answered as any request, and recorded on request.

Nothing that was typed is kept here: the rows travel with each form, and the browser keeps them until they are sent.
"""

from __future__ import annotations

import asyncio
import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta, tzinfo
from hashlib import sha256
from typing import Final

from fastapi import Request, Response

from ebbmark.fhir.operations import TITRATE_PEEP
from ebbmark.fhir.problems import Rejected
from ebbmark.fhir.reading.events import OTHER_RHYTHM
from ebbmark.fhir.writing.entered import ENTERED, EnteredQuantity, EnteredRow, entered_observations
from ebbmark.physiology.readings import Quantity
from ebbmark.physiology.stop.limits import RhythmCode, StopLimits
from ebbmark.record.write_back import WriteState
from ebbmark.web.page.frame import Form, Pages, form_of, frame_in_use, frame_of
from ebbmark.web.page.frame import drawn as figure_drawn
from ebbmark.web.page.running_view import live_of
from ebbmark.web.page.source import TrialSource, tried
from ebbmark.web.theme import PageRefused
from ebbmark.words.messages import level, say
from ebbmark.words.titration import in_short

LEAST_ROWS: Final = 14
"""So many rows the form has at least; the page adds more as they are needed."""

MOST_ROWS: Final = 100
_CLOCK: Final = re.compile(r"([01]?[0-9]|2[0-3])[:.]?([0-5][0-9])(?::([0-5][0-9]))?")
_NUMBER: Final = re.compile(r"[0-9]{1,4}(?:[.,][0-9]{1,2})?")
_AHEAD: Final = timedelta(minutes=1)
_LONGEST: Final = timedelta(hours=12)
_LEAST_VOLUME_ML: Final = 50.0
"""A smaller expired volume of an adult was typed in another unit; 0 is an open circuit. This project's choice."""


@dataclass(frozen=True, slots=True)
class Entry:
    """What a form holds.

    Attributes:
        typed: each row as it was typed, time first and rhythm last, empty rows left out.
        rows: the same as values, in order of time; those with a fault left out.
    """

    typed: tuple[tuple[str, ...], ...]
    rows: tuple[EnteredRow, ...]
    faults: tuple[str, ...]


def rhythms_to_enter(limits: StopLimits) -> dict[str, RhythmCode]:
    """The heart rhythms that can be chosen, by what the form calls them: those signed to stop at, and any other one."""
    signed = limits.rhythms_that_stop.codes if limits.rhythms_that_stop else ()
    return {**{f"{one.system}|{one.code}": one for one in signed}, "other": OTHER_RHYTHM}


def entries_of(form: Form, *, now_s: float, zone: tzinfo, rhythms: Mapping[str, RhythmCode]) -> Entry:
    """Read the rows of a form.

    A time is the latest of that clock time that is not ahead of now; one further back than half a day is taken to lie
    ahead. Our choice: a trial takes minutes.

    Args:
        form: fields `time`, one per quantity and `rhythm`, each repeated once a row.
    """
    names = ("time", *(one.name for one in ENTERED), "rhythm")
    sent = [(name, value.strip()) for name, value in form.fields if name in names]
    cells = iter(value for _, value in sent)
    if [name for name, _ in sent] != list(names) * (len(sent) // len(names)):
        todo = (say("page.open-form-again"),)
        raise PageRefused(400, say("page-refused.not-rows"), say("page.rows-not-whole"), todo=todo)
    typed = [*zip(*[cells] * len(names), strict=True)][:MOST_ROWS]
    typed = [row for row in typed if any(row[1:])]
    rows, faults = [], []
    for number, (time, *values, rhythm) in enumerate(typed, start=1):
        at_s = _moment(time, now_s, zone)
        wrong = [] if at_s is not None else [say("typed.time-no-clock", typed=time)]
        read = [(what, text, _number(text)) for what, text in zip(ENTERED, values, strict=True) if text]
        wrong += [sentence for what, text, value in read if (sentence := _fault(what, text, value))]
        wrong += [say("typed.heart-rhythm-not")] if rhythm and rhythm not in rhythms else []
        doubted = {} if wrong else _doubted({what.quantity: value for what, _, value in read if value is not None})
        faults += [say("page.row", number=number, one=one) for one in (*wrong, *dict.fromkeys(doubted.values()))]
        if at_s is not None and not wrong:
            kept = [(what, value) for what, _, value in read if value is not None and what.quantity not in doubted]
            rows.append(EnteredRow(at_s, tuple(kept), rhythms.get(rhythm)))
    return Entry(tuple(typed), tuple(sorted(rows, key=lambda one: one.at_s)), tuple(faults))


def _doubted(values: Mapping[Quantity, float]) -> dict[Quantity, str]:
    """Values of one row that cannot be right beside one another, or for an adult, and why; the others of it count."""
    found: dict[Quantity, str] = {}
    volume = values.get(Quantity.TIDAL_VOLUME_EXPIRED)
    if volume is not None and 0.0 < volume < _LEAST_VOLUME_ML:
        found[Quantity.TIDAL_VOLUME_EXPIRED] = say(
            "typed.vt-expired-below", typed=f"{volume:g}", least=f"{_LEAST_VOLUME_ML:g}"
        )
    peep, plateau, peak = map(values.get, (Quantity.PEEP_SET, Quantity.PLATEAU_PRESSURE, Quantity.PEAK_PRESSURE))
    if plateau is not None and peep is not None and plateau <= peep:
        found[Quantity.PLATEAU_PRESSURE] = say(
            "typed.plateau-one-them", typed=f"{plateau:g}", contradicted=say("page.not-above-peep", peep=f"{peep:g}")
        )
    if plateau is not None and peak is not None and plateau > peak:
        words = say(
            "typed.plateau-one-them", typed=f"{plateau:g}", contradicted=say("page.above-peak", peak=f"{peak:g}")
        )
        found |= {Quantity.PLATEAU_PRESSURE: words, Quantity.PEAK_PRESSURE: words}
    return found


def _moment(time: str, now_s: float, zone: tzinfo) -> float | None:
    found = _CLOCK.fullmatch(time)
    if found is None:
        return None
    now = datetime.fromtimestamp(now_s, zone)
    hour, minute, second = (int(group or 0) for group in found.groups())
    moment = now.replace(hour=hour, minute=minute, second=second, microsecond=0)
    if moment > now + _AHEAD:
        moment -= timedelta(days=1)
    return None if now - moment > _LONGEST else min(moment, now).timestamp()


def _number(text: str) -> float | None:
    return float(text.replace(",", ".")) if _NUMBER.fullmatch(text) else None


def _fault(what: EnteredQuantity, text: str, value: float | None) -> str:
    if value is None:
        return say("typed.no-number-up", label=what.label, typed=text)
    within = what.low <= value <= what.high
    return (
        ""
        if within
        else say(
            "typed.cannot-right-taken",
            label=what.label,
            typed=text,
            low=level(what.low),
            high=level(what.high),
            unit=what.unit,
        )
    )


async def show_entry(source: TrialSource, pages: Pages) -> Response:
    """The form, empty."""
    return await _form(source, pages, Entry((), (), ()))


async def enter_steps(request: Request, source: TrialSource, pages: Pages) -> Response:
    """What the typed rows say so far; or, where it was asked for, what would be recorded, and recording it."""
    form = await form_of(request, source)
    entry = entries_of(form, now_s=source.at_s, zone=pages.zone, rhythms=rhythms_to_enter(source.site.stop_limits))
    if "fragment" in request.query_params:
        return Response(await _computed(source, pages, entry), media_type="text/html; charset=utf-8")
    if form.one("do") in ("review", "record") and entry.rows and not entry.faults:
        return await (_recorded if form.one("do") == "record" else _review)(source, pages, entry)
    return await _form(source, pages, entry)


async def _observations(source: TrialSource, entry: Entry) -> tuple[dict[str, object], ...]:
    subject = f"Patient/{(await source.patient()).get('id', '')}"
    return entered_observations(entry.rows, subject, source.clinician)


async def _form(source: TrialSource, pages: Pages, entry: Entry) -> Response:
    now = datetime.fromtimestamp(source.at_s, pages.zone)
    blank = ("",) * (2 + len(ENTERED))
    return pages.page(
        "by_hand.html",
        await frame_of(source, pages.zone),
        here="running",
        columns=ENTERED,
        rhythms=rhythms_to_enter(source.site.stop_limits),
        typed=(*entry.typed, *[blank] * max(2, LEAST_ROWS - len(entry.typed))),
        computed=await _computed(source, pages, entry) if entry.typed else "",
        csrf=source.csrf,
        key=_key(source, await source.patient()),
        now_ms=round(1000 * source.at_s),
        offset_min=round((now.utcoffset() or timedelta()) / timedelta(minutes=1)),
        speed=source.speed,
    )


def _key(source: TrialSource, patient: object) -> str:
    """Names this patient of this record to the browser's store and says nothing about them."""
    who = patient.get("id", "") if isinstance(patient, dict) else ""
    return sha256(f"{source.place}|{who}".encode()).hexdigest()[:32]


async def _computed(source: TrialSource, pages: Pages, entry: Entry) -> str:
    """What the service says of the readings so far: the running trial, and the answer once there is one."""
    if not entry.rows:
        return pages.body("by_hand_fragment.html", faults=entry.faults, live=None, short=None, drawn=None)
    entered = await _observations(source, entry)
    live, answer = await asyncio.gather(
        live_of(source, pages.zone, entered), tried(source.asked(TITRATE_PEEP.slug, entered=entered))
    )
    figure = live.view.figure if live.view else None
    # While the limb runs the box of the running trial leads: its answer and that of the titration may differ.
    beside = live.view is not None and not live.view.ended
    short = None
    if not isinstance(answer, Rejected) and not beside:
        short = in_short(answer.titration.advice, answer.titration.closing)
    return pages.body(
        "by_hand_fragment.html",
        faults=entry.faults,
        live=live,
        view=live.view,
        shown="",
        short=short,
        drawn=await asyncio.to_thread(figure_drawn, figure) if figure else None,
    )


async def _review(source: TrialSource, pages: Pages, entry: Entry) -> Response:
    frame = await frame_in_use(source, pages)
    return pages.page(
        "by_hand_review.html",
        frame,
        here="running",
        columns=ENTERED,
        rhythms=rhythms_to_enter(source.site.stop_limits),
        typed=entry.typed,
        observations=await _observations(source, entry),
        clinician=source.clinician.get("display") or source.clinician.get("reference") or "",
        cannot_write=source.cannot_enter(),
        csrf=source.csrf,
    )


async def _recorded(source: TrialSource, pages: Pages, entry: Entry) -> Response:
    refusal = source.cannot_enter()
    if refusal:
        raise PageRefused(403, say("page-refused.not-recorded"), refusal)
    frame = await frame_in_use(source, pages)
    outcome = await source.record_entered(await _observations(source, entry))
    there = outcome is not None and outcome.state in (WriteState.WRITTEN, WriteState.ALREADY_THERE)
    return pages.page(
        "by_hand_recorded.html",
        frame,
        here="running",
        status=200 if outcome is None or there else 502,
        title=say("page.nothing-written") if outcome is None else "Recorded" if there else say("page.not-recorded"),
        sentence=say("page.demo-there-no") if outcome is None else outcome.sentence,
        clear=_key(source, await source.patient()) if there or outcome is None else "",
    )
