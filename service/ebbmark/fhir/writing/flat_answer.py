"""One view of a titration, flat, for everybody who shows it to people: made of an answer, or read from its Bundle."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, fields
from functools import lru_cache
from html import unescape
from math import isfinite
from typing import Any, cast

import msgspec

from ebbmark.fhir.answer import Amount, Answer, Coded, Statement, Value, Whole
from ebbmark.fhir.writing.normal_form import NotAnAnswer
from ebbmark.fhir.writing.terms import LOINC_TERMS, OWN

Json = Mapping[str, Any]


def _of(*codes: str) -> float | None:
    """A field whose value is that of the first of these components that is there."""
    return cast("float | None", field(default=None, metadata={"codes": codes}))


@dataclass(frozen=True, slots=True, kw_only=True)
class StepRow:
    """One step of the limb; None where the Bundle has no such component."""

    peep_cmh2o: float | None = _of("20077-4", "76248-4")
    compliance_ml_per_cmh2o: float | None = _of("60828-1", "60827-3")
    tidal_volume_ml: float | None = _of("76222-9")
    plateau_cmh2o: float | None = _of("76259-1")
    peak_cmh2o: float | None = _of("76531-3")
    driving_pressure_cmh2o: float | None = _of("76154-4")
    probability: float | None = _of("closing-probability")
    fitted_ml_per_cmh2o: float | None = _of("fitted-compliance")
    fitted_low_ml_per_cmh2o: float | None = _of("fitted-compliance-low")
    fitted_high_ml_per_cmh2o: float | None = _of("fitted-compliance-high")
    readings: float | None = _of("readings-used")
    spo2_percent: float | None = _of("59408-5")
    mean_arterial_pressure_mmhg: float | None = _of("8478-0")
    least_mean_arterial_pressure_mmhg: float | None = _of("least-mean-arterial-pressure")
    systolic_pressure_mmhg: float | None = _of("8480-6")
    heart_rate_per_min: float | None = _of("8867-4")
    end_tidal_co2_mmhg: float | None = _of("19891-1")
    paco2_mmhg: float | None = _of("2019-8")
    fio2_percent: float | None = _of("19994-3", "71835-3")
    measured_peep_cmh2o: float | None = _of("76248-4")
    total_peep_cmh2o: float | None = _of("total-peep")
    rate_set_per_min: float | None = _of("19834-1")
    rate_per_min: float | None = _of("19840-8")
    spontaneous_rate_per_min: float | None = _of("19839-0")
    inspired_ml: float | None = _of("20109-5")
    expired_ml: float | None = _of("76007-4")
    oldest_vital_sign_s: float | None = _of("oldest-vital-sign-age")


@dataclass(frozen=True, slots=True, kw_only=True)
class WhatIfRow:
    """What one margin would mean; None outside the tested range."""

    margin_cmh2o: float | None = _of("margin")
    peep_cmh2o: float | None = _of("what-if-peep")
    compliance_ml_per_cmh2o: float | None = _of("expected-compliance")
    driving_pressure_cmh2o: float | None = _of("expected-driving-pressure")
    plateau_cmh2o: float | None = _of("expected-plateau-pressure")
    mechanical_power_j_per_min: float | None = _of("expected-mechanical-power")
    tidal_volume_ml: float | None = _of("tidal-volume-used")
    tidal_volume_ml_per_kg: float | None = _of("tidal-volume-per-predicted-weight")
    remark: str = ""


@dataclass(frozen=True, slots=True)
class CautionLine:
    """One caution found in this patient's data."""

    code: str
    severity: str
    text: str


@dataclass(frozen=True, slots=True)
class Issue:
    """How one input was read, or why it did not count; `place` is its versioned reference or its FHIRPath."""

    severity: str
    text: str
    place: str


