"""Arguments of the commands that take a stored answer: replay and account."""

from __future__ import annotations

import argparse
from collections.abc import Callable

Run = Callable[[argparse.Namespace], int]


def add_replay_and_account(
    commands: argparse._SubParsersAction[argparse.ArgumentParser], replay: Run, account: Run
) -> None:
    """Add both commands."""
    again = commands.add_parser(
        "replay",
        help="compute a stored answer again and name each difference",
        description="Reads an answer Bundle and the inputs that it names (a Bundle with the Patient and the "
        "Observations, or the request; or the record), computes the answer again, and names each difference. Needs no "
        "network, unless the inputs are read from the record (settings: EBBMARK_RECORD_...).",
        epilog="Exit codes: 0 the same bytes (inputs that were amended since are named); 7 the same within rounding, "
        "of another engine or platform; 8 inputs as used, or the site's charting table, are not given; "
        "6 different, or the signature does not fit, or with --keys is missing or by another key; 4 what a file holds "
        "cannot be read; 5 it is no answer; 2 wrong usage, or no such file.",
    )
    again.add_argument("file", metavar="FILE", help="the answer, or - for standard input")
    again.add_argument(
        "--inputs",
        required=True,
        metavar="FILE",
        help="the inputs as a Bundle, or the request; record: read from the configured record, in the versions "
        "that the answer names (a file of that name: ./record)",
    )
    again.add_argument("--keys", metavar="FILE", help="published keys (JWK Set): only a valid signature ends well")
    again.add_argument("--format", choices=("text", "fhir"), default="text", help="how to answer")
    again.set_defaults(run=replay)

    retell = commands.add_parser(
        "account",
        help="print an answer Bundle as text",
        description="Prints an answer Bundle as text. The first line says whether its signature holds.",
        epilog="Exit codes: 0 printed; 6 printed, and the signature does not hold, or with --keys is missing or by "
        "another key; 4 no answer Bundle; 2 wrong usage, or no such file.",
    )
    retell.add_argument("file", metavar="FILE", help="a file, or - for standard input")
    retell.add_argument("--keys", metavar="FILE", help="published keys (JWK Set) to check the signature with")
    retell.set_defaults(run=account)
