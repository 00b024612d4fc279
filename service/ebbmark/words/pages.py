"""Sentences that stand on a page of the bedside and in no answer."""

from __future__ import annotations

from ebbmark.words.messages import say

__all__ = [
    "learning_words",
    "no_number_words",
    "out_of_range_words",
    "plateau_words",
    "small_volume_words",
    "time_ahead_words",
    "unknown_rhythm_words",
    "where_words",
]


def where_words(step: str, peep: str, settled: int) -> str:
    """Which step of a running trial this is.

    Args:
        step: `4` or `4 of 7`.
        peep: of the step [cmH2O].
        settled: readings of it that have settled.
    """
    readings = say("typed.settled-reading", value=settled or "no", ending="" if settled == 1 else "s")
    return say("typed.step-peep", step=step, peep=peep, readings=readings)


def no_number_words(label: str, typed: str) -> str:
    """That something typed by hand is no number."""
    return say("typed.no-number-up", label=label, typed=typed)


def out_of_range_words(label: str, typed: str, low: str, high: str, unit: str) -> str:
    """That a value typed by hand cannot be true, with what is taken."""
    return say("typed.cannot-right-taken", label=label, typed=typed, unit=unit, low=low, high=high)


def small_volume_words(typed: str, least: str) -> str:
    """That an expired volume typed by hand is too small for an adult."""
    return say("typed.vt-expired-below", typed=typed, least=least)


def plateau_words(typed: str, contradicted: str) -> str:
    """That a plateau typed by hand contradicts another pressure of its row."""
    return say("typed.plateau-one-them", typed=typed, contradicted=contradicted)


def time_ahead_words(typed: str) -> str:
    """That a clock time typed by hand is none, or has not come yet."""
    return say("typed.time-no-clock", typed=typed)


def unknown_rhythm_words() -> str:
    """That a heart rhythm entered by hand is none that can be chosen."""
    return say("typed.heart-rhythm-not")


def learning_words(name: str, /, **values: object) -> str:
    """A text of the page of the simulated lung.

    Args:
        name: in the table `learning` of the catalogue.
        values: that the text holds.
    """
    return say(f"learning.{name}", **values)
