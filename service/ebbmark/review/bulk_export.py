"""Bulk export of the record as NDJSON files: kick-off, polling, download; resumable.

The asynchronous request pattern of HL7 FHIR Bulk Data Access 2.0.0 and 3.0.0: a kick-off by GET with
`Prefer: respond-async`, a status address that is polled no more often than Retry-After asks, a manifest of files, and
a DELETE once they are fetched. What was fetched is kept: a run that was stopped goes on where it ended. An export that
the record has forgotten meanwhile is begun anew, without what came of it: files of two exports are of two moments.
"""

from __future__ import annotations

import os
import re
from collections import Counter
from collections.abc import Awaitable, Callable, Sequence
from dataclasses import dataclass
from http import HTTPStatus
from pathlib import Path
from urllib.parse import urlencode

import msgspec

from ebbmark.record.client import RecordClient
from ebbmark.record.retry import CallFailure, Reply, decoded, named_by, retry_after_s

TYPES = (
    *("Patient", "Encounter", "Observation", "Condition", "Procedure", "MedicationAdministration", "Device"),
    *("DeviceMetric", "GuidanceResponse", "DetectedIssue", "Provenance"),
)
"""What a review reads."""

STATE = "export.json"
_TOKEN = re.compile(r"[A-Za-z]{1,64}")
_FIRST_WAIT_S, _LONGEST_WAIT_S, _MOST_TROUBLES, _MOST_RESTARTS = 2.0, 120.0, 6, 2
"""Between polls where the record names no time; faults in a row; exports begun. This project's choice."""
_GONE = frozenset({HTTPStatus.NOT_FOUND, HTTPStatus.GONE})
_LATER = frozenset({HTTPStatus.ACCEPTED, HTTPStatus.TOO_MANY_REQUESTS, HTTPStatus.SERVICE_UNAVAILABLE})

OnProgress = Callable[[str, int, int], None]
"""Hears what is done (`polls` or `files`), how much of it, and of how much (0: not known)."""


class _File(msgspec.Struct):
    type: str = ""
    url: str = ""
    count: int | None = None


class _Manifest(msgspec.Struct):
    transactionTime: str = ""
    requiresAccessToken: bool = True
    output: list[_File] = []
    error: list[_File] = []
    deleted: list[_File] = []


class _State(msgspec.Struct):
    """What is kept beside the files."""

    request: str
    status: str = ""
    manifest: _Manifest | None = None
    fetched: dict[str, int] = {}
    """Lines of each file that is there whole, by its name."""


@dataclass(frozen=True, slots=True)
class Exported:
    """A whole export.

    Attributes:
        kept: files of an earlier run among them.
        reported: lines in which the record reports what it could not export.
        deleted: files that list deleted resources, which are not fetched.
        missing: types that were asked for and of which there is no file.
        as_of: when the record took the data (`transactionTime`): the next run's `--since`.
        left: why the record did not delete its own copy of the files; empty where it did.
    """

    lines: dict[str, int]
    files: int
    kept: int
    reported: int
    deleted: int
    missing: tuple[str, ...]
    as_of: str
    left: str


class ExportStopped(Exception):
    """The export ended before it was whole; the message says why. What was fetched is kept."""


class _Expired(Exception):
    """The record no longer knows this export."""


async def bulk_export(
    record: RecordClient,
    folder: Path,
    *,
    group: str = "",
    since: str = "",
    types: Sequence[str] = TYPES,
    elsewhere: Sequence[str] = (),
    longest_s: float = 86_400.0,
    on_progress: OnProgress = lambda *_: None,
) -> Exported:
    """Export the patients of the record, or of a Group, into a folder.

    Args:
        folder: for the files; may hold what an earlier run of the same export fetched.
        group: id of a Group; empty for all patients.
        since: only what changed since this instant (`_since`); empty for everything.
        elsewhere: base URLs beside the record's own below which files may lie; a token is never sent there.
        longest_s: longest time that the record may take to prepare the files [s].

    Raises:
        ExportStopped: it is not whole; the message says why.
        OSError: the folder cannot be written.
    """
    asked = {
        "_type": ",".join(types),
        "_outputFormat": "application/fhir+ndjson",
        **({"_since": since} if since else {}),
    }
    request = f"{f'Group/{group}' if group else 'Patient'}/$export?{urlencode(asked)}"
    folder.mkdir(parents=True, exist_ok=True)
    run = _Run(record, folder, elsewhere, longest_s, on_progress, _state_in(folder, request))
    for _ in range(_MOST_RESTARTS):
        try:
            return await run.whole(types)
        except _Expired:
            run.forget()
    raise ExportStopped("The record forgot the export before its files were fetched, twice.")


def _state_in(folder: Path, request: str) -> _State:
    place = folder / STATE
    if not place.exists():
        return _State(request)
    try:
        state = msgspec.json.decode(place.read_bytes(), type=_State)
    except msgspec.DecodeError:
        raise ExportStopped(f"{place} is not what an export wrote; choose another folder.") from None
    if state.request != request:
        raise ExportStopped(f"{folder} holds another export; choose another folder.")
    return state


