"""The operations, one row each, and the parameters that they take and return (`data/parameters.toml`)."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

from ebbmark.data import table

_RESOURCES: Final = frozenset({"Bundle", "Patient", "Observation", "ConceptMap", "Condition"})


@dataclass(frozen=True, slots=True)
class Parameter:
    """One parameter of the operation.

    Attributes:
        name: `Parameters.parameter.name`.
        fhir_type: FHIR type, as OperationDefinition.parameter.type names it.
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


def _parameter(row: Mapping[str, Any]) -> Parameter:
    fhir_type = row["type"]
    element = "resource" if fhir_type in _RESOURCES else f"value{fhir_type[:1].upper()}{fhir_type[1:]}"
    return Parameter(
        row["name"],
        fhir_type,
        row.get("least", 0),
        row.get("most", "1"),
        row["documentation"],
        row.get("element", element),
    )


_TABLE: Final = table("parameters")

CHOICE_REASONS: Final[Mapping[str, str]] = _TABLE["chosen_because"]
"""Why a clinician chooses another PEEP than the suggested one: code and display."""

FROM_RECORD: Final = tuple(map(_parameter, _TABLE["from_record"]))
"""What the doors replace by a bundle before the reader sees the request; only where a record is configured."""

PARAMETERS: Final[Mapping[str, Parameter]] = {
    row.name: row for row in (*map(_parameter, _TABLE["inputs"]), *FROM_RECORD)
}
"""Every parameter that any operation takes, by name."""

REPLAY_INPUTS: Final = tuple(map(_parameter, _TABLE["replay_inputs"]))
"""What `$replay` takes."""

REPLAY_OUTPUTS: Final = tuple(map(_parameter, _TABLE["replay_outputs"]))
"""What `$replay` returns."""


_SHARED = (
    "bundle",
    "patient",
    "observation",
    "concept-map",
    "protocol",
    "sex-for-formula",
    "as-of",
    "accept-preliminary",
    "write-back",
    "with-report",
)
OF_A_RECORD = tuple(row.name for row in FROM_RECORD)
"""Taken instead of the data, where a record is configured."""

RELEASE = (
    "released-volume",
    "usual-volume",
    "release-high-peep",
    "release-low-peep",
    "compliance-at-low-peep",
)
"""What the recruitment-to-inflation ratio needs, all or nothing."""
_CONDITIONS = ("condition", "noradrenaline-equivalent", "body-mass-index", "barometric-pressure")


@dataclass(frozen=True, slots=True)
class Operation:
    """One operation.

    Attributes:
        slug: its name behind the `$`.
        title: one line for people.
        own: parameters beside those that all take.
        needs_weight: whether height and sex are needed.
        hours_back: how far back a record is read where the request names a patient and no period [h]; our choice.
        least_hours: how far back at least, where the record holds more than may be read; as far as that where the
            question is about what happened meanwhile [h]; our choice.
        needs_peep: whether it is refused without a reading of PEEP.
        reads_conditions: whether it looks for documented Conditions and vasopressors.
        needs_conditions: whether it is refused where Conditions cannot be read; else the answer says so.
        reads_changes: whether it looks for charted changes of position and ventilator mode.
        reads_rhythms: whether it looks for charted heart rhythms.
    """

    slug: str
    title: str
    description: str
    own: tuple[str, ...]
    needs_weight: bool
    returns: str
    hours_back: float
    least_hours: float
    needs_peep: bool = False
    reads_conditions: bool = False
    needs_conditions: bool = False
    reads_changes: bool = False
    reads_rhythms: bool = False

    @property
    def parameters(self) -> tuple[str, ...]:
        """Names of all that it takes, in order."""
        return (*_SHARED, *self.own, *OF_A_RECORD)


_WITH = "Device, Provenance, and an OperationOutcome that lists every input that did not count, with its reason."

TITRATE_PEEP = Operation(
    "titrate-peep",
    "Read a decremental PEEP trial",
    "Reads the steps of a decremental PEEP trial of one adult with ARDS and answers with the closing pressure "
    "and its probability, a suggested PEEP, tidal volumes by predicted body weight, and cautions. Every result "
    "is preliminary until a clinician has signed it. Every input that did not count is listed with its reason.",
    ("margin", "chosen-peep", "chosen-because", "make-current", "condition", "conditions-not-read"),
    True,
    "A collection: GuidanceResponse, preliminary Observations, DetectedIssues, Device, Provenance, where asked for "
    "a DiagnosticReport with its Provenance, and an OperationOutcome that lists every input that did not count, "
    "with its reason.",
    24,
    24,
    needs_peep=True,
    reads_conditions=True,
    reads_changes=True,
    reads_rhythms=True,
)
"""The titration itself."""

