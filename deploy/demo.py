"""Starts the service, sends it the three invented patients of the demo scenario over HTTP, prints what came back.

Their trials are moved in time, so that each ended twenty minutes ago: an old trial is answered with a warning first.
"""

from __future__ import annotations

import json
import re
import subprocess
import sys
import urllib.request
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING
from urllib.error import HTTPError

from ebbmark.fhir.writing.account import account
from ebbmark.fhir.writing.flat_answer import read_answer

if TYPE_CHECKING:
    from collections.abc import Iterator

ROOT = Path(__file__).parents[1]
SCENARIO = {
    "clear-closing": "An invented woman of 168 cm; PEEP lowered from 20 to 8 cmH2O, three charted rows per step.",
    "never-reached": "An invented man of 183 cm; PEEP lowered from 18 to 8 cmH2O, device codes, pressures in mbar.",
    "noisy-record": "An invented woman of 66 in; local codes, whole numbers, a cough, a correction, an entry in error.",
}

ENDED = timedelta(minutes=20)
"""So long before now each trial ended."""
_INSTANT = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(?:Z|[+-]\d\d:\d\d)")


def just_ended(request: str, now: datetime) -> str:
    """The same request with all its times moved by the same, the latest to `ENDED` before now."""
    latest = max(datetime.fromisoformat(one) for one in _INSTANT.findall(request))
    later = now.replace(microsecond=0) - ENDED - latest
    return _INSTANT.sub(lambda found: (datetime.fromisoformat(found[0]) + later).isoformat(), request)


@contextmanager
def service() -> Iterator[str]:
    """The service on a free port of this machine; yields its address."""
    with subprocess.Popen(
        [sys.executable, "-m", "ebbmark", "serve", "--port", "0"],
        stdout=subprocess.DEVNULL,  # audit events, one line per request
        stderr=subprocess.PIPE,
        text=True,
    ) as process:
        try:
            yield address_of(process)
        finally:
            process.terminate()
            process.wait(timeout=10)


def address_of(process: subprocess.Popen[str]) -> str:
    """The address that the service says it listens on; remarks may come before it."""
    said: list[str] = []
    for line in process.stderr or ():
        if "listens on" in line:
            return line.split()[-1]
        said.append(line)
    raise SystemExit(f"the service did not start: {''.join(said)}")


def ask(address: str, body: bytes) -> bytes:
    """Send one request to the titration operation and return the body of the answer."""
    request = urllib.request.Request(  # noqa: S310 - the address is our own service's
        f"{address}/fhir/$titrate-peep", data=body, headers={"Content-Type": "application/fhir+json"}
    )
    try:
        with urllib.request.urlopen(request, timeout=30) as reply:  # noqa: S310
            return bytes(reply.read())
    except HTTPError as refusal:
        raise SystemExit(f"refused with {refusal.code}: {refusal.read().decode()}") from None


def main() -> None:
    """Run the scenario."""
    saved = ROOT / "out" / "demo"
    saved.mkdir(parents=True, exist_ok=True)
    with service() as address:
        for number, (name, who) in enumerate(SCENARIO.items(), start=1):
            request = (ROOT / "fixtures" / name / "request.json").read_text(encoding="utf-8")
            asked = just_ended(request, datetime.now(UTC)).encode()
            answer = ask(address, asked)
            path = saved / f"{name}.json"
            path.write_bytes(answer)
            (saved / f"{name}.request.json").write_bytes(asked)
            told = read_answer(json.loads(answer))
            print(f"{'=' * 100}\n{number}. {who}")
            if number == 1:
                print(account(told), end="")
            else:
                print(f"\n{told.closing_remark}\n{told.rationale}\nInputs and notes listed: {len(told.issues)}.")
            print(f"\nThe full Bundle was saved as {path.relative_to(ROOT)}, its request beside it.\n")
    print("Decision support: every number above is preliminary. Local protocol and a licensed clinician decide.")


if __name__ == "__main__":
    main()