@dataclass(frozen=True, slots=True, kw_only=True)
class FlatAnswer:
    """The answer, flat. Lengths in the units of the field names; texts as they stand in the Bundle."""

    line: str
    reasons: tuple[str, ...]
    identity: str
    software: str
    predicted_body_weight_kg: float | None
    weight_remark: str
    tidal_volume_ml: float | None
    ladder_ml: dict[str, float]
    verdict: str
    verdict_text: str
    closing_pressure_cmh2o: float | None
    interval_cmh2o: tuple[float, float] | None
    verdict_probability: float | None
    not_reached_probability: float | None
    falling_from_first_step_probability: float | None
    evidence: str
    shape: str
    closing_remark: str
    suggested_peep_cmh2o: float | None
    rationale: str
    steps: tuple[StepRow, ...]
    what_if: tuple[WhatIfRow, ...]
    cautions: tuple[CautionLine, ...]
    general: tuple[str, ...]
    issues: tuple[Issue, ...]


def read_answer(bundle: Json) -> FlatAnswer:
    """Read the Bundle that the titration operation returns; raises NotAnAnswer where it is no whole answer."""
    try:
        # What stands where a text or a number belongs has to be one.
        return msgspec.convert(msgspec.to_builtins(_read(bundle)), FlatAnswer)
    except (
        LookupError, StopIteration, TypeError, ValueError, AttributeError, RecursionError, msgspec.ValidationError
    ) as error:  # fmt: skip
        raise NotAnAnswer("a result, or an element of one, is missing or of another type") from error


def view_of(answer: Answer) -> FlatAnswer:
    """The view of an answer: what `read_answer` reads from its Bundle, without writing one."""
    short = answer.short
    warnings = (
        {
            "resourceType": "DetectedIssue",
            **_concept(warning.code),
            "severity": warning.severity,
            "detail": warning.text,
        }
        for warning in answer.warnings
    )
    return _view(
        [*map(_light, answer.statements), *warnings],
        [short.line, *short.reasons],
        answer.notes,
        answer.identity,
        answer.engine_version,
        answer.issues,
    )


def _light(one: Statement) -> Json:
    """A statement in the form of its Observation, as far as the view looks at it."""
    parts = [{**_concept(code), **_value_of(value)} for code, value in one.parts]
    note = {"note": [{"text": one.note}]} if one.note else {}
    return {"resourceType": "Observation", **_concept(one.code), **_value_of(one.value), **note, "component": parts}


@lru_cache(maxsize=256)
def _concept(code: str) -> dict[str, Any]:
    """A concept as it is written; as many as there are codes of ours."""
    term = LOINC_TERMS.get(code) or OWN.get(code)
    return {"code": msgspec.json.decode(term)} if term is not None else {}


def _value_of(value: Value | None) -> dict[str, Any]:
    """A value as it is written, rounded to the digits of its unit."""
    if isinstance(value, Amount):
        number = float(f"{value.value:.{value.unit.decimals}f}") + 0.0
        return {"valueQuantity": {"value": number}} if isfinite(value.value) else {}
    if isinstance(value, Coded):
        return {"valueCodeableConcept": _concept(value.code)["code"]}
    return {"valueInteger": value.value} if isinstance(value, Whole) else {}


def _read(bundle: Json) -> FlatAnswer:
    resources = [entry["resource"] for entry in bundle["entry"]]
    guidance = _only(resources, "GuidanceResponse")
    return _view(
        resources,
        layers_of(guidance.get("text", {}).get("div", "")),
        [note["text"] for note in guidance["note"]],
        guidance["requestIdentifier"]["value"],
        _only(resources, "Device")["version"][0]["value"],
        _only(resources, "OperationOutcome")["issue"],
    )


