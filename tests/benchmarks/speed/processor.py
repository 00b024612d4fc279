"""The whole function, its stages and its rivals in processor time, garbage collector off and on."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass

import orjson

from benchmarks.speed.asking import caller
from benchmarks.speed.bodies import AT_S, panels, single_values
from benchmarks.speed.rivals import echo_app, models_decode, models_way, question_of
from benchmarks.speed.timing import medians_ms
from ebbmark.fhir.operations import TITRATE_PEEP
from ebbmark.fhir.reading.read import read_request
from ebbmark.fhir.reading.request import RequestContext
from ebbmark.fhir.writing.identity import identity, input_digest, titration_basis
from ebbmark.fhir.writing.validate import validate
from ebbmark.fhir.writing.write import write_bundle, write_bundle_bytes
from ebbmark.physiology.advice import advise
from ebbmark.physiology.closing.estimator import estimate_closing
from ebbmark.physiology.closing.result import CurveStep
from ebbmark.physiology.trial.reading import read_trial
from ebbmark.physiology.trial.steps import NoTrial
from ebbmark.settings import Settings
from ebbmark.use_cases.questions import answer_request
from ebbmark.web.app import create_app


@dataclass(frozen=True, slots=True)
class Case:
    """One size of request, and how many times `orjson.loads` of its body the whole function may take."""

    name: str
    body: bytes
    aim: float


CASES = (
    Case("60 Observations", single_values(60, steps=5), 15.0),
    Case("200 Observations", single_values(200), 8.0),
    Case("1,000 Observations", single_values(1000), 1.2),
    Case("20 panels of 6", panels(20), 15.0),
)
STAGES_OF = CASES[1]


def whole_ms(case: Case, *, rounds: int, collector: bool) -> dict[str, float]:
    """Processor time [ms] of the whole function and of what it is compared with, for one request."""
    asked = question_of(case.body, AT_S)
    return medians_ms(
        {
            "ebbmark": caller(create_app(Settings()), "/fhir/$titrate-peep", case.body),
            "json.loads": lambda: json.loads(case.body),
            "orjson.loads": lambda: orjson.loads(case.body),
            "echo": caller(echo_app(), "/echo", case.body),
            "models way": lambda: models_way(case.body, asked, AT_S),
            "models decode": lambda: models_decode(case.body),
        },
        rounds=rounds,
        collector=collector,
    )


def stages_ms(case: Case, *, rounds: int) -> dict[str, float]:
    """Processor time [ms] of each stage alone, each on the result of the one before; collector off."""
    request = read_request(TITRATE_PEEP, case.body, RequestContext(AT_S))
    trial = read_trial(request.readings, request.protocol)
    if isinstance(trial, NoTrial):
        raise TypeError(f"the benchmark's own trial cannot be read: {trial.found}")
    curve = [
        CurveStep(step.peep_cmh2o, tuple(sample.compliance_ml_per_cmh2o for sample in step.samples), trial.resolution)
        for step in trial.steps
    ]
    closing = estimate_closing(curve, fall=request.protocol.fall)
    answer = answer_request(TITRATE_PEEP, case.body, RequestContext(AT_S))
    bundle = write_bundle(answer, recorded_s=AT_S)
    calls: dict[str, Callable[[], object]] = {
        "read: bytes to readings": lambda: read_request(TITRATE_PEEP, case.body, RequestContext(AT_S)),
        "trial: readings to steps": lambda: read_trial(request.readings, request.protocol),
        "closing: steps to estimate": lambda: estimate_closing(curve, fall=request.protocol.fall),
        "advice": lambda: advise(
            height_cm=request.known_person.height_cm,
            sex=request.known_person.sex,
            trial=trial,
            closing=closing,
            protocol=request.protocol,
        ),
        "identity": lambda: identity(titration_basis(request), input_digest(request), answer.engine_version),
        "write: answer to bytes": lambda: write_bundle_bytes(answer, recorded_s=AT_S),
        "all of these": lambda: write_bundle_bytes(
            answer_request(TITRATE_PEEP, case.body, RequestContext(AT_S)), recorded_s=AT_S
        ),
        "(before a write-back only) validate": lambda: validate(bundle),
    }
    return medians_ms(calls, rounds=rounds, collector=False)


def curve_ms(steps: int, readings: int, *, rounds: int) -> float:
    """Processor time [ms] of the estimate alone, for a limb of so many steps of so many readings each."""
    top = 0.65 * steps
    curve = [
        CurveStep(
            2.0 * (steps - step) + 4,
            tuple(40.0 + min(step, top) - 4.0 * max(0.0, step - top) + 0.3 * (n % 3 - 1) for n in range(readings)),
            0.0,
        )
        for step in range(steps)
    ]
    return medians_ms({"estimate": lambda: estimate_closing(curve)}, rounds=rounds, collector=False)["estimate"]
