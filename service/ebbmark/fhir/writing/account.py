"""An answer as text at a terminal, each number with its unit; its tables of steps and margins, for paper too."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from textwrap import wrap
from typing import Final

import msgspec

from ebbmark.fhir.naming import operation_url
from ebbmark.fhir.problems import Ignored, Problem, each_once
from ebbmark.fhir.writing.flat_answer import FlatAnswer, Issue, StepRow, WhatIfRow, layers_of, read_answer
from ebbmark.fhir.writing.normal_form import NotAnAnswer, resources_of
from ebbmark.words.messages import level, percent, section

_say = section("account")

WIDTH = 100
MOST_NAMED = 3
"""Inputs named per reason; the Bundle names them all."""


def account(answer: FlatAnswer, *, remarks: Sequence[str] = ()) -> str:
    """The answer as text, remarks of the caller first."""
    return _text(remarks, _lines(answer))


def refusal_text(problems: Sequence[Problem], ignored: Sequence[Ignored]) -> str:
    """A refusal as text: every problem, and what did not count, each reason once with its places."""
    lines = []
    for one, more in each_once(problems):
        place = _say("more", expression=one.expression, more=more) if more else one.expression
        lines.append(f"{one.sentence} [{place}]" if place else one.sentence)
    told = {problem.sentence.removeprefix(f"{problem.expression}: ") for problem in problems}
    left = [Issue("", one.reason, one.path) for one in ignored if one.reason not in told]
    if left:
        lines += ["", _say("what-not-used"), *_issues(left)]
    return "\n".join(lines)


class _Number(msgspec.Struct):
    value: float
    unit: str = ""


class _Worded(msgspec.Struct):
    text: str = ""


class _Narrative(msgspec.Struct):
    div: str = ""


class _Issue(msgspec.Struct):
    severity: str = ""
    details: _Worded = msgspec.field(default_factory=_Worded)
    expression: list[str] = []


class _Resource(msgspec.Struct, rename="camel"):
    resource_type: str
    module_uri: str = ""
    text: _Narrative = msgspec.field(default_factory=_Narrative)
    request_identifier: dict[str, str] = {}
    title: str = ""
    description: str = ""
    code: _Worded = msgspec.field(default_factory=_Worded)
    note: list[_Worded] = []
    value_quantity: _Number | None = None
    value_codeable_concept: _Worded | None = None
    value_boolean: bool | None = None
    value_integer: int | None = None
    severity: str = ""
    detail: str = ""
    issue: list[_Issue] = []


def answer_text(bundle: Mapping[str, object], *, remarks: Sequence[str] = ()) -> str:
    """The answer to any question as text; raises NotAnAnswer where it is none of this service."""
    try:
        resources = [msgspec.convert(one, _Resource) for _, one in resources_of(bundle)]
    except msgspec.ValidationError as error:
        raise NotAnAnswer("a result, or an element of one, is missing or of another type") from error
    guidance = next((resource for resource in resources if resource.resource_type == "GuidanceResponse"), None)
    if guidance is None or guidance.module_uri == operation_url("titrate-peep"):
        return account(read_answer(bundle), remarks=remarks)
    return _text(remarks, _of_question(guidance, resources))


def _of_question(guidance: _Resource, resources: Sequence[_Resource]) -> Iterator[str]:
    yield from _short(layers_of(guidance.text.div))
    yield from _heading("Answer")
    yield from _items(note.text for note in guidance.note)
    for title, kind, told in (
        (_say("warnings-patient"), "DetectedIssue", lambda one: f"{one.severity or _say('not-graded')}: {one.detail}"),
        ("Plan", "CarePlan", lambda one: f"{one.title}. {one.description}"),
        (_say("what-found"), "Observation", _found),
    ):
        of_kind = [resource for resource in resources if resource.resource_type == kind]
        if of_kind:
            yield from _heading(title)
        yield from _items(map(told, of_kind))
    issues = [one for each in resources if each.resource_type == "OperationOutcome" for one in each.issue]
    yield from _heading(_say("how-input-read"))
    yield from _issues([Issue(issue.severity, issue.details.text, (issue.expression or [""])[0]) for issue in issues])
    yield ""
    yield _say("ebbmark-answer", get=guidance.request_identifier.get("value", "")[:16])


def _short(layers: Sequence[str]) -> Iterator[str]:
    """The line, and the reasons below it."""
    for line in layers[:1]:
        yield from wrap(line, WIDTH)
    yield from _items(layers[1:])


def _found(one: _Resource) -> str:
    """One Observation: what it is, its value and its remark."""
    value = ""
    if one.value_quantity is not None:
        value = f": {one.value_quantity.value:g} {one.value_quantity.unit}".removesuffix(" 1")
    elif one.value_codeable_concept is not None:
        value = f": {one.value_codeable_concept.text}"
    elif one.value_boolean is not None:
        value = ": yes" if one.value_boolean else ": no"
    elif one.value_integer is not None:
        value = f": {one.value_integer}"
    return " ".join([f"{one.code.text}{value}.", *[note.text for note in one.note]])


def _text(remarks: Sequence[str], lines: Iterator[str]) -> str:
    return "\n".join((*(line for remark in remarks for line in wrap(remark, WIDTH)), *lines)) + "\n"


def _lines(answer: FlatAnswer) -> Iterator[str]:
    suggested = answer.suggested_peep_cmh2o
    if suggested is not None and answer.line and level(suggested) not in re.findall(r"[\d.]*\d", answer.line):
        # Somebody changed one of the two: a line that is believed would hide it.
        yield from wrap(_say("line-differs", value=level(suggested)), WIDTH)
    yield from _short([answer.line, *answer.reasons])
    yield from _heading("Targets")
    yield _say("predicted-body-weight", unit=_unit(answer.predicted_body_weight_kg, "kg", 1))
    yield _say("tidal-volume-target", unit=_unit(answer.tidal_volume_ml, "mL", 0))
    ladder = ", ".join(_say("kg", rung=rung, volume=f"{volume:.0f}") for rung, volume in answer.ladder_ml.items())
    yield from wrap(_say("tidal-volume-ladder", ladder=ladder), WIDTH)
    yield from wrap(answer.weight_remark, WIDTH)
    yield from _heading(_say("steps-decremental-limb"))
    yield from _table(step_table(answer.steps))
    patient = patient_table(answer.steps)
    if patient.rows:
        yield from _heading(_say("patient-each-step"))
        yield from _table(patient)
    yield from _heading(_say("closing-pressure"))
    yield from wrap(answer.closing_remark, WIDTH)
    yield from _heading(_say("suggested-peep"))
    if suggested is None:
        yield "none"
    else:
        yield _say("preliminary-licensed-clinician", suggested_peep_cmh2o=f"{answer.suggested_peep_cmh2o:g}")
    yield from wrap(answer.rationale, WIDTH)
    if answer.what_if:
        yield from _heading(_say("what-if"))
        yield from _table(what_if_table(answer.what_if))
        yield from _items(what_if_remarks(answer.what_if))
    if answer.cautions:
        yield from _heading(_say("cautions-patient"))
        yield from _items(f"{caution.severity}: {caution.text}" for caution in answer.cautions)
    yield from _heading(_say("true-every-such"))
    yield from _items(answer.general)
    if answer.issues:
        yield from _heading(_say("how-input-read"))
        yield from _issues(answer.issues)
    yield ""
    yield _say("software-answer", software=answer.software, identity=answer.identity[:16])


def _issues(issues: Sequence[Issue]) -> Iterator[str]:
    """Each reason once, with the inputs that it holds for."""
    for text, places in places_by_text(issues).items():
        named = [place for place in places if place]
        more = _say("and-more", count=len(named) - MOST_NAMED) if len(named) > MOST_NAMED else ""
        yield from _items([f"{text} [{', '.join(named[:MOST_NAMED])}{more}]" if named else text])


def _heading(text: str) -> Iterator[str]:
    yield ""
    yield text
    yield "-" * len(text)


def _items(texts: Iterable[str]) -> Iterator[str]:
    for text in texts:
        yield from wrap(text, WIDTH, initial_indent="- ", subsequent_indent="  ")


def _table(table: TextTable) -> Iterator[str]:
    rows = (table.heads, table.units, *table.rows)
    widths = [max(len(cell) for cell in column) for column in zip(*rows, strict=True)]
    for row in rows:
        yield "  ".join(cell.rjust(width) for cell, width in zip(row, widths, strict=True)).rstrip()


def _unit(value: float | None, unit: str, decimals: int) -> str:
    return _say("not-known") if value is None else f"{value:.{decimals}f} {unit}"


ABSENT = "-"
"""What stands where a value is not known."""


@dataclass(frozen=True, slots=True)
class TextTable:
    """Cells as text; one unit per column, empty where there is none."""

    heads: tuple[str, ...]
    units: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


_Column = tuple[str, str, str, int | None]
"""Head, unit, field and decimals."""

_PEEP: Final[_Column] = ("PEEP", "cmH2O", "peep_cmh2o", None)
_MECHANICS: Final[tuple[_Column, ...]] = (
    ("VT", "mL", "tidal_volume_ml", 0),
    ("plateau", "cmH2O", "plateau_cmh2o", 1),
    ("peak", "cmH2O", "peak_cmh2o", 1),
    ("driving", "cmH2O", "driving_pressure_cmh2o", 1),
)
_PATIENT: Final[tuple[_Column, ...]] = (
    ("SpO2", "%", "spo2_percent", 0),
    ("MAP", "mmHg", "mean_arterial_pressure_mmhg", 0),
    ("lowest", "mmHg", "least_mean_arterial_pressure_mmhg", 0),
    ("systolic", "mmHg", "systolic_pressure_mmhg", 0),
    ("heart rate", "/min", "heart_rate_per_min", 0),
    ("end-tidal CO2", "mmHg", "end_tidal_co2_mmhg", 0),
    ("PaCO2", "mmHg", "paco2_mmhg", 0),
    ("FiO2", "%", "fio2_percent", 0),
    ("measured PEEP", "cmH2O", "measured_peep_cmh2o", 1),
    ("total PEEP", "cmH2O", "total_peep_cmh2o", 1),
    ("rate set", "/min", "rate_set_per_min", 0),
    ("rate", "/min", "rate_per_min", 0),
    ("spontaneous", "/min", "spontaneous_rate_per_min", 0),
    ("inspired", "mL", "inspired_ml", 0),
    ("expired", "mL", "expired_ml", 0),
    ("age", "s", "oldest_vital_sign_s", 0),
)

_WHAT_IF: Final[tuple[_Column, ...]] = (
    ("margin", "cmH2O", "margin_cmh2o", None),
    _PEEP,
    ("VT", "mL/kg", "tidal_volume_ml_per_kg", None),
    ("VT", "mL", "tidal_volume_ml", 0),
    ("compliance", "mL/cmH2O", "compliance_ml_per_cmh2o", 1),
    ("driving", "cmH2O", "driving_pressure_cmh2o", 1),
    ("plateau", "cmH2O", "plateau_cmh2o", 1),
    ("power", "J/min", "mechanical_power_j_per_min", 1),
)


def step_table(steps: Sequence[StepRow]) -> TextTable:
    """The steps of the limb, highest PEEP first."""
    compliance = ("compliance", "mL/cmH2O", "compliance_ml_per_cmh2o", 1)
    table = _table_of(steps, (_PEEP, ("readings", "", "readings", 0), *_MECHANICS, compliance))
    return TextTable(
        (*table.heads, _say("expected-band"), _say("closing-here")),
        (*table.units, "mL/cmH2O", "probability"),
        tuple(
            (*row, _band(step), ABSENT if step.probability is None else percent(step.probability))
            for row, step in zip(table.rows, steps, strict=True)
        ),
    )


def _band(step: StepRow) -> str:
    return _say(
        "to",
        fitted_ml_per_cmh2o=plain(step.fitted_ml_per_cmh2o, 1),
        fitted_low_ml_per_cmh2o=plain(step.fitted_low_ml_per_cmh2o, 1),
        fitted_high_ml_per_cmh2o=plain(step.fitted_high_ml_per_cmh2o, 1),
    )


def patient_table(steps: Sequence[StepRow]) -> TextTable:
    """The patient at each step: last values, and the age of the oldest vital sign; columns without a value left out."""
    return _charted(steps, _PATIENT)


def charted_table(steps: Sequence[StepRow]) -> TextTable:
    """Ventilator and patient at each step, beside a table that has compliance; columns without a value left out."""
    return _charted(steps, (*_MECHANICS, *_PATIENT))


def _charted(steps: Sequence[StepRow], wanted: Sequence[_Column]) -> TextTable:
    columns = [column for column in wanted if any(getattr(step, column[2]) is not None for step in steps)]
    return _table_of(steps if columns else (), (_PEEP, *columns))


def what_if_table(rows: Sequence[WhatIfRow]) -> TextTable:
    """What each margin would mean, the smallest first."""
    return _table_of(rows, _WHAT_IF)


def _table_of(rows: Sequence[StepRow | WhatIfRow], columns: Sequence[_Column]) -> TextTable:
    return TextTable(
        tuple(head for head, _, _, _ in columns),
        tuple(unit for _, unit, _, _ in columns),
        tuple(tuple(plain(getattr(row, name), places) for _, _, name, places in columns) for row in rows),
    )


def what_if_remarks(rows: Sequence[WhatIfRow]) -> Iterator[str]:
    """What the limits say of each margin: each remark once, with the pressures that it holds for."""
    by_remark: dict[str, list[str]] = {}
    for row in rows:
        by_remark.setdefault(row.remark, []).append(plain(row.peep_cmh2o, None))
    for remark, peeps in by_remark.items():
        yield _say("levels-remark", listed=", ".join(peeps), remark=remark)


def places_by_text(issues: Sequence[Issue]) -> dict[str, list[str]]:
    """Each reason once, with every place that it holds for (empty where it has none)."""
    by_text: dict[str, list[str]] = {}
    for issue in issues:
        by_text.setdefault(issue.text, []).append(issue.place)
    return by_text


def plain(value: float | None, decimals: int | None) -> str:
    """A number for a cell, with as many decimals as it has where none are asked for."""
    if value is None:
        return ABSENT
    return f"{value:g}" if decimals is None else f"{value:.{decimals}f}"
