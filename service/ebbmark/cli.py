"""The command line, from serve and check-record to openapi: commands and their exit codes."""

from __future__ import annotations

import argparse
import dataclasses
import gc
import sys
import time
from collections.abc import Sequence
from functools import partial
from pathlib import Path
from types import ModuleType
from typing import TYPE_CHECKING

import msgspec

from ebbmark.arguments import PLOT_ENDINGS, command_parser, instant_of
from ebbmark.fhir.answer import Answer
from ebbmark.fhir.operations import BY_SLUG, TITRATE_PEEP
from ebbmark.fhir.problems import Problem, ProblemKind, Rejected, status_of
from ebbmark.fhir.reading.charted_steps import FOR_A_TABLE, UNTIMED, read_charted_steps
from ebbmark.fhir.reading.request import RequestContext
from ebbmark.fhir.writing.account import answer_text, refusal_text
from ebbmark.fhir.writing.flat_answer import read_answer
from ebbmark.fhir.writing.normal_form import NotAnAnswer
from ebbmark.fhir.writing.write import write_bundle
from ebbmark.review.command import add_commands
from ebbmark.use_cases.questions import answer_request

if TYPE_CHECKING:
    from ebbmark.review.bulk_export import Exported

ANSWERED = 0
USAGE = 2
NO_SUGGESTION = 3
NOT_READ = 4
NOT_USABLE = 5
DIFFERENT = 6
WITHIN_ROUNDING = 7
INPUTS_AMENDED = 8
RECORD_LACKS = 9
"""Exit codes. 1 is left to what nobody foresaw."""


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command and return its exit code."""
    parser = command_parser(
        {
            "serve": _serve,
            "bridge": _bridge,
            "evaluate": _evaluate,
            "inspect": _inspect,
            "check-record": _check_record,
            "check-settings": lambda _: ANSWERED if _serving().check_settings() else USAGE,
            "replay": _replay,
            "account": _account,
            "new-key": _new_key,
            "openapi": _openapi,
        },
        partial(add_commands, style=_style, to_instant=instant_of, export=_export),
    )
    chosen = parser.parse_args(arguments)
    try:
        code: int = chosen.run(chosen)
    except Rejected as rejected:
        print(refusal_text(rejected.problems, rejected.ignored), file=sys.stderr)
        return NOT_READ if status_of(rejected.problems) in (400, 413) else NOT_USABLE
    except SystemExit as stopped:
        # Why was said where it stopped.
        return stopped.code if isinstance(stopped.code, int) else USAGE
    return code


def _evaluate(chosen: argparse.Namespace) -> int:
    body = _bytes_of(chosen.file)
    is_fhir = body.lstrip()[:1] in (b"{", b"[", b"<")
    dated = "--format fhir" if chosen.format == "fhir" else "--report" if chosen.report is not None else ""
    dated = dated if chosen.operation == TITRATE_PEEP.slug else f"--operation {chosen.operation}"
    table = None if is_fhir else read_charted_steps(body, height_cm=chosen.height_cm, sex=chosen.sex, dated=dated)
    if table is None and (chosen.height_cm is not None or chosen.sex is not None):
        print(FOR_A_TABLE, file=sys.stderr)
        return USAGE
    until_s = None if table is None else table.ordered_until_s
    remarks = [] if until_s is None else [UNTIMED]
    # Instants that stand for an order have no age, so the answer is given as of the last of them.
    context = _context(chosen.at if until_s is None else until_s)
    try:
        answer = answer_request(BY_SLUG[chosen.operation], body if table is None else table.bundle, context)
    except Rejected as rejected:
        raise (rejected if table is None else table.refused(rejected)) from None
    titrated = answer.titrated
    if chosen.plot is not None:
        if titrated is None:
            print("--plot draws a titration; --report shows the answer to any operation.", file=sys.stderr)
            return USAGE
        _plot(answer, chosen.plot)
    if chosen.report is not None:
        # Takes a while to load.
        from ebbmark.views.sheet import report_pdf

        _write(chosen.report, report_pdf(answer, recorded_s=context.at_s))
    bundle = write_bundle(answer, recorded_s=context.at_s)
    if chosen.format == "fhir":
        bundle = _signed(bundle)
    if chosen.format == "fhir" or (chosen.format == "json" and titrated is None):
        print(msgspec.json.format(msgspec.json.encode(bundle), indent=2).decode())
    elif chosen.format == "json":
        plain = {**dataclasses.asdict(read_answer(bundle)), "remarks": remarks}
        print(msgspec.json.format(msgspec.json.encode(plain), indent=2).decode())
    else:
        print(answer_text(bundle, remarks=remarks), end="")
    return ANSWERED if titrated is None or titrated.advice.suggested_peep_cmh2o is not None else NO_SUGGESTION


def _inspect(chosen: argparse.Namespace) -> int:
    from ebbmark.use_cases.inspection import inspect

    context, searched, trial = _context(), "", ()
    context = dataclasses.replace(context, accept_preliminary=context.accept_preliminary or chosen.accept_preliminary)
    if chosen.patient is None:
        content = _bytes_of(chosen.file)
    else:
        content, searched, trial = _serving().observations_from_record(
            chosen.patient, hours=chosen.hours, context=context
        )
    found = inspect(content, context, trial)
    if chosen.format == "text":
        print(f"{searched}\n{found.text}" if searched else found.text, end="")
    else:
        values = found.values if chosen.format == "json" else found.draft
        print(msgspec.json.format(msgspec.json.encode(values), indent=2).decode())
    return ANSWERED


def _check_record(chosen: argparse.Namespace) -> int:
    from ebbmark.use_cases.check_record import told

    report = _serving().check_record(chosen.write_to, at_s=time.time())
    print(told(report, chosen.format), end="")
    return RECORD_LACKS if report.fails else ANSWERED


def _context(at_s: float | None = None) -> RequestContext:
    """What requests are read with, now or as of then; with the site's own files where settings name them."""
    from ebbmark.settings import is_anything_set

    at_s = time.time() if at_s is None else at_s
    if not is_anything_set():
        return RequestContext(at_s)
    found: RequestContext = _serving().context_in_settings(at_s)
    return found


