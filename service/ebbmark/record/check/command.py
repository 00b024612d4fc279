"""The arguments of `check-record`, and what it prints."""

from __future__ import annotations

import argparse
import dataclasses
import re
from collections.abc import Callable
from typing import TYPE_CHECKING

import msgspec

from ebbmark.record.check.findings import Report, summary

if TYPE_CHECKING:
    Commands = argparse._SubParsersAction[argparse.ArgumentParser]

__all__ = ["add_check_record", "told"]


def add_check_record(commands: Commands, run: Callable[[argparse.Namespace], int]) -> None:
    """Add the command.

    Args:
        commands: of the command line.
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
        "--write-to", type=_patient, metavar="Patient/ID", help="a test patient, to whom the check may write"
    )
    checked.add_argument("--format", choices=("text", "json"), default="text", help="how to answer")
    checked.set_defaults(run=run)


def _patient(text: str) -> str:
    if not re.fullmatch(r"Patient/[A-Za-z0-9.-]{1,64}", text):
        raise argparse.ArgumentTypeError(f"{text!r} is not of the form Patient/ID")
    return text


def told(report: Report, form: str) -> str:
    """The report as text, or as JSON.

    Args:
        report: what was found.
        form: text or json.
    """
    if form == "text":
        return summary(report)
    plain = {**dataclasses.asdict(report), "proposed": report.proposed}
    return msgspec.json.format(msgspec.json.encode(plain), indent=2).decode() + "\n"
