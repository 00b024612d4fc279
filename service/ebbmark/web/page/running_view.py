"""What the page says of a trial in progress: the next step, the steps so far, and every stop criterion."""

from __future__ import annotations

import asyncio
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import tzinfo
from math import ceil
from typing import Final

from ebbmark.fhir.answer import Amount, Answer, Coded, Statement, Value, Whole, in_words
from ebbmark.fhir.codesystem import CONCEPTS
from ebbmark.fhir.problems import Rejected, status_of
from ebbmark.fhir.reading.request import NO_SITE, Site
from ebbmark.fhir.writing.account import ABSENT, TextTable
from ebbmark.physiology.readings import Quantity
from ebbmark.physiology.stop.criteria import CRITERIA, StopCriterion
from ebbmark.physiology.stop.limits import StopLimits
from ebbmark.physiology.trial.limb import SAME_PEEP_CMH2O
from ebbmark.views.figure import RunningFigure, running_figure_of
from ebbmark.web.page.source import TrialSource, demographics, tried
from ebbmark.web.page.words import ago, clinical_sentences, clock, day_and_time, plainly, technical_words
from ebbmark.words.messages import InShort, level, percent, say, spell

_NOT_USABLE: Final = 422
_DISPLAY = {one.code: one.display for one in CONCEPTS}

_CITED: Final = re.compile(r"(limit [^().]*(?:\.\d[^().]*)*) \((?:[^()]|\([^()]*\))*\)")
"""A limit and its source in brackets: a heading names the limit, the text below its source too."""

_OF_THE_API: Final = "the parameters acknowledged ("
"""How a program acknowledges; a page that shows a trial takes no acknowledgement."""

LOOKS_AT: Final = {
    StopCriterion.SATURATION.value: (Quantity.SPO2, "%"),
    StopCriterion.MEAN_ARTERIAL_PRESSURE.value: (Quantity.MEAN_ARTERIAL_PRESSURE, "mmHg"),
    StopCriterion.MEAN_ARTERIAL_PRESSURE_FALL.value: (Quantity.MEAN_ARTERIAL_PRESSURE, "mmHg"),
    StopCriterion.SYSTOLIC_PRESSURE.value: (Quantity.SYSTOLIC_ARTERIAL_PRESSURE, "mmHg"),
    StopCriterion.SYSTOLIC_PRESSURE.value: (Quantity.SYSTOLIC_ARTERIAL_PRESSURE, "mmHg"),
    StopCriterion.HEART_RATE_LOW.value: (Quantity.HEART_RATE, "/min"),
    StopCriterion.HEART_RATE_HIGH.value: (Quantity.HEART_RATE, "/min"),
    StopCriterion.PEAK_PRESSURE.value: (Quantity.PEAK_PRESSURE, "cmH2O"),
    StopCriterion.VOLUME_LOST.value: (Quantity.TIDAL_VOLUME_EXPIRED, "mL"),
    StopCriterion.AIR_LEAK.value: (Quantity.TIDAL_VOLUME_EXPIRED, "mL"),
}
"""The quantity whose newest reading is shown beside a criterion, and its unit as people write it; rhythm has none."""


@dataclass(frozen=True, slots=True)
class Criterion:
    """One stop criterion: what it is, whether it was met, the latest reading with its age, its limit and who set it."""

    name: str
    state: str
    met: bool
    latest: str
    limit: str


