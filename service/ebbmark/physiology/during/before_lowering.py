"""What keeps PEEP from being lowered, although the way down so far would allow it?

The trial says whether a lower step could still tell something; this says whether anybody may be sent there. First what
asks for a look at the patient, then a vital sign that has a limit and was never sent, then what asks for one more
reading; nothing here ever asks anyone to raise pressure.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from typing import Final

from ebbmark.physiology.during.ages import age
from ebbmark.physiology.during.doubts import VITAL_WORDS, Doubt, alarming, may_be_beyond, newer_peep_unknown, not_usable
from ebbmark.physiology.during.meanwhile import (
    latest_breath_fell,
    oxygen_raised,
    plateau_above_limit,
    saturation_falling,
    saturation_fell_far,
    volume_missing,
)
from ebbmark.physiology.during.next_move import Action, Move
from ebbmark.physiology.during.not_closing import compliance_broke_away, effort_shows, plateau_rose
from ebbmark.physiology.during.rhythm import NOT_READABLE, not_readable, rhythm_changes, signed_and_long_known
from ebbmark.physiology.during.rhythm_codes import NO_RHYTHM, Rhythms
from ebbmark.physiology.during.running import RunningTrial
from ebbmark.physiology.during.slow_clock import alarming_if_slow
from ebbmark.physiology.during.stop_answer import StopAnswer, Why
from ebbmark.physiology.during.stop_criteria import StopCriterion
from ebbmark.physiology.during.stop_limits import StopLimits
from ebbmark.physiology.during.unsent import (
    RHYTHM_NOT_SENT,
    Unsent,
    measure_first,
    uncheckable_vitals,
    unjudged_vitals,
    unsent_vitals,
)
from ebbmark.physiology.during.way_back import settings_before, way_back_words
from ebbmark.physiology.readings import Quantity, Reading
from ebbmark.physiology.wording import level

__all__ = ["BROKE_AWAY", "PLATEAU_ROSE", "Scene", "before_lowering", "not_like_closing", "not_seen", "unsent_in"]

BROKE_AWAY: Final = "compliance-fell-at-once"
PLATEAU_ROSE: Final = "plateau-rose"
"""Words by which it is acknowledged that somebody looked and found no other cause."""

CONTRADICTION_CMH2O: Final = 2.0
"""Measured PEEP this far from its setting: one whole step of a usual staircase. This project's choice."""

_SETTLED_S: Final = 30.0
"""A measured PEEP this soon after a change may still be that of the step before [s]. This project's choice."""

GONE_ML: Final = 50.0
"""An expired volume of an adult that is none. This project's choice."""

_OPEN_CIRCUIT: Final = "disconnection"
_VITALS: Final = {
    StopCriterion.SATURATION,
    StopCriterion.MEAN_ARTERIAL_PRESSURE,
    StopCriterion.MEAN_ARTERIAL_PRESSURE_FALL,
    StopCriterion.SYSTOLIC_PRESSURE,
    StopCriterion.HEART_RATE_LOW,
    StopCriterion.HEART_RATE_HIGH,
}
_OF_CIRCULATION: Final = _VITALS - {StopCriterion.SATURATION}
_CIRCULATION: Final = frozenset(
    {Quantity.MEAN_ARTERIAL_PRESSURE, Quantity.SYSTOLIC_ARTERIAL_PRESSURE, Quantity.HEART_RATE}
)


@dataclass(frozen=True, slots=True)
class Scene:
    """All that is known at the moment of the question.

    Attributes:
        running: the trial as it stands.
        readings: what can be used, in any order.
        doubts: what was sent and cannot be used.
        stops: the stop criteria.
        limits: in force.
        since_s: start of the trial [s since 1970-01-01T00:00:00Z].
        at_s: the instant that counts as now [s since 1970-01-01T00:00:00Z].
        plateau_limit_cmh2o: of the protocol.
        rhythms: what was charted of the heart's rhythm.
        acknowledged: what a clinician has acknowledged, by its word.
    """

    running: RunningTrial
    readings: Sequence[Reading]
    doubts: Sequence[Doubt]
    stops: StopAnswer
    limits: StopLimits
    since_s: float
    at_s: float
    plateau_limit_cmh2o: float
    rhythms: Rhythms = NO_RHYTHM
    acknowledged: Collection[str] = ()


