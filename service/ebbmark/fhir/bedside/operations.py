"""Which operations are published beside `$titrate-peep`, and what does each take? One table; OperationDefinitions."""

from __future__ import annotations

from dataclasses import dataclass, replace

from ebbmark import __version__
from ebbmark.fhir.bedside.asked import OWN_PARAMETERS, SHARED
from ebbmark.fhir.bedside.naming import operation_url
from ebbmark.fhir.codesystem import DEFINITIONS_DATE
from ebbmark.fhir.parameters import FROM_RECORD, Parameter

__all__ = ["OPERATIONS", "RELEASE", "Operation", "definition_of"]

_SHARED = (
    "bundle",
    "patient",
    "observation",
    "concept-map",
    "protocol",
    "sex-for-formula",
    "as-of",
    "accept-preliminary",
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
        description: a few plain sentences.
        own: parameters that `$titrate-peep` does not have.
        needs_weight: whether height and sex are needed.
        returns: what the Bundle holds.
        hours_back: how far back a record is read where the request names a patient and no period [h]; our choice.
    """

    slug: str
    title: str
    description: str
    own: tuple[str, ...]
    needs_weight: bool
    returns: str
    hours_back: float

    @property
    def reads_conditions(self) -> bool:
        """Whether it looks for documented Conditions."""
        return "condition" in self.own

    @property
    def reads_changes(self) -> bool:
        """Whether it looks for charted changes of position and ventilator mode."""
        return "titrated-at" in self.own

    @property
    def parameters(self) -> tuple[str, ...]:
        """Names of all that it takes, in order."""
        return (*_SHARED, *self.own, *OF_A_RECORD)


_WITH = "Device, Provenance, and an OperationOutcome that lists every input that did not count, with its reason."

OPERATIONS: tuple[Operation, ...] = (
    Operation(
        "assess-candidate",
        "Is there reason for a PEEP trial, and what speaks against it?",
        "Gathers severity by the Berlin and the global definition with every input shown, what speaks for a trial, "
        "documented conditions and readings that speak against it, and what is missing to judge. Conditions are found "
        "by the published value sets; what is not documented is said to be so and never taken as absent. Infusions of "
        "noradrenaline and adrenaline are read from MedicationAdministrations of the bundle with a rate in ug/kg/min.",
        _CONDITIONS,
        False,
        f"A collection: GuidanceResponse, preliminary Observations, DetectedIssues for what speaks against, {_WITH}",
        24,
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
    ),
    Operation(
        "next-step",
        "Go on, read again or stop lowering",
        "Reads a trial in progress after each step: the probability that closing has been passed, whether lowering "
        "further is useful, the next step of the staircase, and every stop criterion with the reading that met it and "
        "the limit's source. A criterion counts as not met only on a recent reading, whose age is shown; a reading "
        "that cannot be used and may lie beyond a limit is looked at before PEEP is lowered. Stop limits are those "
        "that a clinician of the site signed; without a signature the defaults apply and the answer says so. Nobody "
        "is ever asked to raise pressure.",
        ("staircase", "trial-started"),
        False,
        f"A collection: GuidanceResponse, preliminary Observations, DetectedIssues for stop criteria, {_WITH}",
        6,
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
    ),
)
"""In the order of a patient's day."""


def definition_of(operation: Operation) -> dict[str, object]:
    """FHIR R4 OperationDefinition."""
    rows = [SHARED.get(name) or OWN_PARAMETERS[name] for name in operation.parameters if name not in OF_A_RECORD]
    rows += [_of_a_record(row, operation) for row in FROM_RECORD]
    output = Parameter("return", "Bundle", 1, "1", operation.returns, "resource")
    return {
        "resourceType": "OperationDefinition",
        "id": operation.slug,
        "url": operation_url(operation.slug),
        "version": __version__,
        "name": "".join(part.capitalize() for part in operation.slug.split("-")),
        "title": operation.title,
        "status": "active",
        "kind": "operation",
        "experimental": False,
        "date": DEFINITIONS_DATE,
        "publisher": "Ebbmark",
        "description": operation.description,
        "affectsState": False,
        "code": operation.slug,
        "comment": (
            "Every result is preliminary, every plan a draft. What cannot be read or used is refused with an "
            "OperationOutcome (400 or 422) that names every problem."
        ),
        "system": True,
        "type": False,
        "instance": False,
        "parameter": [*[_parameter(row, "in") for row in rows], _parameter(output, "out")],
    }


def _of_a_record(row: Parameter, operation: Operation) -> Parameter:
    """What the three parameters of a record mean for this question."""
    return replace(row, documentation=_RECORD_WORDS[row.name].format(also=_also(operation), hours=operation.hours_back))


def _also(operation: Operation) -> str:
    changes = ", charted changes of position and ventilator mode" if operation.reads_changes else ""
    return changes + (", and all Conditions" if operation.reads_conditions else "")


_RECORD_WORDS = {
    "patient-reference": "A patient of the configured record, as Patient/[id], instead of the data: the Patient, "
    "heights of any time, and the ventilator, gas and vital-sign Observations of the period{also} are then read from "
    "the record. An id (valueId) will do, too.",
    "encounter": "With patient-reference: only Observations of this encounter, as Encounter/[id] or an id (valueId), "
    "are read; heights and Conditions may come from any.",
    "period": "With patient-reference: which time is read. Where absent: the {hours:g} hours before now, or from six "
    "hours before the start or the end of the trial on, where one is named and lies further back.",
}


def _parameter(row: Parameter, use: str) -> dict[str, object]:
    return {
        "name": row.name,
        "use": use,
        "min": row.minimum,
        "max": row.maximum,
        "documentation": row.documentation,
        "type": row.fhir_type,
    }
