"""Who vouches for this answer, and is it still as it was signed? A detached JWS in Provenance.signature.

What is signed: the RFC 8785 bytes of the answer's normal form, so that the answer Bundle and the same answer read back
from a record have one and the same signature. The compact serialization leaves the payload out (RFC 7515, appendix F);
whoever has the answer can make the payload again, and the published keys do the rest, offline.

Source: RFC 7515, RFC 7518 (ES384, RS384); FHIR R4 datatypes.html#Signature (application/jose, data in base64).
"""

from __future__ import annotations

from base64 import b64decode, b64encode, urlsafe_b64encode
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from enum import Enum
from typing import TYPE_CHECKING, Any, cast

import msgspec
from joserfc.errors import JoseError

from ebbmark.audit.stored_answer import foreign_in, require_shape
from ebbmark.fhir.naming import ANSWER_PROVENANCES, PROVENANCE, REPORT, REPORT_PROVENANCE
from ebbmark.fhir.writing.identity import NotCanonical, canonical_bytes
from ebbmark.fhir.writing.normal_form import NormalForm, full_url_of, kind_of, normal_form, resources_of
from ebbmark.keys import PublicKey, SigningKey

if TYPE_CHECKING:
    from joserfc.jwk import ECKey, OctKey, RSAKey


Json = dict[str, object]

SOURCE_SIGNATURE: Json = {
    "system": "urn:iso-astm:E1762-95:2013",
    "code": "1.2.840.10065.1.12.1.14",
    "display": "Source Signature",
}
"""FHIR R4 valueset-signature-type: the signature of whoever (here: whatever) made it."""

_OF_REPORT = (REPORT, REPORT_PROVENANCE)


class Verified(Enum):
    """What the signature says."""

    VALID = "valid"
    ABSENT = "absent"
    PARTLY = "covers-part"
    UNKNOWN_KEY = "unknown-key"
    BROKEN = "broken"


_FROM_BAD_TO_GOOD = (Verified.BROKEN, Verified.UNKNOWN_KEY, Verified.ABSENT, Verified.PARTLY, Verified.VALID)


@dataclass(frozen=True, slots=True)
class Verification:
    """The outcome of a check; `kid` names the key that the signature claims, empty where it names none."""

    verified: Verified
    kid: str = ""


LONGEST_PAYLOAD = 50_000_000
"""[bytes] Takes answers of many steps, and pages; the library's limit of 128 kB is meant for tokens."""


class _Header(msgspec.Struct):
    alg: str
    kid: str = ""


def sign(bundle: Mapping[str, object], *, key: SigningKey) -> Json:
    """The same answer with its signatures, of the results and of a report; each covers its own frame, too."""
    from joserfc import jws

    entries = [dict(entry) for entry in cast("list[dict[str, Any]]", bundle["entry"])]
    form = normal_form(resources_of({"entry": [_with_signature(entry, "") for entry in entries]}))
    kinds = {full_url_of(form.identity, kind): kind for kind in form.parts}
    for place, entry in enumerate(entries):
        if entry["resource"]["resourceType"] == "Provenance":
            payload = _payload(form, kinds.get(str(entry.get("fullUrl", "")), PROVENANCE))
            compact = jws.serialize_compact({"alg": key.algorithm, "kid": key.kid}, payload, key.key, [key.algorithm])
            header, _, signature = compact.split(".")
            entries[place] = _with_signature(entry, b64encode(f"{header}..{signature}".encode()).decode())
    return {**bundle, "entry": entries}


def _with_signature(entry: dict[str, Any], data: str) -> dict[str, Any]:
    resource = entry["resource"]
    if resource["resourceType"] != "Provenance":
        return entry
    signed: Json = {
        "type": [SOURCE_SIGNATURE],
        "when": resource["recorded"],
        "who": resource["agent"][0]["who"],
        "targetFormat": "application/fhir+json",
        "sigFormat": "application/jose",
        "data": data,
    }
    return {**entry, "resource": {**resource, "signature": [signed]}}