def _signed(bundle: dict[str, object]) -> dict[str, object]:
    """The Bundle, signed where EBBMARK_SIGN_RESULTS asks for it, as the service signs it."""
    from ebbmark.settings import Settings, is_anything_set

    if not is_anything_set():
        return bundle
    from ebbmark.web.connections import signed

    settings = Settings()
    try:
        return signed(bundle, settings.signing_keys, signs=settings.sign_results)
    except ValueError as error:
        print(f"{error}.", file=sys.stderr)
        raise SystemExit(USAGE) from None


def _plot(answer: Answer, file: Path) -> None:
    from ebbmark.views.figure import figure_of
    from ebbmark.views.picture import draw

    _write(file, draw(figure_of(answer), form=PLOT_ENDINGS[file.suffix.lower()]))


def _write(file: Path, content: bytes) -> None:
    try:
        file.write_bytes(content)
    except OSError as error:
        print(f"{file}: {error.strerror}", file=sys.stderr)
        raise SystemExit(USAGE) from None


def _account(chosen: argparse.Namespace) -> int:
    # Only this command and replay need the signature library.
    from ebbmark.use_cases.replay_exchange import check_signature

    keys = _bytes_of(chosen.keys) if chosen.keys else None
    content = _bytes_of(chosen.file)
    try:
        bundle = msgspec.json.decode(content, type=dict[str, object])
        answer_text(bundle)
        signature, doubtful = check_signature(content, keys)
        text = answer_text(bundle, remarks=[signature])
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError, NotAnAnswer) as error:
        why = f": {error}" if isinstance(error, NotAnAnswer) else ""
        sentence = f"The file is not an answer Bundle of this service{why}."
        raise Rejected((Problem(ProblemKind.NOT_JSON, "", "something else", "an answer Bundle", sentence),)) from None
    print(text, end="")
    return DIFFERENT if doubtful else ANSWERED


def _replay(chosen: argparse.Namespace) -> int:
    # Only this command needs the signature library, and a page to compare.
    from ebbmark.audit.comparison import ReplayOutcome
    from ebbmark.use_cases.replay import replay_files
    from ebbmark.use_cases.replay_exchange import Inputs, text_of
    from ebbmark.views.sheet import report_pdf

    keys = _bytes_of(chosen.keys) if chosen.keys else None
    answer = _bytes_of(chosen.file)
    from_record = chosen.inputs == "record"
    inputs: bytes | Inputs = _serving().inputs_from_record(answer) if from_record else _bytes_of(chosen.inputs)
    told = replay_files(
        answer, inputs, keys=keys, context=_context(), render=lambda one, at_s: report_pdf(one, recorded_s=at_s)
    )
    if chosen.format == "fhir":
        print(msgspec.json.format(msgspec.json.encode(told.parameters), indent=2).decode())
    else:
        print(text_of(told), end="")
    if told.doubtful:
        return DIFFERENT
    outcomes = {ReplayOutcome.WITHIN_ROUNDING: WITHIN_ROUNDING, ReplayOutcome.DIFFERENT: DIFFERENT}
    return ANSWERED if told.outcome.same else outcomes.get(told.outcome.outcome, INPUTS_AMENDED)


def _bytes_of(file: str) -> bytes:
    if file == "-":
        return sys.stdin.buffer.read()
    try:
        return Path(file).read_bytes()
    except OSError as error:
        print(f"{file}: {error.strerror}", file=sys.stderr)
        raise SystemExit(USAGE) from None


def _serving() -> ModuleType:
    """What needs the web framework or the record: it takes a while to load, and other commands start without it."""
    gc.disable()
    import ebbmark.serving

    gc.freeze()
    gc.enable()
    return ebbmark.serving


def _serve(chosen: argparse.Namespace) -> int:
    _serving().serve(host=chosen.host, port=chosen.port, demo=chosen.demo)
    return ANSWERED


def _bridge(_: argparse.Namespace) -> int:
    _serving().bridge()
    return ANSWERED


def _new_key(chosen: argparse.Namespace) -> int:
    from ebbmark.keys import new_key_set
    from ebbmark.web.launch.session import new_cookie_key_set

    # A secret: keep it in a file that only the service can read, and name the file in EBBMARK_SIGNING_KEYS, or in
    # EBBMARK_COOKIE_KEYS.
    made = new_cookie_key_set() if chosen.algorithm == "A256GCM" else new_key_set(chosen.algorithm)
    print(msgspec.json.encode(made).decode())
    return ANSWERED


def _style() -> str:
    from ebbmark.web.theme import STYLE

    return STYLE.body.decode()


def _export(folder: Path, **chosen: object) -> Exported | None:
    exported: Exported | None = _serving().export_record(folder, **chosen)
    return exported


def _openapi(_: argparse.Namespace) -> int:
    from ebbmark.settings import Settings
    from ebbmark.web.app import create_app

    document = create_app(Settings.model_construct()).openapi()
    print(msgspec.json.format(msgspec.json.encode(document), indent=2).decode())
    return ANSWERED
