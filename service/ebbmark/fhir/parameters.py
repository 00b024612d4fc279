"""The parameters that operations take and return: one table, for the reader and for the OperationDefinitions."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

__all__ = ["FROM_RECORD", "PARAMETERS", "REPLAY_INPUTS", "REPLAY_OUTPUTS", "Parameter"]


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


def _row(name: str, fhir_type: str, documentation: str, *, most: str = "1", element: str = "") -> Parameter:
    element = element or f"value{fhir_type[0].upper()}{fhir_type[1:]}"
    return Parameter(name, fhir_type, 0, most, documentation, element)


# A margin is a Quantity since a bare number has no unit; an instant always has a zone.
_INPUTS: tuple[Parameter, ...] = (
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
        "chosen-peep",
        "Quantity",
        0,
        "1",
        "PEEP that the clinician chose instead of the suggested one, with its UCUM unit; needs chosen-because. It is "
        "stated beside the suggestion, with what is expected there.",
        "valueQuantity",
    ),
    Parameter(
        "chosen-because",
        "code",
        0,
        "1",
        "Why that PEEP was chosen: oxygenation, circulation, pleural-pressure, loss-expected, not-representative or "
        "local-protocol.",
        "valueCode",
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
        "The instant that counts as now; readings up to 5 minutes after it count, since clocks differ, and later ones "
        "are left out and named. The time of the request where absent.",
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
        "With write-back: whether an answer becomes current again where the record holds it marked superseded; the one "
        "that took its place is marked instead, unless it rests on newer inputs. False where absent, so that a late "
        "repeat brings nothing back.",
        "valueBoolean",
    ),
    Parameter(
        "with-report",
        "boolean",
        0,
        "1",
        "Whether the answer also holds a preliminary DiagnosticReport with the results on paper (PDF), and its "
        "Provenance; false where absent. With write-back it goes into the same transaction, or joins an answer that is "
        "in the record already.",
        "valueBoolean",
    ),
    _row(
        "condition",
        "Condition",
        "One Condition of the patient; beside or instead of those in the Bundle. Nothing is taken as absent "
        "because it was not sent.",
        most="*",
        element="resource",
    ),
    _row(
        "conditions-not-read",
        "boolean",
        "Whether the Conditions of this patient could not be read; the answer then carries a caution that what they "
        "may say is not known. False where absent. Set by this service where it reads a record and may not read "
        "Conditions there.",
    ),
    _row(
        "noradrenaline-equivalent",
        "Quantity",
        "Vasopressor dose as noradrenaline equivalent, in ug/kg/min, as the site computes it.",
    ),
    _row("body-mass-index", "Quantity", "Body mass index, in kg/m2; from body weight and height where not sent."),
    _row(
        "barometric-pressure",
        "Quantity",
        "Barometric pressure at the bedside, where it lies above 1,000 m: the Berlin definition corrects for it.",
    ),
    _row(
        "staircase",
        "string",
        "How the trial is performed, as slug or slug|version of a PlanDefinition of this service; common practice "
        "where absent. A published protocol whose numbers could not all be read is refused with the cells that a "
        "site completes.",
    ),
    _row(
        "variant",
        "code",
        "decremental-only, or with-recruitment on explicit choice; decremental-only where absent. Guidelines "
        "recommend against prolonged high-pressure recruitment, and the answer then shows their words.",
    ),
    _row("peep-rise", "Quantity", "PEEP up per step on the way up, 2 to 5 cm[H2O] (common practice)."),
    _row("trial-started", "instant", "When PEEP was first moved for the trial; read from the settings where absent."),
    _row(
        "titrated-at",
        "instant",
        "When PEEP was set after the trial. Where absent: the first setting above the lowest step that was kept "
        "for 15 minutes, or else the latest.",
    ),
    _row(
        "suggested-peep",
        "Quantity",
        "PEEP that the titration suggested; read from the trial among the readings where absent.",
    ),
    _row(
        "released-volume",
        "Quantity",
        "For the recruitment-to-inflation ratio: volume expired in the breath in which PEEP was released. With the "
        "next four parameters, or none of them.",
    ),
    _row("usual-volume", "Quantity", "Volume expired in a usual breath before the release."),
    _row("release-high-peep", "Quantity", "PEEP before the release."),
    _row("release-low-peep", "Quantity", "PEEP after it, or the airway opening pressure where that is higher."),
    _row("compliance-at-low-peep", "Quantity", "Static compliance at that low PEEP."),
    Parameter(
        "acknowledged",
        "string",
        0,
        "*",
        "One thing that stands in the way and that a clinician has looked at. Of a plan: the code of a documented "
        "condition or of what readings show, or the reference of a Condition that could not be judged, as the refusal "
        "names it; without it such a plan is refused. During a trial: spo2-not-sent, arterial-pressure-not-sent, "
        "heart-rate-not-sent or heart-rhythm-not-sent, for a vital sign that has a stop limit and is watched but not "
        "sent; rhythm-changed-to- and its code (several joined by +), or rhythm-not-readable, for a heart rhythm that "
        "was looked at. Needs "
        "acknowledged-by.",
        "valueString",
    ),
    Parameter(
        "acknowledged-by",
        "Reference",
        0,
        "1",
        "The clinician who has acknowledged: a Practitioner or PractitionerRole, or a display that names the person. "
        "Stands in the answer beside everything acknowledged.",
        "valueReference",
    ),
)

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

PARAMETERS: Mapping[str, Parameter] = {row.name: row for row in (*_INPUTS, *FROM_RECORD)}
"""Every parameter that any operation takes, by name."""

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
    Parameter(
        "outcome",
        "code",
        1,
        "1",
        "same: the same bytes; same-within-rounding: another engine or platform made it, which a difference names; "
        "inputs-amended: since the answer was given; not-replayable: given under a charting table that is not loaded; "
        "different.",
        "valueCode",
    ),
    Parameter("request-identifier", "Identifier", 1, "1", "The identity of the answer.", "valueIdentifier"),
    Parameter(
        "signature",
        "code",
        1,
        "1",
        "valid, absent, unknown-key, covers-part (resources stand with the answer that are none of it) or broken: the "
        "answer against its signature and the keys of this service.",
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