def before_lowering(move: Move, scene: Scene) -> Move:
    """The move, or what comes before it.

    Args:
        move: what the way down so far allows.
        scene: what is known beside it.

    Source: this project's choice, see the module.
    """
    unlike = [text for slug, text in not_like_closing(scene).items() if slug not in scene.acknowledged]
    if move.action is Action.STOP:
        told = (move.reason, *_of_rhythm(scene), *unlike, _way_back(scene))
        return replace(move, reason=" ".join(told))
    looks = [*unlike, *_looks(scene)]
    if unlike and move.action is Action.LOOK_FIRST:
        return _look_first(move, looks, scene)
    if move.action not in (Action.LOWER, Action.READ_AGAIN) and not unlike:
        back = move.action is Action.LOWEST_REACHED or _circulation_alarms(scene)
        told = (move.reason, *looks, _plateau(scene), _way_back(scene) if back else "")
        return replace(move, reason=" ".join(text for text in told if text))
    if looks and move.action is not Action.NOT_STARTED:
        return _look_first(move, looks, scene)
    missing = measure_first([one for one in unsent_in(scene) if one.slug not in scene.acknowledged])
    if move.action is Action.READ_AGAIN:
        return replace(move, reason=" ".join(text for text in (move.reason, missing) if text))
    again = _again(scene)
    if missing:
        reason = " ".join(text for text in (missing, *again, _plateau(scene)) if text)
        return replace(move, action=Action.MEASURE_FIRST, next_peep_cmh2o=None, lowering_is_useful=False, reason=reason)
    if again:
        said = (" ".join(again), _plateau(scene), move.reason)
        reason = f"Before PEEP is lowered, one more reading here: {' '.join(text for text in said if text)}"
        here = scene.running.steps[-1].peep_cmh2o
        return replace(move, action=Action.READ_AGAIN, next_peep_cmh2o=here, reason=reason)
    fell = saturation_falling(scene.readings, scene.running.trial, at_s=scene.at_s)
    left = uncheckable_vitals(scene.stops, scene.limits, scene.acknowledged)
    told = (
        fell,
        _plateau(scene),
        oxygen_raised(scene.readings, scene.running.trial),
        not_seen(scene),
        move.reason,
        left,
        unjudged_vitals(scene.stops),
    )
    return replace(move, reason=" ".join(text for text in told if text))


def _look_first(move: Move, looks: Sequence[str], scene: Scene) -> Move:
    back = [_way_back(scene)] if _circulation_alarms(scene) else []
    told = ["Look at the patient first; no lower step is named from these readings.", *looks, *back]
    return replace(
        move, action=Action.LOOK_FIRST, next_peep_cmh2o=None, lowering_is_useful=False, reason=" ".join(told)
    )


def not_like_closing(scene: Scene) -> dict[str, str]:
    """What along the way down asks for a look before anything is read from it, by the word that acknowledges it.

    Args:
        scene: what is known. Breaths of the patient's own have no word: they spoil the readings, looked at or not.
    """
    steps = scene.running.trial.steps if scene.running.trial is not None else ()
    found = {
        BROKE_AWAY: compliance_broke_away(steps),
        PLATEAU_ROSE: plateau_rose(steps),
        "": effort_shows(scene.readings, since_s=scene.since_s, at_s=scene.at_s) if scene.running.falling else "",
    }
    return {slug: text for slug, text in found.items() if text}


def _circulation_alarms(scene: Scene) -> bool:
    """Whether blood pressure or heart rate lies beyond a limit, or where anybody would look."""
    met = any(one.criterion in _OF_CIRCULATION for one in scene.stops.met)
    return met or bool(alarming(scene.readings, scene.limits, at_s=scene.at_s, of=_CIRCULATION))


def _way_back(scene: Scene) -> str:
    """The settings before the trial; for each stop, whatever asked for it."""
    peeps = (Quantity.PEEP_SET, Quantity.PEEP_MEASURED)
    top = max((one.value for one in scene.readings if one.quantity in peeps and one.at_s >= scene.since_s), default=0.0)
    return way_back_words(
        settings_before(scene.readings, since_s=scene.since_s, top_cmh2o=top),
        now_cmh2o=scene.running.now_cmh2o,
        circulation=_circulation_alarms(scene),
    )


def unsent_in(scene: Scene) -> tuple[Unsent, ...]:
    """Vital signs that have a stop limit and of which no usable reading was sent, acknowledged or not.

    Args:
        scene: what is known.
    """
    rhythms, limits = scene.rhythms.read, scene.limits
    return unsent_vitals(scene.readings, scene.doubts, rhythms, limits, since_s=scene.since_s, at_s=scene.at_s)


def not_seen(scene: Scene) -> str:
    """Name the vital signs that were not sent during the trial, for whoever stands at the bedside; empty if none.

    Args:
        scene: what is known.
    """
    seen = {one.quantity for one in scene.readings if one.at_s >= scene.since_s}
    missing = [words for quantity, words in VITAL_WORDS.items() if quantity not in seen]
    told = [not_usable(scene.doubts, one, since_s=scene.since_s, at_s=scene.at_s) for one in VITAL_WORDS]
    listed = f"Not seen here, so to be looked at before PEEP is lowered: {', '.join(missing)}." if missing else ""
    return " ".join(text for text in (*told, listed) if text)