@dataclass(frozen=True, slots=True)
class Vital:
    """One vital sign of the last half hour.

    Attributes:
        was: the last value at the step before, where the newest lies beyond a limit; else empty.
        age: how old that is, where the ventilator was read since; else empty.
        limits: its stop limits in words; empty where nobody has given a number.
        trace: its course as points of an SVG polyline in a field of 100 by 30.
    """

    name: str
    value: str
    was: str
    age: str
    limits: str
    beyond: bool
    trace: str
    limit_at: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class RunningView:
    """A trial as it stands.

    Attributes:
        where: which step this is, its PEEP and how many readings of it have settled; empty before the way down.
        since: time of day since when PEEP is as it is; empty where that is not known.
        said: what the readings so far allow to be said.
        warnings: stop criteria that were met, gravest first.
        figure: the steps as they are drawn; None where none has a reading yet.
        steps: highest PEEP first; no rows before the way down.
        criteria: all of them, those that were met first.
        criteria_note: why some could not be checked, and who signed the limits.
    """

    short: InShort
    stop: bool
    where: str
    since: str
    since_s: float
    vitals: tuple[Vital, ...]
    state: str
    ended: bool
    said: str
    latest: str
    more: tuple[str, ...]
    warnings: tuple[str, ...]
    figure: RunningFigure | None
    steps: TextTable
    criteria: tuple[Criterion, ...]
    criteria_note: str
    method: str


_STATES = {"not-started": "page.not-lowered-yet", "trial-ended": "page.trial-has-ended"}


def running_view(answer: Answer, *, zone: tzinfo, site: Site = NO_SITE) -> RunningView:
    """Put the answer to the next-step question in words and tables.

    Args:
        site: what the site has decided: its staircase says how many steps there are.
    """
    move = _only(answer, "next-step")
    stops = _only(answer, "stop-criteria")
    latest_s = max(reading.end_s for reading in answer.request.readings)
    now_s = answer.request.as_of_s
    figure = running_figure_of(answer)
    said = _CITED.sub(r"\1", plainly(answer.said[0]))
    since_s = _peep_since_s(answer)
    return RunningView(
        short=answer.short,
        stop=move.value == Coded("stop-criterion-met"),
        where=_where(answer, site),
        since=clock(since_s, zone) if since_s is not None else "",
        since_s=since_s or 0.0,
        vitals=tuple(_vitals(answer, since_s, latest_s)),
        state=say(_STATES.get(move.value.code if isinstance(move.value, Coded) else "", "page.trial-progress")),
        ended=move.value == Coded("trial-ended"),
        said=said,
        latest=f"{day_and_time(latest_s, zone)}, {ago(latest_s, now_s)}",
        # The table of criteria says what was checked, and the note below it what was not.
        more=tuple(
            plainly(one)
            for one in answer.said[1:]
            if _OF_THE_API not in one and not any(told in one for told in stops.beside_parts)
        ),
        # The gravest is said above already, but for the source of its limit.
        warnings=tuple(warning.text for warning in answer.warnings if warning.text not in said),
        figure=figure,
        steps=_steps(answer, figure, zone),
        criteria=tuple(sorted((_criterion(*part, answer, zone) for part in stops.parts), key=lambda one: not one.met)),
        criteria_note=" ".join(stops.beside_parts),
        method=move.method,
    )


def _peep_since_s(answer: Answer) -> float | None:
    """Since when PEEP is set as it is, by what was charted; None where it was not."""
    set_s = sorted(
        (reading.start_s, reading.value) for reading in answer.request.readings if reading.quantity is Quantity.PEEP_SET
    )
    since_s = None
    for at_s, value in reversed(set_s):
        if abs(value - set_s[-1][1]) >= SAME_PEEP_CMH2O:
            break
        since_s = at_s
    return since_s


def _where(answer: Answer, site: Site) -> str:
    """`Step 4 of 7, PEEP 14, 2 settled readings`; the number of steps is what the staircase would come to."""
    steps = [
        statement
        for statement in answer.statements
        if statement.code == "running-step" and isinstance(statement.value, Amount)
    ]
    if not steps:
        return ""
    staircase = answer.request.asked.staircase or site.default_staircase
    decrement, lowest = staircase.decrement_cmh2o.value, staircase.lowest_cmh2o.value
    peep = steps[-1].value.value if isinstance(steps[-1].value, Amount) else 0.0
    to_come = ceil(max(0.0, peep - lowest) / decrement) if decrement and lowest is not None else None
    of_all = say("page.of", count=len(steps) + to_come) if to_come is not None else ""
    used = dict(steps[-1].parts).get("readings-used")
    count = used.value if isinstance(used, Whole) else 0
    readings = say("typed.settled-reading", value=count or say("typed.none"), ending="" if count == 1 else "s")
    return say("typed.step-peep", step=f"{len(steps)}{of_all}", peep=level(peep), readings=readings)


