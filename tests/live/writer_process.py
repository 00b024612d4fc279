"""A process that writes answers as the doors do, until it is killed: one transaction a line in, one outcome a line out.

`PYTHONPATH=tests python -m live.writer_process BASE_URL READ_TIMEOUT_S HURRY`. Lines carry a number, so that several
are written at once. Whoever started it kills it as a power cut would; what it was at is then told to nobody.
"""

from __future__ import annotations

import asyncio
import os
import sys
from asyncio.subprocess import PIPE, Process
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path

import msgspec

from ebbmark.record.client import RecordClient
from ebbmark.record.connection import RecordSettings
from ebbmark.record.retry import Waiting
from ebbmark.record.supersede import write_current
from ebbmark.record.write_back import WriteOutcome

LONGEST_LINE = 4_000_000


class _Asked(msgspec.Struct):
    number: int
    transaction: msgspec.Raw


class _Told(msgspec.Struct):
    number: int
    outcome: WriteOutcome


class Writer:
    """One such process, started again after each kill."""

    def __init__(self, base_url: str, *, read_timeout_s: float, hurry: float) -> None:
        self._command = ("-m", "live.writer_process", base_url, str(read_timeout_s), str(hurry))
        self._process: Process | None = None
        self._listening: asyncio.Task[None] | None = None
        self._starting = asyncio.Lock()
        self._waiting: dict[int, asyncio.Future[WriteOutcome | None]] = {}
        self._number = 0

    async def write(self, transaction: bytes) -> WriteOutcome | None:
        """What the process tells of this transaction; None where it was killed before."""
        async with self._starting:
            if self._process is None:
                await self._start()
        assert self._process is not None
        assert self._process.stdin is not None
        self._number += 1
        told: asyncio.Future[WriteOutcome | None] = asyncio.get_running_loop().create_future()
        self._waiting[self._number] = told
        line = msgspec.json.encode(_Asked(self._number, msgspec.Raw(transaction)))
        with suppress(ConnectionError):
            self._process.stdin.write(line + b"\n")
        return await told

    async def kill(self) -> None:
        """End the process at once; whoever waits is told None."""
        async with self._starting:
            process, self._process = self._process, None
            if process is None:
                return
            process.kill()
            await process.wait()
            if self._listening is not None:
                await self._listening

    async def _start(self) -> None:
        tests = Path(__file__).parents[1]
        environment = {**os.environ, "PYTHONPATH": f"{tests}{os.pathsep}{tests.parent / 'service'}"}
        self._process = await asyncio.create_subprocess_exec(
            sys.executable, *self._command, stdin=PIPE, stdout=PIPE, env=environment, limit=LONGEST_LINE
        )
        # What is asked for from now on belongs to this process.
        self._waiting = {}
        self._listening = asyncio.create_task(self._listen(self._process, self._waiting))

    async def _listen(self, process: Process, waiting: dict[int, asyncio.Future[WriteOutcome | None]]) -> None:
        assert process.stdout is not None
        async for line in process.stdout:
            told = msgspec.json.decode(line, type=_Told)
            waiting.pop(told.number).set_result(told.outcome)
        for one in waiting.values():
            one.set_result(None)
        waiting.clear()


async def _serve(base_url: str, read_timeout_s: float, hurry: float) -> None:
    settings = RecordSettings(
        base_url, (base_url,), read_timeout_s=read_timeout_s, attempt_timeout_s=2.0 * read_timeout_s
    )

    async def sleep(seconds: float) -> None:
        await asyncio.sleep(seconds / hurry)

    lines = asyncio.StreamReader(limit=LONGEST_LINE)
    await asyncio.get_running_loop().connect_read_pipe(lambda: asyncio.StreamReaderProtocol(lines), sys.stdin)
    async with (
        RecordClient(settings, waiting=Waiting(sleep, lambda: datetime.now(UTC))) as client,
        asyncio.TaskGroup() as group,
    ):
        async for line in lines:
            group.create_task(_written(msgspec.json.decode(line, type=_Asked), client))


async def _written(asked: _Asked, client: RecordClient) -> None:
    outcome = await write_current(msgspec.json.decode(asked.transaction), record=client)
    sys.stdout.write(msgspec.json.encode(_Told(asked.number, outcome)).decode() + "\n")
    sys.stdout.flush()


if __name__ == "__main__":
    asyncio.run(_serve(sys.argv[1], float(sys.argv[2]), float(sys.argv[3])))
