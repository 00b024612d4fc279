"""Sentences of what a clinician acknowledges during a trial, and of what that leaves to the bedside."""

from __future__ import annotations

from typing import Final

from ebbmark.physiology.during.running import Concern
from ebbmark.physiology.stop.limits import StopLimits
from ebbmark.words.messages import say
from ebbmark.words.next_step import change_words, limit_words, vital_words

__all__ = ["acknowledged_words", "left_words"]


def acknowledged_words(concern: Concern) -> str:
    """What a clinician acknowledges, as a clause.

    Args:
        concern: what waits for a word.
    """
    if concern.slug == "vital-not-sent":
        return say("acknowledged.not-sent", vital=vital_words(concern.values))
    if concern.slug == "rhythm-changed":
        return change_words(concern.values["change"])
    return _ACKNOWLEDGED[concern.name if concern.slug == "unlike-closing" else concern.slug]


_ACKNOWLEDGED: Final = {
    "rhythm-not-recent": "no recent heart rhythm is sent",
    "rhythm-not-readable": "a heart rhythm was charted that cannot be read here",
    "sudden-fall": "compliance fell at once, and no other cause than closing was found",
    "pressure-rises-as-peep-falls": "plateau pressure rose at a lower PEEP, and no other cause than closing was found",
}


def left_words(concern: Concern, limits: StopLimits) -> str:
    """What an acknowledgement leaves to the bedside, as a clause; empty where nothing is left unchecked.

    Args:
        concern: what was acknowledged.
        limits: in force.
    """
    if concern.slug == "rhythm-not-recent":
        return say("acknowledged.nothing-here-checks")
    if concern.slug == "vital-not-sent":
        return say("acknowledged.nothing-here-checks-stop", limit=limit_words(concern.values, limits))
    return ""
