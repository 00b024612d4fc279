"""What may a caller hand to `$titrate-peep`? One table, for the reader and for the OperationDefinition."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["FROM_RECORD", "INPUTS", "OUTPUTS", "REPLAY_INPUTS", "REPLAY_OUTPUTS", "Parameter"]


@dataclass(frozen=True, slots=True)
class Parameter:
    """One parameter of the operation.

    Attributes:
        name: `Parameters.parameter.name`.
        fhir_type: FHIR type, as OperationDefinition.parameter.type names it.
        minimum: fewest.
        maximum: most, `*` for any number.
        documentation: plain sentences for the caller.
        element: where the value stands in `Parameters.parameter`: `resource`, or `value` plus the type.
    """

    name: str
    fhir_type: str
    minimum: int
    maximum: str
    documentation: str
    element: str


# A margin is a Quantity since a bare number has no unit; an instant always has a zone.
INPUTS: tuple[Parameter, ...] = (
    Parameter(
        "bundle",
        "Bundle",
        0,
        "1",
        "The trial: the Patient, Observations of height (and of sex, where charted so) and of the ventilator, in any "
        "order. May also be posted bare, without Parameters.",
        "resource",
    ),
    Parameter("patient", "Patient", 0, "1", "The patient, where the Bundle holds none.", "resource"),
    Parameter(
        "observation",
        "Observation",
        0,
        "*",
        "One Observation of the ventilator, of height or of sex; beside or instead of a Bundle.",
        "resource",
    ),
    Parameter(
        "concept-map",
        "ConceptMap",
        0,
        "1",
        "The site's own codes mapped to LOINC or ISO/IEEE 11073-10101; only equal and equivalent targets count.",
        "resource",
    ),
    Parameter(
        "protocol",
        "string",
        0,
        "1",
        "Rule set to apply, as slug or slug|version; the default where absent.",
        "valueString",
    ),
    Parameter(
        "margin",
        "Quantity",
        0,
        "1",
        "Pressure to add above the closing pressure, with its UCUM unit; within the protocol's margins. "
        "Margins of 2 to 4 cm[H2O] are common practice, no published source.",
        "valueQuantity",
    ),
    Parameter(
        "sex-for-formula",
        "code",
        0,
        "1",
        "female or male: which form of the predicted body weight formula applies, where the Patient does "
        "not say or says otherwise. Never guessed.",
        "valueCode",
    ),
    Parameter(
        "as-of",
        "instant",
        0,
        "1",
        "The instant that counts as now; readings after it are refused. The time of the request where absent.",
        "valueInstant",
    ),
    Parameter(
        "accept-preliminary",
        "boolean",
        0,
        "1",
        "Whether Observations with status preliminary count; false where absent. Every result is "
        "preliminary in any case.",
        "valueBoolean",
    ),
    Parameter(
        "write-back",
        "boolean",
        0,
        "1",
        "Whether the answer is also written to the configured record, as one transaction; false where absent.",
        "valueBoolean",
    ),
    Parameter(
        "make-current",
        "boolean",
        0,
        "1",
        "With write-back: whether the answer is to stand again where the record holds it marked superseded; the one "
        "that took its place is marked instead, unless it rests on newer inputs. False where absent, so that a late "
        "repeat brings nothing back.",
        "valueBoolean",
    ),
    Parameter(
        "with-report",
        "boolean",
        0,
        "1",
        "Whether the answer also holds a preliminary DiagnosticReport with the results as one page (PDF), and its "
        "Provenance; false where absent. With write-back it goes into the same transaction, or joins an answer that is "
        "in the record already.",
        "valueBoolean",
    ),
)
"""What the reader takes, in the order of the OperationDefinition."""

FROM_RECORD: tuple[Parameter, ...] = (
    Parameter(
        "patient-reference",
        "Reference",
        0,
        "1",
        "A patient of the configured record, as Patient/[id], instead of the bundle: height, sex and ventilator "
        "Observations are then read from the record. An id (valueId) will do, too.",
        "valueReference",
    ),
    Parameter(
        "encounter",
        "Reference",
        0,
        "1",
        "With patient-reference: only Observations of this encounter, as Encounter/[id] or an id (valueId), are read; "
        "height and sex may come from any.",
        "valueReference",
    ),
    Parameter(
        "period",
        "Period",
        0,
        "1",
        "With patient-reference: when the trial took place. A period that holds several trials is refused with the "
        "list to choose from. Where absent: the latest trial within the 24 hours before now.",
        "valuePeriod",
    ),
)
"""What the doors replace by a bundle before the reader sees the request; only where a record is configured."""

OUTPUTS: tuple[Parameter, ...] = (
    Parameter(
        "return",
        "Bundle",
        1,
        "1",
        "A collection: GuidanceResponse, preliminary Observations, DetectedIssues, Device, Provenance, where asked for "
        "a DiagnosticReport with its Provenance, and an OperationOutcome that lists every input that did not count, "
        "with its reason.",
        "resource",
    ),
)
"""A single resource named `return`: it comes back bare."""

REPLAY_INPUTS: tuple[Parameter, ...] = (
    Parameter(
        "request-identifier",
        "Identifier",
        0,
        "1",
        "The identity of an answer in the configured record: GuidanceResponse.requestIdentifier. This or answer.",
        "valueIdentifier",
    ),
    Parameter(
        "answer",
        "Bundle",
        0,
        "1",
        "The answer itself, as $titrate-peep returned it, or as a Bundle of its resources from a record.",
        "resource",
    ),
    Parameter(
        "inputs",
        "Bundle",
        0,
        "1",
        "The Patient and the Observations in the versions that the answer names; where absent they are read from the "
        "configured record.",
        "resource",
    ),
)
"""What `$replay` takes."""

REPLAY_OUTPUTS: tuple[Parameter, ...] = (
    Parameter(
        "same",
        "boolean",
        1,
        "1",
        "Whether the stored answer is, byte for byte, what its inputs give; what happened to it afterwards aside.",
        "valueBoolean",
    ),
    Parameter("request-identifier", "Identifier", 1, "1", "The identity of the answer.", "valueIdentifier"),
    Parameter(
        "signature",
        "code",
        1,
        "1",
        "valid, absent, unknown-key or broken: the answer against its signature and the keys of this service.",
        "valueCode",
    ),
    Parameter(
        "not-checked",
        "integer",
        1,
        "1",
        "How many remarks about inputs that were not used cannot be computed again; the signature covers them.",
        "valueInteger",
    ),
    Parameter(
        "difference",
        "",
        0,
        "*",
        "One finding, in parts: kind, path, expected, found (both as JSON), sentence.",
        "part",
    ),
)
"""What `$replay` returns."""
