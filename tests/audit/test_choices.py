"""What a caller or a site chose beside the data stands in the answer, is signed with it, and is used by a replay."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any, cast

import pytest

from audit.test_replay import AT_S, INPUTS, LATER_S, TALL, answer, copy_of, replayed
from audit.test_signature import KEY, PUBLISHED
from ebbmark.audit.comparison import ReplayOutcome
from ebbmark.audit.signature import Verified, sign, verify
from ebbmark.cli import main
from ebbmark.fhir.operations import TITRATE_PEEP
from ebbmark.fhir.reading.request import RequestContext
from ebbmark.fhir.reading.terminology import read_code_map
from ebbmark.fhir.writing.normal_form import resources_of
from ebbmark.fhir.writing.write import write_bundle
from ebbmark.use_cases.questions import answer_request
from ebbmark.use_cases.replay import replay
from fhir_builders import at, bundle, height, observation, parameters, patient, quantity, to_bytes, trial_observations

Json = dict[str, Any]
FIXTURES = Path(__file__).parents[2] / "fixtures"
PAIRS = sorted(path.parent for path in FIXTURES.glob("*/answer.json"))
SITE = "https://ward.example/codes"


def chosen_in(stored: Json) -> Json:
    (provenance,) = [one["resource"] for one in stored["entry"] if one["resource"]["resourceType"] == "Provenance"]
    (listed,) = provenance["contained"]
    return {one["name"]: next(value for name, value in one.items() if name != "name") for one in listed["parameter"]}


def code_map(**targets: str) -> Json:
    elements = [
        {"code": code, "target": [{"code": target, "equivalence": "equivalent"}]} for code, target in targets.items()
    ]
    group = {"source": SITE, "target": "http://loinc.org", "element": elements}
    return {"resourceType": "ConceptMap", "status": "active", "group": [group]}


def of_the_site(one: Json) -> Json:
    """The same Observation with the site's own code of its PEEP."""
    text = json.dumps(one).replace('"http://loinc.org", "code": "20077-4"', f'"{SITE}", "code": "P"')
    changed: Json = json.loads(text)
    return changed


LOCAL = [of_the_site(trial_observation) for trial_observation in trial_observations()]


@pytest.mark.parametrize("pair", PAIRS, ids=lambda pair: pair.name)
def test_every_fixture_is_the_same_when_replayed_from_its_request(
    pair: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["replay", str(pair / "answer.json"), "--inputs", str(pair / "request.json")]) == 0
    assert "The inputs give the same answer." in capsys.readouterr().out


@pytest.mark.parametrize("pair", PAIRS, ids=lambda pair: pair.name)
def test_every_fixture_is_the_same_when_replayed_from_its_resources_alone(pair: Path) -> None:
    request = json.loads((pair / "request.json").read_bytes())
    rows = request.get("parameter", [{"resource": request}])
    given = [row["resource"] for row in rows if row.get("resource", {}).get("resourceType") not in (None, "ConceptMap")]
    resources = [each for one in given for each in ([e["resource"] for e in one["entry"]] if "entry" in one else [one])]
    stored = json.loads((pair / "answer.json").read_bytes())

    outcome = replay(resources_of(stored), [("", resource) for resource in resources], RequestContext(LATER_S))

    assert (outcome.outcome, outcome.findings) == (ReplayOutcome.SAME, ())


def test_protocol_and_margin_are_listed_as_they_were_used() -> None:
    assert chosen_in(answer()) == {
        "protocol": "compliance-closing|1",
        "margin": {"value": 2.0, "unit": "cmH2O", "system": "http://unitsofmeasure.org", "code": "cm[H2O]"},
    }


def test_a_margin_finer_than_what_is_shown_is_used_again() -> None:
    stored = answer(margin=quantity(2.26))

    assert chosen_in(stored)["margin"]["value"] == 2.26
    assert replayed(stored).findings == ()


def test_a_peep_that_the_clinician_chose_is_listed_with_its_reason_and_replayed() -> None:
    stored = answer(chosen_peep=quantity(14), chosen_because="circulation")

    assert chosen_in(stored)["chosen-peep"]["value"] == 14
    assert chosen_in(stored)["chosen-because"] == "circulation"
    assert "Reason: Circulation asks for another PEEP." in json.dumps(stored)
    assert replayed(stored).findings == ()
    told = json.dumps(stored).replace("Reason: Circulation", "Reason: Oxygenation")
    assert replayed(json.loads(told)).outcome is ReplayOutcome.DIFFERENT


def test_a_chosen_peep_and_its_reason_cannot_be_changed_after_signing() -> None:
    signed = sign(answer(chosen_peep=quantity(14), chosen_because="circulation"), key=KEY)
    assert verify(resources_of(signed), PUBLISHED).verified is Verified.VALID
    other_peep = json.loads(json.dumps(signed))
    chosen_in(other_peep)["chosen-peep"]["value"] = 16
    other_reason = json.loads(json.dumps(signed).replace('"circulation"', '"oxygenation"'))

    for changed in (other_peep, other_reason):
        assert changed != signed
        assert verify(resources_of(changed), PUBLISHED).verified is Verified.BROKEN


