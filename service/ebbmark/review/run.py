"""Runs a review over a folder: shards, parts, Parquet; on a process pool or on a Dask cluster, with the same steps.

The engine is whatever gives a standard `concurrent.futures.Executor`. Each step maps a pure function over pieces and
keeps what a piece gave under a name that follows from its input, so that a run that is begun again makes only what is
missing or changed. A piece whose worker dies is tried again; one that kills every worker is given up, and listed.
"""

from __future__ import annotations

import gc
import os
import shutil
from collections.abc import Callable, Mapping
from concurrent.futures import BrokenExecutor, Executor, Future, ProcessPoolExecutor, as_completed
from dataclasses import asdict
from hashlib import blake2b
from multiprocessing import get_context
from pathlib import Path
from typing import Any, TypeVar

import duckdb
import msgspec

from ebbmark import __version__
from ebbmark.review.model import Listed, Options, Reviewed
from ebbmark.review.patients import rows_of_part
from ebbmark.review.queries import COLUMNS
from ebbmark.review.shards import (
    CHUNK_BYTES,
    MOST_CHUNKS,
    MOST_PARTS,
    Shards,
    Slice,
    chunks_of,
    join,
    lines_of,
    scatter,
)

Start = Callable[[], Executor]
OnProgress = Callable[[str, int, int], None]
"""Hears the name of the step, how many pieces are done, and of how many."""
Made = TypeVar("Made")

BYTES_PER_PART = 16_000_000
FEWEST_PARTS = 8
MOST_BREAKS = 3
"""So often all that is left is tried again together after a worker died; then one by one. This project's choice."""
RARELY = 100_000
"""Objects between two collections of garbage: resources are trees, and looking for cycles in them took a tenth."""
ROWS_VERSION = "5"
"""Changes when the same lines would give other rows."""


def process_pool(workers: int) -> Start:
    """An engine on this machine."""
    context = get_context("forkserver")  # a fork of this process could inherit the locks of its threads
    context.set_forkserver_preload(["ebbmark.review.run"])
    return lambda: ProcessPoolExecutor(workers, mp_context=context)


def dask_cluster(address: str) -> Start:
    """An engine of many machines: the executor of a Dask client. Every worker sees the same files under the same path.

    Args:
        address: of the scheduler, for example `tcp://scheduler:8786`.
    """

    def start() -> Executor:
        from distributed import Client

        # Not pure: the functions write files, which a forgotten result must not leave unwritten.
        executor: Executor = Client(address, set_as_default=False).get_executor(pure=False)  # type: ignore[no-untyped-call]
        return executor

    return start


def run(
    folder: Path, work: Path, *, options: Options, start: Start, on_progress: OnProgress = lambda *_: None
) -> Reviewed:
    """Make the rows of every part.

    Args:
        work: is kept between runs; may be deleted at any time.
    """
    engine = _Engine(start)
    try:
        return _run(folder, work, options, engine, on_progress)
    finally:
        engine.renew()


def _run(folder: Path, work: Path, options: Options, engine: _Engine, on_progress: OnProgress) -> Reviewed:
    work.mkdir(parents=True, exist_ok=True)
    for unfinished in work.glob("*/*.*"):  # of a run that was killed, or found the disk full
        shutil.rmtree(unfinished, ignore_errors=True)
    parts, chunk_bytes = _sizes_of(work, folder)
    chunks = chunks_of(folder, chunk_bytes)
    failed: list[Listed] = []
    shards = _mapped(
        scatter,
        {f"{chunk.file} at {chunk.start}": (chunk, str(work), parts) for chunk in chunks},
        engine,
        failed,
        on_progress,
    )
    by_name = _by_name(shards)
    pairs = {
        number: (by_name.get(f"pairs-{number:05}", []), by_name.get(f"orphans-{number:05}", []))
        for number in range(parts)
    }
    joined = _mapped(
        join,
        {f"answers {number}": (number, *both, str(work), parts) for number, both in pairs.items() if any(both)},
        engine,
        failed,
        on_progress,
    )
    by_name = _by_name([*shards, *joined])
    shared = by_name.pop("shared", [])
    wanted = {
        number: (slices, shared, options, str(work / "parts" / _key_of(number, slices, shared, options)))
        for number in range(parts)
        if (slices := by_name.get(f"part-{number:05}"))
    }
    missing = {f"part {number}": one for number, one in wanted.items() if not Path(one[3]).exists()}
    made = _mapped(review_part, missing, engine, failed, on_progress)
    if not failed:  # what was given up may be why something is not used now
        _forget(work, [*shards, *joined], [one[3] for one in wanted.values()])
    counts: dict[str, int] = {}
    for shard in shards:
        for kind, count in shard.counts.items():
            counts[kind] = counts.get(kind, 0) + count
    return Reviewed(
        folders=tuple(one[3] for one in wanted.values() if Path(one[3]).exists()),
        listed=(*[each for one in [*shards, *joined] for each in one.listed], *failed),
        counts=dict(sorted(counts.items())),
        made=len(made),
        failed=len(failed),
    )


