"""Learning: a simulated lung whose PEEP is lowered step by step, answered by the use cases that answer a trial.

Pure of state: lung, number of steps and seed stand in the address, and the same address gives the same page. The lung
is `physiology.lung`; what is laid over it (measurement error, leak, effort) is this project's choice, for teaching.
"""

from __future__ import annotations

import asyncio
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from functools import cache
from typing import Final

import msgspec
import numpy as np
from fastapi import Request, Response
from markupsafe import Markup

from ebbmark.fhir.answer import Answer, Coded
from ebbmark.fhir.naming import LOINC, MDC
from ebbmark.fhir.operations import BY_SLUG, TITRATE_PEEP
from ebbmark.fhir.problems import Rejected
from ebbmark.fhir.reading.request import RequestContext, Site
from ebbmark.fhir.times import instant
from ebbmark.physiology.lung import Lung, SimulatedPhase, SimulatedStep, Staircase, Thresholds, simulate_trial
from ebbmark.physiology.readings import Quantity
from ebbmark.use_cases.questions import answer_request
from ebbmark.views.figure import figure_of, running_figure_of
from ebbmark.views.picture import inline_of, words_of
from ebbmark.web.page.frame import Drawn, Pages
from ebbmark.web.page.words import clinical_sentences, clock
from ebbmark.web.theme import PageRefused, page_response
from ebbmark.words.messages import say

Json = dict[str, object]

STEPS_CMH2O: Final = (20.0, 18.0, 16.0, 14.0, 12.0, 10.0, 8.0, 6.0)
"""Set PEEP of the simulated way down."""

BEFORE_S, STEP_S, READ_AT_S, ASKED_AFTER_S = 600.0, 120.0, (60.0, 85.0, 110.0), 115.0
VOLUME_ML, RATE = 420.0, 22.0
STARTS_S: Final = datetime(2026, 3, 9, 9, 0, tzinfo=UTC).timestamp()
VITAL_SIGNS: Final = {Quantity.SPO2: 94.0, Quantity.MEAN_ARTERIAL_PRESSURE: 75.0, Quantity.HEART_RATE: 90.0}
"""Held constant: the model is of the lung alone."""

_LUNG: Final = Lung(
    opening=Thresholds(16.0, 4.0),
    closing=Thresholds(4.5, 0.6),
    superimposed_cmh2o=2.0,
    half_pressure_cmh2o=9.0,
    capacity_ml=2400.0,
    layers=12,
    units_per_layer=24,
)


@dataclass(frozen=True, slots=True)
class Case:
    """One invented lung and what disturbs its readings.

    Attributes:
        error_cmh2o: standard deviation of a plateau reading.
        error_ml: standard deviation of a volume reading.
        leak_share: of the inspired volume that is not breathed out, from the fifth step on.
        extra_breaths: triggered by effort, above the set rate [/min].
        effort_cmh2o: by which effort lowers each plateau reading, at most.
        whole: readings are charted in whole numbers.
    """

    slug: str
    lung: Lung = _LUNG
    error_cmh2o: float = 0.12
    error_ml: float = 3.0
    leak_share: float = 0.0
    extra_breaths: float = 0.0
    effort_cmh2o: float = 0.0
    whole: bool = False


CASES: Final = (
    Case("typical"),
    Case("gradual", replace(_LUNG, closing=Thresholds(3.5, 3.0), superimposed_cmh2o=7.0)),
    Case(
        "never-reached", replace(_LUNG, closing=Thresholds(0.5, 0.5), superimposed_cmh2o=1.0, half_pressure_cmh2o=14.0)
    ),
    Case("leak", leak_share=0.3),
    Case("effort", extra_breaths=9.0, effort_cmh2o=1.0),
    Case("air-trapping", replace(_LUNG, intrinsic_peep_cmh2o=4.0)),
    Case("noise", error_cmh2o=1.0, error_ml=15.0, whole=True),
)
_BY_SLUG: Final = {one.slug: one for one in CASES}
LEAKS_FROM: Final = 4
"""Place of the first step with the leak."""

_CODES: Final = {
    Quantity.PEEP_SET: (LOINC, "20077-4"),
    Quantity.PEEP_TOTAL: (MDC, "152788"),
    Quantity.PLATEAU_PRESSURE: (LOINC, "76259-1"),
    Quantity.TIDAL_VOLUME_INSPIRED: (LOINC, "20109-5"),
    Quantity.TIDAL_VOLUME_EXPIRED: (LOINC, "76007-4"),
    Quantity.RESPIRATORY_RATE_SET: (LOINC, "19834-1"),
    Quantity.RESPIRATORY_RATE: (LOINC, "19840-8"),
    Quantity.SPO2: (LOINC, "59408-5"),
    Quantity.MEAN_ARTERIAL_PRESSURE: (LOINC, "8478-0"),
    Quantity.HEART_RATE: (LOINC, "8867-4"),
}
_SHOWN: Final = (
    Quantity.PEEP_SET,
    Quantity.PEEP_TOTAL,
    Quantity.PLATEAU_PRESSURE,
    Quantity.TIDAL_VOLUME_INSPIRED,
    Quantity.TIDAL_VOLUME_EXPIRED,
    Quantity.RESPIRATORY_RATE,
)
Row = tuple[float, dict[Quantity, float]]


