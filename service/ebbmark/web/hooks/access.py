"""How may the client's record be asked: at which address, with which token, or why not?

The token is used for this one call and nothing else; our own sign-in to a record is never used for a caller's address.
Source: CDS Hooks 2.0, "FHIR Resource Access".
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field

import msgspec

from ebbmark.fhir.problems import Problem, ProblemKind, Rejected
from ebbmark.record.client import is_bearer_token
from ebbmark.web.hooks.elements import Raws, decoded, has, refusal

__all__ = ["Access", "access_of", "require_same_patient"]


@dataclass(frozen=True, slots=True)
class Access:
    """How the client's record may be asked.

    Attributes:
        base_url: FHIR base address; empty where none was sent.
        token: access token for it; empty where it may not be asked. Never shown.
        closed: why it may not be asked, as a clause; empty where it may.
    """

    base_url: str
    token: str = field(default="", repr=False)
    closed: str = ""


class _Authorization(msgspec.Struct):
    access_token: str
    token_type: str
    expires_in: float
    scope: str = ""
    subject: str = ""
    patient: str | None = None


def access_of(sent: Raws, problems: list[Problem]) -> tuple[Access, str]:
    """How the record may be asked, and the patient that the token is bound to; empty where it is bound to none."""
    base_url = ""
    if has(sent, "fhirServer"):
        value = decoded(sent, "fhirServer")
        base_url = value if isinstance(value, str) else ""
        if not re.match(r"https?://", base_url, re.IGNORECASE):
            problems.append(refusal("fhirServer", "something else", "an absolute http or https address"))
    if not has(sent, "fhirAuthorization"):
        return Access(base_url, "", "no fhirAuthorization was sent" if base_url else "no fhirServer was sent"), ""
    try:
        given = msgspec.json.decode(sent["fhirAuthorization"], type=_Authorization)
    except (msgspec.DecodeError, RecursionError):
        accepted = "an object with access_token, token_type and expires_in"
        problems.append(refusal("fhirAuthorization", "something else", accepted))
        return Access(base_url), ""
    if not base_url:
        problems.append(refusal("fhirServer", "nothing", "the FHIR base address that fhirAuthorization is for"))
    if given.token_type.lower() != "bearer" or not is_bearer_token(given.access_token):
        problems.append(refusal("fhirAuthorization", "a token of another kind", "token_type Bearer and a bearer token"))
        return Access(base_url), ""
    if given.expires_in <= 0:
        return Access(base_url, "", "the access token in fhirAuthorization has expired"), given.patient or ""
    return Access(base_url, given.access_token), given.patient or ""


def require_same_patient(bound_to: str, patient_id: str) -> None:
    """Refuse a token that is bound to somebody else.

    Raises:
        Rejected: it is.
    """
    if bound_to and bound_to.removeprefix("Patient/") != patient_id:
        sentence = "The access token in fhirAuthorization is bound to another patient than context.patientId names."
        found, accepted = "another patient", "the patient of the context"
        raise Rejected((Problem(ProblemKind.MIXED_PATIENTS, "fhirAuthorization.patient", found, accepted, sentence),))
