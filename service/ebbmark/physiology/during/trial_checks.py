"""Checks of the way down, the circuit and the breaths before PEEP is lowered.

The curve so far is held against the same table of checks as a titration (`patient.checks`): what leaves no number
there leaves no next step here. Limits without another source are this project's choice.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from math import inf
from statistics import median
from typing import Final

from ebbmark.physiology.closing.estimate import Verdict
from ebbmark.physiology.closing.of_trial import closing_of
from ebbmark.physiology.during.call_rule import SUDDEN_FALL
from ebbmark.physiology.during.scene import Concern, Scene
from ebbmark.physiology.findings import Finding, Weight
from ebbmark.physiology.patient.checks import CURVE_CHECKS
from ebbmark.physiology.readings import Doubt, Quantity

__all__ = [
    "FALL_LOOKED_AT_PERCENT",
    "FALL_TOLD_PERCENT",
    "LOOKED_INTO",
    "circuit_opened",
    "compliance_old",
    "latest_breath_fell",
    "measured_peep_off",
    "newer_peep_unusable",
    "oxygen_raised",
    "plateau_above_limit",
    "saturation_came_down",
    "spoken_against",
    "unlike_closing",
    "volume_gone",
]

SAME_CMH2O: Final = 0.9
"""PEEP that differs by no more than this is the same: measured values wander."""

CONTRADICTION_CMH2O: Final = 2.0
"""Measured PEEP this far from its setting: one whole step of a usual staircase."""

SETTLED_S: Final = 30.0
"""A measured PEEP this soon after a change may still be that of the step before [s]."""

GONE_ML: Final = 50.0
"""An expired volume of an adult that is none."""

MISSING_SHARE: Final = 0.2
"""Expired volume this much below the one that is set is no difference between two sensors [1]."""

OXYGEN_RAISED: Final = 0.05
"""A rise of FiO2 that is more than rounding [1]."""

FALL_TOLD_PERCENT: Final = 2.0
"""Saturation this far below its highest on the way down is told [percentage points]: a fall of SpO2 by 2 % names
closing in PHARLAP (methods table of Cochrane review CD009098, 2021)."""

FALL_LOOKED_AT_PERCENT: Final = 5.0
"""Saturation this far below it asks for a look before PEEP is lowered [percentage points]."""


_PEEPS: Final = frozenset({Quantity.PEEP_SET, Quantity.PEEP_MEASURED})
_OPEN_CIRCUIT: Final = "disconnection"
_CIRCUIT_OPENED: Final = "circuit-opened"
_TOLD: Final = frozenset({"vasopressor-raised", "intrinsic-peep"})
LOOKED_INTO: Final = ("sudden-fall", "pressure-rises-as-peep-falls")
"""Words by which it is acknowledged that somebody looked and found no other cause."""


def unlike_closing(scene: Scene) -> Iterator[Concern]:
    """What the checks of a titration find along this way down because of which nothing is read from it.

    The last step counts as much as any other here: the trial is still running, and nobody has seen yet whether a fall
    lasts. What comes back, and a circuit that was open, have their own place in a trial in progress.
    """
    for found in _of_curve(scene):
        if found.weight is Weight.LOOK_FIRST and found.slug != _CIRCUIT_OPENED:
            name = found.slug if found.slug in LOOKED_INTO else ""
            yield Concern("unlike-closing", {"finding": found}, name)


def spoken_against(scene: Scene) -> Iterator[Concern]:
    """A vasopressor that was raised and intrinsic PEEP on the way down: they bear on what vital signs and curve say."""
    for found in _of_curve(scene):
        if found.slug in _TOLD and found.weight in (Weight.HIGH, Weight.MODERATE):
            yield Concern("spoken-against", {"finding": found})


def _of_curve(scene: Scene) -> Iterator[Finding]:
    """What the checks of a titration find along this way down."""
    trial = scene.running.trial
    if trial is None or not scene.running.falling:
        return
    # Without a closing pressure a fall at the last step is looked at like any other.
    nothing_read = replace(closing_of(trial, scene.protocol), verdict=Verdict.NOT_REACHED, peep_cmh2o=None)
    of_trial = scene.beside.scene(trial, nothing_read, scene.readings, scene.protocol)
    for check in CURVE_CHECKS:
        yield from check(of_trial)


def newer_peep_unusable(scene: Scene) -> Iterator[Concern]:
    """Another PEEP was sent after the latest usable one and cannot be used; what is set now is not known."""
    now = scene.running.now_cmh2o
    if now is None:
        return
    latest_s = max((one.end_s for one in scene.readings if one.quantity in _PEEPS), default=-inf)

    def agrees(doubt: Doubt) -> bool:
        """Whether it says what is known anyway; a measured PEEP without a value says nothing."""
        if doubt.value is None:
            return doubt.quantity is Quantity.PEEP_MEASURED
        return not doubt.side and abs(doubt.value - now) <= SAME_CMH2O

    newer = [one for one in scene.doubts if one.quantity in _PEEPS and (one.at_s is None or one.at_s >= latest_s)]
    newer = [one for one in newer if not agrees(one)]
    if newer:
        yield Concern("newer-peep-unusable", {"doubt": newer[-1]})


def measured_peep_off(scene: Scene) -> Iterator[Concern]:
    """Measured PEEP against the setting, where it was measured after the setting could have settled."""
    now, measured = scene.running.now_cmh2o, scene.latest(Quantity.PEEP_MEASURED)
    if now is None or measured is None or scene.latest(Quantity.PEEP_SET) is None:
        return
    if measured.at_s >= scene.running.now_since_s + SETTLED_S and abs(measured.value - now) >= CONTRADICTION_CMH2O:
        yield Concern("measured-peep-off", {"now": now, "reading": measured})


def saturation_came_down(least: float, slug: str) -> Callable[[Scene], Iterator[Concern]]:
    """Saturation that came down on the way down by at least `least` points."""

    def judge(scene: Scene) -> Iterator[Concern]:
        trial = scene.running.trial
        from_s = trial.steps[0].start_s if trial is not None else inf
        latest = scene.latest(Quantity.SPO2, from_s)
        if latest is None:
            return
        highest = max(one.value for one in scene.readings if one.quantity is Quantity.SPO2 and one.at_s >= from_s)
        if round(highest - latest.value, 6) >= least:
            yield Concern(slug, {"highest": highest, "reading": latest})

    return judge


def circuit_opened(scene: Scene) -> Iterator[Concern]:
    """A circuit that was open on the way down."""
    trial = scene.running.trial
    opened = [one.sentence for one in trial.observed if one.slug == _OPEN_CIRCUIT] if trial is not None else []
    if opened:
        yield Concern("circuit-opened", {"sentences": opened})


def volume_gone(scene: Scene) -> Iterator[Concern]:
    """The latest expired volume, where it is next to nothing, or in volume control far below the one that is set."""
    expired = scene.latest(Quantity.TIDAL_VOLUME_EXPIRED, scene.since_s)
    if expired is None:
        return
    if expired.value <= GONE_ML:
        yield Concern("volume-gone", {"reading": expired})
        return
    ordered, pressure = scene.latest(Quantity.TIDAL_VOLUME_SET), scene.latest(Quantity.PRESSURE_ABOVE_PEEP_SET)
    if ordered is None or ordered.at_s > expired.at_s or pressure is not None:
        return
    if expired.value < (1.0 - MISSING_SHARE) * ordered.value:
        yield Concern("volume-missing", {"reading": expired, "ordered": ordered})


def latest_breath_fell(scene: Scene) -> Iterator[Concern]:
    """The latest reading of compliance far below the others of its step, of which the middle hides one reading."""
    samples = scene.running.trial.steps[-1].samples if scene.running.trial is not None else ()
    if len(samples) >= 2:
        before = median(one.compliance_ml_per_cmh2o for one in samples[:-1])
        fall = 1.0 - samples[-1].compliance_ml_per_cmh2o / before
        if fall >= SUDDEN_FALL:
            yield Concern("latest-breath-fell", {"fall": fall})


def compliance_old(scene: Scene) -> Iterator[Concern]:
    """A latest reading of compliance that is too old."""
    if scene.running.trial is not None:
        old_s = scene.at_s - scene.running.trial.steps[-1].end_s
        if old_s > 60.0 * scene.limits.oldest_reading_min.value:
            yield Concern("compliance-old", {"age_s": old_s})


def plateau_above_limit(scene: Scene) -> Iterator[Concern]:
    """A latest plateau pressure at the present PEEP above the protocol's limit."""
    latest = scene.latest(Quantity.PLATEAU_PRESSURE, scene.running.now_since_s)
    if latest is not None and latest.value > scene.protocol.plateau_limit_cmh2o:
        yield Concern("plateau-above-limit", {"reading": latest, "limit": scene.protocol.plateau_limit_cmh2o})


def oxygen_raised(scene: Scene) -> Iterator[Concern]:
    """More oxygen on the way down, behind which a fall of SpO2 would hide."""
    if scene.running.trial is None:
        return
    lowered_s = scene.running.trial.steps[0].end_s
    settings = sorted((one for one in scene.readings if one.quantity is Quantity.FIO2_SET), key=lambda one: one.at_s)
    before = [one.value for one in settings if one.at_s <= lowered_s]
    after = [one.value for one in settings if one.at_s > lowered_s]
    if before and after and max(after) - before[-1] >= OXYGEN_RAISED:
        yield Concern("oxygen-raised", {"before": before[-1], "after": max(after)})
