"""Codes of our own, where no standard code was found: `data/own_codes.toml`, published as a FHIR CodeSystem."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final, NamedTuple

from ebbmark import __version__
from ebbmark.data import table
from ebbmark.fhir.naming import CODE_SYSTEM
from ebbmark.physiology.after.measures import Measure
from ebbmark.physiology.before.risks import RISK_CONCEPTS
from ebbmark.words.messages import ENGLISH

__all__ = ["CHOICE_REASONS", "CONCEPTS", "DEFINITIONS_DATE", "OVERRIDE_REASONS", "TOPIC", "Concept", "code_system"]

DEFINITIONS_DATE = "2026-11-25"
"""When the published definitions last changed."""

_TABLE: Final = table("own_codes")


class Concept(NamedTuple):
    """One row: stable code, what people read, and what exactly it means."""

    code: str
    display: str
    definition: str


TOPIC: Final = Concept(**_TABLE["topic"])
"""What every card is about."""

OVERRIDE_REASONS: Final = tuple(Concept(*row) for row in _TABLE["reasons"]["against_card"])
"""Reasons a person may give for not following a card."""

CHOICE_REASONS: Final[dict[str, str]] = _TABLE["reasons"]["for_other_peep"]
"""Why a clinician chooses another PEEP than the suggested one: code and display."""


def _of_groups() -> Iterator[Concept]:
    for group in _TABLE["group"]:
        yield from (Concept(*row) for row in group["codes"])
        if group.get("then") == "conditions":
            for one in RISK_CONCEPTS:
                yield Concept(one.slug, _capital(one.words), f"{one.says} Source: {one.citation}.")
        elif group.get("then") == "measures":
            for measure in Measure:
                words = ENGLISH[f"measure.{measure.slug}"]
                definition = (
                    f"{_capital(words)} before the trial and at the new settings, with what its readings wander by "
                    "themselves."
                )
                yield Concept(f"change-of-{measure.slug}", f"Change of {words}", definition)


def _capital(words: str) -> str:
    return words[0].upper() + words[1:]


CONCEPTS: Final = (*_of_groups(), TOPIC, *OVERRIDE_REASONS)
"""In the order of the published CodeSystem."""


def code_system() -> dict[str, object]:
    """FHIR R4 CodeSystem of every code of ours that leaves."""
    return {
        "resourceType": "CodeSystem",
        "id": "ebbmark",
        "url": CODE_SYSTEM,
        "version": __version__,
        "name": "Ebbmark",
        "title": "Ebbmark: results of a PEEP trial for which no standard code was found",
        "status": "active",
        "experimental": False,
        "date": DEFINITIONS_DATE,
        "publisher": "Ebbmark",
        "description": (
            "Results of reading a decremental PEEP trial, their parts, cautions, and the reasons for which an input "
            "did not count. The address is an identifier in a reserved domain and leads nowhere."
        ),
        "caseSensitive": True,
        "content": "complete",
        "count": len(CONCEPTS),
        "concept": [{"code": row.code, "display": row.display, "definition": row.definition} for row in CONCEPTS],
    }
