"""The patient and the lung now, read once for every question, against what the trial showed.

Vital signs, effort, oxygen, position, mode, a standing pneumothorax. A stop limit of the trial holds after it, too. A
patient who triggers breaths has no passive mechanics; FiO2 that was raised hides what saturation would have lost. The
titration withholds its number or questions it by the same findings from which `$check-validity` and `$compare-settings`
say that it no longer holds.

Of the lung and the circuit: compliance that is lost, end-tidal carbon dioxide that vanished, a circuit that opened, air
that is trapped, and PEEP that is being lowered again. Source: this project's choice; each limit is that of the checks
of a trial or has its own words.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import median
from typing import Final

from ebbmark.physiology.after.comparison import assumed_noise, noise_of_difference
from ebbmark.physiology.after.events import (
    BEFORE_S,
    LARGE_LOSS,
    LATEST_S,
    NOW_S,
    Event,
    Occurrence,
    open_circuit_episodes,
)
from ebbmark.physiology.findings import OWN_CHOICE, Change, Finding, KnownCondition, Message, Value, Weight, message
from ebbmark.physiology.patient.context import LIMITS
from ebbmark.physiology.protocols import Protocol
from ebbmark.physiology.readings import Quantity, Reading, latest
from ebbmark.physiology.stop.criteria import CRITERIA, StopCriterion
from ebbmark.physiology.stop.limits import StopLimits
from ebbmark.physiology.timeline import FIO2, in_force_at
from ebbmark.physiology.trial.limb import OPEN_CIRCUIT_PEEP_CMH2O, PeepLevel, peep_levels_of
from ebbmark.physiology.trial.steps import Trial

PNEUMOTHORAX: Final = "untreated-pneumothorax"
NAMED: Final = "pneumothorax-named"  # one that the words of a Condition name, and no code places

_TOO_FULL_PERCENT: Final = 97.0
"""Above this saturation says little of oxygenation: the global definition of ARDS (2023) uses S/F up to 97 %."""

_NOISE: Final = assumed_noise("sf-ratio")
_BEYOND: Final = (
    (StopCriterion.SATURATION, Event.OXYGENATION_LOST),
    (StopCriterion.MEAN_ARTERIAL_PRESSURE, Event.PRESSURE_LOST),
    (StopCriterion.SYSTOLIC_PRESSURE, Event.PRESSURE_LOST),
    (StopCriterion.HEART_RATE_LOW, Event.HEART_RATE_LOW),
    (StopCriterion.HEART_RATE_HIGH, Event.HEART_RATE_HIGH),
)


@dataclass(frozen=True, slots=True)
class PatientNow:
    """What the record says of the patient now, or of what changed since a trial."""

    pneumothorax: tuple[Occurrence, ...]  # one that the record says is there, and not that it is drained
    beyond: tuple[Occurrence, ...]  # vital signs of which the latest reading lies beyond a stop limit
    triggers: Occurrence | None
    oxygen: Occurrence | None  # FiO2 that was raised with saturation that did not rise with it; None where not
    changed: tuple[Occurrence, ...]
    lung: tuple[Occurrence, ...] = ()
    without_peep: Reading | None = None  # the first setting of next to no PEEP since; None where there is none

    @property
    def alarms(self) -> tuple[Occurrence, ...]:
        """What asks for somebody now."""
        return (*self.pneumothorax, *self.beyond, *[one for one in self.lung if one.grave])

    @property
    def not_comparable(self) -> tuple[Occurrence, ...]:
        """What makes another lung of it than the trial's."""
        mild = (one for one in self.lung if not one.grave)
        return (*[one for one in (self.triggers, self.oxygen) if one is not None], *mild)


