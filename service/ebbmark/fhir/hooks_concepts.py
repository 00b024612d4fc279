"""Codes of our own for cards: why a person may decide otherwise, and what a card is about."""

from __future__ import annotations

__all__ = ["HOOKS_CONCEPTS", "OVERRIDE_REASONS", "TOPIC"]

TOPIC = (
    "topic-peep-titration",
    "PEEP titration",
    "Reading of a decremental PEEP trial, and what follows for PEEP and tidal volume.",
)
"""What every card is about: code, display, definition."""

OVERRIDE_REASONS: tuple[tuple[str, str, str], ...] = (
    (
        "not-now-unstable",
        "Not now: the patient is not stable enough for a change",
        "The person decided against a change for now, for the patient's state.",
    ),
    (
        "other-peep-chosen",
        "Another PEEP was chosen for clinical reasons",
        "The person weighed other findings and chose another PEEP.",
    ),
    (
        "trial-not-representative",
        "The trial does not describe this lung (disconnection, secretions, effort)",
        "The person holds that the trial was disturbed or is out of date.",
    ),
    ("data-not-right", "Some of the data are not right", "The person holds that readings, height or sex are wrong."),
    ("done-already", "Done already", "What the card suggests was done before it was shown."),
    (
        "not-for-this-patient",
        "Goals of care: not for this patient",
        "The person decided that the suggestion does not fit the goals of care.",
    ),
)
"""Reasons a person may give for not following a card: code, display, definition. This project's own choice."""

HOOKS_CONCEPTS = (TOPIC, *OVERRIDE_REASONS)
