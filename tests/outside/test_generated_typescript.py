"""Types that `openapi-typescript` (npm) makes of our OpenAPI document check a client, which then gets its answers."""

from __future__ import annotations

import json
import shutil
import subprocess
from pathlib import Path

from benchmarks.speed.serving import OURS, serving

HERE = Path(__file__).parent
DOCUMENT = HERE.parents[1] / "openapi" / "ebbmark.openapi.json"
STRICT = ["--strict", "--noUncheckedIndexedAccess", "--skipLibCheck", "--target", "es2022", "--module", "nodenext"]


def run(*command: str, folder: Path) -> str:
    done = subprocess.run(command, cwd=folder, capture_output=True, text=True, check=False, timeout=120)
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


def test_a_typescript_client_of_generated_types_is_checked_and_answered(modules: Path, tmp_path: Path) -> None:
    content = json.loads(DOCUMENT.read_text())["paths"]["/fhir/$titrate-peep"]["post"]["requestBody"]["content"]
    shutil.copy(HERE / "generated_client.ts", tmp_path / "client.mts")
    (tmp_path / "node.d.ts").write_text("declare const process: { argv: string[] };")
    run("node", str(modules / ".bin" / "openapi-typescript"), str(DOCUMENT), "-o", "ebbmark.d.ts", folder=tmp_path)
    run("node", str(modules / ".bin" / "tsc"), *STRICT, "client.mts", "node.d.ts", folder=tmp_path)

    with serving(OURS) as (_, port):
        base, body = f"http://127.0.0.1:{port}", json.dumps(content["application/fhir+json"]["example"])
        told = run("node", "client.mjs", base, body, folder=tmp_path)

    assert json.loads(told) == ["Bundle", "OperationOutcome"]
