"""A published staircase by name: laid out with its citation, refused with the way to complete it, and then laid out.

The numbers that complete a protocol here are invented and stand for no publication.
"""

from __future__ import annotations

import json

from bedside_builders import asked, parameter, refused, row, rows_down, stamp
from ebbmark.fhir.naming import BASE
from ebbmark.fhir.reading.request import NO_SITE, Site
from ebbmark.site_files import with_protocols

NOW = stamp(20)
READINGS = [
    row(stamp(0), "settings", peep_set=10.0, fio2=60.0),
    row(stamp(5), "breath", plateau=24.0, expired=360.0, peak=29.0),
]


def site() -> Site:
    numbers = {"start_cmh2o": 21, "decrement_cmh2o": 3, "lowest_cmh2o": 7, "dwell_s": 240}
    completion = {
        "completes": "art",
        "version": "2",
        "signed_by": "Dr A. Invented",
        "signed_on": "2026-02-01",
        "cells": {name: {"value": value, "source": "page 4, table 2"} for name, value in numbers.items()},
    }
    return with_protocols(NO_SITE, "protocols.json", json.dumps({"completions": [completion]}).encode())


def test_a_published_titration_is_laid_out_by_name_with_its_citation() -> None:
    said = asked("plan-trial", READINGS, parameter("staircase", "decremental-2009"), now=NOW)

    notes = " ".join(note["text"] for note in said.of("GuidanceResponse")[0]["note"])
    assert "Gernoth et al, Crit Care 2009;13:R59, doi 10.1186/cc7786" in notes
    assert "time at each step down 120 s (read in: abstract, Crit Care 2009;13:R59" in notes


def test_a_protocol_with_unread_numbers_says_which_cells_complete_it_and_where() -> None:
    message = str(refused("plan-trial", READINGS, parameter("staircase", "art"), now=NOW))

    assert "EBBMARK_PROTOCOLS" in message
    assert '"completes": "art"' in message
    for cell in ("start_cmh2o", "decrement_cmh2o", "lowest_cmh2o", "dwell_s"):
        assert f"cells.{cell}" in message
    assert "recruitment." not in message


def test_with_recruitment_the_cells_of_the_way_up_are_named_too() -> None:
    chosen = [parameter("staircase", "art"), parameter("variant", "with-recruitment")]

    message = str(refused("plan-trial", READINGS, *chosen, now=NOW))

    assert "recruitment.hold_s" in message
    assert "recruitment.peep_top_cmh2o" not in message


def test_the_next_step_of_an_unread_protocol_is_refused_with_the_same_way_out() -> None:
    down = rows_down([(16, 30), (14, 32), (12, 33)], spo2=94.0)

    message = str(refused("next-step", down, parameter("staircase", "art"), now=stamp(6)))

    assert "cells.decrement_cmh2o" in message
    assert "EBBMARK_PROTOCOLS" in message


def test_a_completed_protocol_is_laid_out_and_each_number_names_its_signer() -> None:
    said = asked("plan-trial", READINGS, parameter("staircase", "art"), now=NOW, site=site())

    (plan,) = said.of("CarePlan")
    notes = " ".join(note["text"] for note in plan["note"])
    assert "given by the site: page 4, table 2; signed by Dr A. Invented on 2026-02-01" in notes
    assert plan["instantiatesCanonical"] == [f"{BASE}/PlanDefinition/art|1+2"]


def test_a_completed_art_still_says_that_more_patients_died() -> None:
    said = asked("plan-trial", READINGS, parameter("staircase", "art"), now=NOW, site=site())

    notes = " ".join(note["text"] for note in said.of("GuidanceResponse")[0]["note"])
    assert "more patients died with this strategy than with low PEEP" in notes
    assert "JAMA 2017;318:1335-45" in notes


def test_the_default_stays_the_staircase_of_common_practice() -> None:
    said = asked("plan-trial", READINGS, now=NOW, site=site())

    assert said.of("CarePlan")[0]["title"] == "Staircase of common practice"
