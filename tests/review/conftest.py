"""A small year of the invented hospital, made once."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import msgspec
import pytest

from ebbmark.keys import KeyRing, new_key_set, public_key_set, read_key_ring
from ebbmark.review.hospital import FATES, Chances, PatientTruth, simulate_year

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
