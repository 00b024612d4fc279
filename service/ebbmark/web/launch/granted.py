"""What a record granted: the scopes that the page needs, and who is signed in, by the id_token.

Source: SMART App Launch 2.2, scopes-and-launch-context (letters c r u d s in this order; v1 read = rs, write = cud);
OpenID Connect Core 1.0 section 3.1.3.7 (validation of an id_token); SMART App Launch 2.2, fhirUser.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass

from ebbmark.record.address_guard import refusal_of
from ebbmark.record.smart_launch import LaunchServer
from ebbmark.web.signed_token import KeySource, Rules, TokenRefusal, TrustedParty, verified

__all__ = [
    "NEEDED_TO_READ",
    "NEEDED_TO_WRITE",
    "USUAL_SCOPE",
    "Expected",
    "Identity",
    "identified",
    "missing",
    "with_launch",
]

NEEDED_TO_READ = ("Patient.r", "Observation.rs")
NEEDED_TO_WRITE = (
    "Observation.crus",
    "GuidanceResponse.crus",
    "DetectedIssue.crus",
    "Device.c",
    "Provenance.cs",
)
"""A new answer is created; an earlier one is searched for by its Provenance, read, and marked as superseded."""

USUAL_SCOPE = (
    "openid fhirUser online_access patient/Patient.rs patient/Observation.crus patient/GuidanceResponse.crus "
    "patient/DetectedIssue.crus patient/DiagnosticReport.crus patient/Device.crs patient/DeviceMetric.rs "
    "patient/Provenance.crs patient/List.crus patient/Condition.rs patient/Procedure.rs "
    "patient/Encounter.rs"
)
"""What is asked for where the operator says nothing else; the scope of the launch itself comes on top."""

_SCOPE = re.compile(r"(?:patient|user|system)/(?P<type>[A-Z][A-Za-z]*|\*)\.(?P<letters>c?r?u?d?s?|read|write|\*)")
_V1 = {"read": "rs", "write": "cud", "*": "cruds"}


def missing(scope: str, needed: Iterable[str]) -> tuple[str, ...]:
    """Say what is lacking.

    Args:
        scope: as granted, apart by spaces; what is not understood counts for nothing.
        needed: resource type, dot, letters.

    Returns:
        As `patient/` scopes to ask for; empty where nothing lacks.
    """
    held: dict[str, set[str]] = {}
    for match in (_SCOPE.fullmatch(one) for one in scope.split()):
        if match is not None:
            held.setdefault(match["type"], set()).update(_V1.get(match["letters"], match["letters"]))
    everywhere = held.get("*", set())
    lacking = []
    for resource_type, _, letters in (one.partition(".") for one in needed):
        lacks = [letter for letter in letters if letter not in held.get(resource_type, set()) | everywhere]
        if lacks:
            lacking.append(f"patient/{resource_type}.{''.join(lacks)}")
    return tuple(lacking)


def with_launch(scope: str, *, standalone: bool) -> str:
    """The scopes to ask for, with the one that fits this kind of launch and without the other.

    Args:
        scope: as configured.
        standalone: whether the launch comes from outside a record, which then asks for a patient.
    """
    own, other = ("launch/patient", "launch") if standalone else ("launch", "")
    asked = [one for one in scope.split() if one not in (own, other)]
    return " ".join((own, *asked))


_REFERENCE = re.compile(r"(?:Practitioner|PractitionerRole|Patient|RelatedPerson|Person)/[A-Za-z0-9\-.]{1,64}")


@dataclass(frozen=True, slots=True)
class Identity:
    """Who is signed in.

    Attributes:
        fhir_user: reference to them, relative where they are in the record itself; None where that is not said.
    """

    fhir_user: str | None


@dataclass(frozen=True, slots=True)
class Expected:
    """What an id_token must say.

    Attributes:
        client_id: its audience.
        nonce: as sent with the launch.
        iss: FHIR base URL of the record, which a relative reference is below.
        algorithms: accepted signature algorithms, all asymmetric.
        leeway_s: how far apart our clock and theirs may be [s].
        at_s: now [s since 1970-01-01T00:00:00Z].
    """

    client_id: str
    nonce: str
    iss: str
    algorithms: frozenset[str]
    leeway_s: float
    at_s: float


async def identified(id_token: str, server: LaunchServer, keys: KeySource | None, expected: Expected) -> Identity | str:
    """Check an id_token.

    Args:
        id_token: as it came with the access token.
        server: that gave it.
        keys: of its issuer; None where the server names none.
        expected: what it must say.

    Returns:
        Who is signed in; or a sentence that says what does not hold, and holds nothing of the token.
    """
    if server.issuer is None or keys is None:
        return "The record's smart-configuration names no issuer with keys that could have signed it."
    rules = Rules({server.issuer: TrustedParty(keys)}, expected.algorithms, expected.leeway_s)
    claims = await verified(id_token, rules=rules, audience=expected.client_id, at_s=expected.at_s)
    if isinstance(claims, TokenRefusal):
        return claims.value
    if claims.nonce != expected.nonce:
        return "It was not made for this launch (nonce)."
    several = isinstance(claims.aud, list) and len(claims.aud) > 1
    if claims.azp != expected.client_id and (several or claims.azp is not None):
        return "It was made for another client (azp)."
    if claims.iat is None or not claims.sub:
        return "It lacks a claim that is needed here (iat or sub)."
    if claims.fhir_user is None:
        return Identity(None)
    reference = _reference_of(claims.fhir_user, expected.iss)
    return "Its fhirUser is not a reference to a person in FHIR." if reference is None else Identity(reference)


def _reference_of(fhir_user: str, iss: str) -> str | None:
    relative = fhir_user.removeprefix(f"{iss}/")
    if _REFERENCE.fullmatch(relative):
        return relative
    base, _, rest = ("/".join(fhir_user.split("/")[:-2]), "", "/".join(fhir_user.split("/")[-2:]))
    known = _REFERENCE.fullmatch(rest) is not None and refusal_of(fhir_user, (base,)) is None
    return fhir_user if known else None
