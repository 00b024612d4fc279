"""Reads NDJSON of a bulk export and sorts its lines by patient into parts, a sort-based shuffle.

The lines of a chunk lie in one file, part after part: many parts need neither many open files nor many small ones.
Resources that name an answer and no patient (Provenance) are joined in a second step. Nothing is silently lost: a line
that cannot be read, and a resource of no patient, is counted and listed with its file and place. Every shard is named
by what went in, so that a second run makes only those again whose input changed.
"""

from __future__ import annotations

import gzip
import io
import os
import re
import shutil
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from hashlib import blake2b
from pathlib import Path
from typing import TYPE_CHECKING, BinaryIO
from zlib import error as ZlibError

import msgspec
import zstandard

from ebbmark.fhir.naming import RESULT_SYSTEM
from ebbmark.fhir.reading.decode import body_problem
from ebbmark.review.model import Listed

if TYPE_CHECKING:
    from typing_extensions import Buffer


LONGEST_LINE = 16_000_000
"""A longer line is listed and not read [bytes]. This project's choice."""
CHUNK_BYTES = 32_000_000
MOST_CHUNKS, MOST_PARTS = 256, 2048
"""Of one run: there is a slice for each part of each chunk, and whoever leads the run holds them all."""
HELD_BYTES = 32_000_000
"""Lines of a chunk that are held before they are written."""
ENDINGS = (".ndjson", ".jsonl", ".ndjson.gz", ".jsonl.gz", ".ndjson.zst", ".jsonl.zst")
SHARED = frozenset({"Device", "DeviceMetric"})
"""Resources of no one patient that every part needs."""
FEEDBACK = "cds-feedback|"
"""Begins the count of log lines that tell what became of a card: outcome and reason follow."""
LINES_VERSION = b"5"
"""Changes when the same lines would be sorted otherwise."""
MOST_LEVELS = 100
"""A line that is nested deeper is listed and not read. This project's choice."""
BEYOND, DEEP = "a number beyond what can be held", "nested too deeply"
_LONG_NUMBER = re.compile(rb"[:,\[]\s*-?[0-9]{309}")
"""A double ends before 10 to the 309 (IEEE 754)."""
_TYPE = re.compile(r"[A-Za-z]{1,64}")
_ID = re.compile(r"[!-~]{1,64}")
"""Wider than FHIR R4 datatypes.html#id, since records are; a tab or the end of a line would move a line to another
patient."""


@dataclass(frozen=True, slots=True)
class Chunk:
    """A stretch of one file: the lines that begin in it. `end` is None for the whole of a compressed file."""

    folder: str
    file: str
    start: int
    end: int | None


Slice = tuple[str, int, int, str]
"""A file, where in it some lines begin, how many bytes they are, and a digest of them."""


@dataclass(frozen=True, slots=True)
class Shards:
    """What one chunk or join gave.

    Attributes:
        slices: lines for each part; the part `shared` is for all.
        counts: lines read by resource type; log lines of feedback by outcome and reason.
    """

    slices: dict[str, list[Slice]] = field(default_factory=dict)
    listed: list[Listed] = field(default_factory=list)
    counts: dict[str, int] = field(default_factory=dict)


class _Reference(msgspec.Struct):
    reference: str = ""


class _Named(msgspec.Struct):
    system: str = ""
    value: str = ""
    code: str = ""


class _Meta(msgspec.Struct):
    tag: list[_Named] = []


class _Line(msgspec.Struct):
    resourceType: str = ""
    event: str = ""
    outcome: str = ""
    reason: str = ""
    id: str = ""
    subject: _Reference | None = None
    patient: _Reference | None = None
    meta: _Meta = msgspec.field(default_factory=_Meta)


class _Result(msgspec.Struct):
    identifier: list[_Named] = []


