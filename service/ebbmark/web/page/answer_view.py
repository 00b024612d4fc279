"""What the page says of one answer: words, tables and the figure, in the order in which people need them.

The drawings stand in the page itself and not under addresses of their own: an image that was asked for separately
could be drawn from newer readings than the words around it, and would have the record read once more.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import tzinfo
from typing import Final

from ebbmark.fhir.answer import Answer, Truth
from ebbmark.fhir.problems import ProblemKind, Rejected
from ebbmark.fhir.writing.account import TextTable, charted_table, places_by_text, what_if_remarks, what_if_table
from ebbmark.fhir.writing.flat_answer import FlatAnswer, view_of
from ebbmark.fhir.writing.sentences import protocol_rule
from ebbmark.physiology.advice import Caution, Severity
from ebbmark.physiology.closing.result import Closing, Verdict
from ebbmark.physiology.readings import Quantity, Reading
from ebbmark.physiology.what_if import WhatIf
from ebbmark.web.page.words import ago, clock, in_clinical_words, span
from ebbmark.words.messages import InShort, level, percent, say

_OLD_S: Final = 12 * 3600.0
"""A trial that ended longer ago is marked as old [s]; this project's own choice, no published source."""


@dataclass(frozen=True, slots=True)
class InputLine:
    """One input that was read: its reference, when, the values, and the numbers of the remarks that hold for it."""

    reference: str
    when: str
    values: str
    remarks: str


@dataclass(frozen=True, slots=True)
class Inputs:
    """Inputs that hold the same quantities: what these are, with their units, and one line for each input."""

    read: str
    lines: tuple[InputLine, ...]