def review_part(slices: list[Slice], shared: list[Slice], options: Options, place: str) -> str:
    """Make the rows of one part and keep them: the folder is there whole, or not at all.

    Args:
        shared: lines that every part needs.
    """
    gc.set_threshold(RARELY)
    rows = asdict(rows_of_part(lines_of(slices), lines_of(shared), options))
    into = Path(f"{place}.{os.getpid()}")
    shutil.rmtree(into, ignore_errors=True)
    into.mkdir(parents=True)
    with duckdb.connect(config={"threads": 1}) as database:
        for table, columns in COLUMNS.items():
            text = into / f"{table}.ndjson"
            text.write_bytes(b"".join(msgspec.json.encode(row) + b"\n" for row in rows[table]))
            database.execute(
                f"COPY (SELECT * FROM read_json($source, format='newline_delimited', columns=$columns)) "  # noqa: S608
                f"TO '{into / table}.parquet' (FORMAT parquet)",
                {"source": str(text), "columns": dict(columns)},
            )
            text.unlink()
    if not Path(place).exists():
        into.rename(place)
    shutil.rmtree(into, ignore_errors=True)
    return place


class _Engine:
    """The executor of a run, begun when it is first needed, and again after it broke."""

    def __init__(self, start: Start) -> None:
        self.start = start
        self.executor: Executor | None = None

    def submit(self, function: Callable[..., Made], *arguments: Any) -> Future[Made]:  # noqa: ANN401
        self.executor = self.executor or self.start()
        return self.executor.submit(function, *arguments)

    def renew(self) -> None:
        if self.executor is not None:
            self.executor.shutdown()
        self.executor = None


def _told(error: BaseException) -> str:
    """What went wrong, without any value of a patient."""
    return f"{type(error).__name__}, {error.strerror}" if isinstance(error, OSError) else type(error).__name__


def _mapped(
    function: Callable[..., Made],
    pieces: Mapping[str, tuple[Any, ...]],
    engine: _Engine,
    failed: list[Listed],
    on_progress: OnProgress,
) -> list[Made]:
    """The function over all pieces, in their order; what was given up is added to `failed`."""
    made: dict[str, Made] = {}
    left, breaks = dict(pieces), 0
    while left:
        alone = breaks >= MOST_BREAKS
        batch = dict([next(iter(left.items()))]) if alone else dict(left)
        broken = False
        futures = {engine.submit(function, *arguments): name for name, arguments in batch.items()}
        for future in as_completed(futures):
            name, error = futures[future], future.exception()
            if error is None:
                made[name] = future.result()
            else:
                broken |= isinstance(error, BrokenExecutor)
                if isinstance(error, BrokenExecutor) and not alone:
                    continue
                failed.append(Listed("", -1, f"given up: {_told(error)}", name))
            del left[name]
            on_progress(function.__name__, len(pieces) - len(left), len(pieces))
        breaks += broken
        if broken:
            engine.renew()
    return [made[name] for name in pieces if name in made]


def _sizes_of(work: Path, folder: Path) -> tuple[int, int]:
    """How many parts, and bytes of a chunk; kept from the first run on, so that a growing folder does not move all."""
    kept = work / "sizes.json"
    if kept.exists():
        return msgspec.json.decode(kept.read_bytes(), type=tuple[int, int])
    size = sum((folder / name).stat().st_size for name in {one.file for one in chunks_of(folder)})
    parts = FEWEST_PARTS
    while parts * BYTES_PER_PART < size and parts < MOST_PARTS:
        parts *= 2
    sizes = parts, max(CHUNK_BYTES, size // MOST_CHUNKS)
    kept.write_bytes(msgspec.json.encode(sizes))
    return sizes


def _by_name(shards: list[Shards]) -> dict[str, list[Slice]]:
    found: dict[str, list[Slice]] = {}
    for shard in shards:
        for name, slices in shard.slices.items():
            found.setdefault(name, []).extend(slices)
    return found


def _key_of(number: int, slices: list[Slice], shared: list[Slice], options: Options) -> str:
    digests = sorted(digest for *_, digest in slices), sorted(digest for *_, digest in shared)
    text = f"{ROWS_VERSION}|{__version__}|{dict(COLUMNS)}|{options}|{digests}"
    return f"{number:05}-{blake2b(text.encode(), digest_size=16).hexdigest()}"


def _forget(work: Path, shards: list[Shards], parts: list[str]) -> None:
    """Delete joined shards and parts that this run did not use."""
    used = {str(Path(path).parent) for shard in shards for slices in shard.slices.values() for path, *_ in slices}
    used |= set(parts)
    for kind in ("joined", "parts"):
        for place in (work / kind).glob("*"):
            if str(place) not in used:
                shutil.rmtree(place, ignore_errors=True)
