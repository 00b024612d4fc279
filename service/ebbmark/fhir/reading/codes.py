"""The codes that are understood: one table, LOINC, MDC (ISO/IEEE 11073-10101) and SNOMED CT against our words.

The last column of each row names where the meaning of the code was read:

* MII: medizininformatik-initiative/kerndatensatzmodul-intensivmedizin, profiles and value sets (2026-08).
* AUM: AmsterdamUMC/AmsterdamUMCdb, dictionary, columns LOINC number and long name (2025-10).
* SANER: HL7/fhir-saner, value set PatientsOnVentilator. CPG: CEOsys/celida-recommendations (2024-12).
* MDC-R4B: `devicemetric-type` value set of FHIR R4B. MDC-LK: IEEE 11073 (MDC) für Lungenfunktion und Beatmung,
  Code-Erhebung (2026-09-25), against the 10101 code system of 2024-12.
* RSG: HL7 extensions pack, value set recorded-sex-or-gender-type. CCDA: HL7 C-CDA 5.0.0, Sex Observation, Birth Sex
  Observation.
* NPMF: R4 vital-signs value set. LPG: public reprints of LOINC rows. BP: BioPortal, LOINC property IEEE_CF_CODE10.
* DK: HL7 Denmark, DK Core, value set IEEEBasicObservation (rate of breathing, method not specified).
* POCD: HL7/uv-pocd examples. PUB: code and meaning together in at least two independent public repositories.
* M: from memory, not yet read in a source: accepted on input, never emitted.

LOINC numbers carry a check digit (mod 10), held by a test.
"""

# ruff: noqa: E501
from __future__ import annotations

from enum import Enum
from typing import NamedTuple

from ebbmark.fhir.naming import LOINC, MDC, SNOMED
from ebbmark.physiology.readings import Quantity

__all__ = [
    "CODES",
    "LOINC",
    "MDC",
    "RHYTHM",
    "ROWS",
    "SETTING_TWIN",
    "SNOMED",
    "CodeRow",
    "HeightKind",
    "Personal",
    "SexKind",
    "WeightKind",
    "is_rhythm",
]


class HeightKind(Enum):
    """How a height was come by; the order is the order of preference."""

    MEASURED = ("measured", "")
    GENERIC = ("generic", "")
    STATED = ("stated", "The height was stated, not measured.")
    LYING = ("lying", "The height was measured lying, which runs longer than standing.")
    ESTIMATED = ("estimated", "The height was estimated, not measured.")

    __hash__ = object.__hash__

    def __init__(self, slug: str, doubt: str) -> None:
        self.slug = slug
        self.doubt = doubt


class SexKind(Enum):
    """What an Observation says by a sex; the order is the order of preference."""

    AT_BIRTH = "sex-at-birth"
    RECORDED = "sex"

    __hash__ = object.__hash__


class WeightKind(Enum):
    """Actual body weight: for the body mass index alone, and never for a predicted weight."""

    ACTUAL = "body-weight"

    __hash__ = object.__hash__


Personal = HeightKind | SexKind | WeightKind
"""What is of the person and of any time, unlike a reading."""


class CodeRow(NamedTuple):
    """One code.

    Attributes:
        system: code system.
        code: as in Coding.code; for MDC the decimal 32-bit code.
        display: name of the code, or its reference id for MDC.
        meaning: the quantity, a kind of height, of sex or of weight, or None where the code is known but of no use here.
        source: where the meaning was read (keys above).
        variant: tells codes of one quantity apart that may rightly differ at one instant (invasive and cuff ...).
        reason: why a code without meaning is not used; else a remark that goes into the request's notes.
        narrows_to: more exact meanings that another coding of the same concept may give.
        ambiguous: whether the code is in use for settings and for measurements.
        mapped_to: system and code that a site's ConceptMap equates with it; empty for our own rows.
    """

    system: str
    code: str
    display: str
    meaning: Quantity | Personal | None
    source: str
    variant: str = ""
    reason: str = ""
    narrows_to: frozenset[Quantity | SexKind] = frozenset()
    ambiguous: bool = False
    mapped_to: tuple[str, str] = ("", "")


