from __future__ import annotations

import json
from base64 import b64decode, b64encode
from typing import Any

import pytest

from audit.read_back import read_back
from ebbmark.audit.signature import Verified, sign, verify
from ebbmark.fhir.writing.normal_form import NotAnAnswer, resources_of
from ebbmark.fhir.writing.supersession import superseded, unmarked
from ebbmark.fhir.writing.transaction import as_transaction
from ebbmark.fhir.writing.validate import validate
from ebbmark.fhir.writing.write import write_bundle
from ebbmark.keys import KeyFault, PublicKey, SigningKey, new_key_set, public_key_set, read_key_ring, read_public_keys
from fhir_builders import to_bytes
from recommendations import RECORDED_S, found

Json = dict[str, Any]
PATIENT = "Patient/invented-1"


def keys_of(algorithm: Any = "ES384") -> tuple[SigningKey, bytes, tuple[PublicKey, ...]]:  # noqa: ANN401
    ring = read_key_ring([to_bytes(new_key_set(algorithm))])
    assert not isinstance(ring, KeyFault)
    published = to_bytes(public_key_set(ring))
    read = read_public_keys(published)
    assert read is not None
    return ring.keys[0], published, read


KEY, PUBLISHED_JSON, PUBLISHED = keys_of()


def answer() -> Json:
    return write_bundle(found(), recorded_s=RECORDED_S)


def signed() -> Json:
    return sign(answer(), key=KEY)


def checked(bundle: Json) -> Verified:
    return verify(resources_of(bundle), PUBLISHED).verified


def provenance_of(bundle: Json) -> Json:
    (one,) = [entry["resource"] for entry in bundle["entry"] if entry["resource"]["resourceType"] == "Provenance"]
    found_one: Json = one
    return found_one


def test_an_untouched_answer_is_valid() -> None:
    assert checked(signed()) is Verified.VALID


def test_both_algorithms_are_taken() -> None:
    key, _, published = keys_of("RS384")

    assert verify(resources_of(sign(answer(), key=key)), published).verified is Verified.VALID


def test_the_answer_read_back_from_a_record_has_the_same_signature() -> None:
    assert verify(read_back(signed(), PATIENT), PUBLISHED).verified is Verified.VALID


def test_the_signature_does_not_carry_the_payload() -> None:
    data = b64decode(provenance_of(signed())["signature"][0]["data"]).decode()

    header, payload, signature = data.split(".")
    assert (bool(header), payload, bool(signature)) == (True, "", True)


def test_the_instant_of_recording_is_signed() -> None:
    bundle = signed()
    provenance_of(bundle)["recorded"] = "2031-01-01T00:00:00Z"

    assert checked(bundle) is Verified.BROKEN


def test_an_answer_of_any_length_can_be_signed() -> None:
    bundle = sign(write_bundle(found(), recorded_s=RECORDED_S, report_pdf=b"%PDF" * 100_000), key=KEY)
    provenance, of_report = (one for _, one in resources_of(bundle) if one["resourceType"] == "Provenance")

    assert ("signature" in provenance, "signature" in of_report) == (True, True)
    assert checked(bundle) is Verified.VALID


def test_the_frame_of_the_signature_is_signed() -> None:
    bundle = signed()
    provenance_of(bundle)["signature"][0]["when"] = "2031-01-01T00:00:00Z"

    assert checked(bundle) is Verified.BROKEN


def test_a_result_that_a_clinician_made_final_is_still_as_it_was_signed() -> None:
    bundle = signed()
    for entry in bundle["entry"]:
        if entry["resource"].get("status") == "preliminary":
            entry["resource"]["status"] = "final"

    assert checked(bundle) is Verified.VALID


@pytest.mark.parametrize("status", ["amended", "corrected", "cancelled", "entered-in-error"])
def test_a_result_whose_status_says_that_it_was_changed_is_not_as_it_was_signed(status: str) -> None:
    bundle = signed()
    bundle["entry"][1]["resource"]["status"] = status

    assert checked(bundle) is Verified.BROKEN


def test_a_signed_answer_is_still_valid_fhir() -> None:
    assert validate(signed()) == ()
    assert validate(as_transaction(signed(), PATIENT)) == ()