def patient_now(
    readings: Sequence[Reading],
    limits: StopLimits,
    *,
    since_s: float,
    at_s: float,
    began_s: float | None = None,
    last_step_s: float | None = None,
    conditions: Sequence[KnownCondition] = (),
    changes: Sequence[Change] = (),
    lung: tuple[Occurrence, ...] = (),
) -> PatientNow:
    """Read the patient now.

    Args:
        since_s: from when on a reading is one of now at the earliest: the end of a trial, or the setting of PEEP after
            it.
        at_s: time of the question, or of the newest reading.
        last_step_s: when the lowest step began: where nothing was charted since, pressure and heart rate there are
            those of now, too, and lower PEEP does not explain them; saturation there it does. None to leave that step
            to the checks of the trial.
    """
    when = {"titrated_s": since_s, "at_s": at_s}
    settings = (
        reading for reading in readings if reading.quantity is Quantity.PEEP_SET and since_s < reading.at_s <= at_s
    )
    return PatientNow(
        tuple(_pneumothorax(condition, at_s) for condition in conditions if condition.slug in (PNEUMOTHORAX, NAMED)),
        _beyond(readings, limits, since_s=since_s, last_step_s=last_step_s, at_s=at_s),
        triggers_now(readings, **when),
        oxygen_need(readings, began_s=began_s, **when),
        tuple(_changed(change) for change in changes if since_s < change.at_s and not change.first),
        lung,
        next((setting for setting in settings if setting.value <= OPEN_CIRCUIT_PEEP_CMH2O), None),
    )


def _pneumothorax(one: KnownCondition, at_s: float) -> Occurrence:
    sources = () if one.source is None else (one.source,)
    return _at(at_s, Event.PNEUMOTHORAX, sources, {"words": one.words}, citation=one.citation, grave=True)


def _changed(change: Change) -> Occurrence:
    values = {"words": change.words, "breathes": change.breathing is not None}
    return _at(change.at_s, Event(change.kind.value), (change.source,), values)


def _at(
    at_s: float,
    event: Event,
    sources: tuple[int, ...],
    values: Mapping[str, object],
    *,
    kind: str = "",
    citation: str = OWN_CHOICE,
    grave: bool = False,
) -> Occurrence:
    """What happened at one moment, of the kind that its event names unless another is given."""
    return Occurrence(event, kind or event.value, at_s, at_s, sources, citation, values, grave)


def _beyond(
    readings: Sequence[Reading], limits: StopLimits, *, since_s: float, last_step_s: float | None, at_s: float
) -> tuple[Occurrence, ...]:
    """Vital signs of which the latest reading lies beyond a stop limit."""
    found = []
    for criterion, event in _BEYOND:
        row = CRITERIA[criterion]
        limit = row.limit_of(limits)
        own_s = since_s if last_step_s is None or criterion is StopCriterion.SATURATION else last_step_s
        now = latest(readings, row.quantity, max(own_s, at_s - NOW_S), at_s)
        if limit is not None and now is not None and row.passed_by(now.value, limit.value) > 0:
            values = {"reading": now, "limit": limit, "row": row, "age_s": at_s - now.at_s}
            kind, cited = "beyond-limit", limit.source
            found.append(_at(now.at_s, event, (now.source,), values, kind=kind, citation=cited, grave=True))
    return tuple(found)


