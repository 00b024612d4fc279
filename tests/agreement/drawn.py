"""Trials drawn at random for the agreement of all doors: invented charts of many kinds, no patient and no device.

Drawn with Python's own generator (the Mersenne Twister gives the same numbers on every platform) and written with few
decimals, so that a trial is the same bytes everywhere.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from random import Random
from typing import Final

from fhir_builders import Json, bundle, height, panel, parameters, patient, to_bytes

START: Final = datetime(2026, 3, 1, 9, 0, tzinfo=UTC)
STEP_S: Final = 180


@dataclass(frozen=True, slots=True)
class Chart:
    """How a trial is drawn.

    Attributes:
        peeps_cmh2o: levels, highest first.
        best_cmh2o: level of the highest compliance.
        rise: relative loss of compliance per cmH2O above it.
        fall: the same below it.
        noise: relative noise of a compliance.
        rows: charted rows per step.
        static: for each step, whether its plateau pressure is charted; else its peak pressure only.
        open_at: index of a step during which the circuit is opened; None for none.
        leak: share of the volume that does not come back.
        circulates: whether saturation, arterial pressure and heart rate are charted.
    """

    peeps_cmh2o: tuple[float, ...]
    best_cmh2o: float
    rise: float
    fall: float
    noise: float
    rows: int
    static: tuple[bool, ...]
    open_at: int | None = None
    leak: float = 0.0
    circulates: bool = True


@dataclass(frozen=True, slots=True)
class Drawn:
    """One drawn trial.

    Attributes:
        name: kind and number.
        observations: what was charted during it.
        end: of its last step.
        last_cmh2o: its lowest PEEP.
    """

    name: str
    observations: list[Json]
    end: datetime
    last_cmh2o: float

    def body(self, *more: Json, **asked: object) -> bytes:
        """The request: patient, height, trial and anything more."""
        return to_bytes(parameters(bundle=bundle(patient(), height(), *self.observations, *more), **asked))

    def at_s(self, seconds: float) -> float:
        """So long after its end [s since 1970-01-01T00:00:00Z]."""
        return self.end.timestamp() + seconds

    def set_to(self, peep_cmh2o: float, seconds: float) -> list[Json]:
        """Rows at a setting after the trial, from so long after its end on."""
        chart = Chart((peep_cmh2o,), peep_cmh2o, 0.01, 0.02, 0.01, 3, (True,))
        rows, _ = _charted(chart, self.end + timedelta(seconds=seconds), Random(1), "after")
        return rows


def _levels(random: Random, fewest: int = 5, most: int = 11) -> tuple[float, ...]:
    top, decrement = random.choice((24, 22, 20, 18)), random.choice((1, 2, 2, 2))
    return tuple(
        float(top - decrement * step) for step in range(random.randint(fewest, most)) if top > decrement * step
    )


def _static(random: Random) -> Chart:
    levels = _levels(random)
    best = random.choice(levels[1:-1])
    steep, noise = random.uniform(0.015, 0.05), random.uniform(0.002, 0.03)
    return Chart(levels, best, random.uniform(0.002, 0.02), steep, noise, random.randint(1, 3), (True,) * len(levels))


def _dynamic(random: Random) -> Chart:
    chart = _static(random)
    return replace(chart, static=(False,) * len(chart.peeps_cmh2o))


def _mixed(random: Random) -> Chart:
    chart = _static(random)
    return replace(chart, static=tuple(random.random() < 0.6 for _ in chart.peeps_cmh2o))


def _circuit_opened(random: Random) -> Chart:
    chart = _static(random)
    return replace(chart, open_at=random.randrange(1, len(chart.peeps_cmh2o)), rows=2)


def _leak(random: Random) -> Chart:
    return replace(_static(random), leak=random.uniform(0.1, 0.5))


def _short(random: Random) -> Chart:
    levels = _levels(random, 3, 4)
    return replace(_static(random), peeps_cmh2o=levels, best_cmh2o=levels[1], static=(True,) * len(levels))


def _not_reached(random: Random) -> Chart:
    chart = _static(random)
    return replace(chart, best_cmh2o=chart.peeps_cmh2o[-1] - 2, rise=random.uniform(0.005, 0.02))


def _falling(random: Random) -> Chart:
    chart = _static(random)
    return replace(chart, best_cmh2o=chart.peeps_cmh2o[0] + 2, fall=random.uniform(0.05, 0.09), noise=0.005)


def _uncharted_circulation(random: Random) -> Chart:
    return replace(_static(random), circulates=False)


KINDS: Final[dict[str, Callable[[Random], Chart]]] = {
    "static": _static,
    "dynamic": _dynamic,
    "mixed": _mixed,
    "circuit-opened": _circuit_opened,
    "leak": _leak,
    "short": _short,
    "not-reached": _not_reached,
    "falling-from-the-first-step": _falling,
    "uncharted-circulation": _uncharted_circulation,
}
"""How each kind of trial is drawn."""

TWO = "two-trials"


def drawn(count: int) -> list[Drawn]:
    """So many trials of every kind, and as many requests that hold two trials."""
    found = [_one(kind, number) for kind in KINDS for number in range(count)]
    return [*found, *[_two(number) for number in range(count)]]


def _one(kind: str, number: int) -> Drawn:
    random = Random(f"{kind} {number}")
    chart = KINDS[kind](random)
    rows, end = _charted(chart, START, random, "row")
    return Drawn(f"{kind}-{number}", rows, end, chart.peeps_cmh2o[-1])


def _two(number: int) -> Drawn:
    random = Random(f"{TWO} {number}")
    earlier, later = _static(random), random.choice((_static, _dynamic))(random)
    first, ended = _charted(earlier, START, random, "first")
    second, end = _charted(later, ended + timedelta(hours=random.randint(3, 20)), random, "second")
    return Drawn(f"{TWO}-{number}", [*first, *second], end, later.peeps_cmh2o[-1])


def _charted(chart: Chart, start: datetime, random: Random, prefix: str) -> tuple[list[Json], datetime]:
    rows: list[Json] = []

    def row(values: dict[str, float], at: datetime) -> None:
        rows.append(panel(values, when=at.isoformat(), identity=f"{prefix}-{len(rows)}", meta={"versionId": "1"}))

    for step, peep in enumerate(chart.peeps_cmh2o):
        began = start + timedelta(seconds=step * STEP_S)
        row({"peep-set": peep}, began)
        if chart.open_at == step:
            row({"peep-measured": 0.3, "tidal-volume-expired": 15.0}, began + timedelta(seconds=30))
        for number in range(chart.rows):
            at = began + timedelta(seconds=80 + 90 * number / chart.rows)
            row(_breath(chart, step, peep, random), at)
    return rows, start + timedelta(seconds=len(chart.peeps_cmh2o) * STEP_S - 10)


def _breath(chart: Chart, step: int, peep: float, random: Random) -> dict[str, float]:
    away = peep - chart.best_cmh2o
    compliance = 44.0 * max(0.3, 1 - chart.rise * away if away > 0 else 1 + chart.fall * away)
    compliance *= 1 + random.gauss(0.0, chart.noise)
    volume = 400.0
    values = {
        "peep-set": peep,
        "tidal-volume-set": volume,
        "tidal-volume-expired": round(volume * (1 - chart.leak)),
        "peak-pressure": round(peep + volume / compliance + 6.0 + random.gauss(0.0, 0.3), 1),
    }
    if chart.static[step]:
        values["plateau-pressure"] = round(peep + volume / compliance, 1)
    if chart.circulates:
        values |= {"spo2": 94.0, "mean-arterial-pressure": 74.0, "heart-rate": 92.0}
    return values
