"""Mutation run: one limit, comparison, and/or at a time is changed in a copy, and the tests have to notice.

Run: python -m benchmarks.mutations [--count 40] [--seed 1] [--only stop/], inside `tests/`. Prints what survived, and
the share, file by file. The tests run are those of the room that is changed. Constants of the estimator of closing are
tuning and counted apart (`--estimator`). What no test can notice, because it changes no answer, is named in
`equivalent.toml` with its reason, and counted apart, too.
"""

from __future__ import annotations

import argparse
import ast
import os
import random
import re
import shutil
import signal
import sys
import tempfile
import tomllib
from collections import Counter
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import NamedTuple, NoReturn

import fhir.resources  # noqa: F401  libraries are loaded once, before the forks
import httpx  # noqa: F401
import numpy  # noqa: F401
import pytest

ROOT = Path(__file__).parents[3]
SERVICE = ROOT / "service" / "ebbmark"
PHYSIOLOGY = "tests/physiology/test_"
TESTS = {
    "physiology/patient": (
        "tests/patient", f"{PHYSIOLOGY}trial.py", f"{PHYSIOLOGY}timeline.py", "tests/use_cases/test_titrate_age.py",
        "tests/use_cases/test_titrate_patient.py", "tests/use_cases/test_next_step_after_closing.py",
    ),
    "physiology/stop": (
        f"{PHYSIOLOGY}safety.py", "tests/patient", "tests/use_cases/test_next_step_rhythm.py",
        "tests/use_cases/test_next_step_limits.py", "tests/use_cases/test_next_step_doubts.py",
        "tests/use_cases/test_next_step_unsent.py", "tests/use_cases/test_next_step_way_back.py",
    ),
    "physiology/mechanics.py": (
        f"{PHYSIOLOGY}mechanics.py", f"{PHYSIOLOGY}gas_exchange.py",
        "tests/world/test_predicted_body_weight.py", f"{PHYSIOLOGY}advice.py",
        "tests/world/test_gas_exchange.py", "tests/world/test_mechanical_power.py",
        "tests/world/test_oxygen_dissociation.py", "tests/world/test_textbook_mechanics.py", "tests/patient",
    ),
    "physiology/gas_exchange.py": (
        f"{PHYSIOLOGY}mechanics.py", f"{PHYSIOLOGY}gas_exchange.py",
        "tests/world/test_predicted_body_weight.py", f"{PHYSIOLOGY}advice.py",
        "tests/world/test_gas_exchange.py", "tests/world/test_mechanical_power.py",
        "tests/world/test_oxygen_dissociation.py", "tests/world/test_textbook_mechanics.py", "tests/patient",
    ),
    "physiology/advice.py": (
        f"{PHYSIOLOGY}protocol_limits.py", f"{PHYSIOLOGY}advice.py", "tests/patient",
        "tests/world/test_mechanical_power.py",
    ),
    "physiology/what_if.py": (
        f"{PHYSIOLOGY}protocol_limits.py", f"{PHYSIOLOGY}advice.py", "tests/patient",
        "tests/world/test_mechanical_power.py",
    ),
    "physiology/trial": (
        f"{PHYSIOLOGY}artefacts.py", f"{PHYSIOLOGY}trial.py", f"{PHYSIOLOGY}protocol_limits.py", "tests/patient",
        f"{PHYSIOLOGY}advice.py", f"{PHYSIOLOGY}running.py",
    ),
    "physiology/protocols.py": (f"{PHYSIOLOGY}protocol_limits.py", f"{PHYSIOLOGY}advice.py", "tests/patient"),
    "data/stop_criteria.toml": (f"{PHYSIOLOGY}safety.py", "tests/patient"),
}  # fmt: skip
ESTIMATOR = {"physiology/closing": tuple(f"tests/physiology/{one.name}" for one in sorted(
    (ROOT / "tests" / "physiology").glob("test_closing*.py")) if "brute" not in one.name)}  # fmt: skip
SWAPS: dict[type[ast.cmpop], tuple[type[ast.cmpop], ...]] = {
    ast.Lt: (ast.LtE, ast.GtE),
    ast.LtE: (ast.Lt, ast.Gt),
    ast.Gt: (ast.GtE, ast.LtE),
    ast.GtE: (ast.Gt, ast.Lt),
}
FACTORS = (0.7, 1.3)
LONGEST_S = 120
_HERE = ("", str(ROOT / "tests"), str(ROOT / "service"))


class Mutant(NamedTuple):
    """One change.

    Attributes:
        path: of the file that is changed.
        line: where.
        before, after: the part that is changed, as source.
        text: the whole file with the change.
        tests: that have to notice it.
    """

    path: Path
    line: int
    before: str
    after: str
    text: str
    tests: tuple[str, ...]

    @property
    def place(self) -> str:
        """Of the file, within the service."""
        return str(self.path.relative_to(SERVICE))


def mutants(targets: dict[str, tuple[str, ...]]) -> Iterator[Mutant]:
    """Every mutant of the targets."""
    for target, tests in targets.items():
        place = SERVICE / target
        for path in sorted(place.glob("*.py")) if place.is_dir() else [place]:
            text = path.read_text(encoding="utf-8")
            changes = _of_table(text) if path.suffix == ".toml" else _of_code(text)
            for line, before, after, changed in changes:
                yield Mutant(path, line, before, after, changed, tests)