_Q = Quantity
_H = HeightKind
_SIDES = frozenset({_Q.TIDAL_VOLUME_EXPIRED, _Q.TIDAL_VOLUME_INSPIRED})
_DELTAS = frozenset({_Q.DRIVING_PRESSURE, _Q.PRESSURE_ABOVE_PEEP_SET})
_COMPLIANCES = frozenset({_Q.COMPLIANCE_STATIC, _Q.COMPLIANCE_DYNAMIC})
_FIO2S = frozenset({_Q.FIO2_MEASURED, _Q.FIO2_SET})

_COMPUTED = "This is computed here from its parts."
_SPECIMEN = "The code does not say that the blood was arterial."
_LUNG = "MDC_COMPL_LUNG_STATIC is defined for the lung alone; it was read as LOINC 60828-1 is: as static compliance."
_REPLACED = "A replaced MDC code was read as its successor."


_row = CodeRow

RHYTHM = CodeRow(
    LOINC,
    "8884-9",
    "Heart rate rhythm",
    None,
    "PUB",
    reason="The rhythm of the heart is looked at during a trial only, as a coded value.",
)
"""Read in the examples of two implementation guides, see `fhir/bedside/rhythms`."""


def is_rhythm(row: CodeRow) -> bool:
    """Whether a code stands for the rhythm of the heart."""
    return row.meaning is None and row.display == RHYTHM.display


