"""How does each result look as a FHIR Observation? None of them is dated now."""

from __future__ import annotations

from collections.abc import Sequence

import msgspec

from ebbmark.fhir.writing.components import amount, amounts, choice, yes_or_no
from ebbmark.fhir.writing.frame import Frame
from ebbmark.fhir.writing.preliminary import Result, blank, set_value
from ebbmark.fhir.writing.quantities import PRESSURE, VOLUME, WEIGHT
from ebbmark.fhir.writing.sentences import (
    closing_method,
    closing_sentence,
    curve_sentence,
    suggestion_method,
    weight_method,
    weight_sentence,
    what_if_sentence,
)
from ebbmark.fhir.writing.step import step_kind, step_result
from ebbmark.fhir.writing.terms import ABSENT_BECAUSE, CATEGORY_EXAM, LOINC_TERMS, OWN
from ebbmark.physiology.advice.advice import WhatIf
from ebbmark.physiology.closing.estimate import Closing, StepEstimate, Verdict

__all__ = ["results"]


def results(frame: Frame) -> list[tuple[str, Result]]:
    """Every Observation of the answer with its kind, in the order in which people read them."""
    advice = frame.recommendation.advice
    found = [
        ("predicted-body-weight", _predicted_body_weight(frame)),
        ("tidal-volume-target", _tidal_volume_target(frame)),
        ("closing-pressure", _closing_pressure(frame)),
        ("suggested-peep", _suggested_peep(frame)),
    ]
    found += [(what_if_kind(row), _what_if(frame, row)) for row in advice.what_if]
    found.append(("compliance-curve", _curve(frame)))
    trial, closing = frame.recommendation.trial, frame.recommendation.closing
    # Without an estimate the steps themselves stay.
    estimates: Sequence[StepEstimate | None] = closing.steps if _is_estimated(closing) else [None] * len(trial.steps)
    for number, (step, estimate) in enumerate(zip(trial.steps, estimates, strict=True), start=1):
        found.append((step_kind(number), step_result(frame, number, step, estimate)))
    return found


def what_if_kind(row: WhatIf) -> str:
    """Kind of the Observation of one margin."""
    return f"what-if-{row.margin_cmh2o:g}"


def _predicted_body_weight(frame: Frame) -> Result:
    person = frame.recommendation.request.known_person
    result = blank(frame, "predicted-body-weight", LOINC_TERMS["predicted-body-weight"], CATEGORY_EXAM)
    result.effective_date_time = frame.end
    set_value(result, frame.recommendation.advice.predicted_body_weight_kg, WEIGHT)
    result.note = [{"text": weight_sentence(person)}]
    result.method = {"text": weight_method(person.sex)}
    result.derived_from = frame.inputs(person.sources)
    return result


def _tidal_volume_target(frame: Frame) -> Result:
    advice = frame.recommendation.advice
    result = blank(frame, "tidal-volume-target", OWN["tidal-volume-target"])
    result.effective_date_time = frame.end
    set_value(result, advice.target.volume_ml, VOLUME)
    result.method = {"text": f"{advice.target.ml_per_kg:g} mL per kg of predicted body weight"}
    result.derived_from = [frame.to("predicted-body-weight")]
    result.component = [
        amount("tidal-volume-per-predicted-weight", advice.target.ml_per_kg),
        *[amount(f"tidal-volume-at-{rung.ml_per_kg:g}-ml-per-kg", rung.volume_ml) for rung in advice.ladder],
    ]
    return result


def _closing_pressure(frame: Frame) -> Result:
    recommendation = frame.recommendation
    closing = recommendation.closing
    result = blank(frame, "closing-pressure", OWN["closing-pressure"])
    result.effective_period = frame.period
    if closing.peep_cmh2o is None:
        result.data_absent_reason = ABSENT_BECAUSE["unknown"]
    else:
        set_value(result, closing.peep_cmh2o, PRESSURE)
    result.note = [{"text": closing_sentence(closing)}]
    result.method = {"text": closing_method(recommendation.request.protocol)}
    result.derived_from = [frame.to("compliance-curve")]
    result.component = _closing_components(closing, recommendation.request.protocol.fall)
    return result


def _closing_components(closing: Closing, fall: float) -> list[msgspec.Raw]:
    low, high = closing.interval_cmh2o or (None, None)
    components = [choice("closing-verdict", closing.verdict.value)]
    if _is_estimated(closing):
        components += amounts(
            (
                ("verdict-probability", closing.probability),
                ("interval-low", low),
                ("interval-high", high),
                ("not-reached-probability", closing.not_reached),
                ("falling-from-first-step-probability", closing.falling_from_first_step),
            )
        )
    components += [amount("fall-threshold", fall), choice("closing-evidence", closing.evidence.value)]
    if closing.shape is not None:
        components.append(choice("closing-shape", closing.shape.value))
    return components


def _is_estimated(closing: Closing) -> bool:
    # Where the model does not apply there are no probabilities: those that fill their places must not leave.
    return closing.verdict is not Verdict.INDETERMINATE or closing.probability > 0


def _suggested_peep(frame: Frame) -> Result:
    recommendation = frame.recommendation
    advice = recommendation.advice
    result = blank(frame, "suggested-peep", OWN["suggested-peep"])
    result.effective_date_time = frame.end
    # The margin asked for is a rule; the one used may be larger, where steps are coarse.
    result.component = [
        amount("margin", recommendation.request.protocol.margin_cmh2o),
        amount("margin-used", advice.margin_cmh2o),
    ]
    if advice.suggested_peep_cmh2o is None:
        result.data_absent_reason = ABSENT_BECAUSE["not-applicable"]
    else:
        set_value(result, advice.suggested_peep_cmh2o, PRESSURE)
        for row in advice.what_if:
            if row.margin_cmh2o == advice.margin_cmh2o and row.peep_cmh2o == advice.suggested_peep_cmh2o:
                result.component += _expected(row)
    result.note = [{"text": advice.rationale}]
    result.method = {"text": suggestion_method(recommendation.request.protocol)}
    result.has_member = [frame.to(what_if_kind(row)) for row in advice.what_if] or None
    result.derived_from = [frame.to("closing-pressure"), frame.to("tidal-volume-target")]
    return result


def _expected(row: WhatIf) -> list[msgspec.Raw]:
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


def _what_if(frame: Frame, row: WhatIf) -> Result:
    result = blank(frame, what_if_kind(row), OWN["peep-what-if"])
    result.effective_date_time = frame.end
    result.note = [{"text": what_if_sentence(row)}]
    result.derived_from = [frame.to("closing-pressure"), frame.to("tidal-volume-target")]
    result.component = [
        amount("margin", row.margin_cmh2o),
        amount("what-if-peep", row.peep_cmh2o),
        yes_or_no("within-tested-range", row.tested),
        *_expected(row),
    ]
    return result


def _curve(frame: Frame) -> Result:
    trial = frame.recommendation.trial
    result = blank(frame, "compliance-curve", OWN["compliance-curve"])
    result.effective_period = frame.period
    result.note = [{"text": curve_sentence(trial)}]
    result.has_member = [frame.to(step_kind(number)) for number in range(1, len(trial.steps) + 1)]
    result.component = [
        choice("compliance-kind", trial.kind.slug),
        choice("peep-source", f"peep-source-{trial.peep_source}"),
    ]
    return result
