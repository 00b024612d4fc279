"""The hooks that are served with their prefetch templates, and one call of a CDS client, read.

One id for all hooks: the standard lets several entries share an id, and then a card of a later hook takes the place of
the card of an earlier one ("Update stale guidance"), so that nobody sees two current suggestions.

Of a call: hook, context, prefetch, and how its record may be asked. Prefetch is left as it was sent. The access token
is used for this one call and nothing else; our own sign-in to a record is never used for a caller's address.

Source: CDS Hooks 2.0, "Discovery", "Prefetch Template", "Prefetch query restrictions" (read, type-level search,
reference and token equality, `_count`, `_sort`), "Calling a CDS Service", "FHIR Resource Access" and "Use of JSON"
(null and empty elements are forbidden, so that they count as absent); hook definitions patient-view 1.0,
encounter-start 1.0, order-select 1.0 and order-sign 1.0 of the CDS Hooks library, with their contexts.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from uuid import UUID

import msgspec

from ebbmark.fhir.problems import Problem, ProblemKind, Rejected
from ebbmark.fhir.reading.codes import CodeRow
from ebbmark.fhir.reading.decode import body_problem, too_deep
from ebbmark.record.connection import is_bearer_token
from ebbmark.record.prefetch import Part, part_tokens

SERVICE_ID = "peep-trial"

_TITLE = "PEEP trial: closing pressure and what follows"
_USAGE = (
    "For adults with ARDS on controlled ventilation. Needs body height, and set PEEP with plateau pressure (or peak "
    "pressure) and tidal volume of the last 24 hours, by prefetch or through fhirServer with a token that grants "
    "Patient.r and Observation.rs. No order is drafted or changed where vital signs of the trial or Conditions "
    "(Condition.rs) could not be read. Every result is preliminary; a licensed clinician decides."
)


@dataclass(frozen=True, slots=True)
class Hook:
    """One hook that is served."""

    name: str
    description: str
    encounter_needed: bool = False
    orders: bool = False
    selections: bool = False


_READS = (
    "Reads the latest decremental PEEP trial of the last 24 hours: closing pressure with its certainty, suggested PEEP "
    "and tidal volume, what each margin would mean, and cautions."
)
_COMPARES = (
    "Compares PEEP in a draft order (ServiceRequest, DeviceRequest or Task) with what the latest PEEP trial suggests; "
    "says something only where they differ by more than the trial can tell apart."
)

HOOKS: Mapping[str, Hook] = {
    hook.name: hook
    for hook in (
        Hook("patient-view", f"{_READS} A card only where there is something new."),
        Hook("encounter-start", f"{_READS} A card only where there is something new.", encounter_needed=True),
        Hook("order-select", _COMPARES, orders=True, selections=True),
        Hook("order-sign", _COMPARES, orders=True),
    )
}
"""By name, in the order of a patient's day."""


def prefetch_templates(
    table: Mapping[tuple[str, str], CodeRow], procedures: Collection[tuple[str, str]]
) -> dict[str, str]:
    """The FHIR queries that the client is asked to run, by key.

    Codes stand without their system: both readings of a token are FHIR, and the query stays short enough for a line;
    what another system's code of the same digits brings is left out afterwards. The template language has no "now", so
    that the newest are asked for first and a result that does not reach back far enough is fetched.

    Panels under a code of their own, whose readings stand in components, are a key by itself (`component-code`; FHIR R4
    observation.html#search): not every record offers that parameter, and one that refuses it still brings the rest.

    Args:
        procedures: system and code of the Procedures that stand for a condition that is looked for.
    """
    templates = {Part.PATIENT.key: "Patient/{{context.patientId}}"}
    for part in (Part.HEIGHTS, Part.MECHANICS, Part.PANELS, Part.CIRCULATION):
        parameter = "component-code" if part is Part.PANELS else "code"
        codes = ",".join(dict.fromkeys(token.split("|", 1)[1] for token in part_tokens(part, table)))
        templates[part.key] = (
            f"Observation?patient={{{{context.patientId}}}}&{parameter}={codes}&_sort=-date&_count={part.most}"
        )
    templates[Part.CONDITIONS.key] = f"Condition?patient={{{{context.patientId}}}}&_count={Part.CONDITIONS.most}"
    codes = ",".join(dict.fromkeys(code for _, code in procedures))
    most = Part.PROCEDURES.most
    templates[Part.PROCEDURES.key] = f"Procedure?patient={{{{context.patientId}}}}&code={codes}&_count={most}"
    return templates


