"""Admission of one Observation of any shape: whether it counts, and what it says."""

from __future__ import annotations

from ebbmark.fhir.model import Component, Observation
from ebbmark.fhir.naming import CODE_SYSTEM, RESULT_SYSTEM, tail_of
from ebbmark.fhir.problems import Problem, ProblemKind
from ebbmark.fhir.reading.coding import Unusable
from ebbmark.fhir.reading.collected import Collected, Context
from ebbmark.fhir.reading.moments import moment_of
from ebbmark.fhir.reading.quoting import word_shown
from ebbmark.fhir.reading.values import other_values, read_value
from ebbmark.fhir.reading.versions import Received, left_out, reference_of
from ebbmark.fhir.reasons import Reason
from ebbmark.fhir.resource_types import RESOURCE_TYPES
from ebbmark.fhir.sources import Ignored, Source

__all__ = ["USABLE_STATUSES", "admit", "is_own_result", "not_a_patient", "note_subject"]

_STATUS_REASONS: dict[str, tuple[Reason, str]] = {
    "preliminary": (Reason.PRELIMINARY, "Its status is preliminary, and the request does not accept those."),
    "registered": (Reason.REGISTERED, "It is registered only: there is no result yet."),
    "cancelled": (Reason.CANCELLED, "It was cancelled."),
    "entered-in-error": (Reason.ENTERED_IN_ERROR, "It was entered in error."),
    "unknown": (Reason.STATUS_UNKNOWN, "Its status is unknown."),
}
USABLE_STATUSES = frozenset({"final", "amended", "corrected"})
"""Those that count in any case; `preliminary` counts where the request accepts it."""


def admit(item: Received, context: Context, collected: Collected) -> None:
    """Read one Observation of any shape."""
    observation = item.observation
    refusal = _not_admissible(item, context, collected)
    if refusal is not None:
        collected.ignored.append(left_out(item, *refusal))
        return
    _list_contained(item, collected)
    moment = moment_of(item, context, collected)
    category = _category(observation, context, collected)
    parts: list[tuple[Observation | Component, str]] = []
    if not observation.component or observation.valueQuantity is not None or other_values(observation):
        parts.append((observation, ""))
    parts += [(component, f".component[{number}]") for number, component in enumerate(observation.component)]
    if isinstance(moment, Unusable) and observation.component:
        collected.ignored.append(left_out(item, *moment))
    first, personal = len(collected.readings), len(collected.heights) + len(collected.sexes)
    texts = [
        text for holder, part in parts if (text := read_value(item, holder, part, moment, category, context, collected))
    ]
    found = len(collected.readings) > first or len(collected.heights) + len(collected.sexes) > personal
    if observation.subject is None and found:
        collected.without_subject += 1
    if len(collected.readings) > first:
        collected.sources.append(Source(item.path, reference_of(item), ";".join(texts)))
        collected.used.append(item)
        collected.encounters.add(observation.encounter.reference if observation.encounter else "")


def _list_contained(item: Received, collected: Collected) -> None:
    """Name what an Observation carries within itself and nobody reads; a device only tells setting from measurement."""
    contained = item.observation.contained
    for number, resource in enumerate(contained if isinstance(contained, list) else ()):
        kind = (
            word_shown(str(resource.get("resourceType", "")), RESOURCE_TYPES, "") if isinstance(resource, dict) else ""
        )
        if kind not in ("Device", "DeviceMetric", "Observation"):
            sentence = f"A contained {kind or 'resource'} is not read."
            path = f"{item.path}.contained[{number}]"
            collected.ignored.append(Ignored(path, reference_of(item), Reason.NOT_USED.slug, sentence))


def is_own_result(observation: Observation) -> bool:
    """Whether this service made it: an answer that came back must not become an input, signed or not."""
    return any(coding.system == CODE_SYSTEM for coding in observation.code.coding) or any(
        identifier.system == RESULT_SYSTEM for identifier in observation.identifier
    )


def _not_admissible(item: Received, context: Context, collected: Collected) -> Unusable | None:
    """What keeps the whole Observation out, value aside."""
    observation = item.observation
    if is_own_result(observation):  # whatever became of it since
        return Unusable(Reason.OWN_RESULT, "It is an earlier result of this service, not a reading.")
    status = observation.status
    if status in context.statuses:
        pass
    elif status in _STATUS_REASONS:
        return Unusable(*_STATUS_REASONS[status])
    else:
        sentence = "Its status is not one that FHIR R4 knows for an Observation."
        accepted = ", ".join([*sorted(USABLE_STATUSES), *_STATUS_REASONS])
        collected.problems.append(
            Problem(ProblemKind.INVALID_CODE, f"{item.path}.status", "another status", accepted, sentence)
        )
        return Unusable(Reason.STATUS_UNKNOWN, sentence)
    if observation.implicitRules:
        return Unusable(Reason.IMPLICIT_RULES, "It was made under implicit rules that are not known here.")
    if observation.modifierExtension:
        return Unusable(Reason.MODIFIER_EXTENSION, "It carries a modifier extension that is not known here.")
    subject = observation.subject
    kind = not_a_patient(observation)
    if kind:
        return Unusable(Reason.OTHER_SUBJECT, f"It is about a {kind}, not about a patient.")
    if subject is None:
        return None
    _note_subject(item, collected)
    return None


def not_a_patient(observation: Observation) -> str:
    """What it is about, where that is no patient or not its subject (R4 Observation.focus); empty otherwise."""
    reference = observation.subject.reference if observation.subject is not None else ""
    if any(one.identifier or not reference or one.reference != reference for one in observation.focus):
        return "focus that is not its subject"
    kind = tail_of(reference).partition("/")[0] if reference else ""
    return kind if kind in {"Group", "Device", "Location"} else ""


def note_subject(item: Received, collected: Collected) -> None:
    """Hold an Observation that is no reading, such as a rhythm, to the one patient of the request, too."""
    _note_subject(item, collected)
    collected.without_subject += item.observation.subject is None


def _note_subject(item: Received, collected: Collected) -> None:
    subject = item.observation.subject
    if subject is None:
        return
    if subject.reference:
        collected.subjects.setdefault(subject.reference, item.path)
    elif subject.identifier is not None:
        collected.identified_subjects.setdefault((subject.identifier.system, subject.identifier.value), item.path)


def _category(observation: Observation, context: Context, collected: Collected) -> str:
    """DeviceMetric.category of the Observation's device, or empty where it cannot be found."""
    if observation.device is None:
        return ""
    reference = observation.device.reference
    if reference.startswith("#"):
        contained = observation.contained if isinstance(observation.contained, list) else []
        for resource in contained:
            if isinstance(resource, dict) and resource.get("id") == reference[1:]:
                category = resource.get("category")
                return category if isinstance(category, str) else ""
        return ""
    category = context.categories.get(reference) or context.categories.get(tail_of(reference)) or ""
    if category:
        collected.asked_devices.update((reference, tail_of(reference)))
    else:
        collected.plain_devices.add(reference)
    return category