def leaves(value: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:  # noqa: ANN401
    if isinstance(value, dict):
        return [leaf for name, one in value.items() for leaf in leaves(one, (*path, name))]
    if isinstance(value, list):
        return [leaf for index, one in enumerate(value) for leaf in leaves(one, (*path, index))]
    return [path]


def changed(bundle: Any, path: tuple[Any, ...]) -> Any:  # noqa: ANN401
    copy = json.loads(json.dumps(bundle))
    holder = copy
    for step in path[:-1]:
        holder = holder[step]
    old = holder[path[-1]]
    holder[path[-1]] = (not old) if isinstance(old, bool) else old + 1 if isinstance(old, int | float) else f"{old}x"
    return copy


def one_of_each(value: Any) -> list[tuple[Any, ...]]:  # noqa: ANN401
    """One leaf for each element of each kind of resource."""
    found_leaves: dict[tuple[str, ...], tuple[Any, ...]] = {}
    for path in leaves(value):
        kind = value["entry"][path[1]]["resource"]["resourceType"] if path[0] == "entry" else ""
        found_leaves.setdefault((kind, *["*" if isinstance(step, int) else step for step in path]), path)
    return list(found_leaves.values())


ALL_LEAVES = one_of_each(answer())


def test_no_value_of_the_answer_can_be_changed_unnoticed() -> None:
    bundle = signed()
    unnoticed = []
    for path in ALL_LEAVES:
        if path[:1] == ("type",) or path[0] == "resourceType":
            continue
        try:
            if checked(changed(bundle, path)) is Verified.VALID:
                unnoticed.append(path)
        except NotAnAnswer:
            continue
    # The full URL of an entry is a name that nothing but references use, and these are checked by what they lead to.
    assert [path for path in unnoticed if path[-1] != "fullUrl"] == []


def test_a_result_that_was_left_out_is_noticed() -> None:
    bundle = signed()
    bundle["entry"] = [entry for entry in bundle["entry"] if entry["resource"].get("severity") != "high"]

    assert checked(bundle) is Verified.BROKEN


def test_an_answer_without_a_signature_is_said_to_have_none() -> None:
    assert checked(answer()) is Verified.ABSENT


def test_another_key_of_the_same_name_does_not_do() -> None:
    _, _, others = keys_of()
    renamed = tuple(PublicKey(KEY.kid, one.algorithms, one.key) for one in others)

    assert verify(resources_of(signed()), renamed).verified is Verified.BROKEN


def test_a_key_that_is_not_published_is_not_trusted() -> None:
    _, _, others = keys_of()

    found_out = verify(resources_of(signed()), others)

    assert (found_out.verified, found_out.kid) == (Verified.UNKNOWN_KEY, KEY.kid)


def with_data(data: str) -> Json:
    bundle = signed()
    provenance_of(bundle)["signature"][0]["data"] = data
    return bundle


def header(**members: object) -> str:
    return b64encode(to_bytes(members), altchars=b"-_").decode().rstrip("=")


@pytest.mark.parametrize(
    "data",
    [
        "",
        "!!",
        b64encode(b"a.b").decode(),
        b64encode(b"..").decode(),
        b64encode(f"{header(alg='none', kid=KEY.kid)}..".encode()).decode(),
        b64encode(f"{header(alg='HS384', kid=KEY.kid)}..AAAA".encode()).decode(),
        b64encode(f"{header(alg='ES384', kid=KEY.kid)}..AAAA".encode()).decode(),
    ],
)
def test_what_is_no_signature_of_ours_is_never_valid(data: str) -> None:
    assert checked(with_data(data)) in (Verified.BROKEN, Verified.UNKNOWN_KEY)


def test_a_payload_that_travels_along_is_not_believed() -> None:
    head, _, tail = b64decode(provenance_of(signed())["signature"][0]["data"]).decode().split(".")

    assert checked(with_data(b64encode(f"{head}.e30.{tail}".encode()).decode())) is Verified.BROKEN


def test_an_answer_marked_superseded_verifies_once_the_mark_is_taken_off() -> None:
    stored = [(url, superseded(one, "f" * 64)) for url, one in read_back(signed(), PATIENT)]

    assert verify([(url, unmarked(one)) for url, one in stored], PUBLISHED).verified is Verified.VALID
    assert verify(stored, PUBLISHED).verified is Verified.BROKEN
