"""A site's own codes: mapped to standard codes or to our quantities, and every fault of the map named."""

from __future__ import annotations

import json

import msgspec
import pytest

from ebbmark.fhir.model import ConceptMap
from ebbmark.fhir.naming import LOINC
from ebbmark.fhir.operations import TITRATE_PEEP
from ebbmark.fhir.problems import ProblemKind, Rejected
from ebbmark.fhir.reading.codes import OWN_QUANTITIES
from ebbmark.fhir.reading.read import read_request
from ebbmark.fhir.reading.request import RequestContext
from ebbmark.fhir.reading.terminology import read_code_map, rows_of
from ebbmark.physiology.readings import Quantity
from ebbmark.record.clinical_resources import tokens_of
from fhir_builders import UCUM, Json, bundle, height, observation, parameters, patient, to_bytes

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
        (group(("PEEP", "peep"), target=OWN_QUANTITIES), "ConceptMap.group[0].element[0]"),
        (group(("PEEP", "20077-4"), ("PEEP", "76259-1")), "ConceptMap.group[0].element[1]"),
        (group(("L", "mL"), target=UCUM) | {"source": ""}, "ConceptMap.group[0].element[0]"),
    ],
    ids=["no quantity of ours", "two meanings", "a unit of UCUM itself"],
)
def test_a_fault_of_the_map_is_named_with_its_path(given: Json, path: str) -> None:
    assert problems(given) == [(ProblemKind.CODE_MAP, path)]


@pytest.mark.parametrize(
    "other",
    [
        group(("NA", "2951-2")),
        group(("IDEAL", "50064-5")),
        group(("X", "8480-6"), equivalence="wider"),
        group(("", "20077-4")),
        group(("ROOM", "r1"), target="urn:example:rooms"),
        {"source": SITE, "target": LOINC, "element": [{"code": "Y", "target": [{"equivalence": "unmatched"}]}]},
        {"source": SITE, "unmapped": {"mode": "provided"}, "element": [{"code": "Z"}]},
    ],
    ids=["not used", "known, not used", "wider", "no code", "another target", "unmatched", "no target"],
)
def test_rows_for_others_are_left_and_stop_nothing(other: Json) -> None:
    code_map = read_code_map(to_bytes(concept_map(other, group(("PEEP", "20077-4")))))

    assert code_map.table[SITE, "PEEP"].meaning is Quantity.PEEP_SET
    assert sum(rows_of(decoded(other, group(("PEEP", "20077-4"))), "ConceptMap").left.values()) == 1
    # Alone such rows are a map of nothing, which would leave an operator in the belief that codes are mapped.
    assert problems(other) == [(ProblemKind.CODE_MAP, "ConceptMap")]


def decoded(*groups: Json) -> ConceptMap:
    return msgspec.json.decode(to_bytes(concept_map(*groups)), type=ConceptMap)


def test_rows_that_a_request_s_map_leaves_are_counted_in_a_remark() -> None:
    given = concept_map(group(("PEEP", "20077-4")), group(("ROOM", "r1"), target="urn:example:rooms"))

    request = read_request(TITRATE_PEEP, to_bytes(parameters(bundle=TRIAL, concept_map=given)), RequestContext(NOW_S))

    assert "Rows of the concept map that were left: 1 of another target." in request.notes


def test_several_maps_count_together_and_may_not_contradict_one_another() -> None:
    one, other = (to_bytes(concept_map(group((own, code)))) for own, code in (("A", "20077-4"), ("B", "76259-1")))
    against = to_bytes(concept_map(group(("A", "76259-1"))))

    both = read_code_map(one, to_bytes(bundle(json.loads(other))))

    assert {both.table[SITE, own].meaning for own in "AB"} == {Quantity.PEEP_SET, Quantity.PLATEAU_PRESSURE}
    with pytest.raises(Rejected, match="several meanings"):
        read_code_map(one, against)


