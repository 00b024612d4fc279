"""Answers many drawn trials under every setting of the matrix and says which bytes are the same.

Run from the top of the project: PYTHONPATH=service:tests .venv/bin/python -m benchmarks.processors [TRIALS]
"""

from __future__ import annotations

import sys
import time

from processors.matrix import MATRIX, asked, missing


def main() -> int:
    """Print one line per setting; 1 where any bytes differ."""
    trials = int(sys.argv[1]) if len(sys.argv) > 1 else 10_000
    first, differing = None, 0
    for setting in MATRIX:
        reason = missing(setting)
        if reason:
            print(f"{setting.name}: left out, {reason}")
            continue
        began = time.perf_counter()
        found = asked(setting, trials=trials, pictures=trials // 50)
        first = first or found
        same = [name for name in ("bundle", "figure", "pdf") if found[name] == first[name]]
        differing += len(same) < 3
        print(
            f"{setting.name}: {found['answers']} answers, {found['pictures']} figures and pages; the same: "
            f"{', '.join(same) or 'nothing'} ({time.perf_counter() - began:.0f} s)"
        )
    return 1 if differing else 0


if __name__ == "__main__":
    sys.exit(main())
