"""How does each result look as a FHIR Observation? All preliminary, none of them dated now."""

from __future__ import annotations

from collections.abc import Sequence

import msgspec

from ebbmark.fhir.frame import Frame, Reference
from ebbmark.fhir.instants import instant
from ebbmark.fhir.quantities import (
    COMPLIANCE,
    FRACTION,
    POWER,
    PRESSURE,
    PROBABILITY,
    VOLUME,
    VOLUME_PER_WEIGHT,
    WEIGHT,
    FhirQuantity,
    Unit,
    quantity,
)
from ebbmark.fhir.sentences import (
    closing_method,
    closing_sentence,
    curve_sentence,
    suggestion_method,
    weight_method,
    weight_sentence,
    what_if_sentence,
)
from ebbmark.fhir.terms import ABSENT_BECAUSE, CATEGORY_EXAM, CATEGORY_PROCEDURE, LOINC_TERMS, OWN
from ebbmark.physiology.advice import TidalVolume, WhatIf
from ebbmark.physiology.closing import Closing, StepEstimate
from ebbmark.physiology.trial import Step

__all__ = ["Result", "results"]


class Component(msgspec.Struct, omit_defaults=True, rename="camel", gc=False):
    """Observation.component: a code and one value, or the reason for having none."""

    code: msgspec.Raw
    value_quantity: FhirQuantity | None = None
    value_codeable_concept: msgspec.Raw | None = None
    value_integer: int | None = None
    value_boolean: bool | None = None
    data_absent_reason: msgspec.Raw | None = None


class Result(
    msgspec.Struct, kw_only=True, omit_defaults=True, rename="camel", tag_field="resourceType", tag="Observation"
):
    """FHIR R4 Observation, as far as results use it; written in this order."""

    identifier: list[dict[str, str]]
    status: str
    category: msgspec.Raw
    code: msgspec.Raw
    subject: Reference
    encounter: Reference | None = None
    effective_date_time: str | None = None
    effective_period: dict[str, str] | None = None
    value_quantity: FhirQuantity | None = None
    data_absent_reason: msgspec.Raw | dict[str, object] | None = None
    note: list[dict[str, str]] | None = None
    method: dict[str, str] | None = None
    device: Reference
    has_member: list[Reference] | None = None
    derived_from: list[Reference] | None = None
    component: list[Component] | None = None


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
    # Where the data support no statement there may be no estimate per step; the steps themselves stay.
    estimates: Sequence[StepEstimate | None] = closing.steps or [None] * len(trial.steps)
    for number, (step, estimate) in enumerate(zip(trial.steps, estimates, strict=True), start=1):
        found.append((step_kind(number), _step(frame, number, step, estimate)))
    return found


def step_kind(number: int) -> str:
    """Kind of the Observation of one step, counted from the highest PEEP."""
    return f"step-{number}"


def what_if_kind(row: WhatIf) -> str:
    """Kind of the Observation of one margin."""
    return f"what-if-{row.margin_cmh2o:g}"


def _blank(frame: Frame, kind: str, code: msgspec.Raw, category: msgspec.Raw = CATEGORY_PROCEDURE) -> Result:
    return Result(
        identifier=[frame.identifier(kind)],
        status="preliminary",
        category=category,
        code=code,
        subject=frame.subject,
        device=frame.device,
        encounter=frame.encounter,
    )


def _amount(code: msgspec.Raw, value: float, unit: Unit) -> Component:
    amount = quantity(value, unit)
    if amount is None:
        return Component(code, data_absent_reason=ABSENT_BECAUSE["not-a-number"])
    return Component(code, amount)


def _amounts(rows: Sequence[tuple[msgspec.Raw, float | None, Unit]]) -> list[Component]:
    return [_amount(code, value, unit) for code, value, unit in rows if value is not None]


