"""Does what was read leave open which trial is meant? Then the list to choose from, never a guess.

Three rules, ours:

* Two devices, or two encounters, whose PEEP readings lie among one another in time are two trials that cannot be told
  apart here: refused.
* A period chosen by the caller that holds more than one run of falling PEEP: refused with their beginnings.
* No period: one run is chosen as for any request, and the answer names the others.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping

from ebbmark.fhir.problems import Problem, ProblemKind
from ebbmark.fhir.writing.instants import instant
from ebbmark.physiology.trial.reading import Trial
from ebbmark.record.sieve import Sighting

__all__ = ["several_sources", "several_trials"]

_OTHER = frozenset({"earlier-trial", "other-limb"})
_PERIOD = "Parameters.parameter.where(name='period')"
_PATIENT = "Parameters.parameter.where(name='patient-reference')"


def several_sources(sightings: Iterable[Sighting], machines: Mapping[str, str]) -> list[Problem]:
    """Say which devices or encounters report PEEP at the same time.

    Args:
        sightings: the PEEP readings.
        machines: the device that a DeviceMetric belongs to, by the metric's reference; a reference to a Device stands
            for itself. A metric whose device is not known is not compared: setting and measurement of one ventilator
            are two metrics.
    """

    def machine(one: Sighting) -> str:
        known = machines.get(one.device, "")
        return known or ("" if "DeviceMetric/" in one.device else one.device)

    listed = list(sightings)
    return [
        *_interleaved(listed, machine, "devices", "Name a period in which only one of them reports."),
        *_interleaved(listed, lambda one: one.encounter, "encounters", "Name the one that is meant as encounter."),
    ]


def several_trials(trial: Trial, *, period_given: bool) -> list[Problem]:
    """Say which trials the period holds, where the caller chose it and there are several."""
    others = [one for one in trial.observed if one.slug in _OTHER]
    if not others or not period_given:
        return []
    steps = trial.steps
    runs = [f"one that began at {instant(one.at_s)} at {one.peep_cmh2o:g} cmH2O" for one in others]
    runs.append(
        f"one from {instant(steps[0].start_s)} to {instant(steps[-1].end_s)} "
        f"({steps[0].peep_cmh2o:g} to {steps[-1].peep_cmh2o:g} cmH2O, {len(steps)} steps)"
    )
    found = f"{len(runs)} runs of falling PEEP"
    sentence = f"The period holds {found}: {'; '.join(runs)}. Name a period that holds only the one that is meant."
    return [Problem(ProblemKind.AMBIGUOUS_TRIAL, _PERIOD, found, "a period that holds one trial", sentence)]


def _interleaved(
    sightings: list[Sighting], key: Callable[[Sighting], str], word: str, advice: str
) -> Iterable[Problem]:
    spans: dict[tuple[object, str], list[float]] = {}
    for one in sightings:
        if key(one):
            spans.setdefault((one.quantity, key(one)), []).append(one.at_s)
    mixed = {
        name
        for (quantity, name), times in spans.items()
        for (other_quantity, other), others in spans.items()
        if quantity is other_quantity and name != other and min(times) < max(others) and min(others) < max(times)
    }
    if not mixed:
        return
    lines = []
    for name in sorted(mixed):
        times = [at_s for (_, other), all_times in spans.items() if other == name for at_s in all_times]
        lines.append(f"{name}: {len(times)} PEEP readings, {instant(min(times))} to {instant(max(times))}")
    found = f"PEEP of {len(mixed)} {word} at the same time"
    sentence = f"The record holds {found}, so that it cannot be told which trial is meant: {'; '.join(lines)}. {advice}"
    yield Problem(ProblemKind.AMBIGUOUS_TRIAL, _PATIENT, found, "one trial at a time", sentence)
