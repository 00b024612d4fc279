"""The estimate has the same bits on every machine, and nothing that it states hangs on the last ones."""

from __future__ import annotations

import ast
import math
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ebbmark.physiology.closing import arithmetic, decision, estimator, model, posterior
from ebbmark.physiology.closing.arithmetic import Floats
from ebbmark.physiology.closing.estimator import closing_passed, estimate_closing
from ebbmark.physiology.closing.result import Closing, CurveStep

CORE = Path(estimator.__file__).parent
USERS = (decision, model, posterior)
FUNCTIONS = ("exp", "log", "total", "times", "cholesky", "inverse_of_root", "normal_points")
ORDER_OF_THE_MACHINE = {
    *("dot", "matmul", "einsum", "inner", "vdot", "tensordot", "linalg", "exp", "log", "exp2", "log2", "expm1"),
    *("log1p", "power", "tanh", "sum", "mean", "std", "var", "prod", "median", "average"),
}


def limbs() -> Iterator[list[CurveStep]]:
    """Drawn limbs of many kinds: single and several readings, rounded ones, flat ones, all equal, a spoiled step."""
    for seed in range(24):
        rng = np.random.default_rng(seed)
        count, readings = int(rng.integers(3, 13)), 1 + seed % 4
        begins, loss = int(rng.integers(1, 10)), float(rng.uniform(0.0, 0.12))
        noisy = rng.normal(0.0, 0.02, (count, readings))
        logs = [0.02 * min(k, begins) - loss * max(k - begins, 0) for k in range(count)]
        rows = [(34.0 * np.exp(logs[k] + noisy[k])).tolist() for k in range(count)]
        if seed % 3 == 0:
            rows = [[float(round(value)) for value in row] for row in rows]
        if seed % 5 == 0:
            rows[count // 2] = [0.7 * value for value in rows[count // 2]]
        resolution = 0.02 if seed % 3 == 0 else 0.0
        yield [CurveStep(25.0 - 2.0 * k, tuple(row), resolution) for k, row in enumerate(rows)]
    yield [CurveStep(20.0 - 2.0 * k, (30.0,)) for k in range(8)]
    yield [CurveStep(20.0 - 2.0 * k, (50.0, 50.0)) for k in range(5)] + [CurveStep(10.0, (44.0, 44.0))]


def answers() -> list[tuple[Closing, Closing, float]]:
    for cached in (model.curve_prior, model.event_factors, posterior.table_of):
        cached.cache_clear()
    return [
        (estimate_closing(limb), estimate_closing(limb, dynamic=True), closing_passed(limb[:-1])) for limb in limbs()
    ]


def shaken(function: Callable[..., Floats], seed: int, ulps: int) -> Callable[..., Floats]:
    """The same function, its results changed at random by a few units in the last place."""
    rng = np.random.default_rng(seed)

    def shake(*values: object) -> Floats:
        result = function(*values)
        return np.asarray(result * (1.0 + rng.integers(-ulps, ulps + 1, np.shape(result)) * 2.0**-52))

    return shake


@pytest.mark.parametrize("seed", range(4))
def test_a_few_units_in_the_last_place_of_every_intermediate_change_nothing_that_is_stated(
    seed: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    expected = answers()
    for module in USERS:
        for name in FUNCTIONS:
            if hasattr(module, name):
                monkeypatch.setattr(module, name, shaken(getattr(arithmetic, name), seed, ulps=4))

    assert answers() == expected
    monkeypatch.undo()
    assert answers() == expected


@pytest.mark.parametrize("towards", [0.0, math.inf])
def test_the_last_bit_of_the_readings_changes_nothing_that_is_stated(towards: float) -> None:
    for limb in limbs():
        moved = [
            CurveStep(
                step.peep_cmh2o,
                tuple(math.nextafter(value, towards) for value in step.compliances_ml_per_cmh2o),
                step.resolution,
            )
            for step in limb
        ]

        assert estimate_closing(moved) == estimate_closing(limb)


def test_the_core_uses_no_function_whose_bits_or_order_the_machine_chooses() -> None:
    """Of numpy, and as operator or method: @, ** with anything but a constant whole number, sum and the like."""
    found = []
    for path in sorted(CORE.glob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.BinOp) and isinstance(node.op, ast.MatMult):
                found.append(f"{path.name}:{node.lineno} @")
            if isinstance(node, ast.BinOp) and isinstance(node.op, ast.Pow):
                power = node.right
                if not (isinstance(power, ast.Constant) and power.value == 2):
                    found.append(f"{path.name}:{node.lineno} **")
            if isinstance(node, ast.Attribute) and node.attr in ORDER_OF_THE_MACHINE:
                found.append(f"{path.name}:{node.lineno} .{node.attr}")
            if isinstance(node, ast.ImportFrom) and node.module == "math":
                found += [f"{path.name}: math.{name.name}" for name in node.names if name.name in ORDER_OF_THE_MACHINE]

    assert found == []


@given(st.floats(-690.0, 690.0))
def test_the_exponential_is_right_to_a_few_units_in_the_last_place(x: float) -> None:
    assert float(arithmetic.exp(np.array(x))) == pytest.approx(math.exp(x), rel=2e-15)


@given(st.floats(1e-300, 1e300))
def test_the_logarithm_is_right_to_a_few_units_in_the_last_place(x: float) -> None:
    assert float(arithmetic.log(np.array(x))) == pytest.approx(math.log(x), rel=2e-15, abs=1e-16)


@given(st.integers(1, 12), st.integers(0, 2**16))
def test_roots_and_inverses_are_those_that_numpy_finds(size: int, seed: int) -> None:
    factor = np.random.default_rng(seed).normal(size=(3, size, size))
    matrices = factor @ factor.transpose(0, 2, 1) + 0.1 * np.eye(size)

    roots = arithmetic.cholesky(matrices)

    assert roots == pytest.approx(np.linalg.cholesky(matrices), rel=1e-9, abs=1e-9)
    assert arithmetic.inverse_of_root(roots) == pytest.approx(np.linalg.inv(roots), rel=1e-7, abs=1e-9)


@pytest.mark.parametrize(("dimensions", "ratio"), [(1, 1.618033988749895), (2, 1.324717957244746)])
def test_one_and_two_dimensions_give_the_golden_and_the_plastic_ratio(dimensions: int, ratio: float) -> None:
    assert arithmetic._generalised_golden_ratio(dimensions) == pytest.approx(ratio, rel=1e-15)


def test_points_under_the_normal_density_have_its_mean_and_spread() -> None:
    points = arithmetic.normal_points(512, 13)

    assert points.mean(axis=1) == pytest.approx(np.zeros(13), abs=1e-8)
    assert points.std(axis=1) == pytest.approx(np.ones(13), abs=1e-8)