def _predicted_body_weight(frame: Frame) -> Result:
    person = frame.recommendation.request.person
    result = _blank(frame, "predicted-body-weight", LOINC_TERMS["predicted-body-weight"], CATEGORY_EXAM)
    result.effective_date_time = frame.end
    _set_value(result, frame.recommendation.advice.predicted_body_weight_kg, WEIGHT)
    result.note = [{"text": weight_sentence(person)}]
    result.method = {"text": weight_method(person.sex)}
    result.derived_from = frame.inputs((person.height_source,))
    return result


def _tidal_volume_target(frame: Frame) -> Result:
    advice = frame.recommendation.advice
    result = _blank(frame, "tidal-volume-target", OWN["tidal-volume-target"])
    result.effective_date_time = frame.end
    _set_value(result, advice.target.volume_ml, VOLUME)
    result.method = {"text": f"{advice.target.ml_per_kg:g} mL per kg of predicted body weight"}
    result.derived_from = [frame.to("predicted-body-weight")]
    result.component = [
        _amount(OWN["tidal-volume-per-predicted-weight"], advice.target.ml_per_kg, VOLUME_PER_WEIGHT),
        *[_amount(_rung(rung), rung.volume_ml, VOLUME) for rung in advice.ladder],
    ]
    return result


def _rung(rung: TidalVolume) -> msgspec.Raw:
    return OWN[f"tidal-volume-at-{rung.ml_per_kg:g}-ml-per-kg"]


def _closing_pressure(frame: Frame) -> Result:
    recommendation = frame.recommendation
    closing = recommendation.closing
    result = _blank(frame, "closing-pressure", OWN["closing-pressure"])
    result.effective_period = frame.period
    if closing.peep_cmh2o is None:
        result.data_absent_reason = ABSENT_BECAUSE["unknown"]
    else:
        _set_value(result, closing.peep_cmh2o, PRESSURE)
    result.note = [{"text": closing_sentence(closing)}]
    result.method = {"text": closing_method(recommendation.request.protocol)}
    result.derived_from = [frame.to("compliance-curve")]
    result.component = _closing_components(closing, recommendation.request.protocol.fall)
    return result


def _closing_components(closing: Closing, fall: float) -> list[Component]:
    low, high = closing.interval_cmh2o or (None, None)
    components = [Component(OWN["closing-verdict"], value_codeable_concept=OWN[closing.verdict.value])]
    components += _amounts(
        (
            (OWN["verdict-probability"], closing.probability, PROBABILITY),
            (OWN["interval-low"], low, PRESSURE),
            (OWN["interval-high"], high, PRESSURE),
            (OWN["not-reached-probability"], closing.not_reached, PROBABILITY),
            (OWN["falling-from-first-step-probability"], closing.falling_from_first_step, PROBABILITY),
            (OWN["fall-threshold"], fall, FRACTION),
        )
    )
    components.append(Component(OWN["closing-evidence"], value_codeable_concept=OWN[closing.evidence.value]))
    if closing.shape is not None:
        components.append(Component(OWN["closing-shape"], value_codeable_concept=OWN[closing.shape.value]))
    return components


def _suggested_peep(frame: Frame) -> Result:
    recommendation = frame.recommendation
    advice = recommendation.advice
    result = _blank(frame, "suggested-peep", OWN["suggested-peep"])
    result.effective_date_time = frame.end
    result.component = [_amount(OWN["margin"], advice.margin_cmh2o, PRESSURE)]
    if advice.suggested_peep_cmh2o is None:
        result.data_absent_reason = ABSENT_BECAUSE["not-applicable"]
    else:
        _set_value(result, advice.suggested_peep_cmh2o, PRESSURE)
        for row in advice.what_if:
            if row.margin_cmh2o == advice.margin_cmh2o and row.peep_cmh2o == advice.suggested_peep_cmh2o:
                result.component += _expected(row)
    result.note = [{"text": advice.rationale}]
    result.method = {"text": suggestion_method(recommendation.request.protocol)}
    result.has_member = [frame.to(what_if_kind(row)) for row in advice.what_if] or None
    result.derived_from = [frame.to("closing-pressure"), frame.to("tidal-volume-target")]
    return result


