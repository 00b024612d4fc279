"""What was a marker at each step of a limb, and at which step did it get worse for good?"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from ebbmark.physiology.formulas.gas_exchange import HIGHEST_INFORMATIVE_SPO2_PERCENT
from ebbmark.physiology.readings import Quantity, Reading
from ebbmark.physiology.trial.steps import Trial

__all__ = ["Level", "first_lasting_fall", "levels_of", "saturation_remark"]

_NAMES: Final = {Quantity.SPO2: "SpO2", Quantity.PAO2: "PaO2", Quantity.PACO2: "PaCO2"}
_FEWEST_LEVELS: Final = 3
_SAME_FIO2: Final = 0.02  # a gas monitor wanders by less
_LAST_STEP_S: Final = 900.0  # how long after its start a reading still belongs to the last step; our choice


@dataclass(frozen=True, slots=True)
class Level:
    """The value of a marker at one step.

    Attributes:
        peep_cmh2o: set PEEP.
        value: last reading within the step [unit of its quantity].
        sources: indices of the inputs.
    """

    peep_cmh2o: float
    value: float
    sources: tuple[int, ...]


def levels_of(readings: Sequence[Reading], trial: Trial, quantity: Quantity) -> list[Level] | str:
    """The last reading of a quantity in each step of the limb, highest PEEP first; or why it cannot be a marker.

    Args:
        readings: of one patient, in any order.
        trial: the limb.
        quantity: SpO2, PaO2 or PaCO2.

    Source: the last reading of a step is taken because oxygenation settles most slowly. This project's choice.
    """
    starts = [step.start_s for step in trial.steps]
    end_s = max(trial.steps[-1].end_s, trial.steps[-1].start_s + _LAST_STEP_S)
    within = sorted((r for r in readings if starts[0] <= r.at_s <= end_s), key=lambda r: (r.start_s, r.source))
    name = _NAMES.get(quantity, quantity.slug)
    fio2 = [r.value for r in within if r.quantity in (Quantity.FIO2_SET, Quantity.FIO2_MEASURED)]
    if quantity is not Quantity.PACO2 and fio2 and max(fio2) - min(fio2) > _SAME_FIO2:
        return f"FiO2 was changed during the limb, so {name} is not read as a marker."
    last: dict[int, Reading] = {}
    for reading in within:
        if reading.quantity is quantity:
            last[bisect_right(starts, reading.at_s) - 1] = reading
    if len(last) < _FEWEST_LEVELS:
        return f"{name} was recorded at {len(last)} steps of the limb; at least {_FEWEST_LEVELS} are needed."
    return [Level(trial.steps[i].peep_cmh2o, last[i].value, (last[i].source,)) for i in sorted(last)]


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


def saturation_remark(levels: Sequence[Level]) -> str:
    """Where saturation was too high to tell oxygenation apart, say so."""
    if max(level.value for level in levels) > HIGHEST_INFORMATIVE_SPO2_PERCENT:
        return (
            f"SpO2 was above {HIGHEST_INFORMATIVE_SPO2_PERCENT:g} %, where it hardly moves with oxygenation, so it may "
            "name closing too late or not at all. "
        )
    return ""
