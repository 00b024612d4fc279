"""The FHIR R4 structures that are read: one typed model that the decoder fills straight from bytes.

Only elements that are read are named; all others are skipped without being built. Field names are FHIR's own.
Where an object repeats a key, the last one counts, as in nearly every JSON reader. Element names and cardinalities:
FHIR R4 4.0.1, https://hl7.org/fhir/R4/observation.html, /patient.html, /devicemetric.html, /condition.html,
/medicationadministration.html, /bundle.html, /parameters.html, /conceptmap.html, /datatypes.html, /extensibility.html.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Union

import msgspec

from ebbmark.data import table

RESOURCE_TYPES: tuple[str, ...] = tuple(table("resource_types")["resource_types"])
"""The resource types of R4."""


class _Part(msgspec.Struct, frozen=True, gc=False):
    """A data type or a part of a resource."""


class _Resource(_Part, frozen=True, gc=False, tag_field="resourceType", tag=True):
    """A resource, told by its type, which is the name of the class."""


class Coding(_Part, frozen=True, gc=False):
    """FHIR Coding."""

    system: str = ""
    code: str = ""


class Codeable(_Part, frozen=True, gc=False):
    """FHIR CodeableConcept."""

    coding: list[Coding] = []
    text: str = ""


class WordedCoding(_Part, frozen=True, gc=False):
    """FHIR Coding, with its words."""

    system: str = ""
    code: str = ""
    display: str = ""


class Worded(_Part, frozen=True, gc=False):
    """FHIR CodeableConcept, with its words."""

    coding: list[WordedCoding] = []
    text: str = ""


class QuantityValue(_Part, frozen=True, gc=False):
    """FHIR Quantity."""

    value: float | None = None
    unit: str = ""
    system: str = ""
    code: str = ""
    comparator: str = ""


class Identifier(_Part, frozen=True, gc=False):
    """FHIR Identifier."""

    system: str = ""
    value: str = ""


class Reference(_Part, frozen=True, gc=False):
    """FHIR Reference."""

    reference: str = ""
    identifier: Identifier | None = None


class Period(_Part, frozen=True, gc=False):
    """FHIR Period."""

    start: str = ""
    end: str = ""


class Meta(_Part, frozen=True, gc=False):
    """FHIR Meta."""

    versionId: str = ""
    lastUpdated: str = ""


class Extension(_Part, frozen=True, gc=False):
    """FHIR Extension, as far as statements about sex need it."""

    url: str = ""
    valueCode: str = ""
    valueCodeableConcept: Codeable | None = None
    valuePeriod: Period | None = None
    extension: list[Extension] = []


class MapTarget(_Part, frozen=True, gc=False):
    """FHIR ConceptMap.group.element.target."""

    code: str = ""
    equivalence: str = ""


class MapElement(_Part, frozen=True, gc=False):
    """FHIR ConceptMap.group.element."""

    code: str = ""
    target: list[MapTarget] = []


class MapGroup(_Part, frozen=True, gc=False):
    """FHIR ConceptMap.group."""

    source: str = ""
    target: str = ""
    element: list[MapElement] = []


class Component(_Part, frozen=True, gc=False):
    """FHIR Observation.component."""

    code: Codeable
    valueQuantity: QuantityValue | None = None
    dataAbsentReason: Codeable | None = None
    modifierExtension: Any = None
    valueCodeableConcept: Any = None
    valueString: Any = None
    valueBoolean: Any = None
    valueInteger: Any = None
    valueRange: Any = None
    valueRatio: Any = None
    valueSampledData: Any = None
    valueTime: Any = None
    valueDateTime: Any = None
    valuePeriod: Any = None


class Observation(_Resource, frozen=True, gc=False, kw_only=True):
    """FHIR Observation; in FHIR's own order of elements, in which the decoder finds them fastest."""

    id: str = ""
    meta: Meta | None = None
    implicitRules: str = ""
    contained: Any = None
    modifierExtension: Any = None
    identifier: list[Identifier] = []
    status: str
    code: Codeable
    subject: Reference | None = None
    focus: list[Reference] = []
    encounter: Reference | None = None
    effectiveDateTime: str = ""
    effectivePeriod: Period | None = None
    effectiveTiming: Any = None
    effectiveInstant: str = ""
    valueQuantity: QuantityValue | None = None
    valueCodeableConcept: Any = None
    valueString: Any = None
    valueBoolean: Any = None
    valueInteger: Any = None
    valueRange: Any = None
    valueRatio: Any = None
    valueSampledData: Any = None
    valueTime: Any = None
    valueDateTime: Any = None
    valuePeriod: Any = None
    dataAbsentReason: Codeable | None = None
    device: Reference | None = None
    hasMember: Any = None
    component: list[Component] = []


class DiagnosticReport(_Resource, frozen=True, gc=False):
    """FHIR DiagnosticReport: only what it contains and concludes, and whether that counts."""

    id: str = ""
    meta: Any = None
    implicitRules: Any = None
    contained: Any = None
    modifierExtension: Any = None
    status: Any = None
    subject: Any = None
    conclusionCode: Any = None


