"""The arguments of every command but those of a review; nothing else is loaded for a help text."""

from __future__ import annotations

import argparse
import re
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from ebbmark import __version__
from ebbmark.fhir.operations import BY_SLUG, TITRATE_PEEP
from ebbmark.fhir.reading.charted_steps import COLUMNS
from ebbmark.fhir.times import TimeFault, seconds

if TYPE_CHECKING:
    Commands = argparse._SubParsersAction[argparse.ArgumentParser]

PLOT_ENDINGS: dict[str, Literal["svg", "png", "pdf"]] = {".svg": "svg", ".png": "png", ".pdf": "pdf"}


def command_parser(
    run: Mapping[str, Callable[[argparse.Namespace], int]], add_review: Callable[[Commands], None]
) -> argparse.ArgumentParser:
    """The parser of all commands.

    Args:
        run: by the name of a command: runs it and gives the exit code.
        add_review: adds the commands of a review.
    """
    parser = argparse.ArgumentParser(
        prog="ebbmark",
        description="Read a decremental PEEP trial: closing pressure with its uncertainty, and what follows. "
        "Decision support; a licensed clinician decides.",
    )
    parser.add_argument("--version", action="version", version=f"ebbmark {__version__}")
    commands = parser.add_subparsers(required=True, metavar="COMMAND")

    serve = commands.add_parser("serve", help="run the HTTP service (settings: EBBMARK_..., see the guide)")
    serve.add_argument("--host", help="address to listen on")
    serve.add_argument("--port", type=int, help="port to listen on; 0 takes a free one")
    serve.add_argument("--demo", action="store_true", default=None, help="show pages with invented patients, too")
    serve.set_defaults(run=run["serve"])

    carried = commands.add_parser(
        "bridge",
        help="carry device messages (HL7 v2 ORU^R01, IHE PCD-01) to the record (settings: EBBMARK_BRIDGE_...)",
    )
    carried.set_defaults(run=run["bridge"])

    evaluate = commands.add_parser(
        "evaluate",
        help="answer a question about data in a file",
        description="Answers an operation from a FHIR R4 Bundle or Parameters (JSON), or a titration from a CSV table "
        "of steps. Columns of the table: "
        f"time (ISO 8601 with zone; optional), height_cm, sex, {', '.join(COLUMNS)}.",
        epilog="Exit codes: 0 a PEEP is suggested, or another operation answered; 3 a titration without a suggestion; "
        "4 the input cannot be read; "
        "5 it can be read but not used; 2 wrong usage, or no such file.",
    )
    evaluate.add_argument("file", metavar="FILE", help="a file, or - for standard input")
    evaluate.add_argument("--format", choices=("text", "fhir", "json"), default="text", help="how to answer")
    evaluate.add_argument("--height-cm", type=float, help="height, for a table without it")
    evaluate.add_argument("--sex", choices=("male", "female"), help="form of the formula, for a table without it")
    evaluate.add_argument(
        "--plot", type=plot_file, metavar="FILE", help="draw the answer to a file: .svg, .png or .pdf by its name"
    )
    evaluate.add_argument(
        "--operation", choices=tuple(BY_SLUG), default=TITRATE_PEEP.slug, help="the question; default: titrate-peep"
    )
    evaluate.add_argument("--report", type=Path, metavar="FILE", help="write the answer to a file as a report (PDF)")
    evaluate.add_argument(
        "--at", type=instant_of, metavar="INSTANT", help="answer as of then, as 2026-03-02T09:30:00Z; default: now"
    )
    evaluate.set_defaults(run=run["evaluate"])

    looked = commands.add_parser(
        "inspect",
        help="say which codes, units and shapes charted data hold, what is read of them, and what is not",
        description="Reads charted data (a FHIR R4 Bundle, NDJSON, a list of resources, or one resource) and tells "
        "every code, unit and shape with its count and range: read as what, or unread because of what; the likeliest "
        "quantity of unread numbers; and what is missing for a trial. Of patients nothing is told but counts and "
        "ranges. The site's own files count (settings: EBBMARK_CODE_MAP and others).",
        epilog="Exit codes: 0 told; 4 the input cannot be read; 2 wrong usage, or no such file.",
    )
    source = looked.add_mutually_exclusive_group(required=True)
    source.add_argument("file", metavar="FILE", nargs="?", help="a file, or - for standard input")
    source.add_argument("--patient", type=patient_reference, metavar="Patient/ID", help="one of the configured record")
    looked.add_argument("--hours", type=float, default=24.0, help="how far back the record is read (default: 24)")
    looked.add_argument(
        "--format",
        choices=("text", "json", "concept-map"),
        default="text",
        help="concept-map: a draft of a FHIR ConceptMap for the unread codes, to be corrected by a person",
    )
    looked.add_argument(
        "--accept-preliminary", action="store_true", help="tell what would be read if preliminary Observations counted"
    )
    looked.set_defaults(run=run["inspect"])

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
    checked.set_defaults(run=run["check-record"])

    settings = commands.add_parser(
        "check-settings",
        help="read the settings and the site's own files, and say what is wrong with each",
        description="Reads what the settings name (code maps, charting table, protocols and staircases, stop limits, "
        "value sets of conditions, messages) as the service does when it starts, and names setting, file and element "
        "of what cannot be used, for every setting at once. Calls nobody.",
        epilog="Exit codes: 0 all can be used; 2 something cannot.",
    )
    settings.set_defaults(run=run["check-settings"])

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
    again.set_defaults(run=run["replay"])

    retell = commands.add_parser(
        "account",
        help="print an answer Bundle as text",
        description="Prints an answer Bundle as text. The first line says whether its signature holds.",
        epilog="Exit codes: 0 printed; 6 printed, and the signature does not hold, or with --keys is missing or by "
        "another key; 4 no answer Bundle; 2 wrong usage, or no such file.",
    )
    retell.add_argument("file", metavar="FILE", help="a file, or - for standard input")
    retell.add_argument("--keys", metavar="FILE", help="published keys (JWK Set) to check the signature with")
    retell.set_defaults(run=run["account"])

    key = commands.add_parser("new-key", help="make a key to sign with, or one for cookies, as JSON Web Key Set")
    key.add_argument(
        "--algorithm", choices=("ES384", "RS384", "A256GCM"), default="ES384", help="A256GCM: cookies; default: ES384"
    )
    key.set_defaults(run=run["new-key"])

    add_review(commands)

    described = commands.add_parser("openapi", help="print the OpenAPI document of the service")
    described.set_defaults(run=run["openapi"])
    return parser


def instant_of(text: str) -> float:
    """An instant with a zone, in seconds since 1970-01-01T00:00:00Z."""
    at_s = seconds(text)
    if isinstance(at_s, TimeFault):
        raise argparse.ArgumentTypeError(f"{text} is no instant with a zone, as 2026-03-02T09:30:00Z")
    return at_s


def plot_file(name: str) -> Path:
    """A file in which a figure can be drawn."""
    if Path(name).suffix.lower() not in PLOT_ENDINGS:
        raise argparse.ArgumentTypeError(f"{name!r} does not end in .svg, .png or .pdf")
    return Path(name)


def patient_reference(text: str) -> str:
    """An argument of the form Patient/ID; argparse tells of any other."""
    if not re.fullmatch(r"Patient/[A-Za-z0-9.-]{1,64}", text):
        raise argparse.ArgumentTypeError(f"{text!r} is not of the form Patient/ID")
    return text