def discovery(table: Mapping[tuple[str, str], CodeRow], procedures: Collection[tuple[str, str]]) -> dict[str, object]:
    """The answer to the discovery request."""
    templates = prefetch_templates(table, procedures)
    return {
        "services": [
            {
                "hook": hook.name,
                "title": _TITLE,
                "description": hook.description,
                "id": SERVICE_ID,
                "prefetch": templates,
                "usageRequirements": _USAGE,
            }
            for hook in HOOKS.values()
        ]
    }


Raws = Mapping[str, msgspec.Raw]
"""The members of a JSON object, each as it came."""

_EMPTY = (b"null", b'""', b"{}", b"[]")


def refusal(element: str, found: str, accepted: str, kind: ProblemKind = ProblemKind.HOOK_REQUEST) -> Problem:
    """An element of the request that is not as the standard wants it."""
    sentence = f"{element or 'The request'}: found {found}; needed is {accepted}."
    return Problem(kind, element, found, accepted, sentence)


def json_object(body: bytes) -> Raws:
    """The members of a JSON object, each as it came.

    Raises:
        Rejected: the body is something else.
    """
    problem = body_problem(body)
    if problem is not None:
        raise Rejected((problem,))
    try:
        return msgspec.json.decode(body, type=dict[str, msgspec.Raw])
    except RecursionError:
        raise Rejected((too_deep(),)) from None
    except msgspec.ValidationError:
        raise Rejected((refusal("", "JSON that is no object", "a JSON object"),)) from None
    except msgspec.DecodeError:
        sentence = "The body is not JSON, or not all of it arrived."
        raise Rejected((Problem(ProblemKind.NOT_JSON, "", "no JSON", "a JSON object", sentence),)) from None


def has(members: Raws, name: str) -> bool:
    """Whether an element is there; null and empty count as absent, since the standard forbids them."""
    return name in members and bytes(members[name]).strip() not in _EMPTY


def decoded(members: Raws, name: str) -> object:
    """One element as plain JSON; None where it cannot be read."""
    try:
        return msgspec.json.decode(members[name])
    except (msgspec.DecodeError, RecursionError):
        return None


def members_of(sent: Raws, name: str, problems: list[Problem], *, needed: bool = True) -> Raws:
    """The members of an element that is an object; empty where it is absent, or is a problem."""
    if not has(sent, name):
        if name in sent and bytes(sent[name]).strip() in (b"[]", b'""'):
            problems.append(refusal(name, "a list or a text without content", "a JSON object"))
        elif needed:
            problems.append(refusal(name, "nothing", "a JSON object"))
        return {}
    try:
        return msgspec.json.decode(sent[name], type=dict[str, msgspec.Raw])
    except (msgspec.DecodeError, RecursionError):
        problems.append(refusal(name, "something that is no JSON object", "a JSON object"))
        return {}


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
    """Refuse a token that is bound to somebody else."""
    if bound_to and bound_to.removeprefix("Patient/") != patient_id:
        sentence = "The access token in fhirAuthorization is bound to another patient than context.patientId names."
        found, accepted = "another patient", "the patient of the context"
        raise Rejected((Problem(ProblemKind.MIXED_PATIENTS, "fhirAuthorization.patient", found, accepted, sentence),))


# FHIR R4 datatypes.html#id.
_ID = re.compile(r"[A-Za-z0-9\-.]{1,64}")
_USER = re.compile(r"[A-Z][A-Za-z]{0,63}/[A-Za-z0-9\-.]{1,64}")
_R4 = frozenset({"4.0", "4.0.0", "4.0.1", "R4"})


@dataclass(frozen=True, slots=True)
class HookCall:
    """One call, valid by construction.

    Attributes:
        user: who works with the record, as `Type/id`.
        encounter_id: FHIR id of the encounter; empty where not said.
        draft_orders: the Bundle of draft orders as it came; None where the hook has none.
        prefetch: what was brought, by key, as it came.
    """

    hook: Hook
    instance: UUID
    user: str
    patient_id: str
    encounter_id: str
    access: Access
    draft_orders: bytes | None
    selections: tuple[str, ...]
    prefetch: Raws