def findings_now(now: PatientNow, limits: StopLimits) -> Iterator[Finding]:
    """What the patient is like now, as findings beside a titration: a vital sign beyond its limit comes first."""
    if now.beyond:
        quantities = {one.values["reading"].quantity for one in now.beyond}
        # Where the mean pressure is told, the systolic one adds nothing to a short line.
        mean = {Quantity.SYSTOLIC_ARTERIAL_PRESSURE} if Quantity.MEAN_ARTERIAL_PRESSURE in quantities else set()
        short = [one for one in now.beyond if one.values["reading"].quantity not in mean]
        values: dict[str, Value] = {
            "words": tuple(_limit_words("beyond-limit-with-unit", one, {}) for one in now.beyond),
            "short": tuple(_limit_words("beyond-limit", one, _SHORT) for one in short),
        }
        sources = tuple(dict.fromkeys(source for one in now.beyond for source in one.sources))
        source = limits.source or now.beyond[0].citation
        at_s = max(one.from_s for one in now.beyond)
        yield Finding("stop-limit-since-trial", Weight.LOOK_FIRST, values, (), at_s, sources, source)
    for seen in now.lung:
        weight = Weight.HIGH if seen.kind in _QUESTIONS else Weight.LOOK_FIRST
        yield Finding(f"{seen.kind}-since", weight, seen.values, (), seen.from_s, seen.sources, seen.citation)
    if now.without_peep is not None:
        low = now.without_peep
        told: dict[str, Value] = {"peep_cmh2o": low.value}
        yield Finding("without-peep-since", Weight.HIGH, told, (), low.at_s, (low.source,), OWN_CHOICE)
    doubts = ((now.triggers, "effort-since-trial"), (now.oxygen, "oxygen-need-since-trial"))
    for one, slug in doubts:
        if one is not None:
            yield Finding(slug, Weight.HIGH, one.values, (), one.from_s, one.sources, one.citation)
    for event, (slug, weight) in _SINCE.items():
        newest = max((one for one in now.changed if one.event is event), key=lambda one: one.from_s, default=None)
        if newest is not None:
            # Like breaths of the patient's own that readings show.
            weighs = Weight.HIGH if newest.values["breathes"] else weight
            values = {"words": newest.values["words"]}
            yield Finding(slug, weighs, values, (), newest.from_s, newest.sources, OWN_CHOICE)


_QUESTIONS: Final = frozenset({"air-trapped", "opened-circuit"})
"""What of the lung now questions the number; anything else withholds it."""

_SHORT: Final = {Quantity.MEAN_ARTERIAL_PRESSURE: "MAP"}
_SINCE: Final = {
    Event.POSITION_CHANGED: ("position-changed-since", Weight.HIGH),
    Event.MODE_CHANGED: ("mode-changed-since", Weight.MODERATE),
}


def _limit_words(which: str, one: Occurrence, names: Mapping[Quantity, str]) -> Message:
    row, reading, limit = one.values["row"], one.values["reading"], one.values["limit"]
    name, value = names.get(reading.quantity, row.reading_words), round(reading.value)
    return message(f"vital.{which}", name=name, value=value, unit=row.unit, limit=round(limit.value))


def triggers_now(readings: Sequence[Reading], *, titrated_s: float, at_s: float) -> Occurrence | None:
    """Spontaneous breaths, a rate above its setting, or pressure support that is not known to be passive."""
    since_s = max(titrated_s, at_s - NOW_S)
    own = latest(readings, Quantity.RESPIRATORY_RATE_SPONTANEOUS, since_s, at_s)
    measured = latest(readings, Quantity.RESPIRATORY_RATE, since_s, at_s)
    support = latest(readings, Quantity.PRESSURE_SUPPORT_SET, since_s, at_s)
    ordered = latest(readings, Quantity.RESPIRATORY_RATE_SET, float("-inf"), at_s)
    above = 0.0 if measured is None or ordered is None else measured.value - ordered.value
    if own is not None and own.value > LIMITS.spontaneous_per_min:
        shown, words = own, message("effort.spontaneous-rate", rate=round(own.value))
    elif measured is not None and ordered is not None and above > LIMITS.rate_above_set_per_min:
        shown = measured
        words = message("effort.rate-above-set", rate=round(measured.value), set_rate=round(ordered.value))
    elif support is not None and support.value > 0.0 and (measured is None or ordered is None):
        shown, words = support, message("effort.pressure-support", support=round(support.value))
    else:
        return None
    return _at(shown.at_s, Event.TRIGGERS, (shown.source,), {"words": words})


