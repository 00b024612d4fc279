"""What the page says of one answer: words, tables and the figure, in the order in which people need them.

The drawings stand in the page itself and not under addresses of their own: an image that was asked for separately
could be drawn from newer readings than the words around it, and would have the record read once more.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import tzinfo
from typing import Final

from markupsafe import Markup

from ebbmark.fhir.answer import Answer
from ebbmark.fhir.writing.flat_answer import FlatAnswer, Issue, WhatIfRow, view_of
from ebbmark.fhir.writing.sentences import closing_sentence, first_sentence, protocol_sentence
from ebbmark.fhir.writing.tables import Table, patient_table, places_by_text, step_table, what_if_table
from ebbmark.physiology.advice.advice import Caution, Severity, WhatIf
from ebbmark.physiology.readings import Quantity, Reading
from ebbmark.views.figure import Figure, RunningFigure, figure_of
from ebbmark.views.figure_words import FigureTable, figure_table
from ebbmark.views.picture import inline_of, words_of
from ebbmark.web.page.words import ago, clock, span
from ebbmark.words.in_short import InShort
from ebbmark.words.numbers import level

__all__ = [
    "AnswerView",
    "Drawn",
    "FigureView",
    "InputLine",
    "Remark",
    "Rung",
    "TrialsView",
    "answer_view",
    "drawn",
    "figure_view",
    "trials_view",
]

_OLD_S: Final = 12 * 3600.0
"""A trial that ended longer ago is marked as old [s]; this project's own choice, no published source."""


@dataclass(frozen=True, slots=True)
class Rung:
    """One tidal volume of the ladder; `target` for the one that the protocol aims at."""

    per_kg: str
    volume: str
    target: bool


@dataclass(frozen=True, slots=True)
class InputLine:
    """One input that was read: its reference, when, and the values."""

    reference: str
    when: str
    values: str


@dataclass(frozen=True, slots=True)
class Remark:
    """One reason and the inputs that it holds for."""

    text: str
    places: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class AnswerView:
    """One answer.

    Attributes:
        short: the two short layers.
        set_now: the PEEP set last; empty where it is not known.
        set_when: when that was.
        margins: the PEEP of each margin of the protocol with what is expected there; empty without a suggestion.
        margin: the suggested PEEP, as in `margins`.
        when: from when to when the trial was.
        age: how long ago it ended.
        old: that it is long ago, in a sentence; empty where it is not.
        rationale: why this PEEP, or why none and what to do about it.
        closing: what the trial says about closing.
        high: cautions of this patient of high severity.
        moderate: those of moderate severity.
        slight: those of low severity.
        general: what is true of every such trial, each with its source.
        weight: predicted body weight with its unit.
        weight_remark: where it comes from.
        ladder: tidal volumes.
        steps: the step table.
        what_if: the what-if table.
        what_if_remarks: what the limits say of each row.
        inputs: every input that was read.
        remarks: what did not count and how the rest was read, each reason once.
        rules: the protocol with its citation.
        trace: what names this answer: label and value.
        identity: of the answer.
    """

    short: InShort
    set_now: str
    set_when: str
    margins: tuple[tuple[str, str], ...]
    margin: str
    when: str
    age: str
    old: str
    rationale: str
    closing: str
    high: tuple[Caution, ...]
    moderate: tuple[Caution, ...]
    slight: tuple[Caution, ...]
    general: tuple[Caution, ...]
    weight: str
    weight_remark: str
    ladder: tuple[Rung, ...]
    steps: Table
    patient: Table
    what_if: Table
    what_if_remarks: tuple[str, ...]
    inputs: tuple[InputLine, ...]
    remarks: tuple[Remark, ...]
    rules: str
    trace: tuple[tuple[str, str], ...]
    identity: str


def answer_view(answer: Answer, *, now_s: float, zone: tzinfo, latest: Sequence[Reading] = ()) -> AnswerView:
    """Put an answer in words and tables; every number as it stands in the Bundle.

    Args:
        answer: computed.
        now_s: the instant that counts as now [s since 1970-01-01T00:00:00Z].
        zone: of the site.
        latest: readings since, where the record was asked for them.
    """
    told = view_of(answer)
    trial, advice, request = answer.titration.trial, answer.titration.advice, answer.request
    own = [one for one in advice.cautions if one.of_this_patient]
    ended_s = trial.steps[-1].end_s
    set_now, set_when = _set_now([*request.readings, *latest], now_s, zone)
    return AnswerView(
        short=answer.short,
        set_now=set_now,
        set_when=set_when,
        margins=tuple((f"{row.peep_cmh2o:g}", _expected(row)) for row in advice.what_if if row.tested)
        if advice.suggested_peep_cmh2o is not None
        else (),
        margin="" if advice.suggested_peep_cmh2o is None else f"{advice.suggested_peep_cmh2o:g}",
        when=span(trial.steps[0].start_s, ended_s, zone),
        age=ago(ended_s, now_s),
        old=f"This trial is {int((now_s - ended_s) // 3600)} h old." if now_s - ended_s > _OLD_S else "",
        rationale=advice.rationale,
        closing=closing_sentence(answer.titration.closing),
        high=tuple(one for one in own if one.severity is Severity.HIGH),
        moderate=tuple(one for one in own if one.severity is Severity.MODERATE),
        slight=tuple(one for one in own if one.severity is Severity.LOW),
        general=tuple(one for one in advice.cautions if not one.of_this_patient),
        weight="not known" if told.predicted_body_weight_kg is None else f"{told.predicted_body_weight_kg:.1f} kg",
        weight_remark=told.weight_remark,
        ladder=_ladder(told, advice.target.ml_per_kg),
        steps=step_table(told.steps),
        patient=patient_table(told.steps),
        what_if=what_if_table(told.what_if),
        what_if_remarks=tuple(_what_if_remark(row) for row in told.what_if),
        inputs=_inputs(answer, zone),
        remarks=_remarks(told.issues),
        rules=protocol_sentence(request),
        trace=(
            ("Answer", answer.identity),
            ("Digest of the inputs used (SHA-256)", answer.input_digest),
            ("Software", f"Ebbmark {answer.engine_version}"),
            ("Protocol", f"{request.protocol.slug} version {request.protocol.version}"),
        ),
        identity=answer.identity,
    )


