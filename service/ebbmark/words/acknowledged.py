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
    return say(_ACKNOWLEDGED[concern.name if concern.slug == "unlike-closing" else concern.slug])


_ACKNOWLEDGED: Final = {
    "rhythm-not-recent": "acknowledged.rhythm-not-recent",
    "rhythm-not-readable": "acknowledged.rhythm-not-readable",
    "sudden-fall": "acknowledged.sudden-fall",
    "pressure-rises-as-peep-falls": "acknowledged.pressure-rises-as-peep-falls",
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
