"""What else do the questions beside the titration ask? Their own parameters, one table and one reader per parameter.

What they share with `$titrate-peep` is read as there.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from ebbmark.fhir.bedside.acknowledged import ACKNOWLEDGING, Acknowledged, read_what, read_who
from ebbmark.fhir.bedside.site import Site
from ebbmark.fhir.parameters import INPUTS, Parameter
from ebbmark.fhir.problems import Problem, ProblemKind
from ebbmark.fhir.reading.elements import QuantityValue
from ebbmark.fhir.reading.shapes import Parameter as Given
from ebbmark.fhir.reading.times import seconds
from ebbmark.fhir.reading.units import UCUM, to_canonical
from ebbmark.physiology.before.plan import Variant
from ebbmark.physiology.before.staircase import StaircaseRules
from ebbmark.physiology.protocols import Protocol

__all__ = ["OWN_PARAMETERS", "READERS", "SHARED", "Asked"]

_OF_THE_TITRATION = ("margin", "write-back", "make-current", "with-report")
SHARED: Mapping[str, Parameter] = {row.name: row for row in INPUTS if row.name not in _OF_THE_TITRATION}
"""Parameters of `$titrate-peep` that these operations take too, by name."""


def _row(name: str, fhir_type: str, documentation: str, *, most: str = "1", element: str = "") -> Parameter:
    element = element or f"value{fhir_type[0].upper()}{fhir_type[1:]}"
    return Parameter(name, fhir_type, 0, most, documentation, element)


OWN_PARAMETERS: Mapping[str, Parameter] = {
    row.name: row
    for row in (
        _row(
            "condition",
            "Condition",
            "One Condition of the patient; beside or instead of those in the Bundle. Nothing is taken as absent "
            "because it was not sent.",
            most="*",
            element="resource",
        ),
        _row(
            "noradrenaline-equivalent",
            "Quantity",
            "Vasopressor dose as noradrenaline equivalent, in ug/kg/min, as the site computes it.",
        ),
        _row("body-mass-index", "Quantity", "Body mass index, in kg/m2."),
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
        _row(
            "trial-started", "instant", "When PEEP was first moved for the trial; read from the settings where absent."
        ),
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
        *ACKNOWLEDGING,
    )
}
"""Every parameter that `$titrate-peep` does not have."""


@dataclass(slots=True)
class Asked:
    """What was asked beside the readings; filled once.

    Attributes:
        noradrenaline_equivalent_mcg_per_kg_per_min: None where not sent.
        body_mass_index: None where not sent [kg/m2].
        barometric_pressure_mmhg: None where not sent.
        protocol: rules for reading a trial; None for the default.
        staircase: how the trial is performed; None for the default.
        variant: with or without recruitment.
        peep_rise_cmh2o: None for the staircase's own.
        acknowledged: what a clinician has acknowledged, and who.
        trial_started_s: None where not sent [s since 1970-01-01T00:00:00Z].
        titrated_s: None where not sent [s since 1970-01-01T00:00:00Z].
        suggested_peep_cmh2o: None where not sent.
        released_ml: volume expired in the breath in which PEEP was released; None where not sent.
        usual_volume_ml: volume expired in a usual breath.
        release_high_peep_cmh2o: PEEP before the release.
        release_low_peep_cmh2o: PEEP after it.
        compliance_at_low_peep_ml_per_cmh2o: static compliance there.
        problems: what stops the request.
    """

    noradrenaline_equivalent_mcg_per_kg_per_min: float | None = None
    body_mass_index: float | None = None
    barometric_pressure_mmhg: float | None = None
    protocol: Protocol | None = None
    staircase: StaircaseRules | None = None
    variant: Variant = Variant.DECREMENTAL_ONLY
    peep_rise_cmh2o: float | None = None
    acknowledged: Acknowledged = field(default_factory=Acknowledged)
    trial_started_s: float | None = None
    titrated_s: float | None = None
    suggested_peep_cmh2o: float | None = None
    released_ml: float | None = None
    usual_volume_ml: float | None = None
    release_high_peep_cmh2o: float | None = None
    release_low_peep_cmh2o: float | None = None
    compliance_at_low_peep_ml_per_cmh2o: float | None = None
    problems: list[Problem] = field(default_factory=list)


Reader = Callable[[Given, str, Asked, Site], None]


def _in_unit(name: str, field_name: str, unit: str, low: float, high: float) -> Reader:
    """A Quantity that converts to one of our units and lies where it can be true."""

    def read(given: Given, path: str, asked: Asked, _: Site) -> None:
        value = _number(given.valueQuantity, unit)
        if value is None or not low <= value <= high:
            _bad(name, path, f"valueQuantity: a number with its UCUM unit, {low:g} to {high:g} {unit}", asked)
        else:
            setattr(asked, field_name, value)

    return read


def _number(quantity: QuantityValue | None, unit: str) -> float | None:
    if quantity is None or quantity.value is None or quantity.comparator:
        return None
    if unit in _SPELLED:
        # These units have no conversion here: they are taken as they are spelled, or not at all.
        said = quantity.code or quantity.unit
        right = said in _SPELLED[unit] and quantity.system in ("", UCUM)
        return quantity.value if right else None
    value = to_canonical(quantity.value, quantity.code, quantity.unit, quantity.system, unit)
    return value if isinstance(value, float) else None


_SPELLED = {"ug/kg/min": frozenset({"ug/kg/min", "mcg/kg/min", "µg/kg/min"}), "kg/m2": frozenset({"kg/m2"})}


def _instant(name: str, field_name: str) -> Reader:
    def read(given: Given, path: str, asked: Asked, _: Site) -> None:
        found = seconds(given.valueInstant or given.valueDateTime)
        if isinstance(found, float):
            setattr(asked, field_name, found)
        else:
            _bad(name, path, "valueInstant: a time with zone", asked)

    return read


def _named(given: Given) -> tuple[str, str]:
    slug, _bar, version = (given.valueString or given.valueCode).partition("|")
    return slug, version


def _protocol(given: Given, path: str, asked: Asked, site: Site) -> None:
    slug, version = _named(given)
    asked.protocol = next((one for one in site.protocols if one.slug == slug and version in ("", one.version)), None)
    if asked.protocol is None:
        accepted = ", ".join(f"{one.slug}|{one.version}" for one in site.protocols)
        _bad("protocol", path, f"valueString: {accepted}", asked)


def _staircase(given: Given, path: str, asked: Asked, site: Site) -> None:
    slug, version = _named(given)
    asked.staircase = next((one for one in site.staircases if one.slug == slug and version in ("", one.version)), None)
    if asked.staircase is None:
        accepted = ", ".join(f"{one.slug}|{one.version}" for one in site.staircases)
        _bad("staircase", path, f"valueString: {accepted}", asked)


def _variant(given: Given, path: str, asked: Asked, _: Site) -> None:
    said = given.valueCode or given.valueString
    found = next((one for one in Variant if one.value == said), None)
    if found is None:
        _bad("variant", path, f"valueCode: {' or '.join(one.value for one in Variant)}", asked)
    else:
        asked.variant = found


READERS: Mapping[str, Reader] = {
    "acknowledged": lambda given, path, asked, _: asked.problems.extend(read_what(given, path, asked.acknowledged)),
    "acknowledged-by": lambda given, path, asked, _: asked.problems.extend(read_who(given, path, asked.acknowledged)),
    "noradrenaline-equivalent": _in_unit(
        "noradrenaline-equivalent", "noradrenaline_equivalent_mcg_per_kg_per_min", "ug/kg/min", 0.0, 5.0
    ),
    "body-mass-index": _in_unit("body-mass-index", "body_mass_index", "kg/m2", 8.0, 120.0),
    "barometric-pressure": _in_unit("barometric-pressure", "barometric_pressure_mmhg", "mm[Hg]", 300.0, 800.0),
    "protocol": _protocol,
    "staircase": _staircase,
    "variant": _variant,
    "peep-rise": _in_unit("peep-rise", "peep_rise_cmh2o", "cm[H2O]", 0.1, 20.0),
    "trial-started": _instant("trial-started", "trial_started_s"),
    "titrated-at": _instant("titrated-at", "titrated_s"),
    "suggested-peep": _in_unit("suggested-peep", "suggested_peep_cmh2o", "cm[H2O]", 1.0, 40.0),
    "released-volume": _in_unit("released-volume", "released_ml", "mL", 50.0, 5000.0),
    "usual-volume": _in_unit("usual-volume", "usual_volume_ml", "mL", 50.0, 2000.0),
    "release-high-peep": _in_unit("release-high-peep", "release_high_peep_cmh2o", "cm[H2O]", 1.0, 40.0),
    "release-low-peep": _in_unit("release-low-peep", "release_low_peep_cmh2o", "cm[H2O]", 0.0, 40.0),
    "compliance-at-low-peep": _in_unit(
        "compliance-at-low-peep", "compliance_at_low_peep_ml_per_cmh2o", "mL/cm[H2O]", 1.0, 300.0
    ),
}
"""By name: reads the parameter at this FHIRPath into what was asked. `condition` is read where resources are."""


def _bad(name: str, path: str, accepted: str, asked: Asked) -> None:
    sentence = f"The parameter {name} needs {accepted}."
    asked.problems.append(Problem(ProblemKind.BAD_PARAMETER, path, "something else", accepted, sentence))
