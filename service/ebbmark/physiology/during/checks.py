"""Checks before PEEP is lowered: vital signs against their limits, the way down, the circuit and the breaths.

One ordered table of functions from the context to what was found, as values. A vital sign is beyond its limit, possibly
so, never sent, or too old to say. The curve so far is held against the same table of checks as a titration: what leaves
no number there leaves no next step here. Limits without another source are this project's choice.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from math import inf
from statistics import median
from typing import Final

from ebbmark.physiology.during.context import SUDDEN_FALL, Concern, Consequence, RunningContext
from ebbmark.physiology.findings import Weight
from ebbmark.physiology.readings import Quantity, UnusableReading, latest_doubt
from ebbmark.physiology.stop.criteria import CRITERIA, NotCheckedReason, StopCriterion, bounds_of
from ebbmark.physiology.stop.limits import (
    CHANGED,
    NOT_READABLE,
    RhythmChange,
    not_readable,
    rhythm_changes,
    rhythm_is_current,
    signed_and_long_known,
)

AFTER_S: Final = 3600.0  # a reading of this long ago says nothing about now, however alarming it is [s]
SLOW_S: Final = 60.0  # a newest reading of up to this age shows no slow clock [s]


RHYTHM_NOT_SENT: Final = "heart-rhythm-not-sent"
VITAL_SIGNS: Final = {
    "spo2": "spo2-not-sent",
    "arterial-pressure": "arterial-pressure-not-sent",
    "heart-rate": "heart-rate-not-sent",
}
"""Each vital sign of the criteria, with the word by which it is acknowledged that it is not sent."""

CIRCULATION: Final = frozenset(
    {Quantity.MEAN_ARTERIAL_PRESSURE, Quantity.SYSTOLIC_ARTERIAL_PRESSURE, Quantity.HEART_RATE}
)
_OF_VITAL_SIGNS: Final = {*[row.criterion for row in CRITERIA.values() if row.vital], StopCriterion.RHYTHM}
_SHOWN_AS_SEEN: Final = (Quantity.SPO2, Quantity.MEAN_ARTERIAL_PRESSURE, Quantity.HEART_RATE)


def beyond(context: RunningContext) -> Iterator[Concern]:
    """Latest readings beyond a limit although they meet no criterion: none was signed, or it was too early."""
    named: set[tuple[Quantity, int]] = set()
    for bound in bounds_of(context.limits):
        latest = context.latest(bound.row.quantity, context.at_s - AFTER_S)
        if latest is not None and bound.passed_by(latest.value) > 0 and bound.side not in named:
            named.add(bound.side)
            yield Concern("beyond", {"bound": bound, "reading": latest})


def circulation_alarms(context: RunningContext) -> bool:
    """Whether blood pressure or heart rate met a criterion, or lies where anybody would look."""
    met = [CRITERIA[one.criterion].quantity for one in context.stops.pressing if one.criterion in CRITERIA]
    looked_at = [one.values["reading"].quantity for one in beyond(context)]
    return not CIRCULATION.isdisjoint((*met, *looked_at))


def beyond_if_slow(context: RunningContext) -> Iterator[Concern]:
    """Readings beyond a limit from just before the trial, which a slow monitor's clock may have stamped too early.

    Monitor and ventilator keep clocks of their own. Where the newest reading of a vital sign lies some minutes back,
    its clock may be slow by as much. Newer good readings do not settle that: a stop criterion that was met stays met.
    A newest reading of this very minute does, since a clock that is right now was right then.
    """
    named: set[tuple[Quantity, int]] = set()
    for bound in bounds_of(context.limits):
        of_it = sorted(
            (reading for reading in context.readings if reading.quantity is bound.row.quantity),
            key=lambda one: one.at_s,
        )
        lag_s = min(context.at_s - of_it[-1].at_s, AFTER_S) if of_it else 0.0
        # The latest itself is looked at whenever it was.
        before = [one for one in of_it[:-1] if context.since_s - lag_s <= one.at_s < context.since_s]
        low = [one for one in before if bound.passed_by(one.value) > 0]
        if lag_s > SLOW_S and low and bound.side not in named:
            named.add(bound.side)
            worst = max(low, key=lambda one: (bound.passed_by(one.value), one.at_s))
            yield Concern("beyond-if-slow", {"bound": bound, "reading": worst, "newest": of_it[-1]})


def doubtful_pressure(context: RunningContext) -> Iterator[Concern]:
    """A recent arterial pressure near zero between two good ones: the line is looked at, the trial not stopped."""
    for one in context.stops.not_pressing:
        if one.doubtful and context.at_s - one.last_s <= 60.0 * context.limits.oldest_reading_min.value:
            yield Concern("doubtful-pressure", {"reading": one.worst.reading})
            return


def may_be_beyond(context: RunningContext) -> Iterator[Concern]:
    """Readings that cannot be used, may lie beyond a limit, and were not followed by a usable one."""
    bounds = tuple(bounds_of(context.limits))
    # Of several that are alike the latest is enough.
    alike = {(doubt.quantity, doubt.value, doubt.side, doubt.why): doubt for doubt in context.doubts}
    for doubt in alike.values():
        latest = context.latest(doubt.quantity)
        settled = latest is not None and doubt.at_s is not None and latest.at_s > doubt.at_s
        if settled or (doubt.at_s is not None and doubt.at_s < context.since_s) or doubt.value is None:
            continue
        reached: set[int] = set()
        for bound in bounds:
            open_side = "below" if bound.row.sign > 0 else "above"
            reaches = doubt.side == open_side or bound.passed_by(doubt.value) > 0
            if bound.row.quantity is doubt.quantity and reaches and bound.row.sign not in reached:
                reached.add(bound.row.sign)
                yield Concern("may-be-beyond", {"doubt": doubt, "bound": bound})


def all_rhythm_changes(context: RunningContext) -> list[RhythmChange]:
    """Every change of rhythm since the trial began, those signed and known only from long before included."""
    known = signed_and_long_known(context.rhythms.read, context.limits, since_s=context.since_s)
    return [*rhythm_changes(context.rhythms.read, since_s=context.since_s), *known]


def rhythm_changed(context: RunningContext) -> Iterator[Concern]:
    """A rhythm that is new, or signed and known only from long before; one on the signed list is a criterion."""
    stopping = context.limits.rhythms_that_stop
    for one in all_rhythm_changes(context):
        if one.known_s or stopping is None or not one.new.among(stopping.codes):
            yield Concern("rhythm-changed", {"change": one}, one.slug)


def rhythm_not_readable(context: RunningContext) -> Iterator[Concern]:
    """A rhythm that was charted since the trial began and cannot be read."""
    unread = not_readable(context.rhythms, since_s=context.since_s)
    if unread is not None:
        yield Concern("rhythm-not-readable", {"unread": unread}, NOT_READABLE)


def vitals_not_sent(context: RunningContext) -> Iterator[Concern]:
    """Vital signs with a stop limit of which no usable reading was sent since the trial began.

    A limit that is never held against anything protects nobody. One pressure judged by its own limit is enough to know
    the circulation by; where only defaults hold, the mean stands for the systolic pressure. A reading that is merely
    old is not among them: its criterion says its age, and one more reading is asked for.
    """
    limits = context.limits
    sent = {reading.quantity for reading in context.readings if reading.at_s >= context.since_s}
    recent_s = max(context.since_s, context.at_s - 60.0 * limits.oldest_reading_min.value)
    recent = {reading.quantity for reading in context.readings if reading.at_s >= recent_s}
    for vital, name in VITAL_SIGNS.items():
        rows = [row for row in CRITERIA.values() if row.vital == vital]
        limited = [row for row in rows if limits.asks_for(row.limit_of(limits))]
        # Before anybody of the site has signed, the pressure that is at hand is better than none.
        enough = sent & {row.quantity for row in limited} or (not limits.signed and recent & {r.quantity for r in rows})
        if limited and not enough:
            quantities = dict.fromkeys(row.quantity for row in rows)
            doubts = [latest_doubt(context.doubts, quantity, since_s=context.since_s) for quantity in quantities]
            values = {"words": vital, "rows": limited, "doubts": [doubt for doubt in doubts if doubt is not None]}
            yield Concern("vital-not-sent", values, name)
    if limits.rhythms_that_stop is not None and not any(one.at_s >= context.since_s for one in context.rhythms.read):
        yield Concern("vital-not-sent", {"words": "heart rhythm", "rows": [], "doubts": []}, RHYTHM_NOT_SENT)


def criteria_old(context: RunningContext) -> Iterator[Concern]:
    """Vital signs whose latest reading is too old to show that a criterion is not met."""
    for one in context.stops.not_checked:
        acknowledged = one.criterion is StopCriterion.RHYTHM and RHYTHM_NOT_SENT in context.acknowledged
        if one.why is NotCheckedReason.OLD and one.criterion in _OF_VITAL_SIGNS and not acknowledged:
            yield Concern("criterion-old", {"criterion": one})


def not_seen(context: RunningContext) -> Iterator[Concern]:
    """Vital signs that were not sent during the trial, for whoever stands at the bedside."""
    seen = {reading.quantity for reading in context.readings if reading.at_s >= context.since_s}
    missing = [one for one in _SHOWN_AS_SEEN if one not in seen]
    doubts = [latest_doubt(context.doubts, one, since_s=context.since_s) for one in _SHOWN_AS_SEEN]
    if missing or any(doubts):
        yield Concern("not-seen", {"quantities": missing, "doubts": [doubt for doubt in doubts if doubt is not None]})


def signed_and_uncheckable(context: RunningContext) -> Iterator[Concern]:
    """Signed limits that nothing sent can be held against, such as a fall from before."""
    found = [
        one
        for one in context.stops.not_checked
        if one.why is NotCheckedReason.NOT_SENT
        and one.criterion in _OF_VITAL_SIGNS - {StopCriterion.RHYTHM}
        and VITAL_SIGNS[CRITERIA[one.criterion].vital] not in context.acknowledged
    ]
    if found and context.limits.signed:
        yield Concern("signed-and-uncheckable", {"criteria": found})


def no_limit(context: RunningContext) -> Iterator[Concern]:
    """Vital signs that nothing here judges because no limit is signed."""
    unlimited = [one.criterion for one in context.stops.not_checked if one.why is NotCheckedReason.NO_LIMIT]
    found = [one for one in unlimited if one in _OF_VITAL_SIGNS]
    if found:
        yield Concern("no-limit", {"criteria": found})


SAME_CMH2O: Final = 0.9  # PEEP that differs by no more than this is the same: measured values wander

CONTRADICTION_CMH2O: Final = 2.0  # measured PEEP this far from its setting: one whole step of a usual staircase

SETTLED_S: Final = 30.0  # a measured PEEP this soon after a change may still be that of the step before [s]
GONE_ML: Final = 50.0  # an expired volume of an adult that is none

MISSING_SHARE: Final = 0.2
"""Expired volume this much below the one that is set is no difference between two sensors [1]."""

OXYGEN_RAISED: Final = 0.05  # a rise of FiO2 that is more than rounding [1]

FALL_TOLD_PERCENT: Final = 2.0
"""Saturation this far below its highest on the way down is told [percentage points]: a fall of SpO2 by 2 % names
closing in PHARLAP (methods table of Cochrane review CD009098, 2021)."""

FALL_LOOKED_AT_PERCENT: Final = 5.0
"""Saturation this far below it asks for a look before PEEP is lowered [percentage points]."""


_PEEPS: Final = frozenset({Quantity.PEEP_SET, Quantity.PEEP_MEASURED})
_TOLD: Final = frozenset({"vasopressor-raised", "intrinsic-peep", "leak-grows", "pressure-fell-rate-rose"})
_LOOKED_AT: Final = frozenset({"carbon-dioxide-halved"})
"""What leaves a finished trial its number asks for a look before PEEP is lowered further."""
LOOKED_INTO: Final = ("sudden-fall", "pressure-rises-as-peep-falls")
"""Words by which it is acknowledged that somebody looked and found no other cause."""


def unlike_closing(context: RunningContext) -> Iterator[Concern]:
    """What the checks of a titration find along this way down because of which nothing is read from it.

    The last step counts as much as any other here: the trial is still running, and nobody has seen yet whether a fall
    lasts. What comes back, and a circuit that was open, have their own place in a trial in progress.
    """
    for found in context.curve:
        if (found.weight is Weight.LOOK_FIRST and found.slug != "circuit-opened") or found.slug in _LOOKED_AT:
            name = found.slug if found.slug in LOOKED_INTO else ""
            yield Concern("unlike-closing", {"finding": found}, name)


def spoken_against(context: RunningContext) -> Iterator[Concern]:
    """What bears on vital signs and curve on the way down: a vasopressor, trapped air, a growing leak, pulse."""
    for found in context.curve:
        if found.slug in _TOLD and found.weight in (Weight.HIGH, Weight.MODERATE):
            yield Concern("spoken-against", {"finding": found})


def newer_peep_unusable(context: RunningContext) -> Iterator[Concern]:
    """Another PEEP was sent after the latest usable one and cannot be used; what is set now is not known."""
    now = context.running.now_cmh2o
    if now is None:
        return
    latest_s = max((reading.end_s for reading in context.readings if reading.quantity in _PEEPS), default=-inf)

    def agrees(doubt: UnusableReading) -> bool:
        """Whether it says what is known anyway; a measured PEEP without a value says nothing."""
        if doubt.value is None:
            return doubt.quantity is Quantity.PEEP_MEASURED
        return not doubt.side and abs(doubt.value - now) <= SAME_CMH2O

    newer = [
        doubt for doubt in context.doubts if doubt.quantity in _PEEPS and (doubt.at_s is None or doubt.at_s >= latest_s)
    ]
    newer = [one for one in newer if not agrees(one)]
    if newer:
        yield Concern("newer-peep-unusable", {"doubt": newer[-1]})


def measured_peep_off(context: RunningContext) -> Iterator[Concern]:
    """Measured PEEP against the setting, where it was measured after the setting could have settled."""
    now, measured = context.running.now_cmh2o, context.latest(Quantity.PEEP_MEASURED)
    if now is None or measured is None or context.latest(Quantity.PEEP_SET) is None:
        return
    if measured.at_s >= context.running.now_since_s + SETTLED_S and abs(measured.value - now) >= CONTRADICTION_CMH2O:
        yield Concern("measured-peep-off", {"now": now, "reading": measured})


def saturation_came_down(least: float, slug: str) -> Callable[[RunningContext], Iterator[Concern]]:
    """Saturation that came down on the way down by at least `least` points."""

    def judge(context: RunningContext) -> Iterator[Concern]:
        trial = context.running.trial
        from_s = trial.steps[0].start_s if trial is not None else inf
        latest = context.latest(Quantity.SPO2, from_s)
        if latest is None:
            return
        highest = max(
            reading.value
            for reading in context.readings
            if reading.quantity is Quantity.SPO2 and reading.at_s >= from_s
        )
        if round(highest - latest.value, 6) >= least:
            yield Concern(slug, {"highest": highest, "reading": latest})

    return judge


def circuit_opened(context: RunningContext) -> Iterator[Concern]:
    """A circuit that was open on the way down."""
    trial = context.running.trial
    opened = [one.sentence for one in trial.observed if one.slug == "disconnection"] if trial is not None else []
    if opened:
        yield Concern("circuit-opened", {"sentences": opened})


def volume_gone(context: RunningContext) -> Iterator[Concern]:
    """The latest expired volume, where it is next to nothing, or in volume control far below the one that is set."""
    expired = context.latest(Quantity.TIDAL_VOLUME_EXPIRED, context.since_s)
    if expired is None:
        return
    if expired.value <= GONE_ML:
        yield Concern("volume-gone", {"reading": expired})
        return
    ordered, pressure = context.latest(Quantity.TIDAL_VOLUME_SET), context.latest(Quantity.PRESSURE_ABOVE_PEEP_SET)
    if ordered is None or ordered.at_s > expired.at_s or pressure is not None:
        return
    if expired.value < (1.0 - MISSING_SHARE) * ordered.value:
        yield Concern("volume-missing", {"reading": expired, "ordered": ordered})


def latest_breath_fell(context: RunningContext) -> Iterator[Concern]:
    """The latest reading of compliance far below the others of its step, of which the middle hides one reading."""
    samples = context.running.trial.steps[-1].samples if context.running.trial is not None else ()
    if len(samples) >= 2:
        before = median(sample.compliance_ml_per_cmh2o for sample in samples[:-1])
        fall = 1.0 - samples[-1].compliance_ml_per_cmh2o / before
        if fall >= SUDDEN_FALL:
            yield Concern("latest-breath-fell", {"fall": fall})


def compliance_old(context: RunningContext) -> Iterator[Concern]:
    """A latest reading of compliance that is too old."""
    if context.running.trial is not None:
        old_s = context.at_s - context.running.trial.steps[-1].end_s
        if old_s > 60.0 * context.limits.oldest_reading_min.value:
            yield Concern("compliance-old", {"age_s": old_s})


def plateau_above_limit(context: RunningContext) -> Iterator[Concern]:
    """A latest plateau pressure at the present PEEP above the protocol's limit."""
    latest = context.latest(Quantity.PLATEAU_PRESSURE, context.running.now_since_s)
    if latest is not None and latest.value > context.protocol.plateau_limit_cmh2o:
        yield Concern("plateau-above-limit", {"reading": latest, "limit": context.protocol.plateau_limit_cmh2o})


