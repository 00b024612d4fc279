"""The report as PDF: A4, tagged for readers that speak, no type below 9 pt, the same bytes on every machine.

Typeset by typst with the typefaces it brings along, from a template that gets every text as a value. Nothing is cut:
what is more than a sheet holds flows on to the next. Whose it is stands on every sheet; without a name there is a place
for the label of the ward. References, codes and reasons repeat what a request holds, which may be anything: a character
that the typeface does not have is named by its code point, and no word leaves the page.
"""

from __future__ import annotations

import re
import unicodedata
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import UTC, datetime
from importlib.resources import files
from typing import Final, Literal

import msgspec

from ebbmark.fhir.answer import Amount, Answer, Coded, Truth, Value, in_words
from ebbmark.fhir.operations import BY_SLUG
from ebbmark.fhir.times import instant
from ebbmark.fhir.writing.account import TextTable, patient_table, step_table, what_if_remarks, what_if_table
from ebbmark.fhir.writing.flat_answer import FlatAnswer, view_of
from ebbmark.fhir.writing.identity import UNNAMED_PATIENT
from ebbmark.fhir.writing.sentences import curve_sentence, protocol_rule
from ebbmark.fhir.writing.terms import words_of
from ebbmark.physiology.advice import Severity
from ebbmark.views.figure import figure_of
from ebbmark.views.figure_words import PRELIMINARY, alternative_text
from ebbmark.views.panels import Aspect
from ebbmark.views.picture import draw
from ebbmark.words.before_in_short import settings_words
from ebbmark.words.messages import say, section

_say = section("sheet")

ReportPart = Literal["answer", "everything"]
"""The two documents of a titration: the answer on one sheet, and everything behind it, for the auditor."""

FIGURE = Aspect(
    width_in=6.4, axis_in=0.56, beside_in=1.72, curve_in=1.6, bars_in=0.6, text_pt=9.0, small_pt=9.0, alone=False
)
LOW_FIGURE = replace(FIGURE, curve_in=1.3, bars_in=0.45)
"""The figure on the sheet, lower where there are rows of vital signs. Its type is that of the sheet."""


@dataclass(frozen=True, slots=True)
class PatientLabel:
    """Whose sheet it is: asked for where a person prints it, and kept nowhere."""

    name: str
    born: str
    number: str


def report_pdf(
    answer: Answer,
    *,
    recorded_s: float,
    label: PatientLabel | None = None,
    parts: Sequence[ReportPart] = ("answer", "everything"),
) -> bytes:
    """Typeset the answer on A4: a titration on the first sheet, everything else behind it; always the same bytes.

    Args:
        recorded_s: when the answer is recorded, and the date of the document [s since 1970-01-01T00:00:00Z].
        label: whose sheet it is; None leaves a place for the label of the ward.
        parts: of a titration, which of its two documents; any other answer has one.
    """
    recorded = datetime.fromtimestamp(int(recorded_s), UTC)
    template, values = "question.typ", _question_values
    if answer.titrated is not None:
        template, values = "sheet.typ", _titration_values
    date = {name: getattr(recorded, name) for name in ("year", "month", "day", "hour", "minute", "second")}
    whose = None if label is None else {name: settable(value) for name, value in asdict(label).items()}
    shown = {name: _settable(value) for name, value in values(answer, recorded_s).items()}
    if answer.titrated is not None:
        figure = figure_of(answer)
        shown["figure"] = draw(figure, aspect=LOW_FIGURE if figure.vital_signs else FIGURE).decode()
    shown |= {"date": date, "label": whose, "parts": list(parts)}
    return typeset(files("ebbmark.views").joinpath(template).read_bytes(), shown, written_s=int(recorded_s))


def typeset(template: bytes, shown: Mapping[str, object], *, written_s: int) -> bytes:
    """Typeset values as a tagged PDF, from a template that reads `sys.inputs.data`; the same bytes on every machine."""
    # Loaded with the first report: most commands never need it.
    import typst

    made = typst.compile(
        template,
        ignore_system_fonts=True,
        format="pdf",
        sys_inputs={"data": msgspec.json.encode(shown).decode()},
        pdf_standards=["ua-1"],
        timestamp=written_s,
    )
    return bytes(made)