def verify(resources: Iterable[tuple[str, Mapping[str, object]]], keys: Iterable[PublicKey]) -> Verification:
    """Check an answer against its signatures.

    Returns:
        The worst that was found: where a report was signed apart from the results, both must be valid.

    Raises:
        NotAnAnswer: the resources are not one answer.
    """
    listed = list(resources)
    require_shape(listed)
    return verify_form(normal_form(listed), listed, keys)


def verify_form(
    form: NormalForm, resources: Iterable[tuple[str, Mapping[str, object]]], keys: Iterable[PublicKey]
) -> Verification:
    """The same for an answer whose normal form is known, marks of superseding taken back."""
    listed, trusted = list(resources), list(keys)
    found = [
        _checked(form, kind, _signature_in(resource), trusted)
        for kind in ANSWER_PROVENANCES
        for _, resource in listed
        if kind_of(resource) == kind
    ]
    if foreign_in(listed):
        found.append(Verification(Verified.PARTLY))
    if PROVENANCE not in form.parts:
        found.append(Verification(Verified.ABSENT))
    return min(found, key=lambda one: _FROM_BAD_TO_GOOD.index(one.verified), default=Verification(Verified.ABSENT))


def _checked(form: NormalForm, kind: str, data: str | None, keys: Iterable[PublicKey]) -> Verification:
    if data is None:
        return Verification(Verified.ABSENT)
    try:
        header, middle, signature = b64decode(data, validate=True).decode("ascii").split(".")
        padded = header + "=" * (-len(header) % 4)
        claimed = msgspec.json.decode(b64decode(padded, altchars=b"-_", validate=True), type=_Header)
        payload = _payload(form, kind)
    except (ValueError, msgspec.DecodeError, NotCanonical):
        return Verification(Verified.BROKEN)
    if middle:
        # A payload that travels along could differ from what is shown.
        return Verification(Verified.BROKEN, claimed.kid)
    fitting = [key for key in keys if key.kid == claimed.kid and claimed.alg in key.algorithms]
    if not fitting:
        return Verification(Verified.UNKNOWN_KEY, claimed.kid)
    valid = any(fits(f"{header}..{signature}", payload, key.key, claimed.alg) for key in fitting)
    return Verification(Verified.VALID if valid else Verified.BROKEN, claimed.kid)


def fits(detached: str, payload: bytes, key: ECKey | RSAKey | OctKey, algorithm: str) -> bool:
    """Say whether a detached signature is of this payload, by this key.

    Args:
        algorithm: the only one that counts, whatever the header says.

    Source: RFC 7515, appendix F: put the payload back, and check as usual.
    """
    from joserfc import jws

    registry = jws.JWSRegistry(algorithms=[algorithm])
    registry.max_payload_length = LONGEST_PAYLOAD
    header, _, signature = detached.split(".")
    compact = f"{header}.{urlsafe_b64encode(payload).decode().rstrip('=')}.{signature}"
    try:
        jws.deserialize_compact(compact, key, registry=registry)
    except (JoseError, ValueError):
        return False
    return True


def _payload(form: NormalForm, kind: str) -> bytes:
    """What the signature in this Provenance covers; what no other covers is covered by that of the results."""
    of_report = set(_OF_REPORT) if REPORT_PROVENANCE in form.parts else set()
    covered = {*of_report, "device"} if kind == REPORT_PROVENANCE else form.parts.keys() - of_report
    parts = {name: part for name, part in form.parts.items() if name in covered}
    return canonical_bytes(NormalForm(form.identity, parts).canonical())


def _signature_in(provenance: Mapping[str, object]) -> str | None:
    """What the signature says; empty where there is one that is none of ours, None where there is none at all."""
    signatures = provenance.get("signature")
    found = None
    for one in signatures if isinstance(signatures, list) else []:
        if isinstance(one, dict) and one.get("sigFormat") == "application/jose":
            return str(one.get("data", ""))
        found = ""
    return found