def oxygen_raised(context: RunningContext) -> Iterator[Concern]:
    """More oxygen on the way down, behind which a fall of SpO2 would hide."""
    if context.running.trial is None:
        return
    lowered_s = context.running.trial.steps[0].end_s
    settings = sorted(
        (reading for reading in context.readings if reading.quantity is Quantity.FIO2_SET), key=lambda one: one.at_s
    )
    before = [setting.value for setting in settings if setting.at_s <= lowered_s]
    after = [setting.value for setting in settings if setting.at_s > lowered_s]
    if before and after and max(after) - before[-1] >= OXYGEN_RAISED:
        yield Concern("oxygen-raised", {"before": before[-1], "after": max(after)})


CHECKS: Final[Mapping[Consequence, Sequence[Callable[[RunningContext], Iterator[Concern]]]]] = {
    Consequence.LOOK_UNLIKE_CLOSING: (unlike_closing,),
    Consequence.LOOK: (
        beyond,
        beyond_if_slow,
        may_be_beyond,
        doubtful_pressure,
        rhythm_changed,
        rhythm_not_readable,
        newer_peep_unusable,
        measured_peep_off,
        saturation_came_down(FALL_LOOKED_AT_PERCENT, "saturation-fell-far"),
        circuit_opened,
        volume_gone,
    ),
    Consequence.MEASURE: (vitals_not_sent,),
    Consequence.READ_AGAIN: (criteria_old, latest_breath_fell, compliance_old),
    Consequence.TELL: (
        saturation_came_down(FALL_TOLD_PERCENT, "saturation-falling"),
        plateau_above_limit,
        oxygen_raised,
        spoken_against,
        not_seen,
    ),
    Consequence.TELL_LAST: (signed_and_uncheckable, no_limit),
}
"""Gravest first; within one consequence in the order in which they are said."""