def read_call(body: bytes) -> HookCall:
    """Read one call.

    Raises:
        Rejected: with everything that is wrong with it.
    """
    sent = json_object(body)
    problems: list[Problem] = []
    hook = _hook(sent, problems)
    instance = _instance(sent, problems)
    _require_r4(sent, problems)
    context = members_of(sent, "context", problems)
    prefetch = members_of(sent, "prefetch", problems, needed=False)
    access = access_of(sent, problems)
    patient_id = _text(context, "context.patientId", problems, _ID, "the FHIR id of the patient, without Patient/")
    user = _text(context, "context.userId", problems, _USER, "the user as Type/id, for example Practitioner/abc")
    encounter_id = ""
    if has(context, "encounterId") or (hook is not None and hook.encounter_needed):
        encounter_id = _text(context, "context.encounterId", problems, _ID, "the FHIR id of the encounter")
    draft_orders: bytes | None = None
    selections: tuple[str, ...] = ()
    if hook is not None and hook.orders:
        draft_orders = _bundle(context, problems)
    if hook is not None and hook.selections:
        selections = _selections(context, problems)
    if problems or hook is None or instance is None:
        raise Rejected(tuple(problems))
    require_same_patient(access[1], patient_id)
    return HookCall(hook, instance, user, patient_id, encounter_id, access[0], draft_orders, selections, prefetch)


def _text(members: Raws, element: str, problems: list[Problem], form: re.Pattern[str], accepted: str) -> str:
    name = element.rpartition(".")[2]
    if not has(members, name):
        problems.append(refusal(element, "nothing", accepted))
        return ""
    value = decoded(members, name)
    if isinstance(value, str) and form.fullmatch(value):
        return value
    problems.append(refusal(element, "something else", accepted))
    return ""


def _hook(sent: Raws, problems: list[Problem]) -> Hook | None:
    served = ", ".join(HOOKS)
    if not has(sent, "hook"):
        problems.append(refusal("hook", "nothing", f"one of {served}"))
        return None
    name = decoded(sent, "hook")
    if not isinstance(name, str):
        problems.append(refusal("hook", "something that is no text", f"one of {served}"))
        return None
    if name not in HOOKS:
        found = name if re.fullmatch(r"[a-z.\-]{1,60}", name) else "another name"
        sentence = f"The hook {found} is not served by this service; it is called on {served}."
        problems.append(Problem(ProblemKind.HOOK_NOT_SERVED, "hook", found, served, sentence))
    return HOOKS.get(name)


def _instance(sent: Raws, problems: list[Problem]) -> UUID | None:
    accepted = "a UUID that names this call"
    value = decoded(sent, "hookInstance") if has(sent, "hookInstance") else None
    if value is None:
        problems.append(refusal("hookInstance", "nothing", accepted))
        return None
    try:
        return UUID(str(value))
    except ValueError:
        problems.append(refusal("hookInstance", "something else", accepted))
        return None


def _require_r4(sent: Raws, problems: list[Problem]) -> None:
    """Version 2.0 of the standard has no element for the version of FHIR; where a client says one, it is believed."""
    if has(sent, "fhirVersion") and decoded(sent, "fhirVersion") not in _R4:
        problems.append(refusal("fhirVersion", "another version", "4.0.1 (R4)", ProblemKind.HOOK_NOT_SERVED))


def _bundle(context: Raws, problems: list[Problem]) -> bytes | None:
    element, accepted = "context.draftOrders", "a FHIR Bundle of draft orders"
    if not has(context, "draftOrders"):
        problems.append(refusal(element, "nothing", accepted))
        return None
    return bytes(context["draftOrders"])


def _selections(context: Raws, problems: list[Problem]) -> tuple[str, ...]:
    element, accepted = "context.selections", "references of the orders newly selected, as Type/id"
    value = decoded(context, "selections") if has(context, "selections") else None
    if isinstance(value, list) and value and all(isinstance(one, str) for one in value):
        return tuple(map(str, value))
    problems.append(refusal(element, "nothing" if value is None else "something else", accepted))
    return ()
