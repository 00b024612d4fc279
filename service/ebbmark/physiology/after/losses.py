"""Did compliance or oxygenation fall since the titration, by more than their readings wander?"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final

from ebbmark.physiology.after.figures import Figure
from ebbmark.physiology.after.measures import Measure, Noise, Verdict, judge_change
from ebbmark.physiology.after.seen import Event, Seen, after_titration
from ebbmark.physiology.after.snapshot import Snapshot, take_snapshot
from ebbmark.physiology.readings import Reading
from ebbmark.physiology.wording import level

__all__ = ["losses_since"]

LATEST_S: Final = 1800.0
"""The state now is taken over the last half hour of readings. This project's choice."""

SAME_PEEP_CMH2O: Final = 1.0
"""Compliance is compared at PEEPs that differ by no more than this. This project's choice."""

_TEXTBOOK: Final = "Pilbeam's Mechanical Ventilation, chapter 13 (read at second hand)"


def losses_since(
    readings: Sequence[Reading],
    at_titration: Snapshot | None,
    at_s: float,
    titrated_s: float,
    pbw_kg: float,
    noise: Mapping[Measure, Noise],
) -> tuple[list[Seen], list[str]]:
    """Compare the last half hour with the time right after the titration.

    Args:
        readings: of one patient, in any order; settings from before may still be in force.
        at_titration: state then; None where not known.
        at_s: time of the question [s since 1970-01-01T00:00:00Z].
        titrated_s: when PEEP was set [s since 1970-01-01T00:00:00Z].
        pbw_kg: predicted body weight [kg].
        noise: of a single reading of each measure.

    Returns:
        Losses, and what could not be looked for, in plain sentences.

    Source: this project's choice; noise as each `Noise` says.
    """
    watched = ((Measure.COMPLIANCE, Event.COMPLIANCE_LOST), (Measure.PF_RATIO, Event.OXYGENATION_LOST))
    if at_titration is None:
        return [], ["Compliance and oxygenation right after the titration are not known, so a loss would not show."]
    now = take_snapshot(readings, pbw_kg=pbw_kg, from_s=max(titrated_s, at_s - LATEST_S), until_s=at_s)
    seen: list[Seen] = []
    unjudged: list[str] = []
    for measure, event in watched:
        first, second = at_titration.figures.get(measure), now.figures.get(measure)
        if first is None or second is None:
            why = at_titration.not_known.get(measure) if first is None else now.not_known.get(measure)
            unjudged.append(f"A loss of {measure.words} could not be looked for: {why}.")
            continue
        if measure is Measure.COMPLIANCE and (elsewhere := _at_another_peep(at_titration, now)):
            unjudged.append(elsewhere)
            continue
        lost = _loss(measure, event, first, second, at_s, titrated_s, noise[measure])
        if lost is not None:
            seen.append(lost)
    return seen, unjudged


def _at_another_peep(at_titration: Snapshot, now: Snapshot) -> str:
    """Why compliance cannot be compared where PEEP is another one; empty where it is the same or not known."""
    then, here = at_titration.peep, now.peep
    if then is None or here is None or abs(then.value - here.value) <= SAME_PEEP_CMH2O:
        return ""
    return (
        f"PEEP is {level(here.value)} cmH2O now and was {level(then.value)} at the titration; compliance depends on "
        "it, so a loss of compliance could not be looked for."
    )


def _loss(
    measure: Measure, event: Event, first: Figure, second: Figure, at_s: float, titrated_s: float, noise: Noise
) -> Seen | None:
    change = judge_change(
        measure,
        before=first.value,
        after=second.value,
        readings_before=first.readings,
        readings_after=second.readings,
        noise=noise,
    )
    if change.verdict is not Verdict.WORSE:
        return None
    sentence = (
        f"{after_titration(at_s, titrated_s)}: {change.sentence} The lung is no longer as it was at the titration."
    )
    citation = f"{change.noise_source}; {_TEXTBOOK}" if event is Event.OXYGENATION_LOST else change.noise_source
    return Seen(event, max(titrated_s, at_s - LATEST_S), at_s, second.sources, citation, sentence)
