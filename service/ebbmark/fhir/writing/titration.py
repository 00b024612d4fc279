"""A titration as an answer: its results as statements and its cautions as warnings. None of them is dated now.

Each step is one statement: the curve at that step, and the patient beside it.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from ebbmark import __version__
from ebbmark.fhir.answer import PRESSURE, VOLUME, WEIGHT, Amount, Answer, Coded, Part, Statement, Truth, Warned, Whole
from ebbmark.fhir.problems import Ignored
from ebbmark.fhir.reading.request import Request
from ebbmark.fhir.writing.identity import identity, input_digest, titration_basis
from ebbmark.fhir.writing.sentences import (
    chosen_sentence,
    closing_method,
    closing_sentence,
    curve_sentence,
    limits_rule,
    protocol_rule,
    suggestion_method,
    weight_method,
    weight_sentence,
    what_if_sentence,
)
from ebbmark.fhir.writing.terms import OWN, amount, amounts
from ebbmark.physiology.advice import Caution
from ebbmark.physiology.closing.result import Closing, StepEstimate
from ebbmark.physiology.patient.context import StepSeen
from ebbmark.physiology.patient.titration import Titration
from ebbmark.physiology.readings import Quantity
from ebbmark.physiology.trial.steps import Step
from ebbmark.physiology.what_if import WhatIf
from ebbmark.words.messages import say
from ebbmark.words.titration import in_short


def step_kind(number: int) -> str:
    """Kind of the Observation of one step, counted from the highest PEEP."""
    return f"step-{number}"


def step_statement(titration: Titration, number: int, step: Step, estimate: StepEstimate | None) -> Statement:
    """What is said of one step."""
    trial, seen = titration.trial, titration.seen
    row = seen[number - 1] if number <= len(seen) else None
    sources = list(step.sources or (source for sample in step.samples for source in sample.sources))
    rows = [
        (f"peep-{trial.peep_source}", step.peep_cmh2o),
        ("compliance-static" if trial.kind.static else "compliance-dynamic", step.compliance_ml_per_cmh2o),
        ("tidal-volume", step.tidal_volume_ml),
        ("plateau-pressure", step.plateau_cmh2o),
        ("peak-pressure", step.peak_cmh2o),
        ("driving-pressure", step.driving_pressure_cmh2o),
    ]
    if estimate is not None:
        rows += [
            ("closing-probability", estimate.probability),
            ("fitted-compliance", estimate.fitted_ml_per_cmh2o),
            ("fitted-compliance-low", estimate.fitted_low_ml_per_cmh2o),
            ("fitted-compliance-high", estimate.fitted_high_ml_per_cmh2o),
        ]
    parts = [*amounts(rows), ("readings-used", Whole(len(step.samples)))]
    if row is not None:
        sources += [source for one in row.by_quantity.values() for source in one.sources]
        parts += amounts(_patient(row, trial.peep_source))
    return Statement(
        kind=step_kind(number),
        code="peep-trial-step",
        value=None,
        sources=tuple(sources),
        parts=tuple(parts),
        span_s=(step.start_s, step.end_s),
        absent="",
    )


_SEEN: tuple[tuple[Quantity, str, float], ...] = (
    (Quantity.SPO2, "oxygen-saturation", 1.0),
    (Quantity.MEAN_ARTERIAL_PRESSURE, "mean-arterial-pressure", 1.0),
    (Quantity.SYSTOLIC_ARTERIAL_PRESSURE, "systolic-arterial-pressure", 1.0),
    (Quantity.HEART_RATE, "heart-rate", 1.0),
    (Quantity.END_TIDAL_CO2, "end-tidal-carbon-dioxide", 1.0),
    (Quantity.PACO2, "arterial-carbon-dioxide", 1.0),
    (Quantity.FIO2_SET, "oxygen-set", 100.0),
    (Quantity.FIO2_MEASURED, "oxygen-measured", 100.0),
    (Quantity.PEEP_MEASURED, "peep-measured", 1.0),
    (Quantity.PEEP_TOTAL, "total-peep", 1.0),
    (Quantity.RESPIRATORY_RATE_SET, "respiratory-rate-set", 1.0),
    (Quantity.RESPIRATORY_RATE, "respiratory-rate", 1.0),
    (Quantity.RESPIRATORY_RATE_SPONTANEOUS, "respiratory-rate-spontaneous", 1.0),
    (Quantity.PRESSURE_SUPPORT_SET, "pressure-support-set", 1.0),
    (Quantity.TIDAL_VOLUME_SET, "tidal-volume-set", 1.0),
    (Quantity.TIDAL_VOLUME_INSPIRED, "tidal-volume-inspired", 1.0),
    (Quantity.TIDAL_VOLUME_EXPIRED, "tidal-volume-expired", 1.0),
)
"""What leaves of the table of each step: the quantity, its part, and the factor to its unit."""

_VITAL = (Quantity.SPO2, Quantity.MEAN_ARTERIAL_PRESSURE, Quantity.SYSTOLIC_ARTERIAL_PRESSURE, Quantity.HEART_RATE)


def _patient(row: StepSeen, peep_source: str) -> Iterator[tuple[str, float | None]]:
    """Last values of the patient at one step, the worst of the vital signs, and the age of the oldest of these."""
    for quantity, part, factor in _SEEN:
        seen = row.by_quantity.get(quantity)
        # The steps of a limb without settings are those of measured PEEP, which stands there already.
        if seen is not None and not (quantity is Quantity.PEEP_MEASURED and peep_source == "measured"):
            yield part, factor * seen.last
    worst = zip(_VITAL, ("least-saturation", *_LOWEST, "greatest-heart-rate"), strict=True)
    for quantity, part in worst:
        seen = row.by_quantity.get(quantity)
        if seen is not None:
            yield part, seen.greatest if quantity is Quantity.HEART_RATE else seen.least
    ages = [row.by_quantity[quantity].age_s for quantity in _VITAL if quantity in row.by_quantity]
    if ages:
        yield "oldest-vital-sign-age", max(ages)


_LOWEST = ("least-mean-arterial-pressure", "least-systolic-arterial-pressure")
Span = tuple[float, float]


def titration_answer(request: Request, titration: Titration, ignored: tuple[Ignored, ...] = ()) -> Answer:
    """The titration in the one shape of every answer."""
    chosen = _chosen_peep(request, titration)
    basis, digest = titration_basis(request), input_digest(request)
    steps, cautions = titration.trial.steps, titration.advice.cautions
    span_s = (min([step.start_s for step in steps]), max([step.end_s for step in steps]))
    return Answer(
        operation="titrate-peep",
        identity=identity(basis, digest, __version__),
        input_digest=digest,
        engine_version=__version__,
        basis=basis,
        request=request,
        rules=(protocol_rule(request.protocol), *limits_rule(request.stop_limits)),
        span_s=span_s,
        short=in_short(titration.advice, titration.closing),
        said=(titration.advice.rationale, *[one.note for one in chosen]),
        statements=(*_statements(request, titration, (span_s[1], span_s[1])), *chosen),
        warnings=tuple(_warnings(cautions)),
        titrated=titration,
        ignored=ignored,
        always=tuple([with_source(caution) for caution in cautions if not caution.of_this_patient]),
    )


def with_source(caution: Caution) -> str:
    """The caution's text with where it comes from."""
    return say("result.source", text=caution.text, citation=caution.citation.rstrip("."))


