"""The hooks that are served, their id, and the prefetch templates that a client is asked to fill.

One id for all hooks: the standard lets several entries share an id, and then a card of a later hook takes the place of
the card of an earlier one ("Update stale guidance"), so that nobody sees two current suggestions.

Source: CDS Hooks 2.0, "Discovery", "Prefetch Template", "Prefetch query restrictions" (read, type-level search,
reference and token equality, `_count`, `_sort`); hook definitions patient-view 1.0, encounter-start 1.0, order-select
1.0 and order-sign 1.0 of the CDS Hooks library.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass

from ebbmark.fhir.reading.codes import CodeRow
from ebbmark.record.prefetch import Part, part_tokens

__all__ = ["HOOKS", "SERVICE_ID", "Hook", "discovery", "prefetch_templates"]

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
    """One hook that is served.

    Attributes:
        name: as in the catalogue of hooks.
        description: what the card is about at this moment.
        encounter_needed: whether the hook's context always names the encounter.
        orders: whether the hook's context carries draft orders.
        selections: whether it names those newly selected.
    """

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
        table: the codes that are understood, a site's own among them.
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
    """The answer to the discovery request.

    Args:
        table: the codes that are understood, a site's own among them.
        procedures: as for `prefetch_templates`.
    """
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
