"""Draw the map of the rooms into DEVELOPERS.md and list every file in deploy/guide/map.md, from the code itself.

Run: .venv/bin/python deploy/map.py [--check]
"""

from __future__ import annotations

import ast
import sys
import tomllib
from collections.abc import Iterator
from pathlib import Path

ROOT = Path(__file__).parents[1]
PACKAGE = ROOT / "service" / "ebbmark"
GUIDE = ROOT / "DEVELOPERS.md"
FILES = ROOT / "deploy" / "guide" / "map.md"
BEGIN, END = "<!-- map of the rooms: deploy/map.py -->\n", "<!-- end of the map -->\n"
WIDTH = 116


def layers() -> list[list[str]]:
    """The rooms from the outside inward, as the import contract in pyproject.toml orders them."""
    contracts = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["tool"]["importlinter"][
        "contracts"
    ]
    (rooms,) = [contract for contract in contracts if contract["id"] == "rooms"]
    return [[name.strip() for name in layer.split("|")] for layer in rooms["layers"]]


def sources(room: str) -> list[Path]:
    """The Python files of a room, which is a folder or one file."""
    folder = PACKAGE / room
    found = sorted(folder.rglob("*.py")) if folder.is_dir() else [PACKAGE / f"{room}.py"]
    return [path for path in found if path.name != "__init__.py"]


def summary(path: Path) -> str:
    """The first sentence of a module's docstring, on one line."""
    lines = (ast.get_docstring(ast.parse(path.read_text(encoding="utf-8"))) or "").split("\n\n")[0].split()
    return " ".join(lines)


def about(room: str) -> str:
    """What a room is for."""
    folder = PACKAGE / room
    return summary(folder / "__init__.py" if folder.is_dir() else PACKAGE / f"{room}.py")


def imported_rooms(room: str) -> list[str]:
    """The other rooms that a room imports."""
    found = set()
    for path in sources(room):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("ebbmark."):
                found.add((node.module or "").split(".")[1])
    order = [name for layer in layers() for name in layer]
    return [name for name in order if name in found - {room}]


def drawn() -> str:
    """The rooms as boxes, outermost first; a room may import what stands below it and nothing else."""

    def rows() -> Iterator[str]:
        for layer in layers():
            yield "├" + "─" * (WIDTH - 2) + "┤"
            for room in layer:
                files = sources(room)
                size = f"{len(files):>3} files" if len(files) > 1 else " " * 9
                below = ", ".join(imported_rooms(room))
                yield _row(f"{room:<12}{size}   " + (f"uses {below}" if below else "uses no other room"))
                for part in _wrapped(about(room), WIDTH - 20):
                    yield _row("            " + part)

    body = list(rows())
    body[0] = "┌" + "─" * (WIDTH - 2) + "┐"
    return "\n".join(["```text", *body, "└" + "─" * (WIDTH - 2) + "┘", "```", ""])


def _row(text: str) -> str:
    return f"│ {text:<{WIDTH - 4}} │" if len(text) <= WIDTH - 4 else f"│ {text[: WIDTH - 5]}… │"


def _wrapped(text: str, width: int) -> list[str]:
    lines = [""]
    for word in text.split():
        if len(lines[-1]) + len(word) + 1 > width:
            lines.append("")
        lines[-1] = f"{lines[-1]} {word}".strip()
    return lines


def listed() -> str:
    """Every file with the first sentence of its docstring, room by room."""
    parts = ["# Every file and what it does\n", "Made from the docstrings by `deploy/map.py`; changes belong there.\n"]
    for room in [name for layer in layers() for name in layer]:
        parts.append(f"## {room}\n\n{about(room)}\n")
        rows = [f"| `{path.relative_to(PACKAGE)}` | {_cell(summary(path))} |" for path in sources(room)]
        parts.append("\n".join(["| file | does |", "|---|---|", *rows, ""]))
    return "\n".join(parts)


def _cell(text: str) -> str:
    return text.replace("|", "\\|")


def renewed(guide: str) -> str:
    """The guide with the map drawn anew between its two marks."""
    before, _, rest = guide.partition(BEGIN)
    _, _, after = rest.partition(END)
    return before + BEGIN + drawn() + END + after


if __name__ == "__main__":
    wanted = {GUIDE: renewed(GUIDE.read_text(encoding="utf-8")), FILES: listed()}
    stale = [
        path.name for path, text in wanted.items() if not path.exists() or path.read_text(encoding="utf-8") != text
    ]
    if "--check" not in sys.argv:
        for path, text in wanted.items():
            path.write_text(text, encoding="utf-8")
    elif stale:
        sys.exit(f"Not up to date: {', '.join(stale)}. Run: .venv/bin/python deploy/map.py")
