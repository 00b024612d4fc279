"""Takes out of a folder of packages what the running service never reads: build tools, tests, stubs, headers."""

from __future__ import annotations

import shutil
import sys
from pathlib import Path

BUILD_TOOLS = ("pip", "setuptools", "pkg_resources", "_distutils_hack", "wheel", "bin", "distutils-precedence.pth")
FOLDERS = ("tests", "test", "testing", "_tests", "sample_data", "include")
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
    for release in ("STU3",):
        # The service reads and checks R4 by its R4B shapes only.
        shutil.rmtree(folder / "fhir" / "resources" / release, ignore_errors=True)


if __name__ == "__main__":
    main(Path(sys.argv[1]))
