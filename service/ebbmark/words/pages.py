"""Sentences that stand on a page of the bedside and in no answer."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from ebbmark.physiology.before.candidate import Standing
from ebbmark.words.ages import listed

__all__ = ["no_number_words", "out_of_range_words", "standing_words", "time_ahead_words"]

_STANDING: Final = {
    Standing.CONTRAINDICATED: ("A contraindication is charted", "It speaks against raising PEEP for a trial."),
    Standing.HIGH_RISK: ("High risk", "Look at what speaks against it below."),
    Standing.CANNOT_JUDGE: (
        "This cannot be judged yet",
        "Not all that matters is charted: ask what stands below.",
    ),
    Standing.NO_REASON_FOUND: ("No reason for a trial was found", "The readings show no moderate or severe ARDS."),
    Standing.NOTHING_DOCUMENTED_AGAINST: (
        "Nothing documented speaks against a trial",
        "That is not the same as nothing being there.",
    ),
}


def standing_words(standing: Standing, charted: Sequence[str] = ()) -> tuple[str, str]:
    """Where the assessment of a candidate stands: in a few words, and what goes with them.

    Args:
        standing: of the assessment.
        charted: conditions that count and are charted, in words.
    """
    lead, rest = _STANDING[standing]
    return lead, f"Charted: {listed(charted)}. {rest}" if charted else rest


def no_number_words(label: str, typed: str) -> str:
    """That something typed by hand is no number."""
    return f"{label} “{typed}” is no number of up to two decimals."


def out_of_range_words(label: str, typed: str, low: str, high: str, unit: str) -> str:
    """That a value typed by hand cannot be true, with what is taken."""
    return f"{label} {typed} {unit} cannot be right; {low} to {high} {unit} is taken."


def time_ahead_words(typed: str) -> str:
    """That a clock time typed by hand is none, or has not come yet."""
    return f"Time “{typed}” is no clock time of the last 12 hours (hours:minutes)."