def _warnings(cautions: Sequence[Caution]) -> list[Warned]:
    """The cautions found in this patient's data, each with a kind of its own even where one is said twice."""
    found: list[Warned] = []
    seen: dict[str, int] = {}
    for caution in cautions:
        if not caution.of_this_patient:
            continue
        count = seen[caution.slug] = seen.get(caution.slug, 0) + 1
        kind = f"caution-{caution.slug}" + (f"-{count}" if count > 1 else "")
        of_statements = ("closing-pressure", "suggested-peep")
        found.append(
            Warned(kind, _code(caution), caution.severity.value, with_source(caution), of_statements=of_statements)
        )
    return found


def _code(caution: Caution) -> str:
    """A condition beside the curve has the code that it has before a trial."""
    return caution.slug if caution.slug in OWN else caution.slug.removeprefix("condition-").removesuffix("-suspected")


def _statements(request: Request, titration: Titration, end_s: Span) -> list[Statement]:
    """Every result, in the order in which people read them."""
    found = [
        _predicted_body_weight(request, titration, end_s),
        _tidal_volume_target(titration, end_s),
        _closing_pressure(request, titration),
        _suggested_peep(request, titration, end_s),
    ]
    found += [_what_if(row, end_s) for row in titration.advice.what_if]
    found.append(_curve(titration))
    trial, closing = titration.trial, titration.closing
    # Without an estimate the steps themselves stay.
    estimates: Sequence[StepEstimate | None] = closing.steps if closing.is_estimated else [None] * len(trial.steps)
    for number, (step, estimate) in enumerate(zip(trial.steps, estimates, strict=True), start=1):
        found.append(step_statement(titration, number, step, estimate))
    return found


def _what_if_kind(row: WhatIf) -> str:
    """Kind of the statement of one margin."""
    return f"what-if-{row.margin_cmh2o:g}"


def _predicted_body_weight(request: Request, titration: Titration, end_s: Span) -> Statement:
    person = request.known_person
    return Statement(
        kind="predicted-body-weight",
        code="predicted-body-weight",
        value=Amount(titration.advice.predicted_body_weight_kg, WEIGHT),
        note=weight_sentence(person),
        method=weight_method(person.sex),
        sources=person.sources,
        span_s=end_s,
        examination=True,
    )