class Composition(_Resource, frozen=True, gc=False):
    """FHIR Composition: only whether the document counts."""

    id: str = ""
    status: Any = None


class PatientLink(_Part, frozen=True, gc=False):
    """FHIR Patient.link: only how the other record stands to this one."""

    type: str = ""


class Patient(_Resource, frozen=True, gc=False):
    """FHIR Patient; names and addresses are never read."""

    id: str = ""
    meta: Meta | None = None
    modifierExtension: Any = None
    extension: list[Extension] = []
    identifier: list[Identifier] = []
    gender: str = ""
    birthDate: str = ""
    active: bool | None = None
    deceasedBoolean: bool | None = None
    deceasedDateTime: str = ""
    link: list[PatientLink] = []


class Condition(_Resource, frozen=True, gc=False):
    """FHIR Condition."""

    id: str = ""
    meta: Meta | None = None
    implicitRules: str = ""
    modifierExtension: Any = None
    clinicalStatus: Codeable | None = None
    verificationStatus: Codeable | None = None
    code: Worded | None = None
    subject: Reference | None = None
    abatementDateTime: str = ""
    abatementPeriod: Any = None
    abatementAge: Any = None
    abatementRange: Any = None
    abatementString: str = ""


class Dosage(_Part, frozen=True, gc=False):
    """FHIR MedicationAdministration.dosage."""

    rateQuantity: QuantityValue | None = None


class Procedure(_Resource, frozen=True, gc=False):
    """FHIR Procedure; of any shape, since most are none of ours: `Condition` judges what is left of it."""

    id: Any = ""
    meta: Any = None
    implicitRules: Any = ""
    modifierExtension: Any = None
    status: Any = ""
    code: Any = None
    subject: Any = None
    performedPeriod: Any = None


class MedicationAdministration(_Resource, frozen=True, gc=False):
    """FHIR MedicationAdministration."""

    id: str = ""
    meta: Meta | None = None
    implicitRules: str = ""
    modifierExtension: Any = None
    status: str = ""
    contained: Any = None
    medicationCodeableConcept: Codeable | None = None
    medicationReference: Reference | None = None
    subject: Reference | None = None
    effectiveDateTime: str = ""
    effectivePeriod: Period | None = None
    dosage: Dosage | None = None


class DeviceMetric(_Resource, frozen=True, gc=False):
    """FHIR DeviceMetric: only says whether a value is a setting or a measurement."""

    id: str = ""
    category: str = ""


class ConceptMap(_Resource, frozen=True, gc=False):
    """FHIR ConceptMap."""

    status: str = ""
    group: list[MapGroup] = []


class EntryRequest(_Part, frozen=True, gc=False):
    """FHIR Bundle.entry.request."""

    method: str = ""
    url: str = ""


class Entry(_Part, frozen=True, gc=False):
    """FHIR Bundle.entry."""

    fullUrl: str = ""
    resource: Resource | None = None
    request: EntryRequest | None = None


class Link(_Part, frozen=True, gc=False):
    """FHIR Bundle.link; addresses are never followed."""

    relation: str = ""


class Bundle(_Resource, frozen=True, gc=False):
    """FHIR Bundle."""

    type: str = ""
    implicitRules: str = ""
    link: list[Link] = []
    entry: list[Entry] = []


class Parameter(_Part, frozen=True, gc=False):
    """FHIR Parameters.parameter."""

    name: str
    resource: Resource | None = None
    valueCode: str = ""
    valueString: str = ""
    valueInstant: str = ""
    valueDateTime: str = ""
    valueBoolean: bool | None = None
    valueQuantity: QuantityValue | None = None
    valueReference: Any = None


class Parameters(_Resource, frozen=True, gc=False):
    """FHIR Parameters."""

    parameter: list[Parameter] = []
    implicitRules: str = ""


class Other(msgspec.Struct, frozen=True, gc=False, tag_field="resourceType", tag=""):
    """Any other resource of FHIR R4: known by its type, not read."""

    id: str = ""


_READ: tuple[type[msgspec.Struct], ...] = (
    Observation,
    Patient,
    Condition,
    MedicationAdministration,
    Procedure,
    DeviceMetric,
    DiagnosticReport,
    Composition,
    ConceptMap,
    Bundle,
    Parameters,
)
_TAGS = frozenset(kind.__name__ for kind in _READ)

if TYPE_CHECKING:
    Resource = (
        Observation
        | Patient
        | Condition
        | MedicationAdministration
        | Procedure
        | DeviceMetric
        | DiagnosticReport
        | Composition
        | ConceptMap
        | Bundle
        | Parameters
        | Other
    )
else:
    _OTHERS = tuple(
        msgspec.defstruct(
            name, [], bases=(Other,), tag_field="resourceType", tag=name, frozen=True, gc=False, module=__name__
        )
        for name in RESOURCE_TYPES
        if name not in _TAGS
    )
    Resource = Union[(*_READ, *_OTHERS)]

ANY_RESOURCE: msgspec.json.Decoder[Resource] = msgspec.json.Decoder(Resource)
"""Decodes any FHIR R4 resource."""
