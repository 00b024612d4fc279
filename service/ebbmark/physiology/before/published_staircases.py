"""Which staircases are known by name: common practice, and what could be read of the published ones?

Read: abstracts, trial registers' summaries, and the methods tables of Cochrane reviews CD009098 (2021) and CD006667
(2016). The full papers with their step tables were mostly not available, so most of their numbers are left empty: such
a protocol is shown with its citation and is not laid out until a site has read the paper and completes its numbers.
Only of the decremental titration of 2009 does the abstract itself give the whole way down but its end.
"""

from __future__ import annotations

from typing import Final

from ebbmark.physiology.before.single_unit_staircases import BORGES_2006, DE_MATOS_2012, DECREMENTAL_2009
from ebbmark.physiology.before.staircase import Marker, RecruitmentRules, StaircaseRules
from ebbmark.physiology.before.traced_cells import NO_RISE, own, read, second_hand, usual

__all__ = ["COMMON_PRACTICE", "STAIRCASES", "staircase_for"]

_TABLE: Final = "methods table of Cochrane review CD009098, 2021"

COMMON_PRACTICE: Final = StaircaseRules(
    slug="common-practice",
    version="1",
    title="Staircase of common practice",
    citation="common practice, no published source; where to end is this project's own choice",
    recruitment=RecruitmentRules(
        peep_rise_cmh2o=own(3.0, "within the 2 to 5 cmH2O of common practice"),
        peep_top_cmh2o=usual(20.0),
        pressure_above_peep_cmh2o=None,
        pressure_rise_cmh2o=usual(5.0),
        peak_top_cmh2o=usual(50.0),
        hold_s=usual(120.0),
    ),
    start_cmh2o=usual(20.0),
    decrement_cmh2o=usual(2.0),
    lowest_cmh2o=own(6.0, "the last even step above the 5 cmH2O below which the Berlin definition does not classify"),
    dwell_s=usual(120.0),
    marker=Marker.COMPLIANCE,
    rule="closing is the level at which compliance suddenly falls",
    margin_cmh2o=usual(2.0),
    margin_on="closing",
    reopens=True,
)

ART: Final = StaircaseRules(
    slug="art",
    version="1",
    title="ART, as first run",
    citation="Cavalcanti et al, JAMA 2017;318:1335-45, doi 10.1001/jama.2017.14171; protocol Trials 2012;13:153",
    recruitment=RecruitmentRules(
        peep_top_cmh2o=read(45.0, "protocol abstract, Trials 2012;13:153"),
        peak_top_cmh2o=read(60.0, "protocol abstract, Trials 2012;13:153"),
    ),
    marker=Marker.STATIC_COMPLIANCE,
    rule="best PEEP is the level of highest static compliance",
    margin_cmh2o=second_hand(2.0, "one public trial digest that misstates other numbers, so weak"),
    margin_on="best",
    reopens=None,
    remark=(
        "The trial lowered its pressures after 556 patients, three cardiac arrests possibly linked to the manoeuvre; "
        "more patients died with this strategy than with low PEEP."
    ),
)

STAIRCASE_2011: Final = StaircaseRules(
    slug="staircase-2011",
    version="1",
    title="Staircase recruitment, 2011",
    citation="Hodgson et al, Crit Care 2011;15:R133, doi 10.1186/cc10249",
    recruitment=RecruitmentRules(
        peep_top_cmh2o=read(40.0, "introduction of the paper"),
        peak_top_cmh2o=read(55.0, "introduction of the paper"),
    ),
    marker=Marker.SATURATION,
    rule=f"closing is the level at which SpO2 has fallen by 1 % or more from its maximum ({_TABLE})",
    margin_on="closing",
    reopens=None,
)

PHARLAP: Final = StaircaseRules(
    slug="pharlap",
    version="1",
    title="PHARLAP",
    citation="Hodgson et al, Am J Respir Crit Care Med 2019;200:1363-72, doi 10.1164/rccm.201901-0109OC",
    recruitment=RecruitmentRules(),
    marker=Marker.SATURATION,
    rule=f"closing is the level at which SpO2 has fallen by 2 % or more from its maximum ({_TABLE})",
    margin_on="closing",
    reopens=None,
    remark="The trial was stopped early, after ART.",
)

OPEN_LUNG_2016: Final = StaircaseRules(
    slug="open-lung-2016",
    version="1",
    title="Open lung approach, 2016",
    citation="Kacmarek et al, Crit Care Med 2016;44:32-42",
    recruitment=RecruitmentRules(),
    marker=Marker.DYNAMIC_COMPLIANCE,
    rule=f"best PEEP is the level of highest dynamic compliance ({_TABLE})",
    margin_on="best",
    reopens=None,
)

TEXTBOOK: Final = StaircaseRules(
    slug="textbook",
    version="1",
    title="Textbook form in pressure control",
    citation="Pilbeam's Mechanical Ventilation, chapter 13",
    recruitment=RecruitmentRules(
        peep_rise_cmh2o=second_hand(5.0, "Pilbeam chapter 13: by about 5"),
        pressure_above_peep_cmh2o=second_hand(20.0, "Pilbeam chapter 13: 20 above a PEEP of 15"),
        pressure_rise_cmh2o=NO_RISE,
    ),
    marker=Marker.STATIC_COMPLIANCE,
    rule="closing is the level at which static compliance falls",
    margin_cmh2o=second_hand(2.0, "Pilbeam chapter 13: 2 to 4"),
    margin_on="closing",
    reopens=True,
    remark="The book gives ranges, not numbers: each step up held 2 to 5 minutes, steps down of 2.5 to 5 cmH2O.",
)

STAIRCASES: Final = (
    COMMON_PRACTICE,
    DECREMENTAL_2009,
    ART,
    STAIRCASE_2011,
    PHARLAP,
    OPEN_LUNG_2016,
    BORGES_2006,
    DE_MATOS_2012,
    TEXTBOOK,
)

_BY_SLUG: Final = {rules.slug: rules for rules in STAIRCASES}


def staircase_for(slug: str) -> StaircaseRules | None:
    """Find one protocol by its name; None where there is none.

    Args:
        slug: stable name.
    """
    return _BY_SLUG.get(slug)
