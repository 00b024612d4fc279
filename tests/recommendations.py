"""Recommendations for tests, invented by us: no real patient, no measured trial."""

from __future__ import annotations

from dataclasses import replace

from ebbmark.fhir.answer import Answer
from ebbmark.fhir.problems import Ignored, Source
from ebbmark.fhir.reading.request import Person, Request
from ebbmark.fhir.writing.titration import titration_answer
from ebbmark.physiology.advice import Advice, Caution, Severity
from ebbmark.physiology.closing.result import Closing, Evidence, Shape, StepEstimate, Verdict
from ebbmark.physiology.mechanics import Sex
from ebbmark.physiology.patient.titration import Titration
from ebbmark.physiology.protocols import DEFAULT_PROTOCOL
from ebbmark.physiology.readings import Quantity, Reading
from ebbmark.physiology.trial.steps import ComplianceKind, Sample, Step, Trial
from ebbmark.physiology.what_if import TidalVolume, WhatIf

STARTED_S = 1_700_000_000.0
RECORDED_S = 1_700_009_000.25
ENGINE_VERSION = "0.6.0"

PEEPS_CMH2O = (20.0, 18.0, 16.0, 14.0, 12.0, 10.0, 8.0)
# Invented: rises from the top, then falls for good at 12 cmH2O.
COMPLIANCES = (38.2, 41.0, 43.55, 44.1, 40.3, 36.9, 33.0)
READINGS_PER_STEP = 2
STEP_S = 120.0


def found() -> Answer:
    """Closing at 12 cmH2O, suggestion 14 cmH2O, every kind of extra: encounter, notes, cautions, ignored inputs."""
    recommendation = answered(
        verdict=Verdict.FOUND,
        probabilities=(0.0, 0.0, 0.004, 0.052, 0.873, 0.041, 0.0),
        not_reached=0.03,
    )
    request = replace(
        recommendation.request,
        encounter="Encounter/9",
        notes=("Two height Observations agreed; the newer one was used.",),
        ignored=(
            Ignored("Bundle.entry[40].resource", "Observation/40/_history/2", "entered-in-error", "Entered in error."),
            Ignored("Bundle.entry[41].resource", "", "unknown-code", "The code 1234-5 is not known here."),
        ),
        preliminary_inputs=True,
    )
    return identified(replace(recommendation, request=request, ignored=request.ignored))


def not_reached() -> Answer:
    """Compliance never fell for good."""
    return answered(verdict=Verdict.NOT_REACHED, probabilities=(0.0,) * 6 + (0.03,), not_reached=0.97)


def falling_from_first_step() -> Answer:
    """Compliance fell from the first step on."""
    return answered(verdict=Verdict.FALLING_FROM_FIRST_STEP, probabilities=(0.0, 0.05) + (0.0,) * 5, falling=0.95)


def indeterminate() -> Answer:
    """The model does not apply; inputs without a reference; nothing known but charted compliance."""
    recommendation = answered(verdict=Verdict.INDETERMINATE, probabilities=(0.0,) * 7, not_reached=1.0)
    request = recommendation.request
    bare = tuple(Source(source.path, "", source.value) for source in request.sources)
    steps = tuple(
        replace(
            step,
            end_s=step.start_s,
            tidal_volume_ml=None,
            plateau_cmh2o=None,
            peak_cmh2o=None,
            driving_pressure_cmh2o=None,
        )
        for step in recommendation.titration.trial.steps
    )
    return identified(
        retold(
            replace(recommendation, request=replace(request, sources=bare)),
            trial=replace(
                recommendation.titration.trial, steps=steps, kind=ComplianceKind.DYNAMIC_CHARTED, peep_source="measured"
            ),
            closing=replace(recommendation.titration.closing, probability=0.0),
        )
    )


def undecided() -> Answer:
    """No statement, though the model applies: three probabilities, none of them large enough."""
    return answered(
        verdict=Verdict.INDETERMINATE, probabilities=(0.0, 0.0, 0.1, 0.1, 0.1, 0.2, 0.0), not_reached=0.4, falling=0.1
    )


def of_size(readings_per_step: int) -> Answer:
    """As `found`, with many more readings, each in an Observation of its own."""
    return identified(_sized(found(), readings_per_step))


def answered(
    *, verdict: Verdict, probabilities: tuple[float, ...], not_reached: float = 0.0, falling: float = 0.0
) -> Answer:
    """One invented trial of seven steps with this verdict."""
    is_found = verdict is Verdict.FOUND
    closing = Closing(
        verdict=verdict,
        peep_cmh2o=12.0 if is_found else None,
        interval_cmh2o=(10.0, 14.0) if is_found else None,
        probability=max(sum(probabilities), not_reached, falling),
        not_reached=not_reached,
        falling_from_first_step=falling,
        steps=tuple(
            StepEstimate(peep, READINGS_PER_STEP, centre, centre + 0.04, centre - 1.26, centre + 1.31, probability)
            for peep, centre, probability in zip(PEEPS_CMH2O, COMPLIANCES, probabilities, strict=True)
        ),
        shape=Shape.ABRUPT if is_found else None,
        evidence=Evidence.WEAK if verdict is Verdict.INDETERMINATE else Evidence.STRONG,
        reason="the readings of one step differ by more than the fall" if verdict is Verdict.INDETERMINATE else "",
    )
    return identified(
        titration_answer(_request(), Titration(_trial(READINGS_PER_STEP), closing, _advice(is_found), (), ()))
    )