def concerns_of(context: RunningContext, consequence: Consequence) -> list[Concern]:
    """What the checks of this consequence found and nobody has acknowledged, in the order of the table."""
    found = [one for check in CHECKS[consequence] for one in check(context)]
    return [one for one in found if not one.name or one.name not in context.acknowledged]


def acknowledgeable(context: RunningContext) -> tuple[Concern, ...]:
    """Everything of the context that waits for a word, acknowledged or not."""
    found = [one for one in vitals_not_sent(context) if one.name != RHYTHM_NOT_SENT]
    limits, since_s = context.limits, context.since_s
    signed = limits.rhythms_that_stop is not None
    if signed and not rhythm_is_current(context.rhythms.read, limits, since_s=since_s, at_s=context.at_s):
        found.append(Concern("rhythm-not-recent", name=RHYTHM_NOT_SENT))
    found += [Concern("rhythm-changed", {"change": one}, one.slug) for one in all_rhythm_changes(context)]
    found += [*rhythm_not_readable(context), *[one for one in unlike_closing(context) if one.name]]
    return tuple(found)


def is_acknowledged_name(name: str) -> bool:
    """Whether this names something that may stand in the way during a trial."""
    return name in ACKNOWLEDGED_NAMES[:-1] or (name.startswith(CHANGED) and name != CHANGED)


ACKNOWLEDGED_NAMES: Final = (
    *sorted({*VITAL_SIGNS.values(), RHYTHM_NOT_SENT}),
    NOT_READABLE,
    *LOOKED_INTO,
    f"{CHANGED}…",
)
"""Every word by which something is acknowledged during a trial; the last one ends with the code of the rhythm."""