def _question_values(answer: Answer, recorded_s: float) -> dict[str, object]:
    """Everything that the report on a question says."""
    start_s, end_s = answer.span_s
    return {
        **_shared(answer),
        "title": BY_SLUG[answer.operation].title,
        "who": [
            *_patient(answer),
            [_say("looks"), _say("to", moment=_moment(start_s), moment_2=_moment(end_s))],
            ["Written", _moment(recorded_s)],
        ],
        "said": [*answer.said, *answer.always],
        "warnings": [f"{warning.severity or _say('not-graded')}: {warning.text}" for warning in answer.warnings],
        "statements": [
            [words_of(statement.code), _value(statement.value), statement.note] for statement in answer.statements
        ],
        "plan": [f"{step.number}: {settings_words(step)}" for step in answer.plan.steps] if answer.plan else [],
        "rules": [rule.sentence for rule in answer.rules],
        "trace": _trace(answer),
    }


def _shared(answer: Answer) -> dict[str, object]:
    """What both templates say; the head of the line is the largest thing on the sheet."""
    short = answer.short
    return {
        "footer": _say("ebbmark-answer", engine_version=answer.engine_version, identity=answer.identity[:16]),
        "standing": say(PRELIMINARY),
        "head": f"{short.head}.",
        "rest": " ".join(one for one in (short.sure, short.against) if one),
        "reasons_in_short": list(short.reasons),
        "reasons": list(_reasons(answer)),
    }


def _trace(answer: Answer) -> list[list[str]]:
    return [
        ["Answer", answer.identity],
        [_say("inputs-sha"), answer.input_digest],
        ["Software", _say("ebbmark", engine_version=answer.engine_version)],
    ]


def _value(value: Value | None) -> str:
    if isinstance(value, Amount):
        return in_words(value.value, value.unit)
    if isinstance(value, Coded):
        return words_of(value.code)
    if isinstance(value, Truth):
        return "yes" if value.value else "no"
    return "" if value is None else str(value.value)


ON_PAPER: Final = ("guideline-ats-2024", "guideline-esicm-2023", "trial-art-mortality", "no-trial-of-this-definition")
"""Lines of the evidence that stand on the first sheet, as a short list; each in full stands behind it."""


def _settable(value: object) -> object:
    """Every text in it as one that can be set; lists and dictionaries by what is in them."""
    if isinstance(value, str):
        return settable(value)
    if isinstance(value, list):
        return [_settable(one) for one in value]
    if isinstance(value, dict):
        return {name: _settable(one) for name, one in value.items()}
    return value


def _titration_values(answer: Answer, recorded_s: float) -> dict[str, object]:
    view = view_of(answer)
    figure = figure_of(answer)
    rules = protocol_rule(answer.request.protocol).sentence
    cautions = [{"severity": caution.severity, "text": caution.text} for caution in view.cautions]
    return {
        **_shared(answer),
        "title": _say("title"),
        "who": [*_who(answer), ["Written", _moment(recorded_s)]],
        "chosen": next((statement.note for statement in answer.statements if statement.code == "chosen-peep"), ""),
        "rationale": view.rationale,
        "figure_in_words": alternative_text(figure),
        "curve": curve_sentence(answer.titration.trial),
        "steps": _table(step_table(view.steps)),
        "patient": _table(patient_table(view.steps)) if patient_table(view.steps).rows else None,
        "what_if": _table(what_if_table(view.what_if)) if view.what_if else None,
        "what_if_remarks": list(what_if_remarks(view.what_if)),
        "targets": list(_targets(view)),
        "cautions": [caution for caution in cautions if caution["severity"] != Severity.LOW.value],
        "no_cautions": _say("no-cautions"),
        "low_cautions": [caution for caution in cautions if caution["severity"] == Severity.LOW.value],
        "everything": _say("everything"),
        "decision": [_say(f"{name}") for name in ("decided", "not-now", "by", "when")],
        "evidence": [say(f"evidence-line.{slug}") for slug in ON_PAPER],
        "general": [line for line in view.general if line != rules],
        "inputs": _inputs(answer),
        "trace": [*_trace(answer), ["Rules", rules.removeprefix("Rules: ")]],
    }