def oxygen_need(
    readings: Sequence[Reading], *, began_s: float | None, titrated_s: float, at_s: float
) -> Occurrence | None:
    """FiO2 that was raised with saturation that did not rise with it: S/F now against that before the trial."""
    spo2 = [reading for reading in readings if reading.quantity is Quantity.SPO2 and reading.at_s <= at_s]
    now = latest(spo2, Quantity.SPO2, max(titrated_s, at_s - LATEST_S))
    ends_s = [one for one in (began_s, titrated_s) if one is not None]
    groups = ([one for one in spo2 if end_s - BEFORE_S <= one.at_s < end_s] for end_s in ends_s)
    before = next((group for group in groups if group), [])
    if now is None or not before or now.value > _TOO_FULL_PERCENT:
        return None
    last = max(before, key=lambda one: (one.at_s, one.source))
    first_fio2, fio2 = (in_force_at(readings, FIO2, one.at_s).reading for one in (last, now))
    if first_fio2 is None or fio2 is None or fio2.value - first_fio2.value <= FIO2.same:
        return None
    then_percent = median(one.value for one in before)
    then, here = then_percent / first_fio2.value, now.value / fio2.value
    if then - here <= noise_of_difference(_NOISE, before=then, after=here, readings_before=len(before)):
        return None
    values = {
        "fio2_before": f"{100 * first_fio2.value:.0f}",
        "fio2_now": f"{100 * fio2.value:.0f}",
        "before": f"{then_percent:.0f}",
        "now": f"{now.value:.0f}",
    }
    sources = tuple(sorted({now.source, fio2.source}))
    return _at(now.at_s, Event.OXYGENATION_LOST, sources, values, kind="oxygen-need", citation=_NOISE.source)


FEWEST_LEVELS: Final = 3
"""So many falling levels after a trial are another one that runs; fewer may be a change of setting. Our choice."""

_SETTLED_S: Final = 60.0
"""A reading this soon after another PEEP was last charted says nothing of compliance here [s]; our choice."""

_VOLUMES: Final = (Quantity.TIDAL_VOLUME_EXPIRED, Quantity.TIDAL_VOLUME_UNSTATED, Quantity.TIDAL_VOLUME_INSPIRED)


def lung_now(
    readings: Sequence[Reading], trial: Trial, protocol: Protocol, *, since_s: float, at_s: float
) -> tuple[Occurrence, ...]:
    """What the latest readings show of the lung and the circuit, gravest first."""
    since = sorted(
        (reading for reading in readings if since_s < reading.at_s <= at_s), key=lambda one: (one.start_s, one.source)
    )
    if not since:
        return ()
    levels = peep_levels_of([reading for reading in readings if reading.at_s <= at_s])
    found = (
        _lost_compliance(since, levels, trial, at_s),
        _lost_carbon_dioxide(readings, since, at_s),
        _open_circuit(since),
        _lowered_again([level for level in levels if level.start_s > since_s], protocol),
        _trapped(since, at_s),
    )
    return tuple(one for one in found if one is not None)


def _lost_compliance(
    since: Sequence[Reading], levels: Sequence[PeepLevel], trial: Trial, at_s: float
) -> Occurrence | None:
    plateau = latest(since, Quantity.PLATEAU_PRESSURE, at_s - LATEST_S, at_s)
    volume = next((one for kind in _VOLUMES if (one := latest(since, kind, at_s - LATEST_S, at_s)) is not None), None)
    known = [step for step in trial.steps if step.plateau_cmh2o is not None]
    here = (
        None if plateau is None else next((level for level in reversed(levels) if level.start_s <= plateau.at_s), None)
    )
    if plateau is None or volume is None or here is None or not known:
        return None
    peep, driving = here.peep_cmh2o, plateau.value - here.peep_cmh2o
    step = min(known, key=lambda one: abs(one.peep_cmh2o - peep))
    before = step.compliance_ml_per_cmh2o
    trapped = _intrinsic([one for one in since if one.at_s >= here.start_s], peep, at_s)
    if trapped is not None:
        driving -= trapped[0]
    elif step.tidal_volume_ml is not None and step.plateau_cmh2o is not None:
        # Like with like: where total PEEP is not known now, it does not count on the other side either.
        before = step.tidal_volume_ml / (step.plateau_cmh2o - step.peep_cmh2o)
    left_s = max((level.readings[-1].at_s for level in levels if level.start_s < here.start_s), default=float("-inf"))
    settled = plateau.at_s - left_s >= _SETTLED_S
    if not settled or driving <= 0.0 or volume.value > (1.0 - LARGE_LOSS) * before * driving:
        return None
    values = {
        "before": before,
        "now": volume.value / driving,
        "then_cmh2o": step.peep_cmh2o,
        "peep_cmh2o": peep,
        "plateau_cmh2o": plateau.value,
    }
    sources = tuple(dict.fromkeys((plateau.source, here.readings[-1].source, volume.source)))
    return _at(plateau.at_s, Event.COMPLIANCE_LOST, sources, values, kind="lung-lost", grave=True)


