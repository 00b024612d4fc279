"""What changed after PEEP was set, and do the limits hold now?

A difference is called better or worse only where it exceeds what the readings wander by themselves.

Sources of the limits: plateau and tidal volume: ARDS Network, N Engl J Med 2000;342:1301-8. Driving pressure: an
association, Amato et al, N Engl J Med 2015;372:747-55.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import Enum

from ebbmark.physiology.after.losses import PressureLimit
from ebbmark.physiology.after.measures import ASSUMED_NOISE, Change, Measure, Noise, Verdict, judge_change
from ebbmark.physiology.after.snapshot import Figure, Snapshot
from ebbmark.physiology.closing.estimate import StepEstimate
from ebbmark.physiology.protocols import Protocol
from ebbmark.physiology.wording import level

__all__ = ["Comparison", "LimitCheck", "Overdistension", "Sureness", "compare", "overdistension_at_top"]

LOW_TIDAL_VOLUME = "ARDS Network, N Engl J Med 2000;342:1301-8"
DRIVING_PRESSURE = "Amato et al, N Engl J Med 2015;372:747-55 (an association, not a tested target)"

RELIEF = 0.05
"""Relative rise of compliance below the top step that is worth naming. This project's choice."""


@dataclass(frozen=True, slots=True)
class LimitCheck:
    """Whether one limit holds.

    Attributes:
        slug: plateau, driving-pressure or tidal-volume.
        holds: None where the figure is not known.
        value: the figure; None where not known [cmH2O, or mL/kg for tidal volume].
        limit: of the protocol [same unit].
        sources: indices of the inputs used.
        citation: where the limit comes from.
        sentence: one plain sentence.
    """

    slug: str
    holds: bool | None
    value: float | None
    limit: float
    sources: tuple[int, ...]
    citation: str
    sentence: str


class Sureness(Enum):
    """How firmly overdistension shows at the top of the limb."""

    SHOWN = "shown"
    POSSIBLE = "possible"
    NOT_SEEN = "not-seen"
    NOT_KNOWN = "not-known"


@dataclass(frozen=True, slots=True)
class Overdistension:
    """Whether compliance rose when PEEP came down from the top.

    Attributes:
        sureness: shown where the 90 % bands of the top and the best step do not touch.
        top_cmh2o: highest PEEP of the limb; None without steps.
        best_cmh2o: PEEP of the highest expected compliance; None without steps.
        sentence: one or two plain sentences.
    """

    sureness: Sureness
    top_cmh2o: float | None
    best_cmh2o: float | None
    sentence: str


@dataclass(frozen=True, slots=True)
class Comparison:
    """What changed between two stretches of time.

    Attributes:
        changes: one per measure: a fall of mean arterial pressure first, then those that are known on both sides.
        limits: plateau, driving pressure, tidal volume, at the later time.
        overdistension: at the top of the trial in between.
        summary: one or two plain sentences.
    """

    changes: tuple[Change, ...]
    limits: tuple[LimitCheck, ...]
    overdistension: Overdistension
    summary: str


def compare(
    before: Snapshot,
    after: Snapshot,
    *,
    steps: Sequence[StepEstimate] = (),
    protocol: Protocol,
    pressure_limit: PressureLimit | None = None,
    noise: Mapping[Measure, Noise] = ASSUMED_NOISE,
) -> Comparison:
    """Compare two stretches of time, figure by figure.

    Args:
        before: state before the trial.
        after: state at the new settings.
        steps: estimates of the steps of the trial in between, highest PEEP first; empty where there are none.
        protocol: the limits.
        pressure_limit: below which mean arterial pressure asks for somebody now.
        noise: of a single reading of each measure.

    Returns:
        The changes with their noise, the limits, and what the top of the trial showed.

    Source: this project's choice of wording; noise as each `Noise` says.
    """
    changes = sorted(
        (_change(measure, before, after, noise[measure]) for measure in _measures(before, after)),
        key=lambda change: (not _circulation_fell(change), change.verdict is Verdict.NOT_KNOWN),
    )
    limits = _limits(after, protocol)
    summary = " ".join(
        text for text in (_circulation(changes, after, pressure_limit), _summary(changes, limits)) if text
    )
    return Comparison(tuple(changes), limits, overdistension_at_top(steps), summary)