_SHOWN: Final = (
    ("SpO2", Quantity.SPO2),
    ("MAP", Quantity.MEAN_ARTERIAL_PRESSURE),
    ("Systolic", Quantity.SYSTOLIC_ARTERIAL_PRESSURE),
    ("Heart rate", Quantity.HEART_RATE),
    ("Peak pressure", Quantity.PEAK_PRESSURE),
)
_TRACED_S: Final = 1800.0
"""So much of the course of a vital sign is drawn [s]; our choice."""


_READ_SINCE_S: Final = 120.0
"""A vital sign this much older than the latest reading has its age beside it [s]; our choice."""


def _vitals(answer: Answer, since_s: float | None, latest_s: float) -> Iterator[Vital]:
    now_s, limits = answer.request.as_of_s, answer.request.stop_limits
    for name, quantity in _SHOWN:
        course = [reading for reading in answer.request.readings if reading.quantity is quantity]
        if not course:
            continue
        newest = max(course, key=lambda one: one.end_s)
        rows = [row for row in CRITERIA.values() if row.quantity is quantity and row.sign]
        held = [(row, limit.value) for row in rows if (limit := row.limit_of(limits)) is not None]
        recent = sorted((one.at_s, one.value) for one in course if now_s - one.at_s <= _TRACED_S)
        values = [*[value for _, value in recent], *[limit for _, limit in held]]
        low, span = min(values, default=0.0), max(values, default=1.0) - min(values, default=0.0) or 1.0

        def height(value: float, low: float = low, span: float = span) -> float:
            return round(27 - 24 * (value - low) / span, 1)

        # A row of sign 1 is met below its limit, one of sign -1 above it.
        beyond = any(row.sign * (limit - newest.value) > 0 for row, limit in held)
        earlier = [one for one in course if since_s is not None and one.end_s < since_s]
        yield Vital(
            name=name,
            value=f"{round(newest.value, 1):g} {rows[0].unit if rows else ''}".strip(),
            was=f"{max(earlier, key=lambda one: one.end_s).value:g}" if beyond and earlier else "",
            age=ago(newest.end_s, now_s) if latest_s - newest.end_s > _READ_SINCE_S else "",
            limits=", ".join(row.shown_limit(limit) for row, limit in held),
            beyond=beyond,
            trace=" ".join(
                f"{round(100 * (1 - (now_s - at_s) / _TRACED_S), 1):g},{height(value):g}" for at_s, value in recent
            ),
            limit_at=tuple(height(limit) for _, limit in held),
        )


def _only(answer: Answer, code: str) -> Statement:
    return next(statement for statement in answer.statements if statement.code == code)


def _steps(answer: Answer, figure: RunningFigure | None, zone: tzinfo) -> TextTable:
    """The steps so far, with the middle compliance of each as the trial is read now."""
    middles = {step.peep_cmh2o: step for step in figure.steps} if figure else {}
    rows = []
    for statement in answer.statements:
        if statement.code != "running-step" or not isinstance(statement.value, Amount):
            continue
        parts, step = dict(statement.parts), middles.get(statement.value.value)
        passed = parts.get("closing-passed-probability")
        rows.append(
            (
                f"{statement.value.value:g}",
                say("page.time-span", time=clock(statement.span_s[0], zone), time_2=clock(statement.span_s[1], zone))
                if statement.span_s
                else ABSENT,
                _words(parts.get("readings-used")),
                f"{step.centre_ml_per_cmh2o:.1f}" if step else ABSENT,
                percent(passed.value) if isinstance(passed, Amount) else ABSENT,
            )
        )
    return TextTable(
        ("PEEP", "time", say("page.settled-readings"), "compliance", say("page.closing-passed")),
        ("cmH2O", "", "", "mL/cmH2O", "probability"),
        tuple(rows),
    )


