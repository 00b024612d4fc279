"""The rules of the house that a machine can hold."""

from __future__ import annotations

import ast
import subprocess
import sys
from functools import cache
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
PACKAGE = ROOT / "service" / "ebbmark"
SOURCES = sorted(PACKAGE.rglob("*.py"))
CORE = sorted((PACKAGE / "physiology").rglob("*.py"))

CORE_MAY_IMPORT = {
    "__future__", "bisect", "collections", "dataclasses", "datetime", "enum", "functools", "itertools", "math",
    "operator", "statistics", "types", "typing", "numpy", "scipy", "ebbmark",
}  # fmt: skip
LONGEST_FILE = 300
"""Lines of logic: without docstrings, comments and blank lines."""
# Tables of data, one row per line, may be longer: splitting them would not make them easier to hold in the head.
TABLES = {"terms.py", "settings.py"}
WORDS_THAT_SAY_NOTHING = {
    "utils", "util", "helpers", "helper", "common", "base", "manager", "service", "handler", "processor", "misc",
}  # fmt: skip


def names_of(paths: list[Path]) -> list[str]:
    return [str(path.relative_to(PACKAGE)) for path in paths]


def test_import_contracts_are_kept() -> None:
    run = subprocess.run(
        [sys.executable, "-c", "from importlinter.cli import lint_imports_command as c; c()", "--no-cache"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    )

    assert run.returncode == 0, run.stdout[-3000:] + run.stderr[-1000:]


@pytest.mark.parametrize("path", CORE, ids=names_of(CORE))
def test_the_core_imports_only_what_is_on_its_list(path: Path) -> None:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    imported = {
        name.split(".")[0]
        for node in ast.walk(tree)
        for name in (
            [alias.name for alias in node.names]
            if isinstance(node, ast.Import)
            else [node.module or ""]
            if isinstance(node, ast.ImportFrom)
            else []
        )
    }

    assert imported <= CORE_MAY_IMPORT


@pytest.mark.parametrize("path", SOURCES, ids=names_of(SOURCES))
def test_every_module_says_what_it_does(path: Path) -> None:
    assert ast.get_docstring(ast.parse(path.read_text(encoding="utf-8")))


@pytest.mark.parametrize("path", SOURCES, ids=names_of(SOURCES))
def test_no_file_is_too_long_to_hold_in_the_head(path: Path) -> None:
    assert lines_of_logic(path) <= LONGEST_FILE or path.name in TABLES


def lines_of_logic(path: Path) -> int:
    """Lines that are neither blank nor a comment nor part of a docstring."""
    text = path.read_text(encoding="utf-8")
    said = {
        line
        for node in ast.walk(ast.parse(text))
        if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant) and isinstance(node.value.value, str)
        for line in range(node.lineno, (node.end_lineno or node.lineno) + 1)
    }
    return sum(
        bool(line.strip()) and not line.lstrip().startswith("#") and number not in said
        for number, line in enumerate(text.splitlines(), start=1)
    )


@pytest.mark.parametrize("path", SOURCES, ids=names_of(SOURCES))
def test_names_say_something(path: Path) -> None:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    classes = [node.name.lower() for node in ast.walk(tree) if isinstance(node, ast.ClassDef)]

    words = set(path.stem.split("_"))

    assert not words & WORDS_THAT_SAY_NOTHING
    assert not [name for name in classes if name.endswith(tuple(WORDS_THAT_SAY_NOTHING - {"base"}))]


@pytest.mark.parametrize("path", CORE, ids=names_of(CORE))
def test_public_functions_of_the_core_are_documented(path: Path) -> None:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    functions = [node for node in tree.body if isinstance(node, ast.FunctionDef) and not node.name.startswith("_")]

    undocumented = [function.name for function in functions if not ast.get_docstring(function)]

    assert undocumented == []


def test_nothing_reads_the_environment_but_the_settings() -> None:
    readers = [
        str(path.relative_to(PACKAGE))
        for path in SOURCES
        if "os.environ" in path.read_text(encoding="utf-8") or "getenv" in path.read_text(encoding="utf-8")
    ]

    assert readers == []


def catches_everything(caught: ast.expr | None) -> bool:
    if isinstance(caught, ast.Tuple):
        return any(catches_everything(elt) for elt in caught.elts)
    named = caught.attr if isinstance(caught, ast.Attribute) else caught.id if isinstance(caught, ast.Name) else ""
    return caught is None or named in {"Exception", "BaseException"}


@pytest.mark.parametrize("caught", ["", " Exception", " (ValueError, Exception)", " builtins.BaseException as error"])
def test_whatever_catches_everything_is_seen(caught: str) -> None:
    (tried,) = ast.parse(f"try:\n    pass\nexcept{caught}:\n    pass").body

    assert isinstance(tried, ast.Try)
    assert catches_everything(tried.handlers[0].type)


def test_only_the_error_boundary_of_each_process_catches_everything() -> None:
    catchers = [
        str(path.relative_to(PACKAGE))
        for path in SOURCES
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.ExceptHandler) and catches_everything(node.type)
    ]

    assert sorted(catchers) == ["bridge/delivery.py", "web/boundary.py"]


MOST_FILES = 230
DEEPEST = {
    "physiology": 7, "fhir": 8, "web": 5, "use_cases": 4, "record": 7, "review": 4, "words": 3, "views": 4, "audit": 2,
    "bridge": 3, "telemetry": 2,
}  # fmt: skip
"""Longest chain of imports inside a room, in modules: what a reader may have to follow."""
LONGEST_CHAIN = 22


def imports_of(path: Path, modules: set[str]) -> set[str]:
    """Modules of this package that a file imports; the front page, which everybody asks for the version, aside."""
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            found |= {f"{node.module}.{alias.name}" for alias in node.names} | {node.module}
    return (found & modules) - {"ebbmark"}


def longest_chain(imports: dict[str, set[str]], within: set[str]) -> list[str]:
    """The longest chain of imports among these modules; there are no cycles, which a contract holds."""

    @cache
    def below(module: str) -> list[str]:
        return [module, *max((below(other) for other in imports[module] & within - {module}), key=len, default=[])]

    return max((below(module) for module in within), key=len)


def test_the_house_stays_small_and_flat() -> None:
    names = {path: ".".join(path.relative_to(PACKAGE.parent).with_suffix("").parts) for path in SOURCES}
    names = {path: name.removesuffix(".__init__") for path, name in names.items()}
    modules = set(names.values()) - {"ebbmark"}
    imports = {name: imports_of(path, modules) for path, name in names.items()}
    rooms = {room: {name for name in modules if f"{name}.".startswith(f"ebbmark.{room}.")} for room in DEEPEST}

    chains = {room: longest_chain(imports, within) for room, within in rooms.items()}

    assert len(SOURCES) <= MOST_FILES
    assert {room: chain for room, chain in chains.items() if len(chain) > DEEPEST[room]} == {}
    assert len(longest_chain(imports, modules)) <= LONGEST_CHAIN
