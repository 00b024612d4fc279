"""The ordered table of checks before PEEP is lowered: what is looked at, measured, read again or told first.

The trial says whether a lower step could still tell something; these checks say whether anybody may be sent there. Each
row is one function from the scene to what it found, as values; the sentences stand in `words/next_step.py`. Nothing
here ever asks anyone to raise pressure. Limits without another source are this project's choice.
"""

from __future__ import annotations

from typing import Final

from ebbmark.physiology.during.limit_checks import (
    RHYTHM_NOT_SENT,
    VITAL_SIGNS,
    all_rhythm_changes,
    beyond,
    beyond_if_slow,
    criteria_old,
    doubtful_pressure,
    may_be_beyond,
    no_limit,
    not_seen,
    rhythm_changed,
    rhythm_not_readable,
    signed_and_uncheckable,
    vitals_not_sent,
)
from ebbmark.physiology.during.scene import Check, Concern, Consequence, Scene
from ebbmark.physiology.during.trial_checks import (
    FALL_LOOKED_AT_PERCENT,
    FALL_TOLD_PERCENT,
    LOOKED_INTO,
    circuit_opened,
    compliance_old,
    latest_breath_fell,
    measured_peep_off,
    newer_peep_unusable,
    oxygen_raised,
    plateau_above_limit,
    saturation_came_down,
    spoken_against,
    unlike_closing,
    volume_gone,
)
from ebbmark.physiology.stop.rhythm import CHANGED, NOT_READABLE, rhythm_is_current

__all__ = ["ACKNOWLEDGED_NAMES", "CHECKS", "acknowledgeable", "concerns_of", "is_acknowledged_name"]

ACKNOWLEDGED_NAMES: Final = (
    *sorted({*VITAL_SIGNS.values(), RHYTHM_NOT_SENT}),
    NOT_READABLE,
    *LOOKED_INTO,
    f"{CHANGED}…",
)
"""Every word by which something is acknowledged during a trial; the last one ends with the code of the rhythm."""


def concerns_of(scene: Scene, *consequences: Consequence) -> list[Concern]:
    """What the checks of these consequences found and nobody has acknowledged, in the order of the table.

    Args:
        scene: what is known.
        consequences: which rows.
    """
    found = [one for check in CHECKS if check.consequence in consequences for one in check.judge(scene)]
    return [one for one in found if not one.name or one.name not in scene.acknowledged]


def acknowledgeable(scene: Scene) -> tuple[Concern, ...]:
    """Everything of the scene that waits for a word, acknowledged or not.

    Args:
        scene: what is known.
    """
    found = [one for one in vitals_not_sent(scene) if one.name != RHYTHM_NOT_SENT]
    limits, since_s = scene.limits, scene.since_s
    signed = limits.rhythms_that_stop is not None
    if signed and not rhythm_is_current(scene.rhythms.read, limits, since_s=since_s, at_s=scene.at_s):
        found.append(Concern("rhythm-not-recent", name=RHYTHM_NOT_SENT))
    found += [Concern("rhythm-changed", {"change": one}, one.slug) for one in all_rhythm_changes(scene)]
    found += [*rhythm_not_readable(scene), *[one for one in unlike_closing(scene) if one.name]]
    return tuple(found)


def is_acknowledged_name(name: str) -> bool:
    """Whether this names something that may stand in the way during a trial."""
    return name in ACKNOWLEDGED_NAMES[:-1] or (name.startswith(CHANGED) and name != CHANGED)


CHECKS: Final = (
    Check(Consequence.LOOK_UNLIKE_CLOSING, unlike_closing),
    Check(Consequence.LOOK, beyond),
    Check(Consequence.LOOK, beyond_if_slow),
    Check(Consequence.LOOK, may_be_beyond),
    Check(Consequence.LOOK, doubtful_pressure),
    Check(Consequence.LOOK, rhythm_changed),
    Check(Consequence.LOOK, rhythm_not_readable),
    Check(Consequence.LOOK, newer_peep_unusable),
    Check(Consequence.LOOK, measured_peep_off),
    Check(Consequence.LOOK, saturation_came_down(FALL_LOOKED_AT_PERCENT, "saturation-fell-far")),
    Check(Consequence.LOOK, circuit_opened),
    Check(Consequence.LOOK, volume_gone),
    Check(Consequence.MEASURE, vitals_not_sent),
    Check(Consequence.READ_AGAIN, criteria_old),
    Check(Consequence.READ_AGAIN, latest_breath_fell),
    Check(Consequence.READ_AGAIN, compliance_old),
    Check(Consequence.TELL, saturation_came_down(FALL_TOLD_PERCENT, "saturation-falling")),
    Check(Consequence.TELL, plateau_above_limit),
    Check(Consequence.TELL, oxygen_raised),
    Check(Consequence.TELL, spoken_against),
    Check(Consequence.TELL, not_seen),
    Check(Consequence.TELL_LAST, signed_and_uncheckable),
    Check(Consequence.TELL_LAST, no_limit),
)
"""Gravest first; within one consequence in the order in which they are said."""