def _tidal_volume_target(titration: Titration, end_s: Span) -> Statement:
    advice = titration.advice
    return Statement(
        kind="tidal-volume-target",
        code="tidal-volume-target",
        value=Amount(advice.target.volume_ml, VOLUME),
        method=say("result.per-kg-predicted", ml_per_kg=f"{advice.target.ml_per_kg:g}"),
        span_s=end_s,
        follows_from=("predicted-body-weight",),
        parts=(
            amount("tidal-volume-per-predicted-weight", advice.target.ml_per_kg),
            *[amount(f"tidal-volume-at-{rung.ml_per_kg:g}-ml-per-kg", rung.volume_ml) for rung in advice.ladder],
        ),
    )


def _closing_pressure(request: Request, titration: Titration) -> Statement:
    closing, protocol = titration.closing, request.protocol
    return Statement(
        kind="closing-pressure",
        code="closing-pressure",
        value=None if closing.peep_cmh2o is None else Amount(closing.peep_cmh2o, PRESSURE),
        note=closing_sentence(closing),
        method=closing_method(protocol),
        follows_from=("compliance-curve",),
        parts=tuple(_closing_parts(closing, protocol.fall)),
    )


def _closing_parts(closing: Closing, fall: float) -> list[Part]:
    low, high = closing.interval_cmh2o or (None, None)
    parts: list[Part] = [("closing-verdict", Coded(closing.verdict.value))]
    if closing.is_estimated:
        parts += amounts(
            (
                ("verdict-probability", closing.probability),
                ("interval-low", low),
                ("interval-high", high),
                ("not-reached-probability", closing.not_reached),
                ("falling-from-first-step-probability", closing.falling_from_first_step),
            )
        )
    parts += [amount("fall-threshold", fall), ("closing-evidence", Coded(closing.evidence.value))]
    if closing.shape is not None:
        parts.append(("closing-shape", Coded(closing.shape.value)))
    return parts


def _suggested_peep(request: Request, titration: Titration, end_s: Span) -> Statement:
    advice, protocol = titration.advice, request.protocol
    suggested = advice.suggested_peep_cmh2o
    # The margin asked for is a rule; the one used may be larger, where steps are coarse.
    parts = [amount("margin", protocol.margin_cmh2o), amount("margin-used", advice.margin_cmh2o)]
    for row in advice.what_if:
        if suggested is not None and row.margin_cmh2o == advice.margin_cmh2o and row.peep_cmh2o == suggested:
            parts += _expected(row)
    return Statement(
        kind="suggested-peep",
        code="suggested-peep",
        value=None if suggested is None else Amount(suggested, PRESSURE),
        note=advice.rationale,
        method=suggestion_method(protocol),
        members=tuple([_what_if_kind(row) for row in advice.what_if]),
        parts=tuple(parts),
        span_s=end_s,
        follows_from=("closing-pressure", "tidal-volume-target"),
        absent="not-applicable",
    )


def _chosen_peep(request: Request, titration: Titration) -> tuple[Statement, ...]:
    """The PEEP that the clinician chose instead, where one was."""
    row, advice, end_s = titration.chosen, titration.advice, titration.trial.steps[-1].end_s
    if row is None:
        return ()
    return (
        Statement(
            kind="chosen-peep",
            code="chosen-peep",
            value=Amount(row.peep_cmh2o, PRESSURE),
            note=chosen_sentence(
                row,
                advice.suggested_peep_cmh2o,
                request.asked.chosen_because,
                closing_cmh2o=titration.closing.peep_cmh2o,
            ),
            parts=(("within-tested-range", Truth(row.tested)), *_expected(row)),
            span_s=(end_s, end_s),
            follows_from=("suggested-peep", "tidal-volume-target"),
        ),
    )


def _expected(row: WhatIf) -> list[Part]:
    volume = row.tidal_volume
    return amounts(
        (
            ("expected-compliance", row.compliance_ml_per_cmh2o),
            ("expected-total-peep", row.total_peep_cmh2o),
            ("expected-driving-pressure", row.driving_pressure_cmh2o),
            ("expected-plateau-pressure", row.plateau_cmh2o),
            ("expected-mechanical-power", row.mechanical_power_j_per_min),
            ("tidal-volume-used", volume.volume_ml if volume else None),
            ("tidal-volume-per-predicted-weight", volume.ml_per_kg if volume else None),
        )
    )


def _what_if(row: WhatIf, end_s: Span) -> Statement:
    return Statement(
        kind=_what_if_kind(row),
        code="peep-what-if",
        value=None,
        note=what_if_sentence(row),
        parts=(
            amount("margin", row.margin_cmh2o),
            amount("what-if-peep", row.peep_cmh2o),
            ("within-tested-range", Truth(row.tested)),
            *_expected(row),
        ),
        span_s=end_s,
        follows_from=("closing-pressure", "tidal-volume-target"),
        absent="",
    )


def _curve(titration: Titration) -> Statement:
    trial = titration.trial
    return Statement(
        kind="compliance-curve",
        code="compliance-curve",
        value=None,
        note=curve_sentence(trial),
        members=tuple([step_kind(number) for number in range(1, len(trial.steps) + 1)]),
        parts=(("compliance-kind", Coded(trial.kind.slug)), ("peep-source", Coded(f"peep-source-{trial.peep_source}"))),
        absent="",
    )