@dataclass(frozen=True, slots=True)
class _State:
    """What the address says: which lung, how many steps of the way down, the seed, and whether the trial has ended."""

    case: Case
    steps: int
    seed: int
    ended: bool

    def address(self, *, steps: int, ended: bool = False) -> str:
        end = "&end=yes" if ended else ""
        return f"?lung={self.case.slug}&seed={self.seed}&steps={steps}{end}"


_WHOLE: Final = re.compile(r"[0-9]{1,4}")
_TAKEN: Final = ("lung", "seed", "steps", "end")


def _state_of(request: Request) -> _State:
    given = request.query_params.multi_items()
    for name, value in given:
        if name not in _TAKEN:
            raise _refused("unknown", name=name[:40], accepted=", ".join(_TAKEN))
        if sum(other == name for other, _ in given) > 1:
            raise _refused("repeated", name=name)
        if name == "end" and value != "yes":
            raise _refused("value", name=name, found=value[:40], accepted="yes")
    query = dict(given)
    case = _BY_SLUG.get(query.get("lung", CASES[0].slug))
    if case is None:
        raise _refused("value", name="lung", found=query["lung"][:40], accepted=", ".join(_BY_SLUG))
    steps = _whole(query, "steps", 1, len(STEPS_CMH2O))
    return _State(case, steps, _whole(query, "seed", 1, 9999), "end" in query)


def _whole(query: dict[str, str], name: str, low: int, high: int) -> int:
    text = query.get(name, f"{low}")
    if not _WHOLE.fullmatch(text) or not low <= int(text) <= high:
        raise _refused("value", name=name, found=text[:40], accepted=f"{low} to {high}")
    return int(text)


def _refused(which: str, **values: str) -> PageRefused:
    return PageRefused(
        400,
        say("learning.refused"),
        say(f"learning.refused-{which}", **values),
        todo=(say("learning.refused-todo"),),
    )


async def show_learning(request: Request, site: Site, pages: Pages) -> Response:
    """The page, as its address says.

    Args:
        request: lung, seed, steps and end in its query; nothing else of it is used.
    """
    state = _state_of(request)
    rows = await asyncio.to_thread(_rows, state)
    answer, refusal = await asyncio.to_thread(_answered, state, rows, site)
    body = pages.body(
        "learning.html",
        invented=say("learning.banner"),
        cases=[(one.slug, *_named(one)) for one in CASES],
        chosen=state.case.slug,
        about=_named(state.case)[1],
        seed=state.seed,
        step=say("learning.step", step=state.steps, of=len(STEPS_CMH2O), peep=f"{STEPS_CMH2O[state.steps - 1]:g}"),
        asked=say("learning.asked-titrate" if state.ended else "learning.asked-next"),
        short=answer.short if answer else None,
        refusal=refusal,
        links=_links(state, stop=_stops(answer)),
        drawn=await asyncio.to_thread(_drawn, answer, state) if answer else None,
        heads=[say("learning.time"), *[say(f"learning.{one.slug}") for one in _SHOWN]],
        rows=[
            (clock(at_s, UTC), *[f"{values[one]:g}" if one in values else "-" for one in _SHOWN])
            for at_s, values in rows
        ],
    )
    return page_response(body, frame_ancestors=pages.frame_ancestors)


def _named(case: Case) -> tuple[str, str]:
    return say(f"learning.{case.slug}-title"), say(f"learning.{case.slug}-about")


def _links(state: _State, *, stop: bool) -> list[tuple[str, str]]:
    """What can be done next; lowering PEEP against a stop stands last and says so."""
    again = (state.address(steps=1), say("learning.again"))
    if state.ended:
        return [(state.address(steps=state.steps), say("learning.back")), again]
    links = [(state.address(steps=state.steps, ended=True), say("learning.end"))]
    if state.steps > 1:
        links += [(state.address(steps=state.steps - 1), say("learning.back")), again]
    if state.steps < len(STEPS_CMH2O):
        words = say("learning.lower-despite-stop" if stop else "learning.lower", peep=f"{STEPS_CMH2O[state.steps]:g}")
        links.insert(len(links) if stop else 0, (state.address(steps=state.steps + 1), words))
    return links


