"""Which staircases were studied in the patients of one unit, and which of their numbers could be read?

Read: abstracts of the papers, and the first report of de Matos and colleagues, Crit Care 2010;14(Suppl 1):P186.
"""

from __future__ import annotations

from typing import Final

from ebbmark.physiology.before.staircase import Cell, Marker, RecruitmentRules, StaircaseRules, Traced
from ebbmark.physiology.before.traced_cells import NO_RISE, own, read

__all__ = ["BORGES_2006", "DECREMENTAL_2009", "DE_MATOS_2012"]

_GERNOTH: Final = "abstract, Crit Care 2009;13:R59"

DECREMENTAL_2009: Final = StaircaseRules(
    slug="decremental-2009",
    version="1",
    title="Decremental titration, 2009",
    citation=(
        "Gernoth et al, Crit Care 2009;13:R59, doi 10.1186/cc7786, read in its abstract; where to end, and the "
        "reading of where to start, are this project's own choice"
    ),
    recruitment=RecruitmentRules(
        peep_rise_cmh2o=Cell(None, Traced.NOT_VERIFIED, "the abstract does not say how PEEP is raised to its fixed 20"),
        peep_top_cmh2o=read(20.0, f"{_GERNOTH}: PEEP fixed at 20"),
        pressure_above_peep_cmh2o=read(20.0, f"{_GERNOTH}: driving pressure 20, then 25, then 30"),
        pressure_rise_cmh2o=read(5.0, f"{_GERNOTH}: driving pressure 20, then 25, then 30"),
        peak_top_cmh2o=read(50.0, f"{_GERNOTH}: PEEP 20 and 30 above it, in pressure control"),
        hold_s=read(120.0, f"{_GERNOTH}: two minutes each"),
    ),
    start_cmh2o=own(20.0, f"PEEP is lowered from the 20 at which it recruits ({_GERNOTH}); no other start is named"),
    decrement_cmh2o=read(2.0, f"{_GERNOTH}: by 2"),
    lowest_cmh2o=own(6.0, "the abstract names no lowest PEEP; as in common practice"),
    dwell_s=read(120.0, f"{_GERNOTH}: every two minutes"),
    marker=Marker.DYNAMIC_COMPLIANCE,
    rule=f"best PEEP is the level of highest dynamic compliance, at 6 mL/kg ({_GERNOTH})",
    margin_cmh2o=read(2.0, f"{_GERNOTH}: highest dynamic compliance plus 2"),
    margin_on="best",
    reopens=True,
    remark=(
        "Read in the abstract, not in the paper's methods: twelve adults with ARDS in one unit, without a comparison "
        "group; oxygenation and compliance rose, and nothing follows for survival."
    ),
)

BORGES_2006: Final = StaircaseRules(
    slug="maximal-recruitment-2006",
    version="1",
    title="Maximal recruitment, 2006",
    citation="Borges et al, Am J Respir Crit Care Med 2006;174:268-78",
    recruitment=RecruitmentRules(
        peep_rise_cmh2o=read(5.0, "abstract: inspiratory pressure up by 5 with 15 above PEEP, so PEEP up by 5"),
        peep_top_cmh2o=read(45.0, "abstract: up to 60 with 15 above PEEP"),
        pressure_above_peep_cmh2o=read(15.0, "abstract"),
        pressure_rise_cmh2o=NO_RISE,
        peak_top_cmh2o=read(60.0, "abstract"),
    ),
    marker=Marker.OXYGEN_AND_CARBON_DIOXIDE,
    rule="",
    margin_on="closing",
    reopens=None,
    remark="The way up ended where PaO2 and PaCO2 together reached 400 mmHg; 24 of 26 patients got there (abstract).",
)

DE_MATOS_2012: Final = StaircaseRules(
    slug="ct-guided-2012",
    version="2",
    title="Recruitment and titration by CT, 2012",
    citation="de Matos et al, Crit Care 2012;16:R4, doi 10.1186/cc10602",
    recruitment=RecruitmentRules(
        peep_top_cmh2o=read(45.0, "the same group's first report, Crit Care 2010;14(Suppl 1):P186"),
        pressure_above_peep_cmh2o=read(15.0, "abstract"),
        pressure_rise_cmh2o=NO_RISE,
        peak_top_cmh2o=read(60.0, "abstract"),
    ),
    start_cmh2o=read(25.0, "abstract"),
    lowest_cmh2o=read(10.0, "abstract"),
    marker=Marker.CT,
    rule="best PEEP is the lowest that keeps the lung open on CT",
    margin_on="best",
    reopens=None,
)
