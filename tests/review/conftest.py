"""A small year of the invented hospital, made once."""

from __future__ import annotations

from concurrent.futures import Executor, ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import msgspec
import pytest
from fixtures.hospital import FATES, Chances, PatientTruth, simulate_year

from ebbmark.keys import KeyRing, new_key_set, public_key_set, read_key_ring
from ebbmark.review.model import Options, Report, Reviewed
from ebbmark.review.report import tables_of
from ebbmark.review.run import run

JANUARY_S = 1_735_689_600.0
OFTEN = Chances(fates=(0.4, 0.2, 0.2, 0.2), no_height=0.15)
SEED = 3
"""With these everything happens at least once."""


@dataclass(frozen=True)
class Year:
    record: Path
    truth: list[PatientTruth]
    published_keys: bytes

    def fates(self, *fates: str) -> int:
        return sum(trial.fate in fates for one in self.truth for trial in one.trials)


@pytest.fixture(scope="session")
def year(tmp_path_factory: pytest.TempPathFactory) -> Year:
    folder = tmp_path_factory.mktemp("year")
    ring = read_key_ring([msgspec.json.encode(new_key_set("ES384"))])
    assert isinstance(ring, KeyRing)
    *_, patients = simulate_year(folder, patients=10, seed=SEED, from_s=JANUARY_S, key=ring.keys[0], chances=OFTEN)
    lines = (folder / "truth.ndjson").read_bytes().splitlines()
    truth = [msgspec.json.decode(line, type=PatientTruth) for line in lines]
    assert len(truth) == patients
    assert {trial.fate for one in truth for trial in one.trials} == {*FATES, ""}
    assert not all(one.height for one in truth)
    return Year(folder / "record", truth, msgspec.json.encode(public_key_set(ring)))


@pytest.fixture(scope="session")
def few(year: Year, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The record of three patients, for what has to be run more than once."""
    folder = tmp_path_factory.mktemp("few")
    for path in year.record.iterdir():
        lines = path.read_bytes().splitlines()
        kept = [
            line for line in lines if b'"Device"' in line or any(b"p000000%d" % number in line for number in range(3))
        ]
        (folder / path.name).write_bytes(b"\n".join(kept))
    return folder


def one_thread() -> Executor:
    return ThreadPoolExecutor(1)


@pytest.fixture(scope="session")
def options(year: Year) -> Options:
    return Options(published_keys=year.published_keys, margin_cmh2o=4.0)


@pytest.fixture(scope="session")
def work(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("work")


@pytest.fixture(scope="session")
def reviewed(year: Year, options: Options, work: Path) -> Reviewed:
    return run(year.record, work, options=options, start=one_thread)


@pytest.fixture(scope="session")
def report(reviewed: Reviewed, options: Options) -> Report:
    return tables_of(reviewed, options=options, smallest=1, second_from="2025-07")