def overdistension_at_top(steps: Sequence[StepEstimate]) -> Overdistension:
    """Say whether compliance rose as PEEP came down from the top: relief of overdistension, not closing.

    Args:
        steps: estimates of the steps, highest PEEP first.

    Returns:
        What was seen, and how firmly.

    Source: compliance falls with overdistension, as in the PEEP studies tabled in Pilbeam's Mechanical Ventilation,
    chapter 13 (read at second hand). The size that is worth naming, 5 %, is this project's choice.
    """
    if not steps:
        return Overdistension(
            Sureness.NOT_KNOWN, None, None, "No steps of a trial were sent, so its top is not judged."
        )
    top = steps[0]
    best = max(steps, key=lambda step: step.fitted_ml_per_cmh2o)
    if best.fitted_ml_per_cmh2o <= (1 + RELIEF) * top.fitted_ml_per_cmh2o:
        sentence = (
            f"No sign of overdistension at the top ({level(top.peep_cmh2o)} cmH2O): fitted compliance did not rise "
            f"by more than {100 * RELIEF:.0f} % as PEEP came down."
        )
        return Overdistension(Sureness.NOT_SEEN, top.peep_cmh2o, best.peep_cmh2o, sentence)
    rose = (
        f"Compliance rose from about {top.fitted_ml_per_cmh2o:.0f} mL/cmH2O at {level(top.peep_cmh2o)} cmH2O to about "
        f"{best.fitted_ml_per_cmh2o:.0f} mL/cmH2O at {level(best.peep_cmh2o)} cmH2O as PEEP came down"
    )
    if best.fitted_low_ml_per_cmh2o > top.fitted_high_ml_per_cmh2o:
        sentence = f"{rose}, more than the readings wander: a sign of overdistension at the top, not of closing."
        return Overdistension(Sureness.SHOWN, top.peep_cmh2o, best.peep_cmh2o, sentence)
    sentence = f"{rose}, but the 90 % bands overlap: overdistension at the top is possible, not shown."
    return Overdistension(Sureness.POSSIBLE, top.peep_cmh2o, best.peep_cmh2o, sentence)


def _circulation_fell(change: Change) -> bool:
    return change.measure is Measure.MEAN_ARTERIAL_PRESSURE and change.verdict is Verdict.WORSE


def _circulation(changes: Sequence[Change], after: Snapshot, limit: PressureLimit | None) -> str:
    """A mean arterial pressure that fell or is low, ahead of all else: whoever reads one line reads this."""
    figure = after.figures.get(Measure.MEAN_ARTERIAL_PRESSURE)
    fell = next((one for one in changes if _circulation_fell(one)), None)
    low = figure is not None and limit is not None and figure.value < limit.below_mmhg
    if figure is None or not (fell or low):
        return ""
    from_ = f"fell from {fell.before:.0f} to" if fell is not None and fell.before is not None else "is"
    below = f", below the limit of {limit.below_mmhg:g} mmHg ({limit.source})" if low and limit is not None else ""
    return (
        f"Mean arterial pressure {from_} {figure.value:.0f} mmHg at the new settings{below}. A higher PEEP may by "
        "itself lower blood pressure: look at the patient first."
    )


def _measures(before: Snapshot, after: Snapshot) -> list[Measure]:
    """All measures; dynamic compliance only where static compliance is not known on both sides."""
    static = Measure.COMPLIANCE in before.figures and Measure.COMPLIANCE in after.figures
    return [measure for measure in Measure if not (static and measure is Measure.COMPLIANCE_DYNAMIC)]


def _change(measure: Measure, before: Snapshot, after: Snapshot, noise: Noise) -> Change:
    first, second = before.figures.get(measure), after.figures.get(measure)
    return judge_change(
        measure,
        before=first.value if first else None,
        after=second.value if second else None,
        readings_before=first.readings if first else 1,
        readings_after=second.readings if second else 1,
        noise=noise,
    )


def _limits(after: Snapshot, protocol: Protocol) -> tuple[LimitCheck, ...]:
    return (
        _limit("plateau", "Plateau pressure", after.plateau, protocol.plateau_limit_cmh2o, "cmH2O", LOW_TIDAL_VOLUME),
        _limit(
            "driving-pressure",
            "Driving pressure",
            after.figures.get(Measure.DRIVING_PRESSURE),
            protocol.driving_pressure_limit_cmh2o,
            "cmH2O",
            DRIVING_PRESSURE,
        ),
        _limit(
            "tidal-volume",
            "Tidal volume",
            after.tidal_volume_per_kg,
            protocol.target_ml_per_kg,
            "mL/kg predicted body weight",
            LOW_TIDAL_VOLUME,
        ),
    )


def _limit(slug: str, words: str, figure: Figure | None, limit: float, unit: str, citation: str) -> LimitCheck:
    if figure is None:
        sentence = f"{words} is not known, so whether it keeps to {limit:g} {unit} cannot be said."
        return LimitCheck(slug, None, None, limit, (), citation, sentence)
    # Compared as shown, so that nobody reads "30.0 is above 30".
    holds = round(figure.value, 1) <= limit
    sentence = f"{words} is {figure.value:.1f} {unit}, {'within' if holds else 'above'} {limit:g}."
    return LimitCheck(slug, holds, figure.value, limit, figure.sources, citation, sentence)


def _summary(changes: Sequence[Change], limits: Sequence[LimitCheck]) -> str:
    # What is wrong comes first: whoever reads one line only must not read what is better.
    groups = (
        ("Worse", Verdict.WORSE),
        ("Changed", Verdict.CHANGED),
        ("Better", Verdict.IMPROVED),
        ("Within measurement noise", Verdict.WITHIN_NOISE),
        ("Not known", Verdict.NOT_KNOWN),
    )
    parts = []
    for words, verdict in groups:
        named = [change.measure.words for change in changes if change.verdict is verdict]
        if named:
            parts.append(f"{words}: {', '.join(named)}.")
    broken = [check.sentence for check in limits if check.holds is False]
    return " ".join(broken + parts)