def test_the_form_of_the_formula_that_the_caller_chose_is_listed_and_no_other_is_tried() -> None:
    stored = copy_of(answer(sex_for_formula="male"))
    told = json.dumps(stored).replace('"valueCode": "male"', '"valueCode": "female"')

    assert chosen_in(stored)["sex-for-formula"] == "male"
    assert replayed(json.loads(told)).outcome is ReplayOutcome.DIFFERENT


def test_a_form_that_the_inputs_give_is_not_listed_as_chosen() -> None:
    assert "sex-for-formula" not in chosen_in(answer())


def test_two_answers_of_which_one_was_chosen_have_two_identities() -> None:
    sex = INPUTS[0]["gender"]

    assert answer()["entry"][0]["fullUrl"] != answer(sex_for_formula=sex)["entry"][0]["fullUrl"]


def test_the_codes_of_a_request_are_listed_and_used_again() -> None:
    stored = answer(patient(), TALL, *LOCAL, concept_map=code_map(P="20077-4", unused="76259-1"))

    (group,) = chosen_in(stored)["concept-map"]["group"]
    assert [one["code"] for one in group["element"]] == ["P"]
    assert replayed(stored, patient(), TALL, *LOCAL).findings == ()


def test_the_codes_of_the_service_are_listed_and_used_again_where_the_service_has_others_by_now() -> None:
    body = to_bytes(parameters(bundle=bundle(patient(), height(), *LOCAL)))
    own, later = (read_code_map(to_bytes(code_map(P=code))) for code in ("20077-4", "76259-1"))
    stored = write_bundle(answer_request(TITRATE_PEEP, body, RequestContext(AT_S, code_map=own)), recorded_s=AT_S)

    given = [("", one) for one in (patient(), height(), *LOCAL)]

    assert replay(resources_of(stored), given, RequestContext(LATER_S, code_map=later)).findings == ()


@pytest.mark.parametrize("names", [("id",), ("id", "meta"), ()], ids=["no version", "version", "no address"])
def test_a_code_of_the_site_at_an_input_that_does_not_count_is_part_of_the_answer(names: tuple[str, ...]) -> None:
    odd = observation(f"{SITE}|MAN", None, identity="odd", version="1", valueString="not measurable")
    odd = {name: value for name, value in odd.items() if name not in {"id", "meta"} - {*names}}
    maps = code_map(P="20077-4", MAN="76259-1")

    stored = answer(patient(), TALL, *LOCAL, odd, concept_map=maps)

    told = chosen_in(stored)["concept-map"]["group"][0]["element"]
    assert [one["code"] for one in told] == ["MAN", "P"]
    outcome = replayed(stored, patient(), TALL, *LOCAL, odd)
    assert (outcome.outcome, outcome.findings, outcome.not_checked) == (ReplayOutcome.SAME, (), 0)
    without = answer(patient(), TALL, *LOCAL, concept_map=maps)
    assert replayed(without, patient(), TALL, *LOCAL).identity != outcome.identity


def test_codes_of_ours_are_not_listed() -> None:
    assert "concept-map" not in chosen_in(answer(concept_map=code_map(P="20077-4")))


def test_preliminary_inputs_are_listed_as_accepted() -> None:
    early = [{**trial_observation, "status": "preliminary"} for trial_observation in trial_observations()]

    assert chosen_in(answer(patient(), TALL, *early, accept_preliminary=True))["accept-preliminary"] is True
    assert "accept-preliminary" not in chosen_in(answer(accept_preliminary=True))


@pytest.mark.parametrize("name", ["protocol", "margin", "sex-for-formula", "concept-map"])
def test_a_choice_is_signed_with_the_answer(name: str) -> None:
    signed = sign(answer(patient(), TALL, *LOCAL, concept_map=code_map(P="20077-4"), sex_for_formula="male"), key=KEY)
    assert verify(resources_of(signed), PUBLISHED).verified is Verified.VALID

    (provenance,) = [one for _, one in resources_of(signed) if one["resourceType"] == "Provenance"]
    (listed,) = cast("list[Json]", provenance["contained"])
    listed["parameter"] = [one for one in listed["parameter"] if one["name"] != name]

    assert verify(resources_of(signed), PUBLISHED).verified is Verified.BROKEN


def test_a_sex_for_clinical_use_that_ended_after_the_trial_still_holds_at_replay() -> None:
    parts = [
        {"url": "value", "valueCodeableConcept": {"coding": [{"code": "female-typical"}]}},
        {"url": "period", "valuePeriod": {"start": "2020-01-01T00:00:00Z", "end": at(600)}},
    ]
    url = "http://hl7.org/fhir/StructureDefinition/patient-sexParameterForClinicalUse"
    person = {**patient(), "gender": "male", "extension": [{"url": url, "extension": parts}]}
    inputs = [person, TALL, *trial_observations()]

    assert replayed(answer(*inputs), *inputs).findings == ()
