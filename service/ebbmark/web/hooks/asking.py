"""What does a CDS client ask? From the bytes of a request to one valid call, or to every reason why not.

Source: CDS Hooks 2.0, "Calling a CDS Service" and "FHIR Resource Access"; the contexts as the hooks define them.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from uuid import UUID

from ebbmark.fhir.problems import Problem, ProblemKind, Rejected
from ebbmark.web.hooks.access import Access, access_of, require_same_patient
from ebbmark.web.hooks.catalog import HOOKS, Hook
from ebbmark.web.hooks.elements import Raws, decoded, has, json_object, members_of, refusal

__all__ = ["Called", "read_call"]

# FHIR R4 datatypes.html#id.
_ID = re.compile(r"[A-Za-z0-9\-.]{1,64}")
_USER = re.compile(r"[A-Z][A-Za-z]{0,63}/[A-Za-z0-9\-.]{1,64}")
_R4 = frozenset({"4.0", "4.0.0", "4.0.1", "R4"})


@dataclass(frozen=True, slots=True)
class Called:
    """One call, valid by construction.

    Attributes:
        hook: which moment.
        instance: of this call.
        user: who works with the record, as `Type/id`.
        patient_id: FHIR id of the patient.
        encounter_id: FHIR id of the encounter; empty where not said.
        access: to the client's record.
        draft_orders: the Bundle of draft orders as it came; None where the hook has none.
        selections: references of those newly selected.
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


def read_call(body: bytes) -> Called:
    """Read one call.

    Args:
        body: as received.

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
    return Called(hook, instance, user, patient_id, encounter_id, access[0], draft_orders, selections, prefetch)


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
