"""What does the one-page report say? Every value and sentence of it, as plain data for the typesetter.

Nothing is worded twice: what the answer Bundle says is read back from it, and the rest comes from where it is said.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping

from ebbmark.fhir.recommendation import Recommendation
from ebbmark.fhir.writing.answer import Answer, read_answer
from ebbmark.fhir.writing.frame import UNNAMED_PATIENT
from ebbmark.fhir.writing.instants import instant
from ebbmark.fhir.writing.sentences import curve_sentence, protocol_sentence
from ebbmark.fhir.writing.tables import Table, plain, step_table, what_if_table
from ebbmark.fhir.writing.write import write_bundle
from ebbmark.views.content import figure_of
from ebbmark.views.settable import settable
from ebbmark.views.words import PRELIMINARY, alternative_text, suggestion_sentence

__all__ = ["Values", "sheet_values"]

Values = Mapping[str, object]

TITLE = "Decremental PEEP trial: closing pressure and what follows"

IDENTITY_REMARK = "Name and birth date are not on this sheet: it knows the patient by reference alone."


def sheet_values(recommendation: Recommendation, *, recorded_s: float) -> Values:
    """Everything the sheet says.

    Args:
        recommendation: the answer.
        recorded_s: when the answer is recorded [s since 1970-01-01T00:00:00Z].
    """
    return {name: _settable(value) for name, value in _values(recommendation, recorded_s).items()}


def _settable(value: object) -> object:
    """Every text in it as one that can be set; lists and dictionaries by what is in them."""
    if isinstance(value, str):
        return settable(value)
    if isinstance(value, list):
        return [_settable(one) for one in value]
    if isinstance(value, dict):
        return {name: _settable(one) for name, one in value.items()}
    return value


def _values(recommendation: Recommendation, recorded_s: float) -> dict[str, object]:
    answer = read_answer(write_bundle(recommendation, recorded_s=recorded_s))
    figure = figure_of(recommendation)
    rules = protocol_sentence(recommendation.request)
    return {
        "title": TITLE,
        "footer": f"Ebbmark {recommendation.engine_version}, answer {recommendation.identity[:16]}",
        "standing": PRELIMINARY,
        "who": [*_who(recommendation), ["Written", _moment(recorded_s)]],
        "identity_remark": IDENTITY_REMARK,
        "suggestion": suggestion_sentence(figure),
        "rationale": answer.rationale,
        "figure_in_words": alternative_text(figure),
        "curve": curve_sentence(recommendation.trial),
        "steps": _table(step_table(answer.steps)),
        "what_if": _table(what_if_table(answer.what_if)) if answer.what_if else None,
        "what_if_remarks": list(_what_if_remarks(answer)),
        "targets": list(_targets(answer)),
        "cautions": [{"severity": caution.severity, "text": caution.text} for caution in answer.cautions],
        "general": [line for line in answer.general if line != rules],
        "inputs": _inputs(recommendation),
        "reasons": list(_reasons(recommendation)),
        "trace": [
            ["Answer", recommendation.identity],
            ["Inputs (SHA-256)", recommendation.input_digest],
            ["Software", f"Ebbmark {recommendation.engine_version}"],
            ["Rules", rules.removeprefix("Rules: ")],
        ],
    }


def _who(recommendation: Recommendation) -> Iterator[list[str]]:
    person, request = recommendation.request.known_person, recommendation.request
    yield ["Patient", person.reference or UNNAMED_PATIENT]
    if request.encounter:
        yield ["Encounter", request.encounter]
    # At the trial and not now, so that a replay gives the same page.
    if person.age_at_trial_years is not None:
        yield ["Age", f"{person.age_at_trial_years:.0f} years"]
    steps = recommendation.trial.steps
    yield ["Trial", f"{_moment(min(s.start_s for s in steps))} to {_moment(max(s.end_s for s in steps))}"]


def _moment(seconds: float) -> str:
    return instant(seconds).replace("T", " ").replace("Z", " UTC")


def _what_if_remarks(answer: Answer) -> Iterator[str]:
    """Each remark once, with the pressures that it holds for."""
    by_remark: dict[str, list[str]] = {}
    for row in answer.what_if:
        by_remark.setdefault(row.remark, []).append(plain(row.peep_cmh2o, None))
    for remark, peeps in by_remark.items():
        yield f"{', '.join(peeps)} cmH2O: {remark}"


def _targets(answer: Answer) -> Iterator[str]:
    if answer.predicted_body_weight_kg is not None:
        yield f"Predicted body weight {answer.predicted_body_weight_kg:.1f} kg. {answer.weight_remark}"
    if answer.tidal_volume_ml is not None:
        ladder = ", ".join(f"{rung} mL/kg {volume:.0f} mL" for rung, volume in answer.ladder_ml.items())
        yield f"Tidal volume target {answer.tidal_volume_ml:.0f} mL. Ladder: {ladder}."


def _inputs(recommendation: Recommendation) -> str:
    request, trial = recommendation.request, recommendation.trial
    used = set(request.known_person.sources)
    used.update(source for step in trial.steps for source in step.sources)
    used.update(source for step in trial.steps for sample in step.samples for source in sample.sources)
    used.update(reading.source for reading in trial.context.values())
    said = f"{len(used)} of {len(request.sources)} inputs that could be read carry this answer."
    if request.preliminary_inputs:
        said += " Some of them are preliminary."
    if recommendation.ignored:
        return f"{said} Left out, wholly or in part:"
    return f"{said} None was left out."


def _reasons(recommendation: Recommendation) -> Iterator[str]:
    counted = Counter(ignored.reason for ignored in recommendation.ignored)
    for reason, count in counted.most_common():
        yield f"{count} × {reason}"
    yield from recommendation.request.notes


def _table(table: Table) -> dict[str, object]:
    """The table without columns in which nothing is known."""
    known = [
        column for column in range(len(table.heads)) if any(row[column].strip(" ()to-") for row in table.rows)
    ] or list(range(len(table.heads)))
    return {
        "heads": [table.heads[column] for column in known],
        "units": [table.units[column] for column in known],
        "rows": [[row[column] for column in known] for row in table.rows],
    }