def _criterion(code: str, value: Value | None, answer: Answer, zone: tzinfo) -> Criterion:
    state = value.code if isinstance(value, Coded) else "criterion-not-checked"
    return Criterion(
        _DISPLAY.get(code, code),
        _DISPLAY.get(state, state),
        state == "criterion-met",
        _latest(code, answer, zone),
        _limit(StopCriterion(code), answer.request.stop_limits),
    )


def _limit(criterion: StopCriterion, limits: StopLimits) -> str:
    """The limit with its source."""
    if criterion is StopCriterion.RHYTHM:
        stopping = limits.rhythms_that_stop
        if stopping is None:
            return say("page.no-limit")
        return say("page.limit", limit=", ".join(code.display for code in stopping.codes), source=stopping.source)
    row = CRITERIA[criterion]
    limit = row.limit_of(limits)
    return (
        say("page.no-limit")
        if limit is None
        else say("page.limit", limit=row.shown_limit(limit.value), source=limit.source)
    )


def _latest(code: str, answer: Answer, zone: tzinfo) -> str:
    """The newest reading that the criterion looks at, with its time and age; empty where there is none."""
    if code == StopCriterion.RHYTHM.value:
        return _latest_rhythm(answer, zone)
    looked_at = LOOKS_AT.get(code)
    readings = [
        reading for reading in answer.request.readings if looked_at is not None and reading.quantity is looked_at[0]
    ]
    if looked_at is None or not readings:
        return ""
    newest = max(readings, key=lambda one: one.end_s)
    when = f"{clock(newest.end_s, zone)}, {ago(newest.end_s, answer.request.as_of_s)}"
    return say("page.at", value=f"{round(newest.value, 1):g}", looked_at=looked_at[1], when=when)


def _latest_rhythm(answer: Answer, zone: tzinfo) -> str:
    rhythms = answer.request.rhythms.read
    if not rhythms:
        return ""
    newest = rhythms[-1]
    return say(
        "page.rhythm-at",
        words=spell(newest.words),
        time=clock(newest.at_s, zone),
        age=ago(newest.at_s, answer.request.as_of_s),
    )


def _words(value: Value | None) -> str:
    if isinstance(value, Amount):
        return in_words(value.value, value.unit)
    return f"{value.value}" if isinstance(value, Whole) else ABSENT


@dataclass(frozen=True, slots=True)
class Live:
    """The part of the page of a running trial that is renewed.

    Attributes:
        sentences: why none is.
        not_in_use: that the record no longer uses this Patient, in a sentence; empty where it does.
        technical: the same in the words of the API, where those differ.
    """

    view: RunningView | None
    sentences: tuple[str, ...]
    as_of: str
    not_in_use: str
    technical: tuple[str, ...] = ()


async def live_of(source: TrialSource, zone: tzinfo, entered: Sequence[dict[str, object]] = ()) -> Live:
    """The running trial as it stands, or that there is none.

    Args:
        entered: Observations that were entered by hand and are not in the record yet.
    """
    as_of = clock(source.at_s, zone)
    answer = await tried(source.asked("next-step", entered=entered))
    if isinstance(answer, Rejected) and status_of(answer.problems) != _NOT_USABLE:
        raise answer
    # The page may stand open while its patient record is replaced: what is charted from then on is not seen here.
    who = await demographics(source, zone)
    if isinstance(answer, Rejected):
        said = clinical_sentences(answer.problems)
        return Live(None, said, as_of, who.not_in_use, technical_words(answer.problems))
    view = await asyncio.to_thread(running_view, answer, zone=zone, site=source.site)
    return Live(view, (), as_of, who.not_in_use)
