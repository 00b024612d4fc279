"""Which noise-free limbs are put to the test?

Tuning lungs and report lungs share neither the law of the unit nor the shapes of the threshold distributions,
and differ in their ranges, so that a method tuned on the first is judged on the second:

    tuning: sigmoid units; normal opening and closing pressures (Crotti 2001).
    report: exponential units; lognormal, uniform or bimodal opening and closing pressures.

All ranges are our assumptions around the sourced values in `ebbmark.physiology.lung`. A lung is simulated
once, along a decremental limb of 0.5 cmH2O steps; a trial is that limb read at the trial's own PEEPs (a test
shows how little this differs from simulating the trial's own steps). Everything follows from the seed.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import Enum
from functools import lru_cache

import numpy as np

from benchmarks.detection.truth import Truth, true_closing
from ebbmark.physiology.closing import Verdict
from ebbmark.physiology.lung import Lung, Spread, Thresholds, UnitLaw
from ebbmark.physiology.lung_trial import Phase, Staircase, simulate_trial

__all__ = ["FAMILIES", "LungCase", "Purpose", "cases", "invent_lung", "lung_limbs"]

TOP_CMH2O, BOTTOM_CMH2O, GRID_CMH2O = 28.0, 3.0, 0.5


class Purpose(Enum):
    """What a set of lungs is for."""

    TUNING = "tuning"
    REPORT = "report"


@dataclass(frozen=True, slots=True)
class LungCase:
    """One noise-free decremental limb with its right answer. Tuples: one entry per step, highest PEEP first.

    Attributes:
        family: its family's name.
        peeps_cmh2o: set PEEP.
        compliances_ml_per_cmh2o: static compliance, noise-free.
        volumes_ml, plateaus_cmh2o, peaks_cmh2o, total_peeps_cmh2o: what a perfect ventilator would show.
        truth: the right answer.
        lung: the invented patient.
        seed: for the measuring layer.
    """

    family: str
    peeps_cmh2o: tuple[float, ...]
    compliances_ml_per_cmh2o: tuple[float, ...]
    volumes_ml: tuple[float, ...]
    plateaus_cmh2o: tuple[float, ...]
    peaks_cmh2o: tuple[float, ...]
    total_peeps_cmh2o: tuple[float, ...]
    truth: Truth
    lung: Lung
    seed: int

    @property
    def lost_at_closing(self) -> float:
        """Share of the running maximum that compliance loses within the closing step (0 where there is none)."""
        step = self.truth.step
        if step is None:
            return 0.0
        c = self.compliances_ml_per_cmh2o
        return (c[step - 1] - c[step]) / max(c[:step])


@dataclass(frozen=True, slots=True)
class _Limb:
    """A lung along the fine decremental limb; rows: PEEP, static, volume, plateau, peak, total PEEP."""

    lung: Lung
    rows: np.ndarray[tuple[int, int], np.dtype[np.float64]]


def invent_lung(rng: np.random.Generator, purpose: Purpose, *, narrow: bool) -> Lung:
    """Draw one lung: with narrow closing pressures it tends to close abruptly, with wide ones gradually."""
    tuning = purpose is Purpose.TUNING
    closing_sd = rng.uniform(0.3, 1.2) if narrow else rng.uniform(1.5, 4.0)
    superimposed = rng.uniform(0.5, 3.0) if narrow else rng.uniform(3.0, 14.5)
    centre = rng.uniform(1.0, 13.0) if tuning else rng.uniform(0.5, 14.0)
    gap = rng.uniform(10.0, 22.0)
    if tuning:
        opening = Thresholds(centre + gap, rng.uniform(4.0, 8.0))
        closing = Thresholds(centre, closing_sd)
    else:
        shapes = (Spread.LOGNORMAL, Spread.UNIFORM, Spread.BIMODAL)
        shape = shapes[int(rng.integers(3))]
        second = centre + rng.uniform(2.0, 5.0) * (0.5 if narrow else 1.0)
        closing = Thresholds(centre, closing_sd, shape, second, rng.uniform(0.1, 0.4))
        opening = Thresholds(centre + gap, rng.uniform(4.0, 9.0), shapes[int(rng.integers(2))])
    return Lung(
        opening=opening,
        closing=closing,
        superimposed_cmh2o=superimposed,
        law=UnitLaw.SIGMOID if tuning else UnitLaw.EXPONENTIAL,
        half_pressure_cmh2o=rng.uniform(6.0, 14.0),
        inflection_cmh2o=rng.uniform(2.0, 14.0),
        width_cmh2o=rng.uniform(4.0, 9.0),
        capacity_ml=rng.uniform(1000.0, 2600.0),
        chest_wall_ml_per_cmh2o=rng.uniform(110.0, 250.0),
        intrinsic_peep_cmh2o=float(rng.choice([0.0, 0.0, 1.0, 2.0])),
        tube_resistance_cmh2o_s_per_l=rng.uniform(6.0, 12.0),
        airway_resistance_cmh2o_s_per_l=rng.uniform(2.0, 8.0),
        layers=20,
        units_per_layer=120,
    )


@lru_cache(maxsize=8)
def lung_limbs(purpose: Purpose, count: int = 160, seed: int = 0) -> tuple[_Limb, ...]:
    """Simulate a pool of lungs along the fine limb, half of them narrow, half wide.

    A lung is taken if it stands the whole limb and its compliance in the middle lies in 12 to 70 mL/cmH2O.
    """
    rng = np.random.default_rng([seed, 1 if purpose is Purpose.TUNING else 2])
    fine = tuple(float(p) for p in np.arange(TOP_CMH2O, BOTTOM_CMH2O - 0.1, -GRID_CMH2O))
    limbs: list[_Limb] = []
    while len(limbs) < count:
        lung = invent_lung(rng, purpose, narrow=len(limbs) % 2 == 0)
        trial = Staircase(fine, staircase_cmh2o=(), hold_cmh2o=40.0, tidal_volume_ml=float(rng.uniform(280, 480)))
        try:
            steps = [s for s in simulate_trial(lung, trial) if s.phase is Phase.DECREMENTAL]
        except ValueError:
            continue
        rows = np.array(
            [
                (
                    s.peep_cmh2o,
                    s.static_ml_per_cmh2o,
                    s.tidal_volume_ml,
                    s.plateau_cmh2o,
                    s.peak_cmh2o,
                    s.total_peep_cmh2o,
                )
                for s in steps
            ]
        ).T
        if 12.0 <= rows[1, rows.shape[1] // 2] <= 70.0:
            limbs.append(_Limb(lung, rows))
    return tuple(limbs)


def _even(rng: np.random.Generator) -> list[float]:
    return _steps(rng, int(rng.integers(8, 12)), [2.0])


def _short(rng: np.random.Generator) -> list[float]:
    return _steps(rng, int(rng.integers(4, 6)), [2.0, 2.5, 3.0])


def _brief(rng: np.random.Generator) -> list[float]:
    return _steps(rng, int(rng.integers(5, 8)), [1.5, 2.0])


def _unequal(rng: np.random.Generator) -> list[float]:
    return _steps(rng, int(rng.integers(5, 10)), [2.0, 2.5, 3.0, 5.0], mixed=True)


def _steps(rng: np.random.Generator, count: int, sizes: list[float], *, mixed: bool = False) -> list[float]:
    drops = rng.choice(sizes, size=count - 1) if mixed else np.full(count - 1, rng.choice(sizes))
    room = TOP_CMH2O - BOTTOM_CMH2O - float(drops.sum())
    if room < 0.0:
        return []
    top = TOP_CMH2O - np.floor(rng.uniform(0.0, min(room, 12.0)) / GRID_CMH2O) * GRID_CMH2O
    return [float(p) for p in np.concatenate(([top], top - np.cumsum(drops)))]


def _found(case: LungCase) -> bool:
    return case.truth.verdict is Verdict.FOUND


def _abrupt(case: LungCase) -> bool:
    return _found(case) and case.lost_at_closing >= 0.10


def _gradual(case: LungCase) -> bool:
    return _found(case) and case.lost_at_closing <= 0.065


def _not_reached(case: LungCase) -> bool:
    return case.truth.verdict is Verdict.NOT_REACHED


def _rising(case: LungCase) -> bool:
    c = case.compliances_ml_per_cmh2o
    return _not_reached(case) and c[-1] == max(c) and c[-1] >= 1.1 * c[0]


def _falling(case: LungCase) -> bool:
    return case.truth.verdict is Verdict.FALLING_FROM_FIRST_STEP


def _overdistended(case: LungCase) -> bool:
    c = case.compliances_ml_per_cmh2o
    return _found(case) and max(c[: case.truth.step]) >= 1.15 * c[0]


def _level(case: LungCase) -> bool:
    c = case.compliances_ml_per_cmh2o
    return _not_reached(case) and max(c) <= 1.15 * min(c)


def _any(case: LungCase) -> bool:
    return True


FAMILIES: dict[str, tuple[Callable[[np.random.Generator], list[float]], Callable[[LungCase], bool]]] = {
    "abrupt": (_even, _abrupt),  # found; at least 10 % of the maximum lost within the closing step
    "gradual": (_even, _gradual),  # found; at most 6.5 % lost within the closing step
    "overdistended": (_even, _overdistended),  # found, after a rise of at least 15 % from the top
    "not reached": (_even, _not_reached),
    "rising": (_even, _rising),  # not reached, rises by at least 10 % as PEEP falls, highest at the last step
    "falling": (_even, _falling),  # from the first step
    "short": (_short, _any),  # 4 or 5 steps of 2, 2.5 or 3
    "unequal": (_unequal, _any),  # steps of 2, 2.5, 3 and 5 mixed
    "mixed": (_even, _any),  # as they come
    "level": (_brief, _level),  # not reached, highest and lowest compliance within 15 %; 5 to 7 steps
}
"""Per family: how its PEEPs are drawn and which limbs it takes."""


def cases(family: str, *, purpose: Purpose, count: int, seed: int = 0, lungs: int = 160) -> tuple[LungCase, ...]:
    """Draw noise-free limbs of one family.

    Args:
        family: a key of FAMILIES.
        purpose: TUNING or REPORT lungs; disjoint in law, shapes and ranges.
        count: how many limbs; several may share a lung, at other PEEPs.
        seed: same arguments, same limbs.
        lungs: size of the pool of lungs drawn from.
    """
    draw_peeps, belongs = FAMILIES[family]
    pool = lung_limbs(purpose, lungs, seed)
    rng = np.random.default_rng([seed, list(FAMILIES).index(family), 1 if purpose is Purpose.TUNING else 2])
    found: list[LungCase] = []
    for _ in range(400 * count):
        if len(found) == count:
            return tuple(found)
        peeps = draw_peeps(rng)
        limb = pool[int(rng.integers(len(pool)))]
        if not peeps:
            continue
        case = _read(limb, peeps, family, seed=int(rng.integers(2**31)))
        # A plateau above 50 is beyond what published staircases allow on the limb.
        if case.plateaus_cmh2o[0] <= 50.0 and belongs(case):
            found.append(case)
    raise ValueError(f"only {len(found)} of {count} limbs of the family {family!r} found")


def _read(limb: _Limb, peeps: list[float], family: str, seed: int) -> LungCase:
    at = [round((TOP_CMH2O - peep) / GRID_CMH2O) for peep in peeps]
    rows = [tuple(float(x) for x in row[at]) for row in limb.rows]
    return LungCase(
        family=family,
        peeps_cmh2o=rows[0],
        compliances_ml_per_cmh2o=rows[1],
        volumes_ml=rows[2],
        plateaus_cmh2o=rows[3],
        peaks_cmh2o=rows[4],
        total_peeps_cmh2o=rows[5],
        truth=true_closing(rows[1]),
        lung=limb.lung,
        seed=seed,
    )
