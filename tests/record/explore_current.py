"""The search of `test_current_model` with more faults, for an hour without anybody waiting for it.

`PYTHONPATH=tests python -m record.explore_current [--more 1]` from the root of the project.
"""

from __future__ import annotations

import argparse
import sys
import time

from record.test_current_model import CASES, Model


def main() -> None:
    """Search, and say how many states there are."""
    parser = argparse.ArgumentParser(description="Search every order of events of writers who write at once.")
    parser.add_argument("--more", type=int, default=1, help="faults beyond those of the tests (1)")
    more = parser.parse_args().more
    for name, (answers, writers, faults) in CASES.items():
        began_s = time.monotonic()
        states = Model(answers, faults=faults + more).explored(writers)
        sys.stdout.write(f"{name}, {faults + more} faults: {states} states in {time.monotonic() - began_s:.0f} s\n")
        sys.stdout.flush()


if __name__ == "__main__":
    main()
