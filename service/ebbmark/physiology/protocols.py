"""Which rules were applied? Rule sets as versioned data, each value with its source."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["DEFAULT_PROTOCOL", "PROTOCOLS", "Protocol"]


@dataclass(frozen=True, slots=True)
class Protocol:
    """One rule set for reading a decremental PEEP trial and for what follows from it.

    Attributes:
        slug: stable name.
        version: of the rule set; changes whenever a value changes.
        title: one line for people.
        citation: where the rules come from, or that no published source exists.
        fall: relative fall of compliance below its maximum so far that counts as closing.
        margin_cmh2o: added to the closing pressure.
        margins_cmh2o: margins shown side by side; the smallest and the largest bound what may be asked for.
        minimum_steps: fewest steps of falling PEEP that are read as a trial.
        largest_decrement_cmh2o: a larger drop of set PEEP between steps is not a step of a trial.
        longest_step_s: steps further apart than this are not one trial.
        settling_s: readings this soon after a change of set PEEP do not count where later ones exist.
        target_ml_per_kg: tidal volume per predicted body weight.
        ladder_ml_per_kg: the rungs shown, all within what the low tidal volume trial used.
        plateau_limit_cmh2o: plateau pressure not to be exceeded.
        driving_pressure_limit_cmh2o: driving pressure above which a caution is shown.
        least_peep_cmh2o: no lower PEEP is suggested.
    """

    slug: str
    version: str
    title: str
    citation: str
    fall: float
    margin_cmh2o: float
    margins_cmh2o: tuple[float, ...]
    minimum_steps: int
    largest_decrement_cmh2o: float
    longest_step_s: float
    settling_s: float
    target_ml_per_kg: float
    ladder_ml_per_kg: tuple[float, ...]
    plateau_limit_cmh2o: float
    driving_pressure_limit_cmh2o: float
    least_peep_cmh2o: float


DEFAULT_PROTOCOL = Protocol(
    slug="compliance-closing",
    version="1",
    title="Closing pressure by a lasting fall of compliance on the decremental limb",
    citation=(
        "Margin of 2 (to 4) cmH2O above closing: common practice, no published source. "
        "Fall of 5 %: this project's own choice; no trial was found that defines closing by a per cent fall "
        "of compliance. Tidal volume and plateau limit: ARDS Network, N Engl J Med 2000;342:1301-8."
    ),
    fall=0.05,  # this project's choice, labelled so wherever it is shown
    margin_cmh2o=2.0,  # common practice, no published source
    margins_cmh2o=(2.0, 3.0, 4.0),  # common practice, no published source
    minimum_steps=4,  # this project's choice: fewer cannot show a maximum, a fall and that it lasts
    largest_decrement_cmh2o=6.0,  # this project's choice: published trials step by 2 to 5
    longest_step_s=1800.0,  # this project's choice: mechanics settle in minutes, published trials dwell up to 20
    settling_s=30.0,  # 95 % of the slow volume loss within 8 breaths: Garnero et al, Crit Care 2015 (abstract)
    target_ml_per_kg=6.0,  # ARDS Network 2000
    ladder_ml_per_kg=(4.0, 5.0, 6.0, 7.0, 8.0),  # ARDS Network 2000; ATS/ESICM/SCCM 2017: 4 to 8
    plateau_limit_cmh2o=30.0,  # ARDS Network 2000
    driving_pressure_limit_cmh2o=15.0,  # an association, not a tested target: Amato et al, N Engl J Med 2015
    least_peep_cmh2o=5.0,  # the least PEEP under which ARDS is defined: Berlin definition, JAMA 2012;307:2526-33
)

PROTOCOLS: tuple[Protocol, ...] = (DEFAULT_PROTOCOL,)
