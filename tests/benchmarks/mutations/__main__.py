"""Mutation run: one limit, comparison, and/or at a time is changed in a copy, and the tests have to notice.

Run: python -m benchmarks.mutations [--count 40] [--seed 1], inside `tests/`. Prints what survived, and the share. The
tests run are those of the room that is changed. Tuning constants of the estimator of closing are not among the targets.
"""

from __future__ import annotations

import argparse
import ast
import random
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

ROOT = Path(__file__).parents[3]
PHYSIOLOGY = ROOT / "service" / "ebbmark" / "physiology"
TARGETS = ("patient", "stop", "formulas", "advice", "trial", "protocols.py")
TESTS = (
    "tests/patient",
    "tests/physiology/test_trial.py",
    "tests/physiology/test_advice.py",
    "tests/physiology/test_protocol_limits.py",
    "tests/physiology/test_stopping.py",
    "tests/physiology/test_safety.py",
    "tests/physiology/test_mechanics.py",
    "tests/physiology/test_gas_exchange.py",
    "tests/physiology/test_body.py",
    "tests/physiology/test_mechanical_power.py",
    "tests/world/test_predicted_body_weight.py",
)
SWAPS: dict[type[ast.cmpop], tuple[type[ast.cmpop], ...]] = {
    ast.Lt: (ast.LtE, ast.GtE),
    ast.LtE: (ast.Lt, ast.Gt),
    ast.Gt: (ast.GtE, ast.LtE),
    ast.GtE: (ast.Gt, ast.Lt),
}
FACTORS = (0.7, 1.3)
LONGEST_S = 120.0


class Mutant(NamedTuple):
    """One change.

    Attributes:
        path: of the file that is changed.
        line: where.
        before, after: the part that is changed, as source.
        text: the whole file with the change.
    """

    path: Path
    line: int
    before: str
    after: str
    text: str


def mutants() -> Iterator[Mutant]:
    """Every mutant of the targets."""
    for target in TARGETS:
        place = PHYSIOLOGY / target
        for path in sorted(place.glob("*.py")) if place.is_dir() else [place]:
            text = path.read_text(encoding="utf-8")
            for node in ast.walk(ast.parse(text)):
                yield from _of(path, text, node)


def _of(path: Path, text: str, node: ast.AST) -> Iterator[Mutant]:
    if isinstance(node, ast.Compare) and len(node.ops) == 1:
        for swapped in SWAPS.get(type(node.ops[0]), ()):
            yield _changed(path, text, node, ast.Compare(node.left, [swapped()], node.comparators))
    elif isinstance(node, ast.BoolOp):
        yield _changed(
            path, text, node, ast.BoolOp(ast.Or() if isinstance(node.op, ast.And) else ast.And(), node.values)
        )
    elif isinstance(node, ast.Constant) and isinstance(node.value, float) and node.value:
        for factor in FACTORS:
            yield _changed(path, text, node, ast.Constant(round(node.value * factor, 6)))


def _changed(path: Path, text: str, node: ast.expr, other: ast.expr) -> Mutant:
    lines = text.splitlines(keepends=True)
    starts = [0]
    for line in lines:
        starts.append(starts[-1] + len(line.encode()))
    raw = text.encode()
    begin = starts[node.lineno - 1] + node.col_offset
    end = starts[(node.end_lineno or node.lineno) - 1] + (node.end_col_offset or 0)
    after = ast.unparse(ast.fix_missing_locations(other))
    whole = raw[:begin] + f"({after})".encode() + raw[end:]
    return Mutant(path, node.lineno, raw[begin:end].decode(), after, whole.decode())


def survives(mutant: Mutant, copy: Path) -> bool:
    """Whether no test notices.

    Args:
        mutant: the change.
        copy: of the repository, with nothing changed.
    """
    place = copy / mutant.path.relative_to(ROOT)
    kept = place.read_text(encoding="utf-8")
    place.write_text(mutant.text, encoding="utf-8")
    wanted = [test for test in TESTS if (copy / test).exists()]
    command = [sys.executable, "-m", "pytest", "-x", "-q", "-p", "no:cacheprovider", "-k", "not hundred", *wanted]
    try:
        return subprocess.run(command, cwd=copy, capture_output=True, timeout=LONGEST_S, check=False).returncode == 0
    except subprocess.TimeoutExpired:
        return False
    finally:
        place.write_text(kept, encoding="utf-8")


def main() -> int:
    """Change, run, and print what survived."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=40)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", default="", help="a part of the path of the files to change")
    asked = parser.parse_args()
    every = [one for one in mutants() if asked.only in str(one.path)]
    chosen = random.Random(asked.seed).sample(every, min(asked.count, len(every)))
    survived = []
    with tempfile.TemporaryDirectory() as folder:
        copy = Path(folder)
        shutil.copytree(ROOT / "service", copy / "service", ignore=shutil.ignore_patterns("__pycache__"))
        shutil.copytree(ROOT / "tests", copy / "tests", ignore=shutil.ignore_patterns("__pycache__", "node_modules"))
        shutil.copytree(ROOT / "fixtures", copy / "fixtures")
        shutil.copy(ROOT / "pyproject.toml", copy / "pyproject.toml")
        for number, one in enumerate(chosen, start=1):
            if survives(one, copy):
                survived.append(one)
                print(f"{number} tried, {len(survived)} survived; ", end="")
                print(f"survived: {one.path.relative_to(ROOT)}:{one.line}: {one.before} -> {one.after}", flush=True)
    print(f"{len(survived)} of {len(chosen)} changes survived (of {len(every)} possible ones)")
    return 0


if __name__ == "__main__":
    sys.exit(main())
