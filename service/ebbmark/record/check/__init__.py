"""What a check of a record found, the summary of one page that tells it, and the command's arguments."""

from __future__ import annotations

import argparse
import dataclasses
import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from enum import Enum
from statistics import median
from textwrap import wrap
from typing import TYPE_CHECKING

import msgspec

if TYPE_CHECKING:
    Commands = argparse._SubParsersAction[argparse.ArgumentParser]


class Verdict(Enum):
    """How one part of the record fared."""

    WORKS = "works"
    LIMITED = "limited"
    FAILS = "fails"
    NOT_CHECKED = "not checked"


@dataclass(frozen=True, slots=True)
class Finding:
    """One part of the record.

    Attributes:
        part: what was looked at, as Connection or Search.
        sentence: what was found, in our own words.
        purpose: what the service needs it for, as a clause that completes "will work: …".
        settings: settings that the finding proposes, by name in the environment.
    """

    part: str
    verdict: Verdict
    sentence: str
    purpose: str = ""
    settings: tuple[tuple[str, str], ...] = ()


@dataclass(slots=True)
class Report:
    """All findings of one check.

    Attributes:
        findings: in the order in which they were made.
        latencies_s: of every request [s].
        left_behind: references of what a dry run wrote and could not remove.
    """

    base_url: str
    findings: list[Finding] = field(default_factory=list)
    latencies_s: list[float] = field(default_factory=list)
    left_behind: list[str] = field(default_factory=list)

    def add(
        self,
        part: str,
        verdict: Verdict,
        sentence: str,
        purpose: str = "",
        settings: Iterable[tuple[str, str]] = (),
    ) -> None:
        """Add one finding."""
        self.findings.append(Finding(part, verdict, sentence, purpose, tuple(settings)))

    @property
    def fails(self) -> bool:
        """Whether something that the service needs does not work."""
        return any(one.verdict is Verdict.FAILS for one in self.findings)

    @property
    def proposed(self) -> dict[str, str]:
        """All settings that the findings propose."""
        return dict(pair for one in self.findings for pair in one.settings)


WIDTH = 110
_WORST_FIRST = (Verdict.FAILS, Verdict.LIMITED, Verdict.WORKS, Verdict.NOT_CHECKED)
_HEADINGS = (
    (Verdict.WORKS, "What will work"),
    (Verdict.LIMITED, "What will work with limits, see above"),
    (Verdict.FAILS, "What will not work"),
)


def summary(report: Report) -> str:
    """The report as one page of text."""
    lines = [f"Record: {report.base_url}"]
    if report.latencies_s:
        middle_ms, longest_ms = 1000 * median(report.latencies_s), 1000 * max(report.latencies_s)
        lines.append(f"{len(report.latencies_s)} requests; median {middle_ms:.0f} ms, longest {longest_ms:.0f} ms")
    lines.append("")
    for one in report.findings:
        head = f"{one.part:<12} {one.verdict.value:<12} "
        lines += wrap(one.sentence, WIDTH, initial_indent=head, subsequent_indent=" " * len(head))
    worst: dict[str, Verdict] = {}
    for one in report.findings:
        before = worst.get(one.purpose, Verdict.NOT_CHECKED)
        worst[one.purpose] = min(one.verdict, before, key=_WORST_FIRST.index)
    for verdict, heading in _HEADINGS:
        purposes = [purpose for purpose, found in worst.items() if purpose and found is verdict]
        if purposes:
            lines += ["", heading, *[f"  - {purpose}" for purpose in purposes]]
    if report.proposed:
        lines += ["", "Settings proposed"]
        lines += [f"  {name}={value}" for name, value in report.proposed.items()]
    if report.left_behind:
        lines += ["", "Written by this check and not removed (remove it by hand)"]
        lines += [f"  {reference}" for reference in report.left_behind]
    return "\n".join([*lines, ""])


def add_check_record(commands: Commands, run: Callable[[argparse.Namespace], int]) -> None:
    """Add the command.

    Args:
        run: runs it and gives the exit code.
    """
    checked = commands.add_parser(
        "check-record",
        help="say what the configured record can do for this service, and what not",
        description="Looks at the configured record (settings: EBBMARK_RECORD_...): connection and TLS, sign-in and "
        "granted scopes, clock, and every search that this service sends. Reads no patient. With --write-to it writes "
        "one resource of each type to a test patient and removes them again.",
        epilog="Exit codes: 0 everything that was checked works; 9 something does not, see the summary; 2 no usable "
        "record is configured, or wrong usage.",
    )
    checked.add_argument(
        "--write-to", type=patient_reference, metavar="Patient/ID", help="a test patient, to whom the check may write"
    )
    checked.add_argument("--format", choices=("text", "json"), default="text", help="how to answer")
    checked.set_defaults(run=run)


def add_check_settings(commands: Commands, run: Callable[[argparse.Namespace], int]) -> None:
    """Add the command that reads the settings and the site's files; as `add_check_record`."""
    checked = commands.add_parser(
        "check-settings",
        help="read the settings and the site's own files, and say what is wrong with each",
        description="Reads what the settings name (code maps, charting table, protocols and staircases, stop limits, "
        "value sets of conditions, messages) as the service does when it starts, and names setting, file and element "
        "of what cannot be used, for every setting at once. Calls nobody.",
        epilog="Exit codes: 0 all can be used; 2 something cannot.",
    )
    checked.set_defaults(run=run)


def patient_reference(text: str) -> str:
    """An argument of the form Patient/ID; argparse tells of any other."""
    if not re.fullmatch(r"Patient/[A-Za-z0-9.-]{1,64}", text):
        raise argparse.ArgumentTypeError(f"{text!r} is not of the form Patient/ID")
    return text


def told(report: Report, form: str) -> str:
    """The report as text, or as JSON.

    Args:
        form: text or json.
    """
    if form == "text":
        return summary(report)
    plain = {**dataclasses.asdict(report), "proposed": report.proposed}
    return msgspec.json.format(msgspec.json.encode(plain), indent=2).decode() + "\n"
