"""One invented patient's day: starts the service, asks it at each moment over HTTP, prints what it says.

The record (fixtures/day/record.json) holds two days. At each moment the service is sent what was charted until then.
"""

from __future__ import annotations

import json
import re
import runpy
import sys
import urllib.request
from html import unescape
from pathlib import Path
from textwrap import wrap
from typing import TYPE_CHECKING, Any, NamedTuple
from urllib.error import HTTPError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

ROOT = Path(__file__).parents[1]
RECORD = ROOT / "fixtures" / "day" / "record.json"
WIDTH = 100

Json = dict[str, Any]


class Moment(NamedTuple):
    """One moment: when, and what is asked."""

    at: str
    operation: str
    about: str


MOMENTS = (
    Moment("2026-03-05T08:50:00Z", "assess-candidate", "Before: is there reason for a trial?"),
    Moment("2026-03-05T08:52:00Z", "plan-trial", "Before: how would it go?"),
    *(
        Moment(f"2026-03-05T09:{minute}:{second}Z", "next-step", "During: go on or stop?")
        for minute in ("05", "07", "09", "11")
        for second in ("00", "50")
        if (minute, second) != ("11", "50")
    ),
    Moment("2026-03-05T09:12:50Z", "next-step", "During: go on or stop?"),
    Moment("2026-03-05T09:13:40Z", "next-step", "During: go on or stop?"),
    Moment("2026-03-05T09:13:50Z", "titrate-peep", "The trial as a whole"),
    Moment("2026-03-05T10:15:00Z", "compare-settings", "After: what changed?"),
    Moment("2026-03-05T10:16:00Z", "compare-markers", "What do other markers say?"),
    Moment("2026-03-05T14:45:00Z", "check-validity", "Again: does it still hold?"),
    Moment("2026-03-05T16:00:00Z", "check-validity", "Again: does it still hold?"),
    Moment("2026-03-06T10:00:00Z", "follow-trials", "The second trial beside the first"),
)


ACKNOWLEDGED = [
    {"name": "acknowledged", "valueString": "obstructive-disease"},
    {"name": "acknowledged-by", "valueReference": {"display": "the clinician in charge"}},
]
"""The record names a COPD, which stops a plan until a clinician has looked at it and says so."""


def request_at(record: Json, moment: Moment) -> bytes:
    """What is sent at this moment: everything charted until then."""
    known = [one for one in record["entry"] if charted(one["resource"]) <= moment.at]
    if moment.operation in ("titrate-peep", "follow-trials", "compare-markers", "next-step"):
        known = [one for one in known if one["resource"]["resourceType"] != "Condition"]
    bundle = {"resourceType": "Bundle", "type": "collection", "entry": known}
    parameters = [{"name": "bundle", "resource": bundle}, {"name": "as-of", "valueInstant": moment.at}]
    parameters += ACKNOWLEDGED if moment.operation == "plan-trial" else []
    return json.dumps({"resourceType": "Parameters", "parameter": parameters}).encode()


def charted(resource: Json) -> str:
    """When it came into the record; the patient was there before."""
    return str(resource.get("effectiveDateTime") or resource.get("recordedDate") or "")


def told(answer: Json) -> list[str]:
    """The line of an answer and its reasons, as its text holds them."""
    resources = [one["resource"] for one in answer["entry"]]
    guidance = next(resource for resource in resources if resource["resourceType"] == "GuidanceResponse")
    return [unescape(one) for one in re.findall(r"<(?:b|li)>(.*?)</(?:b|li)>", guidance["text"]["div"])]


def day(send: Callable[[str, bytes], Json]) -> Iterator[tuple[Moment, Json]]:
    """Ask at each moment.

    Args:
        send: takes an operation and a body, and gives the answer.
    """
    record = json.loads(RECORD.read_bytes())
    for moment in MOMENTS:
        yield moment, send(moment.operation, request_at(record, moment))


def main() -> None:
    """Start the service, run the day, print it."""
    service = runpy.run_path(str(ROOT / "deploy" / "demo.py"))["service"]
    with service() as address:

        def send(operation: str, body: bytes) -> Json:
            asked = urllib.request.Request(  # noqa: S310 - the address is our own service's
                f"{address}/fhir/${operation}", data=body, headers={"Content-Type": "application/fhir+json"}
            )
            try:
                with urllib.request.urlopen(asked, timeout=60) as reply:  # noqa: S310
                    return dict(json.loads(reply.read()))
            except HTTPError as refusal:
                raise SystemExit(f"refused with {refusal.code}: {refusal.read().decode()}") from None

        asked_before = ""
        for moment, answer in day(send):
            if moment.about != asked_before:
                print(f"\n{moment.about}  (${moment.operation})\n{'-' * WIDTH}")
                asked_before = moment.about
            line, *reasons = told(answer)
            lines = wrap(f"{moment.at[8:19].replace('T', ' ')}  {line}", WIDTH, subsequent_indent=" " * 13)
            for reason in reasons:
                lines += wrap(f"- {reason}", WIDTH, initial_indent=" " * 13, subsequent_indent=" " * 15)
            sys.stdout.writelines(f"{line}\n" for line in lines)
    print("\nDecision support: every result is preliminary. Local protocol and a licensed clinician decide.")


if __name__ == "__main__":
    main()
