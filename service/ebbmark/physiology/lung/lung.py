"""Which numbers make an invented lung of many units, each with its own opening and closing pressure?

The model is Hickling's: the lung is a stack of layers under the weight of the tissue above them; a unit opens
when its transpulmonary pressure exceeds its threshold opening pressure, then follows an elastic law, and
closes again below its threshold closing pressure, which is never the higher of the two. It invents trials for
tests and teaching (`lung_trial`); it is not fitted to a patient and advises nothing.

Source: Hickling KG, Am J Respir Crit Care Med 1998;158:194-202 (layers, thresholds, recruitment along the
whole inflation limb); Hickling KG, Am J Respir Crit Care Med 2001;163:69-78 (closing pressures, tidal
ventilation, incremental and decremental trials; its parameters only from memory). Sources of single
parameters stand beside them; what has none is called our assumption.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

__all__ = ["Lung", "Spread", "Thresholds", "UnitLaw"]


class UnitLaw(Enum):
    """How the volume of one open unit follows its transpulmonary pressure P [cmH2O].

    EXPONENTIAL: v0 * (1 - exp(-ln2 * P / h)), 0 for P < 0.
        Source: Salazar E, Knowles JH, J Appl Physiol 1964;19:97-104.
    SIGMOID: v0 / (1 + exp(-(P - c) / d)).
        Source: Venegas JG, Harris RS, Simon BA, J Appl Physiol 1998;84:389-95, there for the whole
        respiratory system; for one unit it is our assumption.
    """

    EXPONENTIAL = "exponential"
    SIGMOID = "sigmoid"


class Spread(Enum):
    """Shape of a distribution of threshold pressures.

    NORMAL: found for opening and closing in five patients. Source: Crotti S et al, Am J Respir Crit Care Med
        2001;164:131-40.
    UNIFORM: stands for the range of opening pressures of Hickling 1998.
    LOGNORMAL: with a tail of units that close early; our assumption.
    BIMODAL: two kinds of collapse, loose and sticky; our assumption.
    """

    NORMAL = "normal"
    UNIFORM = "uniform"
    LOGNORMAL = "lognormal"
    BIMODAL = "bimodal"


@dataclass(frozen=True, slots=True)
class Thresholds:
    """A distribution of threshold pressures over the units of one layer.

    Attributes:
        mean_cmh2o: mean; of the first mode where BIMODAL.
        sd_cmh2o: standard deviation, > 0; of each mode where BIMODAL. UNIFORM spans mean +/- sqrt(3) sd.
        spread: shape.
        second_mean_cmh2o: mean of the second mode; BIMODAL only.
        second_share: share of the units in the second mode, above 0 and below 1; BIMODAL only.
    """

    mean_cmh2o: float
    sd_cmh2o: float
    spread: Spread = Spread.NORMAL
    second_mean_cmh2o: float = 0.0
    second_share: float = 0.5


@dataclass(frozen=True, slots=True)
class Lung:
    """One invented patient.

    Attributes:
        opening: threshold opening pressures (TOP). Mode 20 cmH2O in five patients (Crotti 2001); over all
            units 5 to 60 in one set of model runs (Hickling 1998). SD 5 to 8: our assumption.
        closing: threshold closing pressures (TCP). Mode 5 cmH2O (Crotti 2001). SD 2 to 4: our assumption.
        superimposed_cmh2o: superimposed pressure at the bottom, rising linearly from 0 at the top. 14.5 in
            later Hickling-type models; 0 to 20 our range.
        law: elastic law of an open unit.
        half_pressure_cmh2o: h of the exponential law. 4.9 in later Hickling-type models; normal lung 5 to 7
            (from memory); up to 14 our range.
        inflection_cmh2o: c of the sigmoid law, 2 to 14; our assumption.
        width_cmh2o: d of the sigmoid law, 3 to 9; our assumption.
        capacity_ml: volume of all units at high pressure. 2,500 in later Hickling-type models; 800 to 3,000
            our range, chosen so that compliance falls into the 15 to 60 mL/cmH2O seen in ARDS.
        chest_wall_ml_per_cmh2o: chest-wall compliance, in series, 100 to 250 (textbook order, from memory).
            The wall is at rest when all units are closed.
        intrinsic_peep_cmh2o: added to set PEEP at end expiration, 0 to 5, the same at all steps; our
            assumption.
        tube_resistance_cmh2o_s_per_l: tube and large airways, 5 to 15 (textbook order, from memory).
        airway_resistance_cmh2o_s_per_l: small airways of the fully open lung, 1 to 5; divided by the share of
            units open, as airways in parallel, down to a share of 0.3. Our assumption, so that the whole stays
            near the 8 to 20 of intubated patients (from memory).
        layers: number of layers; 30 in later Hickling-type models.
        units_per_layer: fineness of the lattice of thresholds; our choice.
    """

    opening: Thresholds = Thresholds(20.0, 6.0)
    closing: Thresholds = Thresholds(5.0, 3.0)
    superimposed_cmh2o: float = 14.5
    law: UnitLaw = UnitLaw.EXPONENTIAL
    half_pressure_cmh2o: float = 4.9
    inflection_cmh2o: float = 9.0
    width_cmh2o: float = 5.0
    capacity_ml: float = 2500.0
    chest_wall_ml_per_cmh2o: float = 150.0
    intrinsic_peep_cmh2o: float = 0.0
    tube_resistance_cmh2o_s_per_l: float = 8.0
    airway_resistance_cmh2o_s_per_l: float = 3.0
    layers: int = 30
    units_per_layer: int = 34
