"""Each line of fixtures/dangerous-trials.ndjson: what is sent beyond the textbook trial, and what must be said of it.

A line holds: `name`; `curve` as [PEEP, compliance] per step (closing at 10 where it is left out); `beside`, one value
per quantity, or one per PEEP; `more`, values at a minute of the trial; `resources` and `patient` in FHIR R4, with
`minute:N` for an instant; the `number` that is suggested (null: none); the findings in `finds` by their weight; words
in `says`; words that the line holds (`in_line`) or must not hold (`not_in_line`); or the kind of the refusal in
`refused`.
"""

from __future__ import annotations

import json
import re
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest

from bedside_builders import charted, rows_down, stamp
from ebbmark.fhir.answer import Answer
from ebbmark.fhir.operations import BY_SLUG, OPERATIONS, TITRATE_PEEP
from ebbmark.fhir.problems import ProblemKind, Rejected
from ebbmark.fhir.reading.request import RequestContext
from ebbmark.use_cases.questions import answer_request
from fhir_builders import Json, bundle, height, patient, to_bytes

TABLE = Path(__file__).parents[2] / "fixtures" / "dangerous-trials.ndjson"
CASES = [json.loads(line) for line in TABLE.read_text(encoding="utf-8").splitlines()]
CURVE = ((20.0, 38.0), (18.0, 40.0), (16.0, 41.0), (14.0, 42.0), (12.0, 41.5), (10.0, 36.0), (8.0, 31.0), (6.0, 27.0))
CALM = {"spo2": 93.0, "map": 74.0, "systolic": 112.0, "heart_rate": 90.0, "rate": 22.0, "breathed": 22.0}
NOW = datetime.fromisoformat("2026-03-01T11:00:00Z").timestamp()


def sent(case: dict[str, Any]) -> bytes:
    """The textbook trial with what the case adds."""
    curve = [tuple(one) for one in case.get("curve", CURVE)]
    beside = CALM | case.get("beside", {})
    rows: list[Json] = []
    for place, (peep, _) in enumerate(curve):
        values = {name: value for name, given in beside.items() if (value := _at(given, peep)) is not None}
        rows.append(charted(stamp(2 * place + 1.3), f"beside-{place}", values))
    for place, one in enumerate(case.get("more", ())):
        values = {name: value for name, value in one.items() if name != "minute"}
        rows.append(charted(stamp(one["minute"]), f"more-{place}", values))
    whole = json.dumps([*case.get("resources", ()), case.get("patient", {})])
    *resources, about = json.loads(re.sub(r"minute:(-?[\d.]+)", lambda found: stamp(float(found[1])), whole))
    return to_bytes(bundle({**patient(), **about}, height(), *rows_down(curve), *rows, *resources))


def _at(given: object, peep: float) -> float | None:
    value = given.get(f"{peep:g}") if isinstance(given, dict) else given
    return None if value is None else float(str(value))


def everything(found: Answer) -> str:
    return " ".join(
        [
            found.titration.advice.rationale,
            *(caution.text for caution in found.titration.advice.cautions if caution.of_this_patient),
        ]
    )


@pytest.mark.parametrize("case", CASES, ids=lambda case: case["name"])
def test_the_dangerous_trial_is_answered_with_care(case: dict[str, Any]) -> None:
    if "refused" in case:
        with pytest.raises(Rejected) as refused:
            answer_request(TITRATE_PEEP, sent(case), RequestContext(NOW))
        assert [problem.kind.slug for problem in refused.value.problems] == [case["refused"]]
        assert not any(words in refused.value.problems[0].sentence for words in case.get("never_says", ()))
        return
    found = answer_request(TITRATE_PEEP, sent(case), RequestContext(NOW))
    findings = {finding.slug: finding.weight.value for finding in found.titration.findings}

    assert found.titration.advice.suggested_peep_cmh2o == case["number"], found.titration.advice.rationale
    assert case["finds"].items() <= findings.items()
    assert findings.keys().isdisjoint(case.get("finds_not", ()))
    for words in case.get("says", ()):
        assert words in everything(found)
    assert case.get("in_line", "") in found.short.line
    assert "not_in_line" not in case or case["not_in_line"] not in found.short.line
    assert "full answer says why" not in " ".join(found.short.reasons)
    assert all(len(reason.split()) <= 25 for reason in found.titration.advice.because)
    assert set(found.titration.advice.because[:1]) <= {found.short.sure, *found.short.reasons}


def test_the_textbook_trial_in_a_calm_patient_has_its_number_and_nothing_against_it() -> None:
    found = answer_request(TITRATE_PEEP, sent({}), RequestContext(NOW))

    assert (found.titration.advice.suggested_peep_cmh2o, found.titration.findings) == (12.0, ())


@pytest.mark.parametrize("slug", [one.slug for one in OPERATIONS])
@pytest.mark.parametrize("died", [{"deceasedBoolean": True}, {"deceasedDateTime": "minute:-120"}])
def test_no_other_question_is_answered_of_a_patient_who_has_died(slug: str, died: Json) -> None:
    body = sent({"patient": died})
    with pytest.raises(Rejected) as refused:
        answer_request(BY_SLUG[slug], body, RequestContext(NOW))
    assert [problem.kind for problem in refused.value.problems] == [ProblemKind.PATIENT_DIED]


def test_a_death_after_the_request_is_a_high_caution_and_takes_no_number() -> None:
    found = answer_request(TITRATE_PEEP, sent({"patient": {"deceasedDateTime": "2026-03-03"}}), RequestContext(NOW))

    assert found.titration.advice.suggested_peep_cmh2o == 12.0
    assert [(finding.slug, finding.weight.value) for finding in found.titration.findings] == [("patient-died", "high")]
