"""What was a marker at each step of a limb, and at which step did it get worse for good?"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from math import inf
from typing import Final

from ebbmark.physiology.formulas.gas_exchange import HIGHEST_INFORMATIVE_SPO2_PERCENT
from ebbmark.physiology.message import Message, message
from ebbmark.physiology.readings import Quantity, Reading
from ebbmark.physiology.timeline import FIO2, in_force_at
from ebbmark.physiology.trial.limb import same_setting
from ebbmark.physiology.trial.steps import Trial

__all__ = ["Level", "fio2_remark", "first_lasting_fall", "levels_of", "saturation_remark", "unrecorded_remark"]

_NAMES: Final = {Quantity.SPO2: "SpO2", Quantity.PAO2: "PaO2", Quantity.PACO2: "PaCO2"}
_FEWEST_LEVELS: Final = 3
_LAST_STEP_S: Final = 900.0  # how long after its start a reading still belongs to the last step; our choice
_MOVED_CMH2O: Final = 1.5  # measured PEEP that is this far away is no longer that of the step; our choice


@dataclass(frozen=True, slots=True)
class Level:
    """The value of a marker at one step.

    Attributes:
        peep_cmh2o: set PEEP.
        value: last reading within the step [unit of its quantity].
        sources: indices of the inputs.
        at_s: when it was read [s since 1970-01-01T00:00:00Z].
    """

    peep_cmh2o: float
    value: float
    sources: tuple[int, ...]
    at_s: float


def levels_of(readings: Sequence[Reading], trial: Trial, quantity: Quantity) -> list[Level] | Message:
    """The last reading of a quantity in each step of the limb, highest PEEP first; or why it cannot be a marker.

    Args:
        readings: of one patient, in any order.
        trial: the limb.
        quantity: SpO2, PaO2 or PaCO2.

    Source: the last reading of a step is taken because oxygenation settles most slowly. This project's choice.
    """
    starts = [step.start_s for step in trial.steps]
    end_s = max(trial.steps[-1].end_s, trial.steps[-1].start_s + _LAST_STEP_S)
    left_s = _left_at(readings, trial)
    within = sorted(
        (r for r in readings if starts[0] <= r.at_s <= end_s and r.at_s < left_s), key=lambda r: (r.start_s, r.source)
    )
    name = _NAMES.get(quantity, quantity.slug)
    last: dict[int, Reading] = {}
    for reading in within:
        if reading.quantity is quantity:
            last[bisect_right(starts, reading.at_s) - 1] = reading
    if len(last) < _FEWEST_LEVELS:
        return message("marker-missing.levels", name=name, count=len(last), least=_FEWEST_LEVELS)
    if quantity is not Quantity.PACO2 and _fio2_changed(readings, list(last.values())):
        return message("marker-missing.oxygen-changed", name=name)
    return [Level(trial.steps[i].peep_cmh2o, last[i].value, (last[i].source,), last[i].start_s) for i in sorted(last)]


def _left_at(readings: Sequence[Reading], trial: Trial) -> float:
    """When PEEP left the last step: what is read from then on is not of it; infinite where it did not."""
    last, settings = trial.steps[-1], trial.peep_source == "set"
    quantity = Quantity.PEEP_SET if settings else Quantity.PEEP_MEASURED

    def moved(peep_cmh2o: float) -> bool:
        if settings:
            return not same_setting(peep_cmh2o, last.peep_cmh2o)
        return abs(peep_cmh2o - last.peep_cmh2o) >= _MOVED_CMH2O

    later = (one for one in readings if one.quantity is quantity and one.at_s > last.end_s)
    return min((one.at_s for one in later if moved(one.value)), default=inf)


def _fio2_changed(readings: Sequence[Reading], levels: Sequence[Reading]) -> bool:
    """Whether the marker was read at more than one FiO2, or while it was being changed."""
    found = [in_force_at(readings, FIO2, one.start_s) for one in levels]
    if any(one.contradicted for one in found):
        return True
    values = [one.reading.value for one in found if one.reading is not None]
    return bool(values) and max(values) - min(values) > FIO2.same


def fio2_remark(readings: Sequence[Reading], levels: Sequence[Level]) -> Message | None:
    """Where FiO2 is not known at some step, say that nobody knows whether it stayed the same.

    Args:
        readings: of one patient, in any order.
        levels: of one marker of oxygenation.
    """
    known = [in_force_at(readings, FIO2, level.at_s).reading is not None for level in levels]
    if all(known):
        return None
    return message("marker-remark.oxygen-unknown" if not any(known) else "marker-remark.oxygen-unknown-at-some")


def unrecorded_remark(levels: Sequence[Level], trial: Trial) -> Message | None:
    """Where the marker was not recorded at every step, say at which: what happened there does not show.

    Args:
        levels: of one marker.
        trial: the limb.
    """
    seen = {level.peep_cmh2o for level in levels}
    missing = tuple(round(step.peep_cmh2o, 1) for step in trial.steps if step.peep_cmh2o not in seen)
    return message("marker-remark.not-recorded", peeps_cmh2o=missing) if missing else None


def first_lasting_fall(worse: Sequence[bool]) -> int | None:
    """Index of the first step from which on the marker stays worse; None where it never does.

    One bad step that comes back is not closing, in any marker.

    Args:
        worse: for each step, highest PEEP first, whether the marker is worse there than at its best so far.

    Source: the rule of the house for a fall that comes back.
    """
    index = len(worse)
    while index > 0 and worse[index - 1]:
        index -= 1
    return index if index < len(worse) else None


def saturation_remark(levels: Sequence[Level]) -> Message | None:
    """Where saturation was too high to tell oxygenation apart, say so."""
    if max(level.value for level in levels) > HIGHEST_INFORMATIVE_SPO2_PERCENT:
        return message("marker-remark.saturation-high", limit_percent=HIGHEST_INFORMATIVE_SPO2_PERCENT)
    return None
