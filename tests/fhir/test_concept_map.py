"""A site's own codes: mapped to standard codes or to our quantities, and every fault of the map named."""

from __future__ import annotations

import pytest

from ebbmark.fhir.operations import TITRATE_PEEP
from ebbmark.fhir.problems import ProblemKind, Rejected
from ebbmark.fhir.reading.codes import LOINC
from ebbmark.fhir.reading.concept_map import OWN_QUANTITIES, read_code_map
from ebbmark.fhir.reading.question import RequestContext
from ebbmark.fhir.reading.read import read_request
from ebbmark.physiology.readings import Quantity
from fhir_builders import Json, bundle, height, observation, parameters, patient, to_bytes

NOW_S = 1772355600.0 + 86400.0
SITE = "urn:example:site"


def group(*pairs: tuple[str, str], target: str = LOINC, equivalence: str = "equivalent") -> Json:
    return {
        "source": SITE,
        "target": target,
        "element": [{"code": own, "target": [{"code": code, "equivalence": equivalence}]} for own, code in pairs],
    }


def concept_map(*groups: Json) -> Json:
    return {"resourceType": "ConceptMap", "status": "active", "group": list(groups)}


def problems(*groups: Json) -> list[tuple[ProblemKind, str]]:
    with pytest.raises(Rejected) as caught:
        read_code_map(to_bytes(concept_map(*groups)))
    return [(problem.kind, problem.expression) for problem in caught.value.problems]


TRIAL = bundle(patient(), height(), observation(f"{SITE}|PEEP", 10.0))


@pytest.mark.parametrize(
    "given",
    [group(("PEEP", "20077-4")), group(("PEEP", "peep-set"), target=OWN_QUANTITIES)],
    ids=["to LOINC", "to our own words"],
)
def test_a_mapped_code_is_understood(given: Json) -> None:
    code_map = read_code_map(to_bytes(concept_map(given)))

    request = read_request(TITRATE_PEEP, to_bytes(TRIAL), RequestContext(NOW_S, code_map=code_map))

    assert [reading.quantity for reading in request.readings] == [Quantity.PEEP_SET]


def test_a_map_within_the_request_is_laid_over_the_site_s_own() -> None:
    site = read_code_map(to_bytes(concept_map(group(("PEEP", "76259-1")))))
    body = to_bytes(parameters(bundle=TRIAL, concept_map=concept_map(group(("PEEP", "20077-4")))))

    request = read_request(TITRATE_PEEP, body, RequestContext(NOW_S, code_map=site))

    assert [reading.quantity for reading in request.readings] == [Quantity.PEEP_SET]


def test_a_map_within_the_request_leaves_the_site_s_other_codes_in_place() -> None:
    site = read_code_map(to_bytes(concept_map(group(("PEEP", "20077-4")))))
    other = concept_map(group(("PLAT", "76259-1")))
    both = bundle(patient(), height(), observation(f"{SITE}|PEEP", 10.0), observation(f"{SITE}|PLAT", 20.0))

    request = read_request(
        TITRATE_PEEP, to_bytes(parameters(bundle=both, concept_map=other)), RequestContext(NOW_S, code_map=site)
    )

    assert [reading.quantity for reading in request.readings] == [Quantity.PEEP_SET, Quantity.PLATEAU_PRESSURE]


def test_a_site_may_say_what_a_standard_code_means_there() -> None:
    # 11558-4 is the pH of blood of any kind; a site may know that it is arterial
    given = concept_map({**group(("11558-4", "ph"), target=OWN_QUANTITIES), "source": LOINC})
    ph = observation(f"{LOINC}|11558-4", 7.3, identity="x", unit="[pH]")
    body = to_bytes(
        parameters(bundle=bundle(patient(), height(), observation("peep-set", 10.0), ph), concept_map=given)
    )

    request = read_request(TITRATE_PEEP, body, RequestContext(NOW_S))

    assert [reading.quantity for reading in request.readings] == [Quantity.PEEP_SET, Quantity.PH]


def test_a_map_of_one_request_is_gone_with_it() -> None:
    read_request(
        TITRATE_PEEP,
        to_bytes(parameters(bundle=TRIAL, concept_map=concept_map(group(("PEEP", "20077-4"))))),
        RequestContext(NOW_S),
    )

    with pytest.raises(Rejected) as caught:
        read_request(TITRATE_PEEP, to_bytes(TRIAL), RequestContext(NOW_S))

    assert [one.code for one in caught.value.ignored] == ["unknown-code"]


@pytest.mark.parametrize(
    ("given", "path"),
    [
        (group(("PEEP", "20077-4"), equivalence="wider"), "ConceptMap.group[0].element[0]"),
        (group(("PEEP", "12345-6")), "ConceptMap.group[0].element[0]"),
        (group(("PEEP", "29463-7")), "ConceptMap.group[0].element[0]"),
        (group(("PEEP", "peep"), target=OWN_QUANTITIES), "ConceptMap.group[0].element[0]"),
        (group(("", "20077-4")), "ConceptMap.group[0].element[0]"),
        (group(("PEEP", "20077-4"), ("PEEP", "76259-1")), "ConceptMap.group[0].element[1]"),
        ({**group(("PEEP", "20077-4")), "source": ""}, "ConceptMap.group[0]"),
    ],
)
def test_a_fault_of_the_map_is_named_with_its_path(given: Json, path: str) -> None:
    assert problems(given) == [(ProblemKind.CODE_MAP, path)]


def test_a_map_of_nothing_is_refused() -> None:
    assert problems() == [(ProblemKind.CODE_MAP, "ConceptMap")]


@pytest.mark.parametrize("body", [b"", b"[]", to_bytes(patient()), b'{"resourceType":"ConceptMap","group":1}'])
def test_what_is_no_concept_map_is_refused(body: bytes) -> None:
    with pytest.raises(Rejected) as caught:
        read_code_map(body)

    assert [problem.kind for problem in caught.value.problems] == [ProblemKind.CODE_MAP]