@dataclass(slots=True)
class _Run:
    record: RecordClient
    folder: Path
    elsewhere: Sequence[str]
    longest_s: float
    on_progress: OnProgress
    state: _State

    async def whole(self, types: Sequence[str]) -> Exported:
        kept = len(self.state.fetched)
        if not self.state.status:
            self.state.status = await self._kicked_off()
            self._keep()
        if self.state.manifest is None:
            self.state.manifest = await self._prepared()
            self._keep()
        manifest = self.state.manifest
        files = [*((one, one.type) for one in manifest.output), *((one, "outcome") for one in manifest.error)]
        lines: Counter[str] = Counter()
        for number, (one, kind) in enumerate(files):
            name = f"{kind}-{number:05}.ndjson"
            if name not in self.state.fetched:
                self.state.fetched[name] = await self._fetched(one, name, signed_in=manifest.requiresAccessToken)
                self._keep()
            lines[kind] += self.state.fetched[name]
            self.on_progress("files", number + 1, len(files))
        # The export is whole; that the record could not be told to delete it is said, and is no failure.
        left = _left_by(await self.record.send("DELETE", self.state.status))
        reported = lines.pop("outcome", 0)
        missing = tuple(one for one in types if one not in lines)
        deleted, as_of = len(manifest.deleted), manifest.transactionTime
        return Exported(dict(sorted(lines.items())), len(files), kept, reported, deleted, missing, as_of, left)

    def forget(self) -> None:
        """Drop what came of an export that the record no longer knows."""
        for name in self.state.fetched:
            (self.folder / name).unlink(missing_ok=True)
        self.state = _State(self.state.request)
        self._keep()

    def _keep(self) -> None:
        part = self.folder / f"{STATE}.part"
        part.write_bytes(msgspec.json.encode(self.state))
        part.replace(self.folder / STATE)

    async def _kicked_off(self) -> str:
        headers = {"Accept": "application/fhir+json", "Prefer": "respond-async, handling=lenient"}

        async def ask() -> Reply | CallFailure:
            return await self.record.send("GET", self.state.request, headers=headers)

        reply = await self._patiently(ask, "began no export", waits_for=HTTPStatus.TOO_MANY_REQUESTS)
        if reply.status != HTTPStatus.ACCEPTED or not reply.location:
            raise ExportStopped(f"The record began no export ({_status_of(reply)}). It may not offer $export.")
        return reply.location

    async def _prepared(self) -> _Manifest:
        async def ask() -> Reply | CallFailure:
            return await self.record.send("GET", self.state.status, headers={"Accept": "application/json"})

        reply = await self._patiently(ask, "did not finish the export")
        if reply.status in _GONE:
            raise _Expired
        manifest = decoded(reply, _Manifest) if reply.status == HTTPStatus.OK else None
        if manifest is None or not all(_TOKEN.fullmatch(one.type) for one in [*manifest.output, *manifest.error]):
            raise ExportStopped(f"The record did not finish the export ({_status_of(reply)}).")
        return manifest

    async def _fetched(self, one: _File, name: str, *, signed_in: bool) -> int:
        """Fetch one file whole, and return how many lines it has."""
        part = self.folder / f"{name}.part"

        async def ask() -> Reply | CallFailure:
            with part.open("wb") as into:
                answer = await self.record.download(one.url, into, elsewhere=self.elsewhere, signed_in=signed_in)
                into.flush()
                os.fsync(into.fileno())
            return answer.lost if isinstance(answer, Reply) and answer.lost is not None else answer

        reply = await self._patiently(ask, f"did not give the file {name}")
        if reply.status in _GONE:
            raise _Expired
        if reply.status != HTTPStatus.OK:
            raise ExportStopped(f"The record did not give the file {name} ({_status_of(reply)}).")
        with part.open("rb") as file:
            lines = sum(1 for line in file if line.strip())
        if one.count is not None and lines != one.count:
            raise ExportStopped(f"The file {name} has {lines} lines, the record names {one.count}. Try again.")
        part.replace(self.folder / name)
        return lines

    async def _patiently(
        self, ask: Callable[[], Awaitable[Reply | CallFailure]], what: str, *, waits_for: int | None = None
    ) -> Reply:
        """Ask until there is an answer that is not *later*, as seldom as the record wishes."""
        waited_s, wait_s, troubles, polls = 0.0, _FIRST_WAIT_S, 0, 0
        while True:
            answer = await ask()
            wished_s: float | None = None
            if isinstance(answer, Reply):
                later = answer.status == waits_for if waits_for else answer.status in _LATER
                if not later and answer.status < HTTPStatus.INTERNAL_SERVER_ERROR:
                    return answer
                wished_s = retry_after_s(answer.retry_after, self.record.waiting.now())
                troubles = 0 if later else troubles + 1
                why = _status_of(answer)
            else:
                troubles += 1
                why = answer.words
                if not answer.transient:
                    troubles = _MOST_TROUBLES
            if troubles >= _MOST_TROUBLES or waited_s >= self.longest_s:
                raise ExportStopped(f"The record {what}: {why}. Begun again, the export goes on from here.")
            pause_s = min(wait_s if wished_s is None else max(1.0, wished_s), max(1.0, self.longest_s - waited_s))
            await self.record.waiting.sleep(pause_s)
            waited_s, wait_s, polls = waited_s + pause_s, min(2.0 * wait_s, _LONGEST_WAIT_S), polls + 1
            self.on_progress("polls", polls, 0)


def _left_by(deletion: Reply | CallFailure) -> str:
    """Why the files may still lie at the record; empty where they do not."""
    if isinstance(deletion, CallFailure):
        return deletion.words
    gone = deletion.status < HTTPStatus.MULTIPLE_CHOICES or deletion.status in _GONE
    return "" if gone else _status_of(deletion)


def _status_of(reply: Reply) -> str:
    return f"HTTP {reply.status}{named_by(reply, TYPES)}"