def _looks(scene: Scene) -> list[str]:
    """What asks for a look at the patient or the circuit, gravest first."""
    now = scene.running.now_cmh2o
    found = [
        *alarming(scene.readings, scene.limits, at_s=scene.at_s),
        *alarming_if_slow(scene.readings, scene.limits, since_s=scene.since_s, at_s=scene.at_s),
        *may_be_beyond(scene.doubts, scene.readings, scene.limits, since_s=scene.since_s, at_s=scene.at_s),
    ]
    found += _of_rhythm(scene)
    if now is not None:
        found.append(newer_peep_unknown(scene.doubts, scene.readings, now_cmh2o=now, at_s=scene.at_s))
        found.append(_against_measured(scene, now))
    trial = scene.running.trial
    found.append(saturation_fell_far(scene.readings, trial, at_s=scene.at_s))
    opened = [one.sentence for one in trial.observed if one.slug == _OPEN_CIRCUIT] if trial is not None else []
    found += [*opened, "Common practice is to repeat a titration after any disconnection."] if opened else []
    found.append(_volume_gone(scene) or volume_missing(scene.readings, since_s=scene.since_s, at_s=scene.at_s))
    return [text for text in dict.fromkeys(found) if text]


def _of_rhythm(scene: Scene) -> list[str]:
    """A rhythm that is new or cannot be read, unless a clinician has acknowledged just that one."""
    stopping = scene.limits.rhythms_that_stop
    changes = [
        one
        for one in rhythm_changes(scene.rhythms.read, since_s=scene.since_s)
        if stopping is None or not one.new.among(stopping.codes)  # else it is a stop criterion
    ]
    changes += signed_and_long_known(scene.rhythms.read, scene.limits, since_s=scene.since_s)
    told = [one.sentence(scene.limits, scene.at_s) for one in changes if one.slug not in scene.acknowledged]
    unread = not_readable(scene.rhythms, since_s=scene.since_s, at_s=scene.at_s)
    return [*told, *([unread] if unread and NOT_READABLE not in scene.acknowledged else [])]


def _plateau(scene: Scene) -> str:
    """Whether the plateau at the present PEEP lies above the protocol's limit."""
    return plateau_above_limit(
        scene.readings, scene.plateau_limit_cmh2o, from_s=scene.running.now_since_s, at_s=scene.at_s
    )


def _against_measured(scene: Scene, now: float) -> str:
    """The latest measured PEEP against the setting, where it was measured after the setting could have settled."""
    settings = [one for one in scene.readings if one.quantity is Quantity.PEEP_SET]
    measured = [one for one in scene.readings if one.quantity is Quantity.PEEP_MEASURED]
    if not settings or not measured:
        return ""
    latest = max(measured, key=lambda one: (one.at_s, one.source))
    if latest.at_s < scene.running.now_since_s + _SETTLED_S or abs(latest.value - now) < CONTRADICTION_CMH2O:
        return ""
    return (
        f"Set PEEP is {level(now)} cmH2O, but {level(latest.value)} cmH2O was measured ({age(scene.at_s - latest.at_s)}"
        "): a setting that is not in force, an open circuit, or readings of another device."
    )


def _volume_gone(scene: Scene) -> str:
    """The latest expired volume, where it is next to nothing."""
    volumes = [one for one in scene.readings if one.quantity is Quantity.TIDAL_VOLUME_EXPIRED]
    latest = max(volumes, key=lambda one: (one.at_s, one.source), default=None)
    if latest is None or latest.at_s < scene.since_s or latest.value > GONE_ML:
        return ""
    return (
        f"The latest expired volume is {latest.value:.0f} mL ({age(scene.at_s - latest.at_s)}), as in an open or "
        "blocked circuit."
    )


def _again(scene: Scene) -> list[str]:
    """What asks for one more reading at this PEEP."""
    wanted = _VITALS if RHYTHM_NOT_SENT in scene.acknowledged else {*_VITALS, StopCriterion.RHYTHM}
    found = [one.sentence for one in scene.stops.not_checked if one.why is Why.OLD and one.criterion in wanted]
    trial = scene.running.trial
    if trial is not None:
        oldest = scene.limits.oldest_reading_min
        found += [text for text in [latest_breath_fell(trial)] if text]
        old_s = scene.at_s - trial.steps[-1].end_s
        if old_s > 60.0 * oldest.value:
            found.append(f"The latest reading of compliance is {age(old_s)}.")
    return found
