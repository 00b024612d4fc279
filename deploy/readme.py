"""Run the commands whose output README.md and the tour show, and put what they print into them.

A block that follows `<!-- output of: COMMAND -->` is what COMMAND prints. A service is running meanwhile; where a
command names 127.0.0.1:8087, the port in use is put in its place. Blocks that need a record, and so Java, are renewed
with --record. Run: .venv/bin/python deploy/readme.py
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

from demo import service

ROOT = Path(__file__).parents[1]
PAGES = (ROOT / "README.md", ROOT / "deploy" / "guide" / "tour.md")
BLOCK = re.compile(r"(<!-- output of: (?P<command>.+?) -->\n```\w*\n)(?P<shown>.*?)(```\n)", re.DOTALL)
RECORD_BLOCK = re.compile(
    r"(<!-- output, with Java and Maven, of: (?P<command>.+?) -->\n```\w*\n)(?P<shown>.*?)(```\n)", re.DOTALL
)
ADDRESS = "http://127.0.0.1:8087"
LONGEST_SHOWN = 130
"""Longer commands stay in the comment; what they do is said in the text."""


def renewed(text: str, blocks: re.Pattern[str] = BLOCK) -> str:
    """A page with every block of a kind as its command prints it now."""
    with service() as address:

        def printed(block: re.Match[str]) -> str:
            command = block["command"]
            asked = f"$ {command}\n" if len(command) <= LONGEST_SHOWN else ""
            return block[1] + asked + output_of(command, address) + block[4]

        return blocks.sub(printed, text)


def output_of(command: str, address: str) -> str:
    """What a command prints when run from the top of the project."""
    run = subprocess.run(  # noqa: S602 - the commands are the README's own
        command.replace(ADDRESS, address),
        shell=True,
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
        env={**os.environ, "PATH": f"{Path(sys.executable).parent}:{os.environ['PATH']}"},
    )
    return run.stdout.replace(address, ADDRESS)


if __name__ == "__main__":
    kinds = (BLOCK, RECORD_BLOCK) if "--record" in sys.argv else (BLOCK,)
    for page in PAGES:
        shown = page.read_text(encoding="utf-8")
        for kind in kinds:
            shown = renewed(shown, kind)
        page.write_text(shown, encoding="utf-8")