def _stops(answer: Answer | None) -> bool:
    return answer is not None and any(
        statement.code == "next-step" and statement.value == Coded("stop-criterion-met")
        for statement in answer.statements
    )


def _answered(state: _State, rows: Sequence[Row], site: Site) -> tuple[Answer | None, str]:
    """What the service says, as of any request; or why it says nothing."""
    at_s = STARTS_S + STEP_S * (state.steps - 1) + ASKED_AFTER_S
    operation = TITRATE_PEEP if state.ended else BY_SLUG["next-step"]
    try:
        return answer_request(operation, _request(rows, at_s), RequestContext(at_s, site)), ""
    except Rejected as rejected:
        return None, " ".join(clinical_sentences(rejected.problems))


def _drawn(answer: Answer, state: _State) -> Drawn | None:
    figure = figure_of(answer) if state.ended else running_figure_of(answer)
    if figure is None:
        return None
    mark = say("learning.mark")
    inline = inline_of(figure, f"{mark}: {words_of(figure)}", mark=mark)
    # Markup that was made here; what others wrote in it is escaped there.
    return Drawn(Markup(inline.wide), Markup(inline.narrow))  # noqa: S704


@cache
def _simulated(lung: Lung) -> tuple[SimulatedStep, ...]:
    """The breath before the trial, and those of the way down."""
    trial = Staircase(decremental_cmh2o=STEPS_CMH2O, tidal_volume_ml=VOLUME_ML, breaths=4)
    shown = (SimulatedPhase.BASELINE, SimulatedPhase.DECREMENTAL)
    return tuple(one for one in simulate_trial(lung, trial) if one.phase in shown)


def _rows(state: _State) -> list[Row]:
    """The rows charted so far: one before the trial, then each setting of PEEP and the readings at it."""
    case, chance = state.case, np.random.default_rng(state.seed)
    before, *limb = _simulated(case.lung)
    rows = [(STARTS_S - BEFORE_S, {Quantity.PEEP_SET: before.peep_cmh2o, **_reading(case, before, 0.0, chance)})]
    for place, step in enumerate(limb[: state.steps]):
        begins_s = STARTS_S + STEP_S * place
        rows.append((begins_s, {Quantity.PEEP_SET: step.peep_cmh2o}))
        lost = case.leak_share if place >= LEAKS_FROM else 0.0
        rows += [(begins_s + later_s, _reading(case, step, lost, chance)) for later_s in READ_AT_S]
    return rows


def _reading(case: Case, step: SimulatedStep, lost: float, chance: np.random.Generator) -> dict[Quantity, float]:
    plateau = step.plateau_cmh2o + chance.normal(0, case.error_cmh2o) - chance.uniform(0, case.effort_cmh2o)
    inspired = VOLUME_ML + chance.normal(0, case.error_ml)
    values = {
        Quantity.PLATEAU_PRESSURE: round(float(plateau), 0 if case.whole else 1),
        Quantity.TIDAL_VOLUME_INSPIRED: float(round(inspired)),
        Quantity.TIDAL_VOLUME_EXPIRED: float(round(inspired * (1 - lost))),
        Quantity.RESPIRATORY_RATE_SET: RATE,
        Quantity.RESPIRATORY_RATE: RATE + case.extra_breaths,
        **VITAL_SIGNS,
    }
    if step.total_peep_cmh2o > step.peep_cmh2o:
        values[Quantity.PEEP_TOTAL] = step.total_peep_cmh2o
    return values


def _request(rows: Sequence[Row], at_s: float) -> bytes:
    """The rows as a request for an invented person of no name."""
    patient = {"resourceType": "Patient", "id": "simulated-lung", "gender": "male", "birthDate": "1970-01-01"}
    height = _observation(STARTS_S - 3600, (LOINC, "8302-2"), 175.0, "cm")
    charted = (one for at, values in rows for one in _charted(at, values))
    bundle = {
        "resourceType": "Bundle",
        "type": "collection",
        "entry": [{"resource": one} for one in (patient, height, *charted)],
    }
    given = [{"name": "bundle", "resource": bundle}, {"name": "as-of", "valueInstant": instant(at_s)}]
    return msgspec.json.encode({"resourceType": "Parameters", "parameter": given})


def _charted(at_s: float, values: dict[Quantity, float]) -> Iterator[Json]:
    for quantity, value in values.items():
        yield _observation(at_s, _CODES[quantity], value, quantity.unit)


def _observation(at_s: float, code: tuple[str, str], value: float, unit: str) -> Json:
    return {
        "resourceType": "Observation",
        "status": "final",
        "code": {"coding": [{"system": code[0], "code": code[1]}]},
        "subject": {"reference": "Patient/simulated-lung"},
        "effectiveDateTime": instant(at_s),
        "valueQuantity": {"value": value, "system": "http://unitsofmeasure.org", "code": unit},
    }
