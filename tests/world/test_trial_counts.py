"""Percentages shown beside an answer against the counts that the trials report.

ART investigators, JAMA 2017;318:1335-45: 277 of 501 against 251 of 509 (trial summary at journaljams.org).
Hodgson et al (PHARLAP), Am J Respir Crit Care Med 2019;200:1363-72: 15 of 56 controls; the abstract prints 24.6 % for
the intervention beside 14 of 56, where its group has 57 elsewhere, and 14 of 57 is 24.6 %.
"""

from __future__ import annotations

import pytest

from ebbmark.physiology.findings import evidence_for
from ebbmark.words.messages import spell


@pytest.mark.parametrize(
    ("slug", "deaths", "patients"),
    [
        ("trial-art-mortality", 277, 501),
        ("trial-art-mortality", 251, 509),
        ("trial-pharlap", 14, 57),
        ("trial-pharlap", 15, 56),
    ],
)
def test_a_percentage_shown_follows_from_the_counts(slug: str, deaths: int, patients: int) -> None:
    assert f"{100.0 * deaths / patients:.1f} %" in spell(evidence_for(slug).text)


def test_the_groups_of_art_add_up_to_the_patients_shown() -> None:
    assert f"{501 + 509:,} patients" in spell(evidence_for("trial-art-mortality").text)
