"""Processor time of a review, beside what reading the same lines costs at the least.

Run: PYTHONPATH=service:tests:. python -m benchmarks.review.

Ratios are surer than times: all are taken in one process, one after the other, on the same lines.
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections import deque
from collections.abc import Callable
from pathlib import Path
from typing import Any
from unittest.mock import patch

import orjson
from fixtures.hospital import simulate_year

from ebbmark.keys import KeyRing, new_key_set, public_key_set, read_key_ring
from ebbmark.physiology.closing.estimator import estimate_closing
from ebbmark.physiology.closing.result import Closing
from ebbmark.review.model import Options
from ebbmark.review.patients import rows_of_part
from ebbmark.review.shards import Shards, Slice, chunks_of, join, lines_of, scatter
from ebbmark.use_cases import trial_and_patient

JANUARY_S = 1_735_689_600.0


def cpu_s(function: Callable[[], object]) -> float:
    begun = time.process_time()
    function()
    return time.process_time() - begun


def curves_of(charted: list[bytes], shared: list[bytes], options: Options) -> list[tuple[Any, ...]]:
    """What the estimator is asked for: the floor of any titration."""
    asked: list[tuple[Any, ...]] = []

    def noted(*curve: Any) -> Closing:  # noqa: ANN401
        asked.append(curve)
        return estimate_closing(*curve)

    with patch.object(trial_and_patient, "estimate_closing", noted):
        rows_of_part(charted, shared, options)
    return asked


def main(patients: int) -> None:
    ring = read_key_ring([orjson.dumps(new_key_set("ES384"))])
    assert isinstance(ring, KeyRing)
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder)
        for _ in simulate_year(place, patients=patients, seed=1, from_s=JANUARY_S, key=ring.keys[0]):
            pass
        lines = [line for path in sorted((place / "record").iterdir()) for line in path.read_bytes().splitlines()]
        shards: list[Shards] = []
        sorting_s = cpu_s(lambda: shards.extend(scatter(one, folder, 1) for one in chunks_of(place / "record")))
        by_name: dict[str, list[Slice]] = {}
        for shard in shards:
            for name, found in shard.slices.items():
                by_name.setdefault(name, []).extend(found)
        joined = join(0, by_name.get("pairs-00000", []), by_name.get("orphans-00000", []), folder, 1)
        keyed = list(lines_of([*by_name["part-00000"], *joined.slices.get("part-00000", [])]))
        shared = list(lines_of(by_name["shared"]))
        charted = [line for line in keyed if b"/fhir/sid/result" not in line]
        options = Options(published_keys=orjson.dumps(public_key_set(ring)), margin_cmh2o=4.0)
        rows = rows_of_part(keyed, shared, options)
        orjson_s = cpu_s(lambda: deque(map(orjson.loads, lines), maxlen=0))
        titrating_s = cpu_s(lambda: rows_of_part(charted, shared, options))
        all_s = cpu_s(lambda: rows_of_part(keyed, shared, options))
        curves = curves_of(charted, shared, options)
        estimating_s = cpu_s(lambda: [estimate_closing(*curve) for curve in curves])
    trials, answers = len(rows.trials), len(rows.answers)
    size_mb = sum(map(len, lines)) / 1e6
    print(f"{patients} patients, {trials} trials, {answers} stored answers, {len(lines)} lines, {size_mb:.1f} MB")
    print(f"{'':34}{'s':>8}{'of orjson':>11}{'per core-second':>17}")
    for told, taken_s, count, unit in (
        ("reading every line with orjson", orjson_s, len(lines), "lines"),
        ("sorting lines by patient", sorting_s, len(lines), "lines"),
        ("estimating each curve once", estimating_s, len(curves), "curves"),
        ("titrating twice, and markers", titrating_s, trials, "trials"),
        ("replay of stored answers", all_s - titrating_s, answers, "answers"),
    ):
        print(f"{told:34}{taken_s:8.2f}{taken_s / orjson_s:11.1f}{count / taken_s:10.0f} {unit}")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 60)
