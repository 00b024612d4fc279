"""Rule sets for reading a trial: versioned data, each value with its source in `data/protocols.toml`."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

from ebbmark.data import table


@dataclass(frozen=True, slots=True)
class Protocol:
    """One rule set for reading a decremental PEEP trial and for what follows from it.

    Attributes:
        version: of the rule set; changes whenever a value changes.
        citation: where the rules come from, or that no published source exists.
        fall: relative fall of compliance below its maximum so far that counts as closing.
        margins_cmh2o: margins shown side by side; the smallest and the largest bound what may be asked for.
        minimum_steps: fewest steps of falling PEEP that are read as a trial.
        largest_decrement_cmh2o: a larger drop of set PEEP between steps is not a step of a trial.
        longest_step_s: steps further apart than this are not one trial.
        settling_s: readings this soon after a change of set PEEP do not count where later ones exist.
        target_ml_per_kg: tidal volume per predicted body weight.
        ladder_ml_per_kg: the rungs shown, all within what the low tidal volume trial used.
        plateau_limit_cmh2o: plateau pressure not to be exceeded.
        driving_pressure_limit_cmh2o: driving pressure above which a caution is shown.
    """

    slug: str
    version: str
    title: str
    citation: str
    fall: float
    margin_cmh2o: float
    margins_cmh2o: tuple[float, ...]
    minimum_steps: int
    largest_decrement_cmh2o: float
    longest_step_s: float
    settling_s: float
    target_ml_per_kg: float
    ladder_ml_per_kg: tuple[float, ...]
    plateau_limit_cmh2o: float
    driving_pressure_limit_cmh2o: float
    least_peep_cmh2o: float


def _protocol(row: dict[str, Any]) -> Protocol:
    values: dict[str, Any] = {name: tuple(value) if isinstance(value, list) else value for name, value in row.items()}
    return Protocol(**values)


PROTOCOLS: Final = tuple(map(_protocol, table("protocols")["protocol"]))
DEFAULT_PROTOCOL: Final = PROTOCOLS[0]
