"""What a site fills in of a published staircase, and how a slip is named when the service starts.

The numbers that complete a protocol here are invented and stand for no publication.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from fhir.resources.R4B.plandefinition import PlanDefinition

from ebbmark.fhir.definitions import plan_definitions
from ebbmark.fhir.reading.request import NO_SITE, Site
from ebbmark.fhir.reading.site_file import SiteFileError
from ebbmark.physiology.before.staircase import StaircaseRules
from ebbmark.physiology.findings import SourceStatus
from ebbmark.site_files import files_of, site_of, with_protocols


def read_at(value: float, source: str = "page 4, table 2") -> dict[str, object]:
    return {"value": value, "source": source}


DOWN = {
    "start_cmh2o": read_at(21), "decrement_cmh2o": read_at(3), "lowest_cmh2o": read_at(9), "dwell_s": read_at(200),
}  # fmt: skip
COMPLETION: dict[str, Any] = {
    "completes": "art", "version": "2", "signed_by": "Dr A. Invented", "signed_on": "2026-02-01", "cells": DOWN,
}  # fmt: skip


def completed(*completions: object) -> Site:
    return with_protocols(NO_SITE, "protocols.json", json.dumps({"completions": list(completions)}).encode())


def art(site: Site) -> StaircaseRules:
    return next(staircase for staircase in site.staircases if staircase.slug == "art")


def test_a_completed_protocol_keeps_its_name_and_its_place_among_the_others() -> None:
    site = completed(COMPLETION)

    assert [staircase.slug for staircase in site.staircases] == [staircase.slug for staircase in NO_SITE.staircases]
    assert art(site).version == "1+2"


def test_each_number_of_a_completion_is_the_sites_and_says_where_it_was_read_and_who_signed() -> None:
    cell = art(completed(COMPLETION)).decrement_cmh2o

    assert (cell.value, cell.traced) == (3, SourceStatus.SITE)
    assert cell.source == "page 4, table 2; signed by Dr A. Invented on 2026-02-01"


def test_the_citation_names_the_publication_and_the_signature() -> None:
    citation = art(completed(COMPLETION)).citation

    assert "JAMA 2017;318:1335-45" in citation
    assert citation.endswith("completed by the site, version 2, signed by Dr A. Invented on 2026-02-01")


def test_what_was_read_already_stays_and_the_same_number_is_no_contradiction() -> None:
    again = {**COMPLETION, "recruitment": {"peep_top_cmh2o": read_at(45)}}

    climb = art(completed(again)).recruitment
    assert climb is not None
    assert climb.peep_top_cmh2o.traced is SourceStatus.VERIFIED


def test_what_was_known_at_second_hand_gives_way_to_the_paper() -> None:
    read = {**COMPLETION, "cells": {**DOWN, "margin_cmh2o": read_at(1)}}

    assert art(completed(read)).margin_cmh2o.value == 1


def test_the_published_definition_shows_the_completion() -> None:
    published = plan_definitions(completed(COMPLETION))["art"]

    PlanDefinition.model_validate(json.loads(json.dumps(published, default=lambda raw: json.loads(bytes(raw)))))
    text = json.dumps(published, default=str)
    assert "step: 3 cmH2O (given by the site: page 4, table 2; signed by Dr A. Invented on 2026-02-01)" in text
    assert "1+2" in text


@pytest.mark.parametrize(
    ("changes", "named"),
    [
        ({"completes": "arts"}, "completions[0].completes: 'arts' is no published staircase; there are: "),
        ({"completes": "common-practice"}, "'common-practice' is no published staircase"),
        ({"signed_by": " "}, "completions[0].signed_by is ' '; accepted: text"),
        ({"signed_on": "01.02.2026"}, "signed_on is '01.02.2026'"),
        ({"version": ""}, "completions[0].version is ''; accepted: text"),
        ({"cells": {}}, "completions[0] gives no number"),
        ({"cells": {**DOWN, "dwell": read_at(2)}}, "completions[0].cells has no element 'dwell'"),
        (
            {"cells": {**DOWN, "dwell_s": read_at(200, " ")}},
            "completions[0].cells.dwell_s.source is ' '",
        ),
        ({"cells": {**DOWN, "dwell_s": read_at(2)}}, "The time at each step down is 2; accepted is 30 to 1800"),
        ({"cells": {**DOWN, "margin_cmh2o": read_at(20)}}, "The margin is 20; accepted is 0 to 6"),
        ({"cells": {**DOWN, "start_cmh2o": read_at(8)}}, "does not lead down"),
        ({"cells": {"start_cmh2o": read_at(21)}}, "leaves open the size of the steps down"),
        (
            {"cells": {**DOWN, "dwell_s": {"value": [200], "source": "x"}}},
            "is an object or a list; accepted: a number",
        ),
        (
            {"recruitment": {"peep_top_cmh2o": read_at(40)}},
            "completions[0].recruitment.peep_top_cmh2o is 40, but 45 is there already "
            "(read in: protocol abstract, Trials 2012;13:153)",
        ),
        ({"reopens": {"value": True, "source": ""}}, "completions[0].reopens.source is ''; accepted: text"),
        ({"extra": 1}, "extra"),
    ],
)
def test_a_completion_that_cannot_be_used_is_named(changes: dict[str, object], named: str) -> None:
    with pytest.raises(SiteFileError, match=r"^protocols\.json") as caught:
        completed({**COMPLETION, **changes})

    assert named in str(caught.value)
    assert not str(caught.value).endswith(".")


def test_a_completion_without_a_signer_is_refused() -> None:
    unsigned = {name: value for name, value in COMPLETION.items() if name != "signed_by"}

    with pytest.raises(SiteFileError, match="signed_by"):
        completed(unsigned)


def test_a_protocol_is_completed_once() -> None:
    with pytest.raises(SiteFileError, match=r"completions\[1\]\.completes: 'art' is completed twice"):
        completed(COMPLETION, COMPLETION)


def test_whether_the_lung_is_opened_again_is_not_turned_round_once_it_was_read() -> None:
    titration = {
        **COMPLETION,
        "completes": "decremental-2009",
        "cells": {"lowest_cmh2o": read_at(8)},
        "reopens": {"value": False, "source": "page 3"},
    }

    with pytest.raises(SiteFileError, match="reopens is False, but True was read"):
        completed(titration)


def test_a_slip_stops_the_start_and_names_the_setting(tmp_path: Path) -> None:
    file = tmp_path / "protocols.json"
    file.write_text(json.dumps({"completions": [{**COMPLETION, "completes": "arts"}]}))

    with pytest.raises(SiteFileError, match=r"^EBBMARK_PROTOCOLS: protocols\.json: completions\[0\]\.completes"):
        site_of(files_of(protocols=file))
