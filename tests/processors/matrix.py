"""The settings under which numerical libraries take the paths of other processors, and one process under each.

`OPENBLAS_CORETYPE` chooses the kernels of OpenBLAS, `NPY_DISABLE_CPU_FEATURES` takes vector instructions from numpy's
own loops, `OPENBLAS_NUM_THREADS` splits sums. Source: OpenBLAS, "Runtime variables"; numpy, "CPU/SIMD optimizations:
Runtime detection".
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[2]
VARIABLES = ("OPENBLAS_CORETYPE", "NPY_DISABLE_CPU_FEATURES", "OPENBLAS_NUM_THREADS")
NO_VECTORS = "AVX2 FMA3 AVX512F AVX512CD AVX512_SKX"


@dataclass(frozen=True, slots=True)
class Setting:
    """One kind of processor, or an imitation of it.

    Attributes:
        name: for people.
        variables: environment of the process; all others of `VARIABLES` are unset.
        needs: feature of the processor, as Linux names it; empty where any will do.
    """

    name: str
    variables: dict[str, str] = field(default_factory=dict)
    needs: str = ""


MATRIX = (
    Setting("unset"),
    Setting("Prescott", {"OPENBLAS_CORETYPE": "Prescott"}, "pni"),
    Setting("Haswell, one thread", {"OPENBLAS_CORETYPE": "Haswell", "OPENBLAS_NUM_THREADS": "1"}, "avx2"),
    Setting("SkylakeX, two threads", {"OPENBLAS_CORETYPE": "SkylakeX", "OPENBLAS_NUM_THREADS": "2"}, "avx512f"),
    Setting("without vectors", {"NPY_DISABLE_CPU_FEATURES": NO_VECTORS}),
    Setting(
        "Prescott without vectors", {"OPENBLAS_CORETYPE": "Prescott", "NPY_DISABLE_CPU_FEATURES": NO_VECTORS}, "pni"
    ),
)


def missing(setting: Setting) -> str:
    """Why this processor cannot imitate that one; empty where it can."""
    try:
        flags = Path("/proc/cpuinfo").read_text(encoding="ascii", errors="replace").split()
    except OSError:
        flags = []
    if setting.needs and setting.needs not in flags:
        return f"this processor has no {setting.needs}, so that the kernels for {setting.name} cannot run here"
    return ""


def asked(setting: Setting, *, trials: int, pictures: int) -> dict[str, Any]:
    """What `answering` prints in a process of its own under this setting."""
    environment = {name: value for name, value in os.environ.items() if name not in VARIABLES}
    path = os.pathsep.join([str(ROOT / "service"), str(ROOT / "tests")])
    run = subprocess.run(
        [sys.executable, "-m", "processors.answering", str(trials), str(pictures)],
        env={**environment, **setting.variables, "PYTHONPATH": path},
        capture_output=True,
        text=True,
        check=False,
    )
    if run.returncode:
        raise RuntimeError(f"under {setting.name}: {run.stderr[-2000:]}")
    found: dict[str, Any] = json.loads(run.stdout)
    return found