def _set_now(readings: Sequence[Reading], now_s: float, zone: tzinfo) -> tuple[str, str]:
    known = [one for one in readings if one.quantity is Quantity.PEEP_SET and one.start_s <= now_s]
    if not known:
        return "", ""
    last = max(known, key=lambda one: one.start_s)
    return level(last.value), f"{clock(last.start_s, zone)}, {ago(last.start_s, now_s)}"


def _expected(row: WhatIf) -> str:
    expected = (
        ("driving pressure about", row.driving_pressure_cmh2o),
        ("plateau about", row.plateau_cmh2o),
    )
    parts = [f"PEEP {row.peep_cmh2o:g} (margin {row.margin_cmh2o:g})"]
    return ", ".join([*parts, *[f"{name} {value:.0f}" for name, value in expected if value is not None]])


def _ladder(told: FlatAnswer, target_per_kg: float) -> tuple[Rung, ...]:
    return tuple(
        Rung(f"{rung} mL/kg", f"{volume:.0f} mL", float(rung) == target_per_kg)
        for rung, volume in told.ladder_ml.items()
    )


def _what_if_remark(row: WhatIfRow) -> str:
    return row.remark if row.peep_cmh2o is None else f"{row.peep_cmh2o:g} cmH2O: {row.remark}"


def _inputs(answer: Answer, zone: tzinfo) -> tuple[InputLine, ...]:
    """Each input with its readings; height and sex, which are no readings, stand last."""
    request = answer.request
    by_source: dict[int, list[str]] = {}
    times: dict[int, float] = {}
    for reading in request.readings:
        unit = "" if reading.quantity.unit == "1" else f" {_plain(reading.quantity.unit)}"
        by_source.setdefault(reading.source, []).append(
            f"{reading.quantity.slug.replace('-', ' ')} {round(reading.value, 2):g}{unit}"
        )
        times.setdefault(reading.source, reading.start_s)
    person = request.known_person
    by_source.setdefault(person.height_source, []).append(f"height {person.height_cm:.4g} cm")
    if person.sex_source is not None:
        by_source.setdefault(person.sex_source, []).append(f"sex {person.sex.value}")
    order = sorted(by_source, key=lambda source: (times.get(source, float("inf")), source))
    return tuple(
        InputLine(
            request.sources[source].reference or request.sources[source].path,
            clock(times[source], zone) if source in times else "",
            ", ".join(by_source[source]),
        )
        for source in order
    )


def _plain(ucum: str) -> str:
    """UCUM as people write it."""
    return ucum.replace("cm[H2O]", "cmH2O").replace("mm[Hg]", "mmHg").replace("[pH]", "").strip()


def _remarks(issues: Sequence[Issue]) -> tuple[Remark, ...]:
    found = places_by_text(issues)
    return tuple(Remark(text, tuple(place for place in places if place)) for text, places in found.items())


@dataclass(frozen=True, slots=True)
class TrialsView:
    """All trials of the record.

    Attributes:
        lead: what they say together, in one sentence.
        rest: what goes with it.
        rows: when and what, earliest first.
        changes: one sentence per pair.
    """

    lead: str
    rest: str
    rows: tuple[tuple[str, str], ...]
    changes: tuple[str, ...]


def trials_view(answer: Answer, *, zone: tzinfo) -> TrialsView:
    """Put the answer to the question about trials in words.

    Args:
        answer: of `$follow-trials`.
        zone: of the site.
    """
    trials = [one for one in answer.statements if one.code == "trial-in-record"]
    rows = tuple((span(*(one.span_s or answer.span_s), zone), one.note) for one in trials)
    changes = tuple(one.note for one in answer.statements if one.code == "change-between-trials")
    return TrialsView(*first_sentence(answer.said[0]), rows, changes)


@dataclass(frozen=True, slots=True)
class Drawn:
    """The two drawings of one figure, as parts of the page."""

    wide: Markup
    narrow: Markup


@dataclass(frozen=True, slots=True)
class FigureView:
    """The drawings and their data."""

    drawn: Drawn
    table: FigureTable


def figure_view(answer: Answer) -> FigureView:
    """Draw the figure of an answer.

    Args:
        answer: computed.
    """
    figure = figure_of(answer)
    return FigureView(drawn(figure), figure_table(figure))


def drawn(figure: Figure | RunningFigure) -> Drawn:
    """Draw a figure.

    Args:
        figure: what is drawn.
    """
    inline = inline_of(figure, words_of(figure))
    # Markup that was made here; what others wrote in it is escaped there.
    return Drawn(Markup(inline.wide), Markup(inline.narrow))  # noqa: S704
