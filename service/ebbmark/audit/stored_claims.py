"""What does a stored answer say of itself: engine, protocol, margin, inputs?"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import msgspec

from ebbmark.fhir.reading.times import seconds
from ebbmark.fhir.writing.enterer import ENTERER
from ebbmark.fhir.writing.normal_form import NormalForm, NotAnAnswer, normal_form
from ebbmark.fhir.writing.provenance import PROTOCOL_SYSTEM, PROVENANCE
from ebbmark.fhir.writing.report import REPORT, REPORT_PROVENANCE
from ebbmark.fhir.writing.superseding import unmarked
from ebbmark.physiology.protocols import PROTOCOLS, Protocol

__all__ = ["Act", "Claims", "Needs", "claims_of", "left_out_inputs", "needs_of"]

_INPUT = re.compile(r"Observation/[A-Za-z0-9\-.]{1,64}/_history/[^:\s\"]+")


@dataclass(frozen=True, slots=True)
class Act:
    """One recording, as its Provenance says.

    Attributes:
        recorded_s: when [s since 1970-01-01T00:00:00Z]; 0 where it says nothing.
        enterer: the person who chose it; None where it names nobody.
    """

    recorded_s: float
    enterer: str | None


@dataclass(frozen=True, slots=True)
class Claims:
    """What the answer says of itself.

    Attributes:
        engine_version: of the software; empty where it says nothing.
        protocol: `slug|version`; empty where it says nothing.
        margin: FHIR Quantity of the margin; None where it says nothing.
        inputs: references of the Observations used, with their versions where they were known.
        nameless: how many inputs came without an address.
        results: when the results were recorded, and by whom.
        report: the same of the report; None where there is none.
        known_protocols: those of this software, as `slug|version`.
    """

    engine_version: str
    protocol: str
    margin: dict[str, object] | None
    inputs: tuple[str, ...]
    nameless: int
    results: Act
    report: Act | None
    known_protocols: tuple[str, ...]


class _Identifier(msgspec.Struct):
    system: str = ""
    value: str = ""


class _What(msgspec.Struct):
    reference: str = ""
    identifier: _Identifier | None = None


class _Entity(msgspec.Struct):
    what: _What = msgspec.field(default_factory=_What)


class _Coding(msgspec.Struct):
    code: str = ""


class _Codeable(msgspec.Struct):
    coding: list[_Coding] = []


class _Agent(msgspec.Struct):
    type: _Codeable = msgspec.field(default_factory=_Codeable)
    who: _What = msgspec.field(default_factory=_What)


class _Provenance(msgspec.Struct):
    recorded: str = ""
    entity: list[_Entity] = []
    agent: list[_Agent] = []


class _Version(msgspec.Struct):
    value: str = ""


class _Device(msgspec.Struct):
    version: list[_Version] = []


class _Component(msgspec.Struct):
    code: _Codeable = msgspec.field(default_factory=_Codeable)
    valueQuantity: dict[str, object] | None = None


class _Suggestion(msgspec.Struct):
    component: list[_Component] = []


def claims_of(form: NormalForm, protocols: tuple[Protocol, ...] = PROTOCOLS) -> Claims:
    """Read what the answer says of itself.

    Args:
        form: the answer.
        protocols: rule sets known here.

    Raises:
        NotAnAnswer: its Provenance, Device or suggestion has another shape than FHIR's.
    """
    try:
        provenance, of_report = (
            msgspec.convert(form.parts.get(kind, {}), _Provenance) for kind in (PROVENANCE, REPORT_PROVENANCE)
        )
        device = msgspec.convert(form.parts.get("device", {}), _Device)
        suggestion = msgspec.convert(form.parts.get("suggested-peep", {}), _Suggestion)
    except msgspec.ValidationError as error:
        raise NotAnAnswer("its Provenance, Device or suggestion is not in the shape of FHIR") from error
    whats = [entity.what for entity in provenance.entity]
    named = {one.identifier.system: one.identifier.value for one in whats if one.identifier is not None}
    margins = [
        part.valueQuantity
        for part in suggestion.component
        if any(coding.code == "margin" for coding in part.code.coding)
    ]
    return Claims(
        engine_version=device.version[0].value if device.version else "",
        protocol=named.get(PROTOCOL_SYSTEM, ""),
        margin=margins[0] if margins else None,
        inputs=tuple(one.reference for one in whats if one.reference),
        nameless=sum(1 for one in whats if not one.reference and one.identifier is None),
        results=_act(provenance),
        report=_act(of_report) if REPORT in form.parts or REPORT_PROVENANCE in form.parts else None,
        known_protocols=tuple(f"{protocol.slug}|{protocol.version}" for protocol in protocols),
    )


def _act(provenance: _Provenance) -> Act:
    persons = [one.who.reference for one in provenance.agent if any(each.code == ENTERER for each in one.type.coding)]
    recorded = seconds(provenance.recorded)
    return Act(recorded if isinstance(recorded, float) else 0.0, persons[0] if persons else None)


@dataclass(frozen=True, slots=True)
class Needs:
    """What a replay needs besides the answer.

    Attributes:
        patient: `Patient/1`; empty where the answer names nobody.
        inputs: references of Observations, those that were used and those that the answer says were left out.
    """

    patient: str
    inputs: tuple[str, ...]


def needs_of(stored: Iterable[tuple[str, Mapping[str, object]]]) -> Needs:
    """Say what a stored answer was made from.

    Args:
        stored: full URL (or empty) and resource of each of its resources.

    Raises:
        NotAnAnswer: the resources are not one answer.
    """
    form = normal_form([(full_url, unmarked(resource)) for full_url, resource in stored])
    subject = form.parts.get("guidance", {}).get("subject")
    reference = subject.get("reference") if isinstance(subject, Mapping) else ""
    return Needs(str(reference or ""), tuple(dict.fromkeys([*claims_of(form).inputs, *left_out_inputs(form)])))


def left_out_inputs(form: NormalForm) -> list[str]:
    """Inputs that the answer names among those that did not count."""
    return _INPUT.findall(msgspec.json.encode(form.parts.get("outcome", {})).decode())