def test_a_group_without_source_maps_codes_that_come_without_a_system() -> None:
    code_map = read_code_map(to_bytes(concept_map({**group(("PEEP", "20077-4")), "source": ""})))
    bare = observation("x|PEEP", 10.0) | {"code": {"coding": [{"code": "PEEP"}]}}

    request = read_request(
        TITRATE_PEEP, to_bytes(bundle(patient(), height(), bare)), RequestContext(NOW_S, code_map=code_map)
    )

    assert [reading.quantity for reading in request.readings] == [Quantity.PEEP_SET]


def test_a_group_of_units_maps_a_local_system_of_units() -> None:
    units = group(("cmWater", "cm[H2O]"), target=UCUM) | {"source": "urn:example:units"}
    local = observation("peep-set", None, valueQuantity={"value": 10, "system": "urn:example:units", "code": "cmWater"})
    body = to_bytes(parameters(bundle=bundle(patient(), height(), local), concept_map=concept_map(units)))

    request = read_request(TITRATE_PEEP, body, RequestContext(NOW_S))

    assert [(reading.quantity, reading.value) for reading in request.readings] == [(Quantity.PEEP_SET, 10.0)]
    assert "The unit cmWater was read as cm[H2O], as the site says." in request.notes
    assert request.mapped_codes == (("urn:example:units", "cmWater", UCUM, "cm[H2O]"),)


@pytest.mark.parametrize(
    ("own", "says"),
    [("height", "8302-2"), ("height-stated", "3138-5"), ("sex-at-birth", "76689-9")],
)
def test_heights_and_sex_may_have_codes_of_the_site(own: str, says: str) -> None:
    by_word = read_code_map(to_bytes(concept_map(group(("P", own), target=OWN_QUANTITIES))))
    by_code = read_code_map(to_bytes(concept_map(group(("P", says)))))

    assert by_word.table[SITE, "P"].meaning is by_code.table[SITE, "P"].meaning is not None


@pytest.mark.parametrize(
    "alias", ["urn:oid:2.16.840.1.113883.6.1", "https://loinc.org", "http://loinc.org/", "https://loinc.org/"]
)
def test_another_spelling_of_loinc_is_read_and_remarked(alias: str) -> None:
    trial = bundle(patient(), height(), observation(f"{alias}|20077-4", 10.0))

    request = read_request(TITRATE_PEEP, to_bytes(trial), RequestContext(NOW_S))

    assert [reading.quantity for reading in request.readings] == [Quantity.PEEP_SET]
    assert any(LOINC in note and "spelled otherwise" in note for note in request.notes)


@pytest.mark.parametrize("alias", ["urn:oid:2.16.840.1.113883.6.8", "https://unitsofmeasure.org"])
def test_another_spelling_of_ucum_is_read(alias: str) -> None:
    given = observation("peep-set", None, valueQuantity={"value": 10, "unit": "cmH2O", "system": alias, "code": "mbar"})

    request = read_request(TITRATE_PEEP, to_bytes(bundle(patient(), height(), given)), RequestContext(NOW_S))

    assert [round(reading.value, 3) for reading in request.readings] == [10.197]


def test_a_record_is_searched_for_codes_of_the_site_and_for_no_other_spelling() -> None:
    code_map = read_code_map(to_bytes(concept_map(group(("PEEP", "20077-4")))))

    _, tokens = tokens_of(code_map.table)

    assert f"{SITE}|PEEP" in tokens
    assert not [token for token in tokens if token.startswith(("https://loinc", "urn:oid"))]


def test_a_map_of_nothing_is_refused() -> None:
    assert problems() == [(ProblemKind.CODE_MAP, "ConceptMap")]


@pytest.mark.parametrize("body", [b"", b"[]", to_bytes(patient()), b'{"resourceType":"ConceptMap","group":1}'])
def test_what_is_no_concept_map_is_refused(body: bytes) -> None:
    with pytest.raises(Rejected) as caught:
        read_code_map(body)

    assert [problem.kind for problem in caught.value.problems] == [ProblemKind.CODE_MAP]