def _view(
    resources: Sequence[Json],
    short: Sequence[str],
    said: Sequence[str],
    identity: str,
    software: str,
    issues: Sequence[Json],
) -> FlatAnswer:
    observations = {_code(r): r for r in resources if r["resourceType"] == "Observation"}
    weight, closing = observations["50064-5"], observations["closing-pressure"]
    volume, suggestion = observations["tidal-volume-target"], observations["suggested-peep"]
    parts = _parts(closing)
    low, high = _number(parts, "interval-low"), _number(parts, "interval-high")
    line, *reasons = short or [""]
    return FlatAnswer(
        line=line,
        reasons=tuple(reasons),
        identity=identity,
        software=software,
        predicted_body_weight_kg=_value(weight),
        weight_remark=_note(weight),
        tidal_volume_ml=_value(volume),
        ladder_ml={
            code.removeprefix("tidal-volume-at-").removesuffix("-ml-per-kg"): part["valueQuantity"]["value"]
            for code, part in _parts(volume).items()
            if code.startswith("tidal-volume-at-")
        },
        verdict=_choice(parts, "closing-verdict", "code"),
        verdict_text=_choice(parts, "closing-verdict", "display"),
        closing_pressure_cmh2o=_value(closing),
        interval_cmh2o=(low, high) if low is not None and high is not None else None,
        verdict_probability=_number(parts, "verdict-probability"),
        not_reached_probability=_number(parts, "not-reached-probability"),
        falling_from_first_step_probability=_number(parts, "falling-from-first-step-probability"),
        evidence=_choice(parts, "closing-evidence", "code"),
        shape=_choice(parts, "closing-shape", "code"),
        closing_remark=_note(closing),
        suggested_peep_cmh2o=_value(suggestion),
        rationale=_note(suggestion),
        steps=tuple(
            StepRow(**_row(resource, StepRow)) for resource in resources if _code(resource) == "peep-trial-step"
        ),
        what_if=tuple(
            WhatIfRow(**_row(resource, WhatIfRow), remark=_note(resource))
            for resource in resources
            if _code(resource) == "peep-what-if"
        ),
        cautions=tuple(
            CautionLine(_code(r), r["severity"], r["detail"]) for r in resources if r["resourceType"] == "DetectedIssue"
        ),
        general=tuple(said[1:]),
        issues=tuple(_issue(issue) for issue in issues),
    )


def layers_of(div: str) -> list[str]:
    """The line and the reasons of a narrative; answers of earlier versions have none."""
    return [unescape(one) for one in re.findall(r"<(?:b|li)>(.*?)</(?:b|li)>", div)]


def _only(resources: Sequence[Json], resource_type: str) -> Json:
    return next(resource for resource in resources if resource["resourceType"] == resource_type)


def _code(resource: Json) -> str:
    """The first code; empty where a concept is named in words alone."""
    code = resource.get("code")
    codings = code.get("coding") if isinstance(code, Mapping) else None
    return str(codings[0]["code"]) if codings else ""


def _parts(observation: Json) -> dict[str, Json]:
    return {_code(part): part for part in observation.get("component", ())}


def _value(observation: Json) -> float | None:
    quantity = observation.get("valueQuantity")
    return None if quantity is None else float(quantity["value"])


def _number(parts: Mapping[str, Json], *codes: str) -> float | None:
    for code in codes:
        part = parts.get(code)
        if part is not None:
            return float(part["valueInteger"]) if "valueInteger" in part else _value(part)
    return None


def _row(observation: Json, row: type[StepRow | WhatIfRow]) -> dict[str, Any]:
    parts = _parts(observation)
    return {one.name: _number(parts, *one.metadata["codes"]) for one in fields(row) if one.metadata}


def _choice(parts: Mapping[str, Json], code: str, field: str) -> str:
    part = parts.get(code)
    return "" if part is None else str(part["valueCodeableConcept"]["coding"][0][field])


def _note(observation: Json) -> str:
    return " ".join(note["text"] for note in observation.get("note", ()))


def _issue(issue: Json) -> Issue:
    """The reference, where there is one, stands before the reason in the text."""
    text = str(issue["details"]["text"])
    reference, separator, reason = text.partition(": ")
    if separator and "/" in reference and " " not in reference:
        return Issue(issue["severity"], reason, reference)
    return Issue(issue["severity"], text, (issue.get("expression") or [""])[0])