def _expected(row: WhatIf) -> list[Component]:
    volume = row.tidal_volume
    return _amounts(
        (
            (OWN["expected-compliance"], row.compliance_ml_per_cmh2o, COMPLIANCE),
            (OWN["expected-driving-pressure"], row.driving_pressure_cmh2o, PRESSURE),
            (OWN["expected-plateau-pressure"], row.plateau_cmh2o, PRESSURE),
            (OWN["expected-mechanical-power"], row.mechanical_power_j_per_min, POWER),
            (OWN["tidal-volume-used"], volume.volume_ml if volume else None, VOLUME),
            (OWN["tidal-volume-per-predicted-weight"], volume.ml_per_kg if volume else None, VOLUME_PER_WEIGHT),
        )
    )


def _what_if(frame: Frame, row: WhatIf) -> Result:
    result = _blank(frame, what_if_kind(row), OWN["peep-what-if"])
    result.effective_date_time = frame.end
    result.note = [{"text": what_if_sentence(row)}]
    result.derived_from = [frame.to("closing-pressure"), frame.to("tidal-volume-target")]
    result.component = [
        _amount(OWN["margin"], row.margin_cmh2o, PRESSURE),
        _amount(OWN["what-if-peep"], row.peep_cmh2o, PRESSURE),
        Component(OWN["within-tested-range"], value_boolean=row.tested),
        *_expected(row),
    ]
    return result


def _curve(frame: Frame) -> Result:
    trial = frame.recommendation.trial
    result = _blank(frame, "compliance-curve", OWN["compliance-curve"])
    result.effective_period = frame.period
    result.note = [{"text": curve_sentence(trial)}]
    result.has_member = [frame.to(step_kind(number)) for number in range(1, len(trial.steps) + 1)]
    result.component = [
        Component(OWN["compliance-kind"], value_codeable_concept=OWN[trial.kind.slug]),
        Component(OWN["peep-source"], value_codeable_concept=OWN[f"peep-source-{trial.peep_source}"]),
    ]
    return result


def _step(frame: Frame, number: int, step: Step, estimate: StepEstimate | None) -> Result:
    trial = frame.recommendation.trial
    result = _blank(frame, step_kind(number), OWN["peep-trial-step"])
    start, end = instant(step.start_s), instant(step.end_s)
    if start == end:
        result.effective_date_time = end
    else:
        result.effective_period = {"start": start, "end": end}
    result.derived_from = frame.inputs(source for sample in step.samples for source in sample.sources)
    rows = [
        (LOINC_TERMS[f"peep-{trial.peep_source}"], step.peep_cmh2o, PRESSURE),
        (
            LOINC_TERMS["compliance-static" if trial.kind.static else "compliance-dynamic"],
            step.compliance_ml_per_cmh2o,
            COMPLIANCE,
        ),
        (LOINC_TERMS["tidal-volume"], step.tidal_volume_ml, VOLUME),
        (LOINC_TERMS["plateau-pressure"], step.plateau_cmh2o, PRESSURE),
        (LOINC_TERMS["peak-pressure"], step.peak_cmh2o, PRESSURE),
        (LOINC_TERMS["driving-pressure"], step.driving_pressure_cmh2o, PRESSURE),
    ]
    if estimate is not None:
        rows += [
            (OWN["closing-probability"], estimate.probability, PROBABILITY),
            (OWN["fitted-compliance"], estimate.fitted_ml_per_cmh2o, COMPLIANCE),
            (OWN["fitted-compliance-low"], estimate.fitted_low_ml_per_cmh2o, COMPLIANCE),
            (OWN["fitted-compliance-high"], estimate.fitted_high_ml_per_cmh2o, COMPLIANCE),
        ]
    result.component = _amounts(rows)
    result.component.append(Component(OWN["readings-used"], value_integer=len(step.samples)))
    return result


def _set_value(result: Result, value: float, unit: Unit) -> None:
    result.value_quantity = quantity(value, unit)
    if result.value_quantity is None:
        result.data_absent_reason = ABSENT_BECAUSE["not-a-number"]