def _who(answer: Answer) -> Iterator[list[str]]:
    person = answer.request.known_person
    yield from _patient(answer)
    # At the trial and not now, so that a replay gives the same page.
    if person.age_at_trial_years is not None:
        yield ["Age", _say("years", age_at_trial_years=f"{person.age_at_trial_years:.0f}")]
    steps = answer.titration.trial.steps
    yield [
        "Trial",
        _say("to", moment=_moment(min(s.start_s for s in steps)), moment_2=_moment(max(s.end_s for s in steps))),
    ]


def _patient(answer: Answer) -> Iterator[list[str]]:
    yield ["Patient", answer.request.subject or say(UNNAMED_PATIENT)]
    if answer.request.encounter:
        yield ["Encounter", answer.request.encounter]


def _moment(seconds: float) -> str:
    return instant(seconds).replace("T", " ").replace("Z", " UTC")


def _targets(answer: FlatAnswer) -> Iterator[str]:
    if answer.predicted_body_weight_kg is not None:
        yield _say(
            "predicted-body-weight",
            predicted_body_weight_kg=f"{answer.predicted_body_weight_kg:.1f}",
            weight_remark=answer.weight_remark,
        )
    if answer.tidal_volume_ml is not None:
        ladder = ", ".join(_say("kg", rung=rung, volume=f"{volume:.0f}") for rung, volume in answer.ladder_ml.items())
        yield _say("tidal-volume-target", tidal_volume_ml=f"{answer.tidal_volume_ml:.0f}", ladder=ladder)


def _inputs(answer: Answer) -> str:
    request, trial = answer.request, answer.titration.trial
    used = set(request.known_person.sources)
    used.update(source for step in trial.steps for source in step.sources)
    used.update(source for step in trial.steps for sample in step.samples for source in sample.sources)
    used.update(reading.source for reading in trial.context.values())
    said = _say("inputs-could-read", count=len(used), count_2=len(request.sources))
    if request.preliminary_inputs:
        said += _say("some-them-are")
    if answer.ignored:
        return _say("left-out-wholly", said=said)
    return _say("none-left-out", said=said)


def _reasons(answer: Answer) -> Iterator[str]:
    counted = Counter(ignored.reason for ignored in answer.ignored)
    for reason, count in counted.most_common():
        yield f"{count} × {reason}"
    yield from answer.request.notes


def _table(table: TextTable) -> dict[str, object]:
    """The table without columns in which nothing is known."""
    known = [
        column for column in range(len(table.heads)) if any(row[column].strip(" ()to-") for row in table.rows)
    ] or list(range(len(table.heads)))
    return {
        "heads": [table.heads[column] for column in known],
        "units": [table.units[column] for column in known],
        "rows": [[row[column] for column in known] for row in table.rows],
    }


_COVERED = (
    (0x20, 0x7E),
    (0xA0, 0x24F),
    (0x370, 0x3FF),
    (0x400, 0x45F),
    (0x2010, 0x2027),
    (0x2030, 0x203E),
    (0x2070, 0x209F),
    (0x20A0, 0x20BF),
    (0x2190, 0x22FF),
)
"""First and last code point of what the typeface has in full: Latin, Greek, Cyrillic, punctuation, signs."""

_VISIBLE = frozenset("LNPSZ")
"""Kinds of characters that are seen and stand alone: neither controls nor marks set over others."""

MOST_CHARACTERS = 1500
"""Of one text; the longest sentence of our own is far shorter."""

LONGEST_WORD = 80
_PIECE = 40
_BREAK = "\u200b"
"""A place at which a line may be broken, without width."""


def settable(text: str) -> str:
    """The text on one line, every character of it one that the typeface has."""
    composed = " ".join(unicodedata.normalize("NFC", text).split())
    kept = composed[:MOST_CHARACTERS]
    shown = "".join(character if _is_covered(character) else f"[U+{ord(character):04X}]" for character in kept)
    shown = re.sub(rf"\S{{{LONGEST_WORD},}}", _broken, shown)
    left_out = len(composed) - len(kept)
    return _say("more-characters", shown=shown, left_out=left_out) if left_out else shown


def _is_covered(character: str) -> bool:
    if unicodedata.category(character)[0] not in _VISIBLE:
        return False
    return any(first <= ord(character) <= last for first, last in _COVERED)


def _broken(word: re.Match[str]) -> str:
    return _BREAK.join(word[0][start : start + _PIECE] for start in range(0, len(word[0]), _PIECE))