def chunks_of(folder: Path, chunk_bytes: int | None = None) -> list[Chunk]:
    """Every NDJSON file below the folder in stretches, in the order of the files' names."""
    found: list[Chunk] = []
    size_of = chunk_bytes or CHUNK_BYTES
    for path in sorted(one for one in folder.rglob("*") if one.is_file() and one.name.endswith(ENDINGS)):
        name, size = path.relative_to(folder).as_posix(), path.stat().st_size
        if path.suffix in (".gz", ".zst"):
            found.append(Chunk(str(folder), name, 0, None))
        else:
            starts = range(0, size, size_of)
            found += [Chunk(str(folder), name, start, min(start + size_of, size)) for start in starts]
    return found


def scatter(chunk: Chunk, work: str, parts: int) -> Shards:
    """Sort the lines of a chunk by part, into files below `work/shards`."""
    key = blake2b(b"|".join((LINES_VERSION, str(parts).encode(), chunk.file.encode())), digest_size=16)
    key.update(f"{chunk.start}".encode())
    with _opened(Path(chunk.folder) / chunk.file, raw=True) as file:
        file.seek(chunk.start)
        # The last line may end beyond the chunk; its length is bounded.
        left = None if chunk.end is None else chunk.end - chunk.start
        while (left is None or left > 0) and (block := file.read(min(left or 1 << 20, 1 << 20))):
            key.update(block)
            left = None if left is None else left - len(block)
        key.update(file.readline(LONGEST_LINE))
    return _kept(Path(work) / "shards" / key.hexdigest(), lambda into: _scattered(chunk, into, parts))


def _scattered(chunk: Chunk, into: Path, parts: int) -> Shards:
    made = Shards()
    with _Sorted(into, made) as out:
        _sort(chunk, made, out, parts)
    return made


def _sort(chunk: Chunk, made: Shards, out: _Sorted, parts: int) -> None:
    paired: dict[str, set[str]] = {}
    for place, line in _lines(chunk, made.listed):
        if not line.strip():
            continue
        read = _read(line)
        if isinstance(read, str):
            made.listed.append(Listed(chunk.file, place, read))
            continue
        if read.event == "cds-feedback" and not read.resourceType:
            card = f"{FEEDBACK}{read.outcome[:20]}|{read.reason[:60]}"
            made.counts[card] = made.counts.get(card, 0) + 1
            continue
        if not _TYPE.fullmatch(read.resourceType):
            made.listed.append(Listed(chunk.file, place, "no resource of FHIR"))
            continue
        made.counts[read.resourceType] = made.counts.get(read.resourceType, 0) + 1
        whose = _patient(read)
        if whose and not (_ID.fullmatch(whose) and _ID.fullmatch(read.id)):
            made.listed.append(Listed(chunk.file, place, "no usable id", read.resourceType))
        elif whose:
            out.write(f"part-{_part(whose, parts):05}", whose.encode() + b"\t" + line)
            for identity in {*_identities(line)} - paired.get(whose, set()):
                paired.setdefault(whose, set()).add(identity)
                out.write(f"pairs-{_part(identity, parts):05}", f"{identity}\t{whose}".encode())
        elif read.resourceType in SHARED:
            out.write("shared", line)
        elif tagged := [one.code.partition(":")[0] for one in read.meta.tag if one.system == RESULT_SYSTEM]:
            out.write(f"orphans-{_part(tagged[0], parts):05}", tagged[0].encode() + b"\t" + line)
        else:
            made.listed.append(Listed(chunk.file, place, "of no patient", read.resourceType))


def join(number: int, pairs: list[Slice], orphans: list[Slice], work: str, parts: int) -> Shards:
    """Bring resources that name an answer and no patient (Provenance) to the part of the answer's patient.

    Args:
        pairs: answer and patient, of this share.
        orphans: answer and resource, of this share.
    """
    digests = sorted(digest for *_, digest in (*pairs, *orphans))
    key = blake2b("|".join([LINES_VERSION.decode(), str(number), str(parts), *digests]).encode(), digest_size=16)
    return _kept(Path(work) / "joined" / key.hexdigest(), lambda into: _joined(pairs, orphans, into, parts))


