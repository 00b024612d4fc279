"""Do the readings show a trial in progress at all, and one trial only? Else a refusal, with what was found."""

from __future__ import annotations

from math import inf

from ebbmark.fhir.problems import Problem, ProblemKind, Rejected
from ebbmark.fhir.reading.request import Request
from ebbmark.physiology.during.interleaved import interleaved
from ebbmark.physiology.during.running import RunningTrial
from ebbmark.physiology.readings import Quantity
from ebbmark.physiology.trial.limb import plateaus_of
from ebbmark.use_cases.said import missing

__all__ = ["refuse_unless_in_progress"]

_MOST_NAMED = 4
_OF_THE_VENTILATOR = frozenset(Quantity) - {
    Quantity.SPO2,
    Quantity.PAO2,
    Quantity.PACO2,
    Quantity.PH,
    Quantity.MEAN_ARTERIAL_PRESSURE,
    Quantity.SYSTOLIC_ARTERIAL_PRESSURE,
    Quantity.HEART_RATE,
}


def refuse_unless_in_progress(request: Request, running: RunningTrial) -> None:
    """Let a trial in progress pass.

    A monitor that goes on sending does not make a trial of hours ago one in progress: the age is that of the latest
    reading of the ventilator.

    Raises:
        Rejected: no PEEP was sent, the readings are too old, or two trials lie in one another.
    """
    if running.now_cmh2o is None:
        accepted = "PEEP at each step, as it is set (LOINC 20077-4) or measured (76248-4), each with a time"
        raise missing(request, "no PEEP", accepted, f"No usable PEEP was sent: needed is {accepted}.")
    longest_s = request.protocol.longest_step_s
    age_s = request.as_of_s - max(one.end_s for one in request.readings if one.quantity in _OF_THE_VENTILATOR)
    if age_s > longest_s:
        sentence = (
            f"The latest reading of the ventilator is {age_s / 3600:.1f} h old, so this is no trial in progress: what "
            "holds now is not among the readings. Send the newest ones; $titrate-peep reads a trial that has ended."
        )
        accepted = f"a reading of the ventilator of the last {longest_s / 60:g} minutes"
        raise Rejected((Problem(ProblemKind.NO_TRIAL, "", "old readings", accepted, sentence),), request.ignored)
    several = _devices_in_turns(request)
    if several:
        named = " and ".join(several[:_MOST_NAMED]) + (" and others" if len(several) > _MOST_NAMED else "")
        sentence = (
            f"PEEP is reported in turns by {named}. Which of them is meant cannot be told; send the readings of one "
            "trial only."
        )
        problem = Problem(ProblemKind.NO_TRIAL, "", "two devices in turns", "one trial", sentence)
        raise Rejected((problem,), request.ignored)
    steps = running.trial.steps if running.trial is not None else ()
    compliances = [[sample.compliance_ml_per_cmh2o for sample in step.samples] for step in steps]
    sign = interleaved(plateaus_of(request.readings), compliances, request.protocol)
    if sign:
        sentence = (
            f"{sign[0].upper()}{sign[1:]}, as where two trials, two devices or two patients are charted into one "
            "another. Which of them is in progress cannot be told; send the readings of one trial only."
        )
        problem = Problem(ProblemKind.NO_TRIAL, "", "two trials in one another", "one trial", sentence)
        raise Rejected((problem,), request.ignored)


def _devices_in_turns(request: Request) -> list[str]:
    """Devices that report PEEP of one kind among one another; a metric is not compared, since one has several."""
    spans: dict[tuple[Quantity, str], tuple[float, float]] = {}
    for one in request.readings:
        device = request.devices[one.source] if one.source < len(request.devices) else ""
        if one.quantity in (Quantity.PEEP_SET, Quantity.PEEP_MEASURED) and device and "DeviceMetric/" not in device:
            first_s, last_s = spans.get((one.quantity, device), (one.at_s, one.at_s))
            spans[one.quantity, device] = min(first_s, one.at_s), max(last_s, one.at_s)
    mixed: set[str] = set()
    for quantity in (Quantity.PEEP_SET, Quantity.PEEP_MEASURED):
        ordered = sorted((*span, device) for (kind, device), span in spans.items() if kind is quantity)
        began_s, latest_s, latest = -inf, -inf, ""
        for first_s, last_s, device in ordered:
            # Whoever began before the latest so far had ended overlaps with it.
            if first_s < latest_s and began_s < last_s:
                mixed |= {latest, device}
            if last_s > latest_s:
                began_s, latest_s, latest = first_s, last_s, device
    return sorted(mixed)
