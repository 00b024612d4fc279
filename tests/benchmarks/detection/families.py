"""Which noise-free limbs are put to the test?

A lung is simulated once, along a decremental limb of 0.5 cmH2O steps (`invented_lungs`); a trial is that limb read
at the trial's own PEEPs (a test shows how little this differs from simulating the trial's own steps). Everything
follows from the seed.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from benchmarks.detection.invented_lungs import (
    BOTTOM_CMH2O,
    GRID_CMH2O,
    TOP_CMH2O,
    FineLimb,
    Purpose,
    lung_limbs,
)
from benchmarks.detection.truth import Truth, true_closing
from ebbmark.physiology.closing.result import Verdict
from ebbmark.physiology.lung import Lung


@dataclass(frozen=True, slots=True)
class LungCase:
    """One noise-free decremental limb with its right answer. Tuples: one entry per step, highest PEEP first.

    Attributes:
        family: its family's name.
        peeps_cmh2o: set PEEP.
        compliances_ml_per_cmh2o: static compliance, noise-free.
        volumes_ml, plateaus_cmh2o, peaks_cmh2o, total_peeps_cmh2o: what a perfect ventilator would show.
        truth: the right answer.
        lung: the invented patient; None where another generator made it.
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
    lung: Lung | None
    seed: int

    @property
    def lost_at_closing(self) -> float:
        """Share of the running maximum that compliance loses within the closing step (0 where there is none)."""
        step = self.truth.step
        if step is None:
            return 0.0
        c = self.compliances_ml_per_cmh2o
        return (c[step - 1] - c[step]) / max(c[:step])


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


def _read(limb: FineLimb, peeps: list[float], family: str, seed: int) -> LungCase:
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
