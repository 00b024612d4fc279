"""The protected log of refusals: what a record said word for word. It may hold patient data, so no caller gets it.

One JSON line per refusal, in a regular file of this service's own user that nobody else may read (mode 600); opened
anew for each line, so that it can be rotated. The address asked is left out but for its first part.
"""

from __future__ import annotations

import os
import stat
from datetime import datetime
from pathlib import Path

import msgspec

from ebbmark.telemetry.measured import Measured, count

_MOST_BYTES = 20_000
_FLAGS = os.O_WRONLY | os.O_APPEND | os.O_CREAT | os.O_NOFOLLOW | os.O_CLOEXEC | os.O_NONBLOCK


def unusable_log(path: Path) -> str | None:
    """Why nothing may be written to this file, as a clause; None where something may. A missing file is created."""
    try:
        os.close(_opened(path))
    except OSError as error:
        return error.strerror or "cannot be opened"
    return None


def note_refusal(path: Path | None, at: datetime, asked: str, status: int, body: bytes) -> None:
    """Append one refusal. A line that cannot be written is counted among log faults, and nothing else is held up.

    Args:
        path: the file; None for nowhere.
        asked: method, path and query; of the path the first part is noted: a resource type, or an operation.
        body: what the record said; its beginning is kept.
    """
    if path is None:
        return
    method, _, target = asked.partition(" ")
    said = body[:_MOST_BYTES].decode("utf-8", "replace")
    place = target.partition("?")[0].partition("/")[0] if "://" not in target else ""
    told = {"at": at.isoformat(), "method": method, "asked": place, "status": status, "said": said}
    try:
        file = _opened(path)
        try:
            os.write(file, msgspec.json.encode(told) + b"\n")
        finally:
            os.close(file)
    except OSError:
        count(Measured.LOG_FAULTS)


def _opened(path: Path) -> int:
    file = os.open(path, _FLAGS, 0o600)
    found = os.fstat(file)
    if stat.S_ISREG(found.st_mode) and not found.st_mode & 0o077 and found.st_uid == os.geteuid():
        return file
    os.close(file)
    raise PermissionError(None, "is no regular file of this user's own that nobody else may read (mode 600)")