OPERATIONS: tuple[Operation, ...] = (
    Operation(
        "assess-candidate",
        "Is there reason for a PEEP trial, and what speaks against it?",
        "Gathers severity by the Berlin and the global definition with every input shown, what speaks for a trial, "
        "documented conditions and readings that speak against it, and what is missing to judge. Conditions are found "
        "by the published value sets; what is not documented is said to be so and never taken as absent. Infusions of "
        "noradrenaline and adrenaline are read from MedicationAdministrations of the bundle with a rate in ug/kg/min; "
        "at any other rate, and dopamine, phenylephrine and vasopressin, are named as running and not converted.",
        _CONDITIONS,
        False,
        f"A collection: GuidanceResponse, preliminary Observations, DetectedIssues for what speaks against, {_WITH}",
        24,
        3,
        reads_conditions=True,
        needs_conditions=True,
    ),
    Operation(
        "plan-trial",
        "Lay out a PEEP trial for this patient",
        "Lays out the steps of a chosen staircase from where this patient is now: settings, resulting peak pressure, "
        "time, what to record, what to expect, and the stop criteria. By default without high-pressure recruitment; "
        "the variant with recruitment exists on explicit choice only and shows the evidence. A documented "
        "contraindication or high-risk condition, readings that show one, and a Condition that cannot be judged stop "
        "the plan until a clinician has acknowledged each by name; with recruitment a contraindication stops it for "
        "good. With Accept: text/html the same plan comes as a page to print.",
        (*_CONDITIONS, "staircase", "variant", "peep-rise", "acknowledged", "acknowledged-by"),
        True,
        "A collection: GuidanceResponse, a draft CarePlan with a RequestGroup of its steps and a DeviceRequest for the "
        f"settings of each, {_WITH}",
        24,
        3,
        reads_conditions=True,
        needs_conditions=True,
    ),
    Operation(
        "next-step",
        "Go on, read again or stop lowering",
        "Reads a trial in progress after each step: the probability that closing has been passed, whether lowering "
        "further is useful, the next step of the staircase, and every stop criterion with the reading that met it and "
        "the limit's source. A criterion counts as not met only on a recent reading, whose age is shown; a reading "
        "that cannot be used and may lie beyond a limit is looked at before PEEP is lowered, and a vital sign that has "
        "a limit and was not sent is measured first, unless a clinician has acknowledged by name that it is not sent. "
        "A heart rhythm that is charted as a code (LOINC 8884-9) and new is a stop criterion where the site signed it, "
        "and else to be judged at the patient. "
        "Stop limits are those that a clinician of the site signed; without a signature the defaults apply and the "
        "answer says so. Nobody is ever asked to raise pressure.",
        ("staircase", "trial-started", "acknowledged", "acknowledged-by", "condition", "conditions-not-read"),
        False,
        f"A collection: GuidanceResponse, preliminary Observations, DetectedIssues for stop criteria, {_WITH}",
        6,
        3,
        reads_changes=True,
        reads_rhythms=True,
        reads_conditions=True,
    ),
    Operation(
        "compare-settings",
        "What changed at the new settings?",
        "Compares the hour before the trial with the time at the new settings: compliance, driving pressure, P/F, "
        "PaCO2, ventilatory ratio, mechanical power and mean arterial pressure, each better, worse or within "
        "measurement noise; whether the limits hold; and whether the top of the staircase showed overdistension.",
        ("trial-started", "titrated-at"),
        True,
        f"A collection: GuidanceResponse, preliminary Observations, {_WITH}",
        24,
        24,
        reads_conditions=True,
        reads_changes=True,
    ),
    Operation(
        "check-validity",
        "Does the last titration still describe this lung?",
        "Looks through the readings since PEEP was set: disconnection or suction, PEEP below the suggestion, loss of "
        "compliance or oxygenation beyond noise, charted changes of position (LOINC 8361-8) and ventilator mode "
        "(LOINC 20124-4). Where the patient is read from the record, the suggestion that stands there counts, if it is "
        "of this trial. Common practice is to repeat the titration after any disconnection.",
        ("titrated-at", "suggested-peep"),
        True,
        f"A collection: GuidanceResponse, preliminary Observations, DetectedIssues for what was seen, {_WITH}",
        48,
        48,
        reads_conditions=True,
        reads_changes=True,
    ),
    Operation(
        "follow-trials",
        "Lay the trials of one patient side by side",
        "Reads every decremental trial among the readings: closing pressure with its interval, suggested PEEP and "
        "compliance at it, and whether each differs from the one before by more than noise.",
        (),
        True,
        f"A collection: GuidanceResponse, preliminary Observations, {_WITH}",
        168,
        168,
        reads_conditions=True,
        reads_changes=True,
    ),
    Operation(
        "compare-markers",
        "Where would other markers put the closing point?",
        "Reads SpO2, PaO2, PaCO2, driving pressure and highest compliance along the trial, says where each would put "
        "closing and plainly when they disagree, and looks up what the published PEEP/FiO2 tables would set. From one "
        "release of PEEP, where its five values are sent, the recruitment-to-inflation ratio.",
        RELEASE,
        False,
        f"A collection: GuidanceResponse, preliminary Observations, {_WITH}",
        24,
        24,
        reads_conditions=True,
        reads_changes=True,
    ),
)
"""In the order of a patient's day."""

BY_SLUG: Mapping[str, Operation] = {one.slug: one for one in (TITRATE_PEEP, *OPERATIONS)}
"""Every operation that answers a question, by its name."""

PLAN_TRIAL = BY_SLUG["plan-trial"]
"""The one whose answer also comes as a page to print."""
