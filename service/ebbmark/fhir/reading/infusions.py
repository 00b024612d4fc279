"""Vasopressors that run, and how fast: FHIR R4 MedicationAdministration with a rate in micrograms/kg/min.

Noradrenaline and adrenaline count, one for one (Goradia et al 2020, as the public query mimic-iv/concepts/medication/
norepinephrine_equivalent_dose.sql of MIT-LCP/mimic-code reads it). Another rate needs a weight that is not guessed: the
drug is then named as running and not converted, and the rate is listed. Dopamine, phenylephrine and vasopressin are
named as running and not converted, whatever their rate. Other drugs are not looked for. None sent is not none given.
Codes, each seen with its name in at least two independent public repositories: RxNorm 7512 and 3992, ATC C01CA03,
C01CA24, C01CA04, C01CA06 and H01BA01, SNOMED CT 45555007. RxNorm codes of the drugs that are not converted were found
in one list only, or contradicted, and are matched by nothing. Source: FHIR R4 4.0.1,
https://hl7.org/fhir/R4/medicationadministration.html.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import msgspec

from ebbmark.fhir.model import Codeable, Coding, MedicationAdministration, QuantityValue
from ebbmark.fhir.naming import SNOMED
from ebbmark.fhir.problems import Ignored, Reason, Source, word_shown
from ebbmark.fhir.reading.request import Received, not_needed
from ebbmark.fhir.reading.units import UCUM
from ebbmark.fhir.times import seconds
from ebbmark.physiology.timeline import Infusion

RXNORM = "http://www.nlm.nih.gov/research/umls/rxnorm"
_ATC = ("http://www.whocc.no/atc", "http://fhir.de/CodeSystem/bfarm/atc", "http://fhir.de/CodeSystem/dimdi/atc")
_DRUGS: dict[tuple[str, str], str] = {
    (RXNORM, "7512"): "noradrenaline",
    (RXNORM, "3992"): "adrenaline",
    (SNOMED, "45555007"): "noradrenaline",
    **{(system, "C01CA03"): "noradrenaline" for system in _ATC},
    **{(system, "C01CA24"): "adrenaline" for system in _ATC},
    **{(system, "C01CA04"): "dopamine" for system in _ATC},
    **{(system, "C01CA06"): "phenylephrine" for system in _ATC},
    **{(system, "H01BA01"): "vasopressin" for system in _ATC},
}
_CONVERTED = frozenset({"noradrenaline", "adrenaline"})
DRUG_CODES: tuple[tuple[str, str], ...] = tuple(_DRUGS)
"""System and code of every drug that is read, for whoever searches for them."""

_RATES = frozenset({"ug/kg/min", "mcg/kg/min", "µg/kg/min"})
_MOST = 5.0  # as for the parameter noradrenaline-equivalent
_GIVEN = frozenset({"in-progress", "completed", "stopped"})
_NOT_GIVEN = frozenset({"not-done", "on-hold", "entered-in-error", "unknown", ""})


@dataclass(slots=True)
class Infusions:
    """What the MedicationAdministrations of one request say; filled once.

    Attributes:
        read: infusions; the source of each counts from 0.
        sources: the inputs that they came from.
        subjects: FHIRPath of the first one by reference of its subject.
        ignored: those that do not count, each with its reason.
    """

    read: list[Infusion] = field(default_factory=list)
    sources: list[Source] = field(default_factory=list)
    subjects: dict[str, str] = field(default_factory=dict)
    ignored: list[Ignored] = field(default_factory=list)


def read_infusions(given: Sequence[Received[MedicationAdministration]], now_s: float) -> Infusions:
    """Read the vasopressors among the MedicationAdministrations of a request; other drugs are listed.

    Args:
        given: as received, in order.
        now_s: the instant that counts as now [s since 1970-01-01T00:00:00Z].
    """
    found = Infusions()
    for item in given:
        one, path, reference = item.resource, item.path, item.reference
        drug = _drug(one)
        if not _codings(one):
            sentence = "Its drug has no code here, so whether it is a vasopressor is not known."
            found.ignored.append(Ignored(path, reference, Reason.NOT_USED.slug, sentence))
        elif drug is not None:
            _read(one, drug, path, reference, now_s, found)
        else:
            sentence = not_needed("MedicationAdministration")
            found.ignored.append(Ignored(path, reference, Reason.NOT_USED.slug, sentence))
    return found


def _drug(one: MedicationAdministration) -> str | None:
    return next((drug for coding in _codings(one) if (drug := _DRUGS.get((coding.system, coding.code.upper())))), None)


def _codings(one: MedicationAdministration) -> list[Coding]:
    """What names the drug: its own codes, or those of the Medication that it carries within."""
    if one.medicationCodeableConcept is not None:
        return one.medicationCodeableConcept.coding
    named = one.medicationReference.reference if one.medicationReference else ""
    for resource in one.contained if isinstance(one.contained, list) else ():
        if isinstance(resource, dict) and named == f"#{resource.get('id')}":
            try:
                return msgspec.convert(resource.get("code"), Codeable).coding
            except msgspec.ValidationError:
                return []
    return []


def _read(one: MedicationAdministration, drug: str, path: str, reference: str, now_s: float, found: Infusions) -> None:
    def leave_out(reason: Reason, sentence: str) -> None:
        found.ignored.append(Ignored(path, reference, reason.slug, f"{drug.capitalize()}: {sentence}"))

    if one.status not in _GIVEN:
        status = word_shown(one.status, _NOT_GIVEN, "another one") or "missing"
        return leave_out(Reason.STATUS_UNKNOWN, f"its status is {status}, so it does not count as given.")
    if one.subject is None or not one.subject.reference:
        return leave_out(Reason.OTHER_SUBJECT, "it names no patient by reference.")
    found.subjects.setdefault(one.subject.reference, path)
    if one.implicitRules or one.modifierExtension:
        return leave_out(Reason.MODIFIER_EXTENSION, "it carries a modifier extension that is not known here.")
    start_s, end_s = _times(one)
    if start_s is None:
        return leave_out(Reason.NO_TIME, "it says not when, with a zone, it was given.")
    if start_s > now_s:
        return leave_out(Reason.FUTURE, "it begins after the instant that counts as now.")
    rate = one.dosage.rateQuantity if one.dosage else None
    if drug not in _CONVERTED:
        # A rate of nothing ends what ran before it.
        end_s = start_s if rate is not None and rate.value == 0 else end_s
        return _take(one, drug, None, _shown(rate), (start_s, end_s), (path, reference), found)
    fault = _fault(rate)
    if rate is None or fault is not None:
        # It runs, whatever its rate: an older rate must not stand for this one, nor a missing one for a sent one.
        if fault is not None:
            leave_out(fault[0], f"{fault[1]}; that it was given counts, its rate does not.")
        return _take(one, drug, None, _shown(rate), (start_s, end_s), (path, reference), found)
    return _take(one, drug, rate.value, "", (start_s, end_s), (path, reference), found)


def _fault(rate: QuantityValue | None) -> tuple[Reason, str] | None:
    """Why a rate is not read; None where it is."""
    if rate is None or rate.value is None or rate.comparator:
        return Reason.NO_VALUE, "it has no rate as a Quantity"
    if rate.value == 0.0:
        return None  # in any unit
    if (rate.code or rate.unit) not in _RATES or rate.system not in ("", UCUM):
        return Reason.UNIT_UNKNOWN, "its rate is not in ug/kg/min, and no weight is guessed"
    if not 0.0 <= rate.value <= _MOST:
        return Reason.OUT_OF_RANGE, f"its rate is not between 0 and {_MOST:g} ug/kg/min"
    return None


def _take(
    one: MedicationAdministration,
    drug: str,
    rate: float | None,
    shown: str,
    span_s: tuple[float, float | None],
    named: tuple[str, str],
    found: Infusions,
) -> None:
    start_s, end_s = span_s
    charted = one.effectivePeriod is None
    going_on = not charted and end_s is None and one.status == "in-progress"
    found.read.append(Infusion(drug, rate, start_s, end_s, going_on, charted, len(found.read), shown))
    spelled = f"{rate!r}|ug/kg/min" if rate is not None else shown
    found.sources.append(Source(*named, f"infusion|{drug}|{spelled}|{start_s!r}|{end_s!r}"))


def _shown(rate: QuantityValue | None) -> str:
    """A rate as it was sent, for people to read."""
    if rate is None or rate.value is None:
        return ""
    return f"{rate.comparator[:2]}{rate.value:g} {(rate.unit or rate.code)[:20]}".rstrip()


def _times(one: MedicationAdministration) -> tuple[float | None, float | None]:
    if one.effectivePeriod is not None:
        start, end = seconds(one.effectivePeriod.start), seconds(one.effectivePeriod.end)
    else:
        start = seconds(one.effectiveDateTime)
        end = None
    return (start if isinstance(start, float) else None), (end if isinstance(end, float) else None)