def _lost_carbon_dioxide(readings: Sequence[Reading], since: Sequence[Reading], at_s: float) -> Occurrence | None:
    now = latest(since, Quantity.END_TIDAL_CO2, at_s - LATEST_S, at_s)
    worn = max((reading.value for reading in readings if reading.quantity is Quantity.END_TIDAL_CO2), default=0.0)
    if now is None or worn < LIMITS.worn_carbon_dioxide_mmhg or now.value >= LIMITS.no_carbon_dioxide_mmhg:
        return None
    values = {"now": now.value, "limit": LIMITS.no_carbon_dioxide_mmhg}
    return _at(now.at_s, Event.CARBON_DIOXIDE_LOST, (now.source,), values, grave=True)


def _open_circuit(since: Sequence[Reading]) -> Occurrence | None:
    episodes = open_circuit_episodes(since)
    if not episodes:
        return None
    last, event, values = episodes[-1], Event.OPEN_CIRCUIT, {"words": episodes[-1].words}
    kind = "open-circuit" if last.goes_on else "opened-circuit"
    return Occurrence(event, kind, last.from_s, last.until_s, last.sources, OWN_CHOICE, values, last.goes_on)


def _lowered_again(later: Sequence[PeepLevel], protocol: Protocol) -> Occurrence | None:
    """The latest movement of PEEP, where it is a limb that began after the trial."""
    run = list(later[:1])
    for above, below in pairwise(later):
        fall = above.peep_cmh2o - below.peep_cmh2o
        at_once = below.start_s - above.start_s <= protocol.longest_step_s
        run = [*run, below] if 0.0 < fall <= protocol.largest_decrement_cmh2o and at_once else [below]
    if len(run) < FEWEST_LEVELS:
        return None
    values = {"top_cmh2o": run[0].peep_cmh2o, "now_cmh2o": run[-1].peep_cmh2o}
    sources, event = tuple(one.readings[0].source for one in run), Event.LOWERED_AGAIN
    return Occurrence(event, "lowered-again", run[0].start_s, run[-1].start_s, sources, OWN_CHOICE, values)


def _trapped(since: Sequence[Reading], at_s: float) -> Occurrence | None:
    peep = latest(since, Quantity.PEEP_SET, at_s - LATEST_S, at_s)
    trapped = _intrinsic(since, None if peep is None else peep.value, at_s)
    if trapped is None or trapped[0] < LIMITS.intrinsic_high_cmh2o:
        return None
    values = {"trapped_cmh2o": trapped[0], "limit_cmh2o": LIMITS.intrinsic_high_cmh2o}
    return _at(trapped[1].at_s, Event.AIR_TRAPPED, (trapped[1].source,), values)


def _intrinsic(readings: Sequence[Reading], peep_cmh2o: float | None, at_s: float) -> tuple[float, Reading] | None:
    """Intrinsic PEEP, and the reading that shows it; None where nothing does."""
    total = latest(readings, Quantity.PEEP_TOTAL, at_s - LATEST_S, at_s)
    if total is not None and peep_cmh2o is not None:
        return total.value - peep_cmh2o, total
    own = latest(readings, Quantity.PEEP_INTRINSIC, at_s - LATEST_S, at_s)
    return None if own is None else (own.value, own)
