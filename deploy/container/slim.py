"""Takes out of a folder of packages what the running service never reads: build tools, tests, stubs, headers."""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path

BUILD_TOOLS = ("pip", "setuptools", "pkg_resources", "_distutils_hack", "wheel", "bin", "distutils-precedence.pth")
FOLDERS = ("tests", "test", "testing", "_tests", "sample_data", "include")
PARTS = ("fhir/resources/STU3", "numpy/f2py", "numpy/distutils")
"""The service reads and checks R4 by its R4B shapes only, and compiles nothing."""
KEPT = {"numpy/testing"}
"""Imported by its package when that starts."""
ENDINGS = (".pyi", ".h", ".pxd", ".pyx", ".c", ".lib", ".a")


def main(folder: Path) -> None:
    """Take it out."""
    for name in BUILD_TOOLS:
        for found in (folder / name, *folder.glob(f"{name}-*.dist-info")):
            shutil.rmtree(found) if found.is_dir() else found.unlink(missing_ok=True)
    for found in sorted(folder.rglob("*")):
        inside = found.relative_to(folder).as_posix()
        if found.is_dir() and found.name in FOLDERS and inside not in KEPT and not inside.startswith("ebbmark/"):
            shutil.rmtree(found)
        elif found.is_file() and found.suffix in ENDINGS:
            found.unlink()
    for part in PARTS:
        shutil.rmtree(folder / part, ignore_errors=True)
    if strip := shutil.which("strip"):
        # Names of functions that only a debugger reads: a fifth of the largest library. What auditwheel joined with
        # others cannot be stripped: it no longer loads.
        for library in sorted((folder / "typst").glob("*.so")):
            subprocess.run([strip, "--strip-unneeded", library], check=True)  # noqa: S603 - our own wheel


if __name__ == "__main__":
    main(Path(sys.argv[1]))
