"""Trials to be drawn, invented by us: no real patient, no measured trial. Each goes the whole way from a table."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from ebbmark.fhir.answer import Answer
from ebbmark.fhir.operations import TITRATE_PEEP
from ebbmark.fhir.reading.charted_steps import read_charted_steps
from ebbmark.fhir.reading.read import read_request
from ebbmark.fhir.reading.request import RequestContext
from ebbmark.physiology.patient.context import QuantitySeen
from ebbmark.physiology.protocols import DEFAULT_PROTOCOL
from ebbmark.physiology.readings import Quantity
from ebbmark.use_cases.questions import answer_request
from ebbmark.use_cases.titrate import titrate_request
from recommendations import retold

FIXTURES = Path(__file__).parents[1] / "fixtures"
AT_S = 1_780_000_000.0
STEPS_OF_ONE = tuple(range(30, 5, -1))
"""25 steps of 1 cmH2O."""


def fixture(name: str) -> Answer:
    return answer_request(TITRATE_PEEP, (FIXTURES / name / "request.json").read_bytes(), RequestContext(AT_S))


def charted(
    peeps: Sequence[float],
    compliances: Sequence[float],
    *,
    rows: int = 2,
    noise: float = 0.01,
    far: dict[int, float] | None = None,
    kind: str = "static",
) -> Answer:
    """A limb as a table: `rows` compliances per step with a relative noise, some of them (by row) put elsewhere."""
    random = np.random.default_rng(7)
    lines = [f"peep_cmh2o,compliance_{kind}_ml_per_cmh2o,tidal_volume_ml"]
    for peep, compliance in zip(peeps, compliances, strict=True):
        for _ in range(rows):
            value = compliance * float(np.exp(noise * random.standard_normal()))
            lines.append(f"{peep},{(far or {}).get(len(lines) - 1, value):.2f},400")
    steps = read_charted_steps("\n".join(lines).encode(), height_cm=171.0, sex="male")
    request = read_request(TITRATE_PEEP, steps.bundle, RequestContext(AT_S))
    return titrate_request(replace(request, protocol=replace(DEFAULT_PROTOCOL, minimum_steps=3)))


def with_vital_signs(
    recommendation: Answer, lowest: Mapping[Quantity, Sequence[float | None]], *, after: float = 0.0
) -> Answer:
    """The same answer with vital signs at its steps: the lowest value of each, and how far above it the last one is."""

    def seen(value: float) -> QuantitySeen:
        last = value + after
        return QuantitySeen(last, value, last, last, 2, recommendation.titration.trial.steps[0].start_s, 0.0, (0,))

    rows = tuple(
        replace(
            row, by_quantity={name: seen(value) for name, of in lowest.items() if (value := of[number]) is not None}
        )
        for number, row in enumerate(recommendation.titration.seen)
    )
    return retold(recommendation, seen=rows)


def hump(peeps: Sequence[float], best: float, *, height: float = 45.0, slope: float = 0.02) -> tuple[float, ...]:
    """A compliance that is highest at one PEEP and falls off to both sides, faster below."""
    return tuple(
        height * (1 - slope * (peep - best) * 0.6) if peep > best else height * (1 - slope * 1.6 * (best - peep))
        for peep in peeps
    )


DRAWN: dict[str, Callable[[], Answer]] = {
    "clear closing": lambda: fixture("clear-closing"),
    "never reached": lambda: fixture("never-reached"),
    "noisy record": lambda: fixture("noisy-record"),
    "25 steps": lambda: charted(STEPS_OF_ONE, hump(STEPS_OF_ONE, 14), rows=3),
    "25 steps, wide spread": lambda: charted(STEPS_OF_ONE, hump(STEPS_OF_ONE, 16, slope=0.012), rows=2, noise=0.06),
    "3 steps": lambda: charted((14, 10, 6), (44, 45, 36)),
    "closing at the second step": lambda: charted((20, 18, 16, 14, 12), (45, 38, 34, 31, 28)),
    "closing at the last step": lambda: charted((20, 18, 16, 14, 12, 10), (38, 40, 42, 43, 43.5, 37)),
    "falling from the first step": lambda: charted((14, 12, 10, 8, 6), (46, 41, 36, 32, 28)),
    "wide spread": lambda: charted((20, 18, 16, 14, 12, 10, 8, 6), (40, 41, 41, 40, 39, 37.5, 36, 34), noise=0.06),
    "single readings": lambda: charted((18, 16, 14, 12, 10, 8), (38, 41, 42, 42, 37, 31), rows=1),
    "many readings": lambda: charted((18, 16, 14, 12, 10, 8), (38, 41, 42, 42, 37, 31), rows=40, noise=0.03),
    "far readings": lambda: charted((18, 16, 14, 12, 10, 8), (38, 41, 42, 42, 37, 31), rows=4, far={5: 3.0, 6: 110.0}),
    "dynamic": lambda: charted((18, 16, 14, 12, 10, 8), (28, 31, 32, 32, 27, 21), kind="dynamic"),
    "steps of different size": lambda: charted(
        (24, 20, 18, 17.5, 15, 14.5, 12, 10, 9.5, 6), (36, 38, 39.4, 40, 40.5, 40.5, 40, 36, 35, 30)
    ),
    "margin beyond the tested range": lambda: charted((12, 11, 10, 9, 8, 7), (42, 43, 42.5, 38, 35, 32)),
    "vital signs beyond their limits": lambda: with_vital_signs(
        charted((18, 16, 14, 12, 10, 8), (38, 41, 42, 42, 37, 31)),
        {
            Quantity.SPO2: (95, 95, 94, None, 84, 80),
            Quantity.MEAN_ARTERIAL_PRESSURE: (55, 58, 59.6, 60, 72, 75),
            Quantity.SYSTOLIC_ARTERIAL_PRESSURE: (80, 84, 86, 92, 110, 114),
        },
        after=1.0,
    ),
    "25 steps with vital signs": lambda: with_vital_signs(
        charted(STEPS_OF_ONE, hump(STEPS_OF_ONE, 14), rows=3),
        {
            Quantity.SPO2: [95] * 20 + [84] * 5,
            Quantity.SYSTOLIC_ARTERIAL_PRESSURE: [85] * 12 + [118] * 13,
        },
    ),
    "very stiff": lambda: charted((16, 14, 12, 10, 8), (6.1, 6.4, 6.5, 5.6, 4.7)),
}