@dataclass(frozen=True, slots=True)
class Remark:
    """One reason, and where it holds beside the inputs that were read, which bear its number."""

    text: str
    places: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class AnswerView:
    """One answer.

    Attributes:
        margins: the PEEP of each margin of the protocol with what is expected there; empty without a suggestion.
        evidence: how far the curve can be trusted; empty where it allows no statement.
        general: what is true of every such trial: each source with what it says.
        what_if_remarks: what the limits say of each row.
        remarks: what did not count and how the rest was read, each reason once.
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
    evidence: str
    high: tuple[Caution, ...]
    moderate: tuple[Caution, ...]
    slight: tuple[Caution, ...]
    general: tuple[tuple[str, tuple[str, ...]], ...]
    weight: str
    weight_remark: str
    ladder: tuple[dict[str, object], ...]
    charted: TextTable
    what_if: TextTable
    what_if_remarks: tuple[str, ...]
    inputs: tuple[Inputs, ...]
    remarks: tuple[Remark, ...]
    rules: str
    trace: tuple[tuple[str, str], ...]
    identity: str


def answer_view(answer: Answer, *, now_s: float, zone: tzinfo, latest: Sequence[Reading] = ()) -> AnswerView:
    """Put an answer in words and tables; every number as it stands in the Bundle.

    Args:
        latest: readings since, where the record was asked for them.
    """
    told = view_of(answer)
    trial, advice, request = answer.titration.trial, answer.titration.advice, answer.request
    own = [caution for caution in advice.cautions if caution.of_this_patient]
    ended_s = trial.steps[-1].end_s
    issues = places_by_text(told.issues)
    inputs = _inputs(answer, issues, zone)
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
        old=say("page.trial-h-old", now_s=int((now_s - ended_s) // 3600)) if now_s - ended_s > _OLD_S else "",
        rationale=advice.rationale,
        evidence=_evidence(answer.titration.closing),
        high=tuple(one for one in own if one.severity is Severity.HIGH),
        moderate=tuple(one for one in own if one.severity is Severity.MODERATE),
        slight=tuple(one for one in own if one.severity is Severity.LOW),
        general=_by_source([caution for caution in advice.cautions if not caution.of_this_patient]),
        weight=say("page.not-known")
        if told.predicted_body_weight_kg is None
        else say("page.kg", predicted_body_weight_kg=f"{told.predicted_body_weight_kg:.1f}"),
        weight_remark=told.weight_remark,
        ladder=_ladder(told, advice.target.ml_per_kg),
        charted=charted_table(told.steps),
        what_if=what_if_table(told.what_if),
        what_if_remarks=tuple(what_if_remarks(told.what_if)),
        inputs=inputs,
        remarks=_remarks(issues, inputs),
        rules=protocol_rule(request.protocol).sentence,
        trace=(
            ("Answer", answer.identity),
            (say("page.digest-inputs-used"), answer.input_digest),
            ("Software", say("page.ebbmark", engine_version=answer.engine_version)),
        ),
        identity=answer.identity,
    )


def _set_now(readings: Sequence[Reading], now_s: float, zone: tzinfo) -> tuple[str, str]:
    known = [reading for reading in readings if reading.quantity is Quantity.PEEP_SET and reading.start_s <= now_s]
    if not known:
        return "", ""
    last = max(known, key=lambda one: one.start_s)
    return level(last.value), f"{clock(last.start_s, zone)}, {ago(last.start_s, now_s)}"


def _expected(row: WhatIf) -> str:
    expected = (
        (say("page.driving-pressure-about"), row.driving_pressure_cmh2o),
        (say("page.plateau-about"), row.plateau_cmh2o),
    )
    parts = [say("page.peep-margin", peep_cmh2o=f"{row.peep_cmh2o:g}", margin_cmh2o=f"{row.margin_cmh2o:g}")]
    return ", ".join([*parts, *[f"{name} {value:.0f} cmH2O" for name, value in expected if value is not None]])


def _ladder(told: FlatAnswer, target_per_kg: float) -> tuple[dict[str, object], ...]:
    return tuple(
        {
            "per_kg": say("page.per-kg", rung=rung),
            "volume": say("page.volume", volume=f"{volume:.0f}"),
            "target": float(rung) == target_per_kg,
        }
        for rung, volume in told.ladder_ml.items()
    )


def _evidence(closing: Closing) -> str:
    """What the line and the rationale do not say of the estimate."""
    if closing.verdict is Verdict.INDETERMINATE:
        return ""
    if closing.shape is not None:
        return say(
            "page.evidence-of-fall",
            evidence=say(f"strength.{closing.evidence.value}"),
            shape=say(f"shape.{closing.shape.value}"),
        )
    return say(
        "page.evidence", evidence=say(f"strength.{closing.evidence.value}"), probability=percent(closing.probability)
    )


def _by_source(lines: Sequence[Caution]) -> tuple[tuple[str, tuple[str, ...]], ...]:
    found: dict[str, list[str]] = {}
    for line in lines:
        found.setdefault(line.citation, []).append(line.text)
    return tuple((source, tuple(texts)) for source, texts in found.items())


def _inputs(answer: Answer, issues: Mapping[str, Sequence[str]], zone: tzinfo) -> tuple[Inputs, ...]:
    """Inputs by what they hold, in order of time; height and sex, which are no readings, stand last."""
    request = answer.request
    by_source: dict[int, list[tuple[str, str]]] = {}
    times: dict[int, float] = {}
    for reading in request.readings:
        unit = "" if reading.quantity.unit == "1" else f" [{_plain(reading.quantity.unit)}]"
        name = f"{reading.quantity.slug.replace('-', ' ')}{unit}"
        by_source.setdefault(reading.source, []).append((name, f"{round(reading.value, 2):g}"))
        times.setdefault(reading.source, reading.start_s)
    person = request.known_person
    by_source.setdefault(person.height_source, []).append((say("page.height-cm"), f"{person.height_cm:.4g}"))
    if person.sex_source is not None:
        by_source.setdefault(person.sex_source, []).append(("sex", person.sex.value))
    groups: dict[str, list[InputLine]] = {}
    for source in sorted(by_source, key=lambda source: (times.get(source, float("inf")), source)):
        named = request.sources[source]
        reference = named.reference or named.path
        line = InputLine(
            reference,
            clock(times[source], zone) if source in times else "",
            ", ".join(value for _, value in by_source[source]),
            ", ".join(str(number) for number, places in enumerate(issues.values(), 1) if reference in places),
        )
        groups.setdefault(", ".join(name for name, _ in by_source[source]), []).append(line)
    return tuple(Inputs(read, tuple(lines)) for read, lines in groups.items())


def _plain(ucum: str) -> str:
    """UCUM as people write it."""
    return ucum.replace("cm[H2O]", "cmH2O").replace("mm[Hg]", "mmHg").replace("[pH]", "").strip()


def _remarks(issues: Mapping[str, Sequence[str]], inputs: Sequence[Inputs]) -> tuple[Remark, ...]:
    read = {line.reference for group in inputs for line in group.lines}
    return tuple(
        Remark(text, tuple(place for place in places if place and place not in read)) for text, places in issues.items()
    )


_NO_SETTING: Final = "page.no-setting-after"


def validity_context(answer: Answer | Rejected, read: Answer, now_s: float) -> dict[str, object]:
    """Whether the titration still holds, for the template; in `seen` severity and text of what speaks against it.

    Args:
        answer: of `$check-validity`, or why there is none.
    """
    if isinstance(answer, Rejected):
        # Silence would look like nothing to worry about.
        ended = ago(max(step.end_s for step in read.titration.trial.steps), now_s)
        unset = answer.problems[0].kind is ProblemKind.MISSING
        why = say(_NO_SETTING) if unset else in_clinical_words(answer.problems[0])
        not_known = say("page.not-known-trial", ended=ended, why=why)
        return {"old": False, "line": not_known, "sentence": not_known, "seen": ()}
    doubt = next(statement for statement in answer.statements if statement.code == "titration-may-be-old")
    return {
        "old": isinstance(doubt.value, Truth) and doubt.value.value,
        "line": answer.short.line if answer.warnings else answer.said[0],
        "sentence": answer.said[0],
        "seen": tuple((warning.severity, warning.text) for warning in answer.warnings),
    }