def _joined(pairs: list[Slice], orphans: list[Slice], into: Path, parts: int) -> Shards:
    made, whose = Shards(), dict[bytes, str]()
    for pair in lines_of(pairs):
        identity, patient = pair.split(b"\t")
        whose[identity] = patient.decode()
    with _Sorted(into, made) as out:
        for line in lines_of(orphans):
            identity, _, resource = line.partition(b"\t")
            found = whose.get(identity)
            if found is None:
                made.listed.append(Listed("", -1, "of an answer that is not there", "Provenance"))
            else:
                out.write(f"part-{_part(found, parts):05}", found.encode() + b"\t" + resource)
    return made


def lines_of(slices: Iterable[Slice]) -> Iterator[bytes]:
    """The lines of some slices."""
    for path, start, length, _ in slices:
        with open(path, "rb") as file:
            file.seek(start)
            yield from file.read(length).split(b"\n")[:-1]


class _Sorted:
    """Lines of one chunk, part after part, in one file; what is more than may be held begins a further run in it."""

    def __init__(self, into: Path, made: Shards) -> None:
        self.path, self.made = into / "lines", made
        self.held, self.size, self.start = dict[str, list[bytes]](), 0, 0

    def __enter__(self) -> _Sorted:
        self.file = self.path.open("wb", buffering=0)  # nothing is left to be written when a disk is full
        return self

    def __exit__(self, kind: object, *_: object) -> None:
        with self.file:
            if kind is None:
                self._write()

    def write(self, name: str, line: bytes) -> None:
        self.held.setdefault(name, []).append(line)
        self.size += len(line)
        if self.size > HELD_BYTES:
            self._write()

    def _write(self) -> None:
        for name, lines in sorted(self.held.items()):
            run = b"\n".join([*lines, b""])
            left = memoryview(run)
            while left:
                left = left[self.file.write(left) :]
            digest = blake2b(run, digest_size=16).hexdigest()
            self.made.slices.setdefault(name, []).append((str(self.path), self.start, len(run), digest))
            self.start += len(run)
        self.held, self.size = {}, 0


def _kept(place: Path, make: Callable[[Path], Shards]) -> Shards:
    """What an earlier run made from the same input, or made now: a folder is there whole, or not at all."""
    index = place / "index.json"
    if index.exists():
        return msgspec.json.decode(index.read_bytes(), type=Shards)
    into = place.with_name(f"{place.name}.{os.getpid()}")
    shutil.rmtree(into, ignore_errors=True)
    into.mkdir(parents=True)
    made = make(into)
    settled = {
        name: [(str(place / Path(path).name), start, length, digest) for path, start, length, digest in slices]
        for name, slices in made.slices.items()
    }
    made = Shards(settled, made.listed, made.counts)
    (into / "index.json").write_bytes(msgspec.json.encode(made))
    try:
        into.rename(place)
    except OSError:  # another worker was given the same input and was faster
        shutil.rmtree(into, ignore_errors=True)
    return made


def _opened(path: Path, *, raw: bool = False) -> BinaryIO:
    if raw or path.suffix not in (".gz", ".zst"):
        return path.open("rb")
    if path.suffix == ".gz":
        return io.BufferedReader(gzip.open(path, "rb"))
    return io.BufferedReader(_Zstandard(path), 1 << 20)


class _Zstandard(io.RawIOBase):
    """The frames of a file one after another; the library's own reader ends without a word where a frame is cut."""

    def __init__(self, path: Path) -> None:
        self.file, self.left, self.frame = path.open("rb"), b"", zstandard.ZstdDecompressor().decompressobj()

    def readable(self) -> bool:
        return True

    def close(self) -> None:
        self.file.close()
        super().close()

    def readinto(self, into: Buffer, /) -> int:
        target = memoryview(into).cast("B")
        while not self.left:
            if self.frame.eof:
                packed = self.frame.unused_data or self.file.read(1 << 16)
                self.frame = zstandard.ZstdDecompressor().decompressobj() if packed else self.frame
                if not packed:
                    return 0
            elif not (packed := self.file.read(1 << 16)):
                raise EOFError
            self.left = self.frame.decompress(packed)
        count = min(len(target), len(self.left))
        target[:count], self.left = self.left[:count], self.left[count:]
        return count


