"""Simulates a year of an invented hospital as NDJSON, with the truth beside it, to review and to test the review with.

Patients, ventilator rows, PEEP trials of simulated lungs, artefacts, stored answers with Provenance and signature, what
was set afterwards, amendments and tampering. Each patient follows from the seed and their own number alone. No person
stands behind these numbers: how often something happens was made up; the lungs are those of `physiology.lung`.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import cast

import msgspec
import numpy as np

from ebbmark.fhir.codesystem import OVERRIDE_REASONS
from ebbmark.fhir.operations import TITRATE_PEEP
from ebbmark.fhir.problems import Rejected
from ebbmark.fhir.reading.question import RequestContext
from ebbmark.fhir.times import instant
from ebbmark.fhir.writing.transaction import as_transaction
from ebbmark.keys import SigningKey
from ebbmark.physiology.lung import Lung, SimulatedPhase, Staircase, Thresholds, simulate_trial
from ebbmark.use_cases.questions import answer_request
from ebbmark.use_cases.recording import answer_bundle

Json = dict[str, object]

UNITS = ("North", "East", "South", "West", "Harbour")
"""Of the invented hospital; West charts no plateau pressure from September on: a change to be found."""
FATES = ("same", "amended", "tampered", "signature-broken")
FOLLOWED = {"North": 0.8, "East": 0.75, "South": 0.45, "West": 0.75, "Harbour": 0.7}
REASONS = (*(code for code, _, _ in OVERRIDE_REASONS), "other", "")
YEAR_S = 365 * 86_400.0
STEP_S = 120.0
FROM_SEPTEMBER_S = 243 * 86_400.0
LOINC, UCUM = "http://loinc.org", "http://unitsofmeasure.org"
CODES = {
    "height": ("8302-2", "cm"),
    "peep": ("20077-4", "cm[H2O]"),
    "expired": ("76007-4", "mL"),
    "plateau": ("76259-1", "cm[H2O]"),
    "peak": ("76531-3", "cm[H2O]"),
    "rate": ("19834-1", "/min"),
    "fio2": ("19994-3", "%"),
    "spo2": ("59408-5", "%"),
    "map": ("76214-6", "mm[Hg]"),
    "heart_rate": ("8867-4", "/min"),
    "pao2": ("2703-7", "mm[Hg]"),
}
AFTER_H = (0.2, 0.5, 1.0, 2.0, 4.0, 8.0, 12.0, 16.0, 20.0, 24.0, 25.0)
LINES_PER_FILE = 20_000


@dataclass(frozen=True, slots=True)
class Chances:
    """How often something happens; made up.

    Attributes:
        fates: of each of FATES, for a stored answer.
        no_height: that a patient's height was not charted.
        answered: that an answer was asked for and stored.
    """

    fates: tuple[float, float, float, float] = (0.88, 0.06, 0.03, 0.03)
    no_height: float = 0.03
    answered: float = 0.85


@dataclass(frozen=True, slots=True)
class TrialTruth:
    """What was put into one trial.

    Attributes:
        start_s, end_s: first and last row [s since 1970-01-01T00:00:00Z].
        plateau: whether plateau pressure was charted.
        gases: whether a blood gas was taken at each step.
        card: what the log line of the card's feedback says, `accepted|` or `overridden|reason`; empty for none.
        fate: what became of the stored answer (one of FATES); empty where none was stored.
        suggested_cmh2o: by the stored answer.
        set_after_cmh2o, next_day_cmh2o: PEEP one hour and one day later.
    """

    start_s: float
    end_s: float
    steps: int
    plateau: bool
    gases: bool
    card: str
    fate: str
    suggested_cmh2o: float | None
    set_after_cmh2o: float
    next_day_cmh2o: float


@dataclass(frozen=True, slots=True)
class PatientTruth:
    """What was put into one patient; `height` is False where none was charted, so that no trial can be answered."""

    patient: str
    unit: str
    height: bool
    trials: tuple[TrialTruth, ...]


@dataclass(slots=True)
class _Chart:
    """The record of one patient as it grows."""

    who: str
    resources: list[Json] = field(default_factory=list)

    def row(self, at_s: float, **values: float | None) -> Json:
        """One charted row; None for what was not charted."""
        parts = [
            {
                "code": {"coding": [{"system": LOINC, "code": CODES[name][0]}]},
                "valueQuantity": {"value": value, "system": UCUM, "code": CODES[name][1]},
            }
            for name, value in values.items()
            if value is not None
        ]
        made: Json = {
            "resourceType": "Observation",
            "id": f"{self.who}-{len(self.resources)}",
            "meta": {"versionId": "1"},
            "status": "final",
            "code": {"text": "Charted row"},
            "subject": {"reference": f"Patient/{self.who}"},
            "effectiveDateTime": instant(at_s),
        }
        made.update(parts[0] if len(parts) == 1 else {"component": parts})
        self.resources.append(made)
        return made


def simulate_year(
    folder: Path, *, patients: int, seed: int, from_s: float, key: SigningKey | None, chances: Chances = Chances()
) -> Iterator[int]:
    """Write the year into `folder/record`, and the truth into `folder/truth.ndjson`; yields patients done.

    Args:
        folder: is made where it is not there.
        seed: same seed, same patients; with a key of RSA also the same bytes.
        from_s: the year's first instant [s since 1970-01-01T00:00:00Z].
        key: answers are signed with it; None for unsigned ones.
    """
    record = folder / "record"
    record.mkdir(parents=True, exist_ok=True)
    written: dict[str, int] = {}
    with (folder / "truth.ndjson").open("wb") as truth:
        for number in range(patients):
            resources, told = simulate_patient(number, seed=seed, from_s=from_s, key=key, chances=chances)
            truth.write(msgspec.json.encode(asdict(told)) + b"\n")
            by_type: dict[str, list[bytes]] = {}
            for told_of in (one for one in told.trials if one.card):
                outcome, reason = told_of.card.split("|")
                line = {
                    "event": "cds-feedback",
                    "at": instant(told_of.end_s + 900),
                    "outcome": outcome,
                    "reason": reason,
                }
                by_type.setdefault("cds-feedback", []).append(msgspec.json.encode(line))
            for one in resources:
                if one["resourceType"] == "Device" and written.get("Device"):
                    continue  # the record holds the Device of one software version once
                by_type.setdefault(str(one["resourceType"]), []).append(msgspec.json.encode(one))
            for kind, lines in by_type.items():
                place = record / f"{kind}.{written.get(kind, 0) // LINES_PER_FILE:04}.ndjson"
                with place.open("ab" if written.get(kind, 0) % LINES_PER_FILE else "wb") as file:
                    file.write(b"\n".join(lines) + b"\n")
                # A patient's lines stay in one file, which may so grow a little longer.
                before, now = written.get(kind, 0), written.get(kind, 0) + len(lines)
                crossed = now // LINES_PER_FILE > before // LINES_PER_FILE
                written[kind] = now // LINES_PER_FILE * LINES_PER_FILE if crossed else now
            yield number + 1


def simulate_patient(
    number: int, *, seed: int, from_s: float, key: SigningKey | None, chances: Chances = Chances()
) -> tuple[list[Json], PatientTruth]:
    """One patient: every resource of theirs, and the truth.

    Args:
        from_s: the year's first instant [s since 1970-01-01T00:00:00Z].
        key: answers are signed with it.
    """
    chance = np.random.default_rng([seed, number])
    chart = _Chart(f"p{number:07}")
    unit = UNITS[int(chance.choice(len(UNITS), p=(0.3, 0.25, 0.2, 0.15, 0.1)))]
    sex = ("female", "male")[int(chance.integers(2))]
    admitted_s = from_s + float(np.round(chance.uniform(0, YEAR_S - 12 * 86_400)))
    patient: Json = {
        "resourceType": "Patient",
        "id": chart.who,
        "meta": {"versionId": "1"},
        "gender": sex,
        "birthDate": str(int(chance.integers(1940, 2000))),
    }
    stay: Json = {
        "resourceType": "Encounter",
        "id": f"{chart.who}-stay",
        "meta": {"versionId": "1"},
        "status": "finished",
        "class": {"system": "http://terminology.hl7.org/CodeSystem/v3-ActCode", "code": "IMP"},
        "subject": {"reference": f"Patient/{chart.who}"},
        "period": {"start": instant(admitted_s), "end": instant(admitted_s + 11 * 86_400)},
        "location": [{"location": {"display": unit}}],
    }
    chart.resources += [patient, stay]
    height = bool(chance.random() >= chances.no_height)
    if height:
        mean = 176.0 if sex == "male" else 164.0
        chart.row(admitted_s + 600, height=round(float(chance.normal(mean, 6.0))))
    lung, volume = _lung(chance), round(float(chance.uniform(330, 450)))
    trials: list[TrialTruth] = []
    start_s = admitted_s + 7200
    for _ in range(int(chance.choice((1, 2, 3), p=(0.6, 0.3, 0.1)))):
        plateau = not (unit == "West" and start_s - from_s >= FROM_SEPTEMBER_S)
        trials.append(_trial(chart, chance, chances, lung, volume, start_s, FOLLOWED[unit], plateau=plateau, key=key))
        start_s = trials[-1].end_s + float(np.round(chance.uniform(40, 90) * 3600))
    return chart.resources, PatientTruth(chart.who, unit, height, tuple(trials))


def _lung(chance: np.random.Generator) -> Lung:
    return Lung(
        opening=Thresholds(float(chance.uniform(14, 22)), 5.0),
        closing=Thresholds(float(chance.uniform(2, 9)), float(chance.uniform(0.6, 2.0))),
        superimposed_cmh2o=float(chance.uniform(2, 6)),
        half_pressure_cmh2o=float(chance.uniform(7, 12)),
        capacity_ml=float(chance.uniform(2200, 3600)),
        layers=12,
        units_per_layer=24,
    )


def _trial(
    chart: _Chart,
    chance: np.random.Generator,
    chances: Chances,
    lung: Lung,
    volume: float,
    start_s: float,
    followed: float,
    *,
    plateau: bool,
    key: SigningKey | None,
) -> TrialTruth:
    """One trial with what came before and after."""
    top = (18.0, 20.0)[int(chance.integers(2))]
    peeps = tuple(float(peep) for peep in np.arange(top, (5.0, 7.0)[int(chance.integers(2))], -2.0))
    gases = bool(chance.random() < 0.4)
    first = len(chart.resources)
    steps = simulate_trial(lung, Staircase(decremental_cmh2o=peeps, tidal_volume_ml=volume, breaths=4))
    baseline, limb = steps[0], [one for one in steps if one.phase is SimulatedPhase.DECREMENTAL]
    vitals = {"spo2": 91.0, "map": 78.0, "heart_rate": 96.0, "fio2": 60.0}
    for minutes in (-40, -20):
        pressure = round(baseline.plateau_cmh2o, 1) if plateau else None
        chart.row(start_s + 60 * minutes, peep=baseline.peep_cmh2o, expired=volume, plateau=pressure, rate=22, **vitals)
    at_s = start_s
    for step in limb:
        chart.row(at_s, peep=step.peep_cmh2o)
        for later_s in (45.0, 95.0):
            cough = 9.0 if chance.random() < 0.01 else 0.0
            measured = round(step.plateau_cmh2o + float(chance.normal(0, 0.12)) + cough, 1)
            chart.row(
                at_s + later_s,
                peep=step.peep_cmh2o,
                expired=round(volume + float(chance.normal(0, 3.0))),
                plateau=measured if plateau else None,
                peak=None if plateau else round(measured + step.peak_cmh2o - step.plateau_cmh2o, 1),
                spo2=round(min(88 + 9 * step.open_fraction, 98.0)),
                map=round(74 + float(chance.normal(0, 1.5))),
                heart_rate=round(95 + float(chance.normal(0, 2.0))),
                fio2=60.0,
            )
        if gases:
            chart.row(at_s + 100, pao2=round(62 + 120 * step.open_fraction + float(chance.normal(0, 1.5)), 1))
        at_s += STEP_S
    end_s = at_s - STEP_S + 95.0
    inputs = [*chart.resources[:1], *[one for one in chart.resources[1:3] if "valueQuantity" in one]]
    inputs += chart.resources[first:]
    suggested, fate = None, ""
    if chance.random() < chances.answered:
        stored, suggested = recorded_answer(chart.who, inputs, RequestContext(end_s + 60), key)
        if stored:
            fate = FATES[int(chance.choice(len(FATES), p=chances.fates))]
            chart.resources += _spoiled(stored, fate, signed=key is not None)
            if fate == "amended":
                chart.resources.append(_amended(inputs[-2 if gases else -1]))
    usual = 10.0 if suggested is None else suggested
    taken = bool(chance.random() < followed)
    after = usual if taken else max(5.0, usual - float(chance.choice((2.0, 4.0))))
    next_day = max(5.0, after - (2.0 if chance.random() < 0.3 else 0.0))
    for hours in AFTER_H:
        now = after if hours < 20 else next_day
        chart.row(end_s + 3600 * hours, peep=now, expired=volume, rate=22, **vitals)
    card = ""
    if suggested is not None and chance.random() < 0.6:
        reason = "" if taken else REASONS[int(chance.integers(len(REASONS)))]
        card = f"{'accepted' if taken else 'overridden'}|{reason}"
    return TrialTruth(start_s, end_s, len(limb), plateau, gases, card, fate, suggested, after, next_day)


def recorded_answer(
    who: str, inputs: list[Json], context: RequestContext, key: SigningKey | None
) -> tuple[list[Json], float | None]:
    """The answer that the service gives, as a record stores it, and the PEEP that it suggests."""
    bundle = {"resourceType": "Bundle", "type": "collection", "entry": [{"resource": one} for one in inputs]}
    try:
        answer = answer_request(TITRATE_PEEP, msgspec.json.encode(bundle), context)
    except Rejected:
        return [], None
    made = answer_bundle(answer, at_s=context.at_s, signer=key)
    entries = cast("list[Json]", as_transaction(made, f"Patient/{who}")["entry"])
    text = msgspec.json.encode([{**cast("Json", one["resource"]), "meta": _meta(one)} for one in entries]).decode()
    names = []
    for one in entries:
        kind, url = str(cast("Json", one["resource"])["resourceType"]), str(one["fullUrl"])
        # A Device stands for this version of the software, and not for one answer.
        name = "software" if kind == "Device" else url.removeprefix("urn:uuid:")
        text = text.replace(f'"{url}"', f'"{kind}/{name}"')
        names.append(name)
    resources = msgspec.json.decode(text, type=list[Json])
    stored = [{"id": name, **one} for name, one in zip(names, resources, strict=True)]
    return stored, answer.titration.advice.suggested_peep_cmh2o


def _meta(entry: Json) -> Json:
    return {**cast("Json", cast("Json", entry["resource"]).get("meta", {})), "versionId": "1"}


def _spoiled(stored: list[Json], fate: str, *, signed: bool) -> list[Json]:
    """The stored answer after somebody changed a value of it, or its signature."""
    if fate == "tampered":
        weight = next(one for one in stored if "predicted-body-weight" in str(one.get("identifier")))
        quantity = cast("Json", weight["valueQuantity"])
        quantity["value"] = round(float(cast("float", quantity["value"])) + 5.0, 1)
    if fate == "signature-broken" and signed:
        provenance = next(one for one in stored if one["resourceType"] == "Provenance")
        signature = cast("list[Json]", provenance["signature"])[0]
        data = str(signature["data"])
        signature["data"] = data[:-12] + ("A" if data[-12] != "A" else "B") + data[-11:]
    return stored


def _amended(row: Json) -> Json:
    """A later version of a charted row, one of whose values was corrected."""
    parts = [dict(one) for one in cast("list[Json]", row["component"])]
    volume = parts[1]
    quantity = cast("Json", volume["valueQuantity"])
    volume["valueQuantity"] = {**quantity, "value": float(cast("float", quantity["value"])) + 4.0}
    return {**row, "meta": {"versionId": "2"}, "status": "amended", "component": parts}