# One line per code, however long: a table is read across.
# fmt: off
ROWS: tuple[CodeRow, ...] = (
    # patient
    RHYTHM,
    _row(LOINC, "8302-2", "Body height", _H.GENERIC, "MII, NPMF"),
    _row(MDC, "68060", "MDC_ATTR_PT_HEIGHT", _H.GENERIC, "BP"),
    _row(MDC, "188740", "MDC_LEN_BODY_ACTUAL", _H.GENERIC, "M"),
    _row(SNOMED, "50373000", "Body height", _H.GENERIC, "M"),
    _row(LOINC, "3137-7", "Body height Measured", _H.MEASURED, "LPG"),
    _row(LOINC, "8308-9", "Body height --standing", _H.MEASURED, "LPG, M"),
    _row(LOINC, "8307-1", "Body height --pre surgery", _H.MEASURED, "LPG, M"),
    _row(LOINC, "3138-5", "Body height Stated", _H.STATED, "LPG"),
    _row(LOINC, "8301-4", "Body height Estimated", _H.ESTIMATED, "LPG"),
    _row(LOINC, "8306-3", "Body height --lying", _H.LYING, "LPG, M"),
    _row(LOINC, "76689-9", "Sex assigned at birth", SexKind.AT_BIRTH, "RSG, CCDA"),
    _row(LOINC, "46098-0", "Sex", SexKind.RECORDED, "RSG, CCDA", narrows_to=frozenset({SexKind.AT_BIRTH})),
    _row(LOINC, "8303-0", "Body height [Percentile]", None, "MII", reason="A percentile is not a height."),
    _row(LOINC, "29463-7", "Body weight", WeightKind.ACTUAL, "MII, AUM, NPMF"),
    _row(LOINC, "3141-9", "Body weight Measured", WeightKind.ACTUAL, "MII, AUM"),
    _row(MDC, "188736", "MDC_MASS_BODY_ACTUAL", WeightKind.ACTUAL, "M"),
    _row(SNOMED, "27113001", "Body weight", WeightKind.ACTUAL, "M"),
    _row(LOINC, "50064-5", "Ideal body weight", None, "MII", reason=_COMPUTED),
    _row(MDC, "188796", "Ideal body weight", None, "MII", reason=_COMPUTED),
    # pressures
    _row(LOINC, "20077-4", "Positive end expiratory pressure setting Ventilator", _Q.PEEP_SET, "SANER, AUM, LPG"),
    _row(LOINC, "76248-4", "PEEP Respiratory system --on ventilator", _Q.PEEP_MEASURED, "MII, AUM", ambiguous=True),
    _row(MDC, "151976", "MDC_VENT_PRESS_AWAY_END_EXP_POS", _Q.PEEP_MEASURED, "MII, MDC-LK", ambiguous=True),
    _row(SNOMED, "250854009", "Positive end expiratory pressure", _Q.PEEP_MEASURED, "MII", ambiguous=True),
    _row(MDC, "152788", "MDC_PRESS_AWAY_END_EXP_POS_TOTAL", _Q.PEEP_TOTAL, "MDC-LK"),
    _row(MDC, "151808", "MDC_PRESS_AWAY_END_EXP_POS_INTRINSIC", _Q.PEEP_INTRINSIC, "MDC-LK"),
    _row(LOINC, "76531-3", "Pressure.max Respiratory system airway --on ventilator", _Q.PEAK_PRESSURE, "MII, AUM"),
    _row(LOINC, "19976-0", "Maximum [Pressure] airway opening --during inspiration on ventilator", _Q.PEAK_PRESSURE, "AUM"),
    _row(MDC, "151973", "MDC_VENT_PRESS_AWAY_MAX", _Q.PEAK_PRESSURE, "MII, MDC-LK"),
    _row(MDC, "151957", "MDC_VENT_PRESS_MAX", _Q.PEAK_PRESSURE, "MDC-LK"),
    _row(MDC, "151817", "MDC_PRESS_AWAY_INSP_PEAK", _Q.PEAK_PRESSURE, "public device messages (weak)"),
    _row(SNOMED, "27913002", "Peak inspiratory pressure", _Q.PEAK_PRESSURE, "MII"),
    _row(LOINC, "76259-1", "Pressure.plateau Respiratory system airway --on ventilator", _Q.PLATEAU_PRESSURE, "MII, CPG, AUM"),
    _row(LOINC, "75943-1", "Airway pressure --during respiratory pause", _Q.PLATEAU_PRESSURE, "AUM"),
    _row(MDC, "152424", "MDC_VENT_PRESS_RESP_PLAT", _Q.PLATEAU_PRESSURE, "MII, MDC-LK"),
    _row(MDC, "151960", "MDC_VENT_PRESS_PLAT", _Q.PLATEAU_PRESSURE, "MDC-LK", reason=_REPLACED),
    _row(MDC, "151784", "MDC_PRESS_RESP_PLAT", _Q.PLATEAU_PRESSURE, "public device messages (weak)", reason=_REPLACED),
    _row(SNOMED, "698822002", "Airway plateau pressure", _Q.PLATEAU_PRESSURE, "MII"),
    _row(LOINC, "76154-4", "Airway pressure delta --on ventilator", _Q.DRIVING_PRESSURE, "MII, CPG"),
    _row(MDC, "183316", "MDC_VENT_PRESS_AWAY_DIFF_INSP_END_EXP_END_AT_ZERO_FLOW", _Q.DRIVING_PRESSURE, "MDC-LK"),
    _row(MDC, "152720", "MDC_VENT_PRESS_AWAY_DELTA", None, "MDC-LK", narrows_to=_DELTAS,
         reason="The code covers any pressure above PEEP, not only the driving pressure."),
    _row(LOINC, "33436-7", "Internal gas supply pressure", None, "MII", reason="This is a gas supply pressure."),
    _row(LOINC, "76152-8", "Airway pressure delta setting Ventilator", _Q.PRESSURE_ABOVE_PEEP_SET, "AUM", variant="control"),
    _row(LOINC, "20079-0", "Pressure support setting Ventilator", _Q.PRESSURE_SUPPORT_SET, "MII, SANER, AUM"),
    _row(LOINC, "76530-5", "Mean pressure Respiratory system airway --on ventilator", _Q.MEAN_AIRWAY_PRESSURE, "MII, AUM"),
    _row(LOINC, "60949-5", "Mean airway pressure", _Q.MEAN_AIRWAY_PRESSURE, "AUM"),
    _row(LOINC, "60952-9", "Mean airway pressure --during inspiration", None, "SANER, AUM",
         reason="This mean is over inspiration only."),
    _row(MDC, "151975", "MDC_VENT_PRESS_AWAY_MEAN", _Q.MEAN_AIRWAY_PRESSURE, "MII, MDC-LK"),
    _row(SNOMED, "698821009", "Mean airway pressure", _Q.MEAN_AIRWAY_PRESSURE, "MII"),
    _row(MDC, "152712", "MDC_PRESS_AWAY_INSP_END", None, "MDC-LK",
         reason="End-inspiratory pressure is a plateau only where flow has stopped, which the code does not say."),
    _row(LOINC, "20060-0", "Airway pressure at zero inspiratory flow", None, "MII",
         reason="The code is of zero inspiratory flow; it is in use for other things too."),
    # volumes, rates, times
    _row(LOINC, "20112-9", "Tidal volume setting Ventilator", _Q.TIDAL_VOLUME_SET, "MII, SANER, AUM"),
    _row(MDC, "16929196", "MDC_VENT_VOL_TIDAL_SETTING", _Q.TIDAL_VOLUME_SET, "MII"),
    _row(SNOMED, "416811008", "Tidal volume setting", _Q.TIDAL_VOLUME_SET, "MII"),
    _row(LOINC, "76007-4", "Tidal volume expired Respiratory system airway --on ventilator", _Q.TIDAL_VOLUME_EXPIRED, "AUM"),
    _row(LOINC, "20107-9", "Tidal volume expired spontaneous+mechanical --on ventilator", _Q.TIDAL_VOLUME_EXPIRED, "AUM"),
    _row(MDC, "151868", "MDC_VOL_AWAY_TIDAL", _Q.TIDAL_VOLUME_EXPIRED, "MDC-LK"),
    _row(LOINC, "20109-5", "Tidal volume inspired spontaneous+mechanical Measured --on ventilator", _Q.TIDAL_VOLUME_INSPIRED, "AUM, MII"),
    _row(LOINC, "76222-9", "Tidal volume Ventilator --on ventilator", _Q.TIDAL_VOLUME_UNSTATED, "MII", narrows_to=_SIDES),
    _row(LOINC, "20118-6", "Tidal volume spontaneous+mechanical --on ventilator", _Q.TIDAL_VOLUME_UNSTATED, "MII", narrows_to=_SIDES),
    _row(MDC, "151980", "MDC_VENT_VOL_TIDAL", _Q.TIDAL_VOLUME_UNSTATED, "MII, MDC-LK", narrows_to=_SIDES),
    _row(SNOMED, "250874002", "Ventilator delivered tidal volume", _Q.TIDAL_VOLUME_UNSTATED, "MII", narrows_to=_SIDES),
    _row(MDC, "153208", "MDC_VOL_AWAY_TIDAL_PER_IBW", None, "MDC-LK", reason=_COMPUTED),
    _row(LOINC, "20115-2", "Tidal volume spontaneous per body weight", None, "SANER", reason="Of spontaneous breaths only."),
    _row(LOINC, "19834-1", "Breath rate setting Ventilator", _Q.RESPIRATORY_RATE_SET, "AUM, SANER"),
    _row(LOINC, "19835-8", "Breath rate setting synchronized intermittent mandatory", _Q.RESPIRATORY_RATE_SET, "AUM, SANER", variant="simv"),
    _row(LOINC, "19840-8", "Breath rate spontaneous and mechanical --on ventilator", _Q.RESPIRATORY_RATE, "MII, AUM"),
    _row(LOINC, "33438-3", "Breath rate mechanical --on ventilator", _Q.RESPIRATORY_RATE, "MII, AUM", variant="mechanical"),
    _row(LOINC, "9279-1", "Respiratory rate", _Q.RESPIRATORY_RATE, "NPMF", variant="vital sign"),
    _row(LOINC, "19839-0", "Breath rate spontaneous --on ventilator", _Q.RESPIRATORY_RATE_SPONTANEOUS, "MII, AUM"),
    _row(MDC, "151562", "MDC_RESP_RATE", _Q.RESPIRATORY_RATE, "DK, PUB", variant="vital sign"),
    _row(MDC, "152490", "MDC_VENT_RESP_BTSD_PSAZC_RATE", _Q.RESPIRATORY_RATE, "MII, MDC-LK"),
    _row(MDC, "151586", "MDC_VENT_RESP_RATE", _Q.RESPIRATORY_RATE, "MII, MDC-LK", variant="mechanical"),
    _row(MDC, "152498", "MDC_VENT_RESP_BTSD_P_RATE", _Q.RESPIRATORY_RATE_SPONTANEOUS, "MDC-LK"),
    _row(SNOMED, "250810003", "Total breath rate", _Q.RESPIRATORY_RATE, "MII"),
    _row(SNOMED, "250876000", "Ventilator rate", _Q.RESPIRATORY_RATE, "MII", variant="mechanical"),
    _row(SNOMED, "271625008", "Spontaneous rate", _Q.RESPIRATORY_RATE_SPONTANEOUS, "MII"),
    _row(LOINC, "76334-2", "Inspiratory time setting Ventilator", _Q.INSPIRATORY_TIME_SET, "MII, AUM"),
    _row(MDC, "16929632", "MDC_VENT_TIME_PD_INSP_SETTING", _Q.INSPIRATORY_TIME_SET, "MII"),
    _row(SNOMED, "250819002", "Inspiratory time", None, "MII", narrows_to=frozenset({_Q.INSPIRATORY_TIME_SET}),
         reason="The code does not say whether the inspiratory time was set or measured."),
    _row(MDC, "152416", "MDC_VENT_TIME_PD_INSP", None, "MDC-LK (weak)", reason="A measured inspiratory time is not needed."),
    _row(LOINC, "75931-6", "Inspiration/Expiration time ratio", None, "MII", reason="The ratio is not needed."),
    _row(MDC, "151832", "MDC_RATIO_IE", None, "MII", reason="The ratio is not needed."),
    _row(SNOMED, "250822000", "Inspiration/expiration time ratio", None, "MII", reason="The ratio is not needed."),
    _row(LOINC, "76008-2", "Expired minute Volume during Mechanical ventilation", _Q.MINUTE_VOLUME_EXPIRED, "MII, AUM"),
    _row(MDC, "152000", "MDC_VENT_VOL_MINUTE_EXP", _Q.MINUTE_VOLUME_EXPIRED, "MII, MDC-LK"),
    _row(LOINC, "76009-0", "Inspired minute Volume during Mechanical ventilation", None, "MII, AUM",
         reason="The expired minute volume is used."),
    _row(MDC, "152004", "MDC_VENT_VOL_MINUTE_INSP", None, "MII, MDC-LK", reason="The expired minute volume is used."),
    _row(SNOMED, "426102006", "Inspired minute volume", None, "MII", reason="The expired minute volume is used."),
    _row(MDC, "151880", "MDC_VOL_MINUTE_AWAY", None, "MDC-LK", narrows_to=frozenset({_Q.MINUTE_VOLUME_EXPIRED}),
         reason="The code does not say whether the volume was inspired or expired."),
    _row(SNOMED, "250875001", "Ventilator minute volume", None, "MII", narrows_to=frozenset({_Q.MINUTE_VOLUME_EXPIRED}),
         reason="The code does not say whether the volume was inspired or expired."),
    _row(LOINC, "33425-0", "Minute volume setting Ventilator", None, "AUM", reason="The expired minute volume is used."),
    _row(LOINC, "20124-4", "Ventilation mode Ventilator", None, "AUM",
         reason="A mode counts in words or codes, at a time with a zone, where a question looks for what was changed."),
    # mechanics
    _row(LOINC, "60827-3", "Dynamic lung compliance", _Q.COMPLIANCE_DYNAMIC, "MII, AUM"),
    _row(MDC, "152600", "MDC_COMPL_LUNG_DYNAMIC", _Q.COMPLIANCE_DYNAMIC, "MDC-LK"),
    _row(MDC, "151692", "MDC_COMPL_LUNG_DYN", _Q.COMPLIANCE_DYNAMIC, "MII, MDC-R4B"),
    _row(SNOMED, "250823005", "Total dynamic compliance", _Q.COMPLIANCE_DYNAMIC, "MII"),
    _row(LOINC, "60828-1", "Compliance.static Lung", _Q.COMPLIANCE_STATIC, "AUM"),
    _row(MDC, "151696", "MDC_COMPL_LUNG_STATIC", _Q.COMPLIANCE_STATIC, "MDC-LK, MDC-R4B", reason=_LUNG),
    _row(MDC, "151688", "MDC_COMPL_LUNG", None, "MDC-LK, MDC-R4B", narrows_to=_COMPLIANCES,
         reason="The code does not say whether the compliance is static or dynamic."),
    _row(LOINC, "20103-8", "Tidal volume expired/Plateau pressure --post inspiratory hold", None, "SANER, LPG",
         reason="By its name PEEP is not subtracted: this is not a compliance of the respiratory system."),
    _row(MDC, "183324", "MDC_ELASTANCE_LUNG_STATIC", None, "MDC-LK", reason=_COMPUTED),
    _row(MDC, "183328", "MDC_ELASTANCE_LUNG_DYNAMIC", None, "MDC-LK", reason=_COMPUTED),
    _row(LOINC, "75946-4", "Airway resistance", _Q.RESISTANCE, "AUM"),
    _row(LOINC, "75948-0", "Airway resistance --during inspiration", _Q.RESISTANCE, "AUM", variant="inspiratory"),
    _row(LOINC, "75947-2", "Airway resistance --during expiration", None, "AUM", reason="Of expiration only."),
    _row(MDC, "151840", "MDC_RES_AWAY", _Q.RESISTANCE, "MDC-LK"),
    _row(MDC, "151848", "MDC_RES_AWAY_INSP", _Q.RESISTANCE, "MDC-LK", variant="inspiratory"),
    _row(MDC, "152596", "MDC_RES_AWAY_DYNAMIC", _Q.RESISTANCE, "MDC-LK", variant="dynamic"),
    _row(MDC, "151844", "MDC_RES_AWAY_EXP", None, "MDC-LK", reason="Of expiration only."),
    # gases
    _row(LOINC, "19994-3", "Oxygen/Inspired gas setting [Volume Fraction] Ventilator", _Q.FIO2_SET, "MII, SANER, AUM"),
    _row(LOINC, "71835-3", "Oxygen/Gas total [Pure volume fraction] Inhaled gas", _Q.FIO2_MEASURED, "MII, AUM"),
    _row(LOINC, "19995-0", "Oxygen [Volume Fraction] by O2 analyzer on ventilator", _Q.FIO2_MEASURED, "AUM", variant="analyser"),
    _row(LOINC, "3150-0", "Inhaled oxygen concentration", _Q.FIO2_MEASURED, "CPG", variant="inhaled"),
    _row(MDC, "153144", "MDC_CONC_GASDLV_O2_INSP", _Q.FIO2_MEASURED, "MDC-LK"),
    _row(MDC, "152196", "MDC_CONC_AWAY_O2_INSP", _Q.FIO2_MEASURED, "MDC-LK", variant="airway"),
    _row(MDC, "151920", "MDC_CONC_O2_INSP (replaced)", _Q.FIO2_MEASURED, "MDC-LK", reason=_REPLACED),
    _row(SNOMED, "250774007", "Inspired oxygen concentration", _Q.FIO2_MEASURED, "MII", narrows_to=_FIO2S),
    _row(LOINC, "59408-5", "Oxygen saturation in Arterial blood by Pulse oximetry", _Q.SPO2, "MII, AUM"),
    _row(LOINC, "2708-6", "Oxygen saturation in Arterial blood", _Q.SPO2, "NPMF"),
    _row(MDC, "150456", "MDC_PULS_OXIM_SAT_O2", _Q.SPO2, "MII, AUM, MDC-R4B"),
    _row(LOINC, "2703-7", "Oxygen [Partial pressure] in Arterial blood", _Q.PAO2, "PUB"),
    _row(MDC, "160116", "MDC_CONC_PO2_ART", _Q.PAO2, "M"),
    _row(LOINC, "11556-8", "Oxygen [Partial pressure] in Blood", None, "AUM", narrows_to=frozenset({_Q.PAO2}), reason=_SPECIMEN),
    _row(LOINC, "2019-8", "Carbon dioxide [Partial pressure] in Arterial blood", _Q.PACO2, "PUB"),
    _row(MDC, "160064", "MDC_CONC_PCO2_ART", _Q.PACO2, "M"),
    _row(LOINC, "19891-1", "Carbon dioxide [Partial pressure] in Exhaled gas --at end expiration", _Q.END_TIDAL_CO2, "MII"),
    _row(MDC, "151708", "MDC_CONC_AWAY_CO2_ET", _Q.END_TIDAL_CO2, "MII, MDC-LK"),
    _row(LOINC, "11557-6", "Carbon dioxide [Partial pressure] in Blood", None, "AUM", narrows_to=frozenset({_Q.PACO2}), reason=_SPECIMEN),
    _row(LOINC, "2744-1", "pH of Arterial blood", _Q.PH, "PUB"),
    _row(MDC, "160004", "MDC_CONC_PH_ART", _Q.PH, "M"),
    _row(LOINC, "11558-4", "pH of Blood", None, "AUM", narrows_to=frozenset({_Q.PH}), reason=_SPECIMEN),
    _row(LOINC, "50984-4", "Horowitz index in Arterial blood", None, "MII", reason=_COMPUTED),
    _row(MDC, "150656", "MDC_O2_OXYGENATION_RATIO", None, "MII", reason=_COMPUTED),
    # circulation
    _row(LOINC, "8478-0", "Mean blood pressure", _Q.MEAN_ARTERIAL_PRESSURE, "MII, AUM, NPMF"),
    _row(LOINC, "76214-6", "Invasive Mean blood pressure", _Q.MEAN_ARTERIAL_PRESSURE, "MII, AUM", variant="invasive"),
    _row(LOINC, "76536-2", "Mean blood pressure by Noninvasive", _Q.MEAN_ARTERIAL_PRESSURE, "MII, AUM", variant="cuff"),
    _row(MDC, "150019", "MDC_PRESS_BLD_MEAN", _Q.MEAN_ARTERIAL_PRESSURE, "MDC-R4B"),
    _row(MDC, "150035", "MDC_PRESS_BLD_ART_MEAN", _Q.MEAN_ARTERIAL_PRESSURE, "MDC-R4B", variant="invasive"),
    _row(MDC, "150039", "MDC_PRESS_BLD_ART_ABP_MEAN", _Q.MEAN_ARTERIAL_PRESSURE, "MDC-R4B", variant="invasive"),
    _row(MDC, "150023", "MDC_PRESS_BLD_NONINV_MEAN", _Q.MEAN_ARTERIAL_PRESSURE, "MDC-R4B", variant="cuff"),
    _row(LOINC, "8480-6", "Systolic blood pressure", _Q.SYSTOLIC_ARTERIAL_PRESSURE, "NPMF"),
    _row(LOINC, "76215-3", "Invasive Systolic blood pressure", _Q.SYSTOLIC_ARTERIAL_PRESSURE, "PUB", variant="invasive"),
    _row(LOINC, "76534-7", "Systolic blood pressure by Noninvasive", _Q.SYSTOLIC_ARTERIAL_PRESSURE, "PUB", variant="cuff"),
    _row(MDC, "150037", "MDC_PRESS_BLD_ART_ABP_SYS", _Q.SYSTOLIC_ARTERIAL_PRESSURE, "PUB", variant="invasive"),
    _row(LOINC, "8867-4", "Heart rate", _Q.HEART_RATE, "POCD, NPMF"),
    _row(MDC, "147842", "MDC_ECG_HEART_RATE", _Q.HEART_RATE, "MII"),
    _row(MDC, "149514", "MDC_PULS_RATE", _Q.HEART_RATE, "MII", variant="pulse"),
)
# fmt: on

CODES: dict[tuple[str, str], CodeRow] = {(row.system, row.code): row for row in ROWS}
"""The table by (system, code)."""

SETTING_TWIN: dict[Quantity, Quantity] = {
    Quantity.PEEP_MEASURED: Quantity.PEEP_SET,
    Quantity.TIDAL_VOLUME_EXPIRED: Quantity.TIDAL_VOLUME_SET,
    Quantity.TIDAL_VOLUME_INSPIRED: Quantity.TIDAL_VOLUME_SET,
    Quantity.TIDAL_VOLUME_UNSTATED: Quantity.TIDAL_VOLUME_SET,
    Quantity.RESPIRATORY_RATE: Quantity.RESPIRATORY_RATE_SET,
    Quantity.FIO2_MEASURED: Quantity.FIO2_SET,
}
"""What a measured quantity is where its DeviceMetric says that it is a setting.

Source: FHIR R4 DeviceMetric.category (measurement, setting, calculation, unspecified). One national core data
set (MII) asks for the same codes 76248-4 and 151976 for both, so that only the device can tell them apart.
"""