Change = tuple[int, str, str, str]


def _of_code(text: str) -> Iterator[Change]:
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.Compare) and len(node.ops) == 1:
            for swapped in SWAPS.get(type(node.ops[0]), ()):
                yield _changed(text, node, ast.Compare(node.left, [swapped()], node.comparators))
        elif isinstance(node, ast.BoolOp):
            yield _changed(text, node, ast.BoolOp(ast.Or() if isinstance(node.op, ast.And) else ast.And(), node.values))
        elif isinstance(node, ast.Constant) and isinstance(node.value, float) and node.value:
            for factor in FACTORS:
                yield _changed(text, node, ast.Constant(float(f"{node.value * factor:.6g}")))


def _of_table(text: str) -> Iterator[Change]:
    for found in re.finditer(r"(?<=default = )[0-9.]+", text):
        for factor in FACTORS:
            after = f"{float(found[0]) * factor:.6g}"
            whole = text[: found.start()] + after + text[found.end() :]
            yield text.count("\n", 0, found.start()) + 1, found[0], after, whole


def _changed(text: str, node: ast.expr, other: ast.expr) -> Change:
    starts = [0]
    for line in text.splitlines(keepends=True):
        starts.append(starts[-1] + len(line.encode()))
    raw = text.encode()
    begin = starts[node.lineno - 1] + node.col_offset
    end = starts[(node.end_lineno or node.lineno) - 1] + (node.end_col_offset or 0)
    after = ast.unparse(ast.fix_missing_locations(other))
    whole = raw[:begin] + f"({after})".encode() + raw[end:]
    return node.lineno, ast.unparse(node), after, whole.decode()


def survives(mutant: Mutant, copy: Path) -> bool:
    """Whether no test notices.

    Args:
        mutant: the change.
        copy: of the repository, with nothing changed.
    """
    place = copy / mutant.path.relative_to(ROOT)
    kept = place.read_text(encoding="utf-8")
    place.write_text(mutant.text, encoding="utf-8")
    child = os.fork()
    if child == 0:
        _judge(mutant.tests, copy)
    _, status = os.waitpid(child, 0)
    place.write_text(kept, encoding="utf-8")
    return status == 0


def _judge(tests: Sequence[str], copy: Path) -> NoReturn:
    """Run the tests in this process and end it with their outcome."""
    outcome = 1  # whatever goes wrong here counts as noticed, so that `main` tries it without a change first
    try:
        signal.setitimer(signal.ITIMER_PROF, LONGEST_S)  # of processor time: a change that never ends is noticed by it
        os.chdir(copy)
        silent = os.open(os.devnull, os.O_WRONLY)
        os.dup2(silent, 1)
        os.dup2(silent, 2)
        sys.path[:] = [one for one in sys.path if one not in _HERE]
        options = ["-x", "-q", "-p", "no:cacheprovider", "-k", "not hundred"]
        outcome = int(pytest.main([*options, f"{PHYSIOLOGY}numbers.py", "tests/patient/test_at_the_limit.py", *tests]))
    finally:
        os._exit(outcome)


def main() -> int:
    """Change, run, and print what survived."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=40)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", default="", help="a part of the path of the files to change")
    parser.add_argument("--estimator", action="store_true", help="change the estimator of closing instead")
    asked = parser.parse_args()
    argued = tomllib.loads((Path(__file__).parent / "equivalent.toml").read_text(encoding="utf-8"))["equivalent"]
    equivalent = {(one["file"], one["before"], after) for one in argued for after in one["after"]}
    every = [mutant for mutant in mutants(ESTIMATOR if asked.estimator else TESTS) if asked.only in mutant.place]
    chosen = random.Random(asked.seed).sample(every, min(asked.count, len(every)))
    tried, survived, without = Counter[str](), Counter[str](), 0
    sys.dont_write_bytecode = True
    with tempfile.TemporaryDirectory() as folder:
        copy = Path(folder)
        unwanted = shutil.ignore_patterns("__pycache__", "node_modules")
        for part in ("service", "tests", "fixtures"):
            shutil.copytree(ROOT / part, copy / part, ignore=unwanted)
        shutil.copy(ROOT / "pyproject.toml", copy / "pyproject.toml")
        for one in {one.tests: one for one in chosen}.values():
            if not survives(one._replace(text=one.path.read_text(encoding="utf-8")), copy):
                print(f"without any change the tests of {one.place} fail")
                return 2
        for one in chosen:
            if (one.place, one.before, one.after) in equivalent:
                without += 1
                continue
            tried[one.place] += 1
            if survives(one, copy):
                survived[one.place] += 1
                print(f"survived: {one.place}:{one.line}: {one.before} -> {one.after}", flush=True)
    for place, count in sorted(tried.items()):
        print(f"{place}: {survived[place]} of {count} survived")
    print(f"{survived.total()} of {tried.total()} survived; {without} more change no answer; {len(every)} possible")
    return 0


if __name__ == "__main__":
    sys.exit(main())