def retold(answer: Answer, **parts: object) -> Answer:
    """The same with other parts of its titration, and all that follows from them and from its request."""
    return titration_answer(answer.request, replace(answer.titration, **parts), answer.ignored)  # type: ignore[arg-type]


def identified(answer: Answer) -> Answer:
    """The same with the identity that follows from its content."""
    return retold(answer)


def _sized(recommendation: Answer, readings_per_step: int) -> Answer:
    count = 1 + readings_per_step * len(PEEPS_CMH2O)
    request = replace(recommendation.request, sources=_sources(count))
    return retold(replace(recommendation, request=request), trial=_trial(readings_per_step))


def _sources(count: int) -> tuple[Source, ...]:
    return tuple(
        Source(
            f"Bundle.entry[{index + 1}].resource",
            f"Observation/reading-{index}/_history/{1 + index % 3}",
            "height|170|cm||" if index == 0 else f"plateau-pressure|{20 + index % 7}.5|cm[H2O]|{index}|{index}",
        )
        for index in range(count)
    )


def _request() -> Request:
    readings = tuple(
        Reading(Quantity.PEEP_SET, peep, STARTED_S + number * STEP_S, STARTED_S + number * STEP_S, 1 + 2 * number)
        for number, peep in enumerate(PEEPS_CMH2O)
    )
    return Request(
        subject="Patient/invented-1",
        person=Person(
            height_cm=170.0,
            height_source=0,
            height_note="The height is stated, not measured.",
            sex=Sex.FEMALE,
            sex_origin="administrative gender (Patient.gender)",
            age_years=54.0,
        ),
        readings=readings,
        sources=_sources(1 + READINGS_PER_STEP * len(PEEPS_CMH2O)),
        ignored=(),
        notes=(),
        protocol=DEFAULT_PROTOCOL,
        encounter=None,
        preliminary_inputs=False,
        as_of_s=STARTED_S + 3600.0,
    )


def _trial(readings_per_step: int) -> Trial:
    return Trial(
        steps=tuple(_step(number, readings_per_step) for number in range(len(PEEPS_CMH2O))),
        kind=ComplianceKind.STATIC_COMPUTED,
        resolution=0.01,
        peep_source="set",
        observed=(),
        context={},
        unused=(),
    )


def _step(number: int, readings_per_step: int) -> Step:
    peep, compliance = PEEPS_CMH2O[number], COMPLIANCES[number]
    start_s = STARTED_S + number * STEP_S
    driving = 370.0 / compliance
    samples = tuple(
        Sample(
            compliance_ml_per_cmh2o=compliance,
            tidal_volume_ml=370.0,
            pressure_cmh2o=peep + driving,
            baseline_cmh2o=peep,
            at_s=start_s + 50.0 + index,
            sources=(1 + number * readings_per_step + index,),
        )
        for index in range(readings_per_step)
    )
    return Step(
        peep_cmh2o=peep,
        start_s=start_s,
        end_s=start_s + 110.5,
        samples=samples,
        compliance_ml_per_cmh2o=compliance,
        tidal_volume_ml=370.0,
        plateau_cmh2o=peep + driving,
        peak_cmh2o=peep + driving + 6.0,
        driving_pressure_cmh2o=driving,
    )


def _advice(is_found: bool) -> Advice:
    weight_kg = 45.5 + 0.91 * (170.0 - 152.4)
    ladder = tuple(TidalVolume(rung, rung * weight_kg) for rung in (4.0, 5.0, 6.0, 7.0, 8.0))
    return Advice(
        predicted_body_weight_kg=weight_kg,
        ladder=ladder,
        target=ladder[2],
        suggested_peep_cmh2o=14.0 if is_found else None,
        margin_cmh2o=2.0,
        rationale=(
            "Closing at 12 cmH2O plus a margin of 2 cmH2O (common practice, no published source)."
            if is_found
            else "No closing pressure was found, so no PEEP is suggested."
        ),
        what_if=_what_if(ladder) if is_found else (),
        cautions=(
            Caution("plateau-above-limit", Severity.HIGH, "Plateau pressure was above 30 cmH2O.", "invented", True),
            Caution("plateau-above-limit", Severity.HIGH, "Once more, at another step.", "invented", True),
            Caution("single-readings", Severity.LOW, "Some steps rest on a single reading.", "invented", True),
            Caution("local-protocol", Severity.LOW, "Local protocol decides.", "invented", False),
        ),
    )


def _what_if(ladder: tuple[TidalVolume, ...]) -> tuple[WhatIf, ...]:
    return (
        WhatIf(2.0, 14.0, True, 14.0, 44.1, 8.37, 22.37, 11.24, ladder[2], ()),
        WhatIf(3.0, 15.0, True, 15.0, 43.8, 8.42, 23.42, None, ladder[1], ("Plateau pressure would exceed 30 cmH2O.",)),
        WhatIf(4.0, 30.0, False, None, None, None, None, None, None, ()),
    )


ALL = {
    "found": found,
    "not reached": not_reached,
    "falling from the first step": falling_from_first_step,
    "indeterminate, no estimate": indeterminate,
    "indeterminate, undecided": undecided,
}