def _lines(chunk: Chunk, listed: list[Listed]) -> Iterator[tuple[int, bytes]]:
    """Place and bytes of each line that begins in the chunk; a line that is too long is listed instead."""
    try:
        with _opened(Path(chunk.folder) / chunk.file) as file:
            place = chunk.start
            if place:  # the line before belongs to the chunk before
                file.seek(place - 1)
                while (skipped := file.readline(LONGEST_LINE)) and not skipped.endswith(b"\n"):
                    place += len(skipped)
                place += len(skipped) - 1
            while chunk.end is None or place < chunk.end:
                line = file.readline(LONGEST_LINE + 1)
                if not line:
                    return
                length = len(line)
                while not line.endswith(b"\n") and (more := file.readline(LONGEST_LINE)):
                    line, length = more, length + len(more)
                if length > LONGEST_LINE:
                    listed.append(Listed(chunk.file, place, f"a line of more than {LONGEST_LINE // 1_000_000} MB"))
                else:
                    yield (
                        place,
                        line.removeprefix(b"\xef\xbb\xbf").rstrip(b"\r\n") if place == 0 else line.rstrip(b"\r\n"),
                    )
                place += length
    except (OSError, EOFError, ZlibError, zstandard.ZstdError) as error:
        listed.append(Listed(chunk.file, -1, f"the file cannot be read to its end ({type(error).__name__})"))


def _read(line: bytes) -> _Line | str:
    """What is needed of a line, or why it cannot be used.

    All of the line is decoded: an element that nobody reads here would stop whoever decodes the whole of it later, and
    with it the other patients of its part.
    """
    try:
        line.decode()
        whole = msgspec.json.decode(line)
    except UnicodeDecodeError:
        return "not UTF-8"
    except msgspec.ValidationError:
        return BEYOND
    except RecursionError:
        return DEEP
    except msgspec.DecodeError:
        return "no whole JSON"
    if _LONG_NUMBER.search(line):
        return BEYOND
    if line.count(b"{") + line.count(b"[") > MOST_LEVELS and _is_deep(whole):
        return DEEP
    if body_problem(line) is not None:
        return "a key twice in one object"
    try:
        return msgspec.convert(whole, _Line)
    except msgspec.ValidationError:
        return "no JSON object of FHIR"


def _is_deep(whole: object) -> bool:
    level = [whole]
    for _ in range(MOST_LEVELS):
        level = [
            inner
            for one in level
            if isinstance(one, dict | list)
            for inner in (one.values() if isinstance(one, dict) else one)
        ]
    return bool(level)


def _patient(line: _Line) -> str:
    if line.resourceType == "Patient":
        return line.id
    for one in (line.subject, line.patient):
        if one is not None:
            parts = one.reference.partition("/_history/")[0].rsplit("/", 2)
            if len(parts) >= 2 and parts[-2] == "Patient":
                return parts[-1]
    return ""


def _identities(line: bytes) -> Iterable[str]:
    """Of the answers that this is a result of: a record may keep no GuidanceResponse, so that any result will do."""
    try:
        named = msgspec.json.decode(line, type=_Result).identifier if RESULT_SYSTEM.encode() in line else []
    except msgspec.DecodeError:
        return []
    return [one.value.partition(":")[0] for one in named if one.system == RESULT_SYSTEM and "\t" not in one.value]


def _part(name: str, parts: int) -> int:
    return int.from_bytes(blake2b(name.encode(), digest_size=4).digest()) % parts
