"""What keeps PEEP from being lowered until a clinician says that it is known, and what is left to the bedside?"""

from __future__ import annotations

from dataclasses import dataclass

from ebbmark.physiology.during.before_lowering import BROKE_AWAY, PLATEAU_ROSE, Scene, not_like_closing, unsent_in
from ebbmark.physiology.during.rhythm import (
    CHANGED,
    NOT_READABLE,
    not_readable,
    rhythm_changes,
    rhythm_is_current,
    signed_and_long_known,
)
from ebbmark.physiology.during.unsent import RHYTHM_NOT_SENT, UNSENT_SLUGS

__all__ = ["NAMES", "Acknowledgeable", "acknowledgeable_in", "is_a_name"]

_LOOKED_INTO = {
    BROKE_AWAY: "compliance fell at once, and no other cause than closing was found",
    PLATEAU_ROSE: "plateau pressure rose at a lower PEEP, and no other cause than closing was found",
}

NAMES = (*sorted(UNSENT_SLUGS), NOT_READABLE, *_LOOKED_INTO, f"{CHANGED}…")
"""Every word by which something is acknowledged during a trial; the last one ends with the code of the rhythm."""


@dataclass(frozen=True, slots=True)
class Acknowledgeable:
    """One thing that a clinician may acknowledge by name.

    Attributes:
        slug: the name.
        words: what it is, as a clause.
        left: what follows from it, as a clause; empty where nothing is left unchecked.
    """

    slug: str
    words: str
    left: str = ""


def is_a_name(name: str) -> bool:
    """Whether this names something that may stand in the way during a trial."""
    return (
        name in UNSENT_SLUGS
        or name == NOT_READABLE
        or name in _LOOKED_INTO
        or (name.startswith(CHANGED) and name != CHANGED)
    )


def acknowledgeable_in(scene: Scene) -> tuple[Acknowledgeable, ...]:
    """Everything of the scene that waits for a word, acknowledged or not.

    Args:
        scene: what is known.
    """
    rhythms, since_s, at_s = scene.rhythms, scene.since_s, scene.at_s
    found = [
        Acknowledgeable(one.slug, f"{one.words} is not sent", f"nothing here checks the stop limit ({one.limits})")
        for one in unsent_in(scene)
    ]
    stopping = scene.limits.rhythms_that_stop is not None
    if stopping and not rhythm_is_current(rhythms.read, scene.limits, since_s=since_s, at_s=at_s):
        found = [one for one in found if one.slug != RHYTHM_NOT_SENT]
        left = "nothing here checks for a new one"
        found.append(Acknowledgeable(RHYTHM_NOT_SENT, "no recent heart rhythm is sent", left))
    known = signed_and_long_known(rhythms.read, scene.limits, since_s=since_s)
    found += [Acknowledgeable(one.slug, one.words) for one in (*rhythm_changes(rhythms.read, since_s=since_s), *known)]
    if not_readable(rhythms, since_s=since_s, at_s=at_s):
        found.append(Acknowledgeable(NOT_READABLE, "a heart rhythm was charted that cannot be read here"))
    found += [Acknowledgeable(slug, _LOOKED_INTO[slug]) for slug in not_like_closing(scene) if slug in _LOOKED_INTO]
    return tuple(found)
