"""How are Conditions of the record named, so that a person recognises each? In the words in which it was charted."""

from __future__ import annotations

from collections.abc import Mapping

from ebbmark.fhir.bedside.condition_codes import LEFT_OPEN
from ebbmark.fhir.bedside.site import Site
from ebbmark.fhir.reading.request import Request
from ebbmark.fhir.sources import Ignored
from ebbmark.physiology.before.findings import Charted
from ebbmark.physiology.before.risk_concepts import RISK_CONCEPTS

__all__ = ["charted_of", "named", "not_looked_for", "not_placed", "unjudged_words"]

MOST_NAMED = 6
"""Conditions named one by one in a sentence; the OperationOutcome names all."""


def charted_of(request: Request) -> Mapping[str, Charted]:
    """What was charted and counts under each condition that is looked for, by its slug.

    Args:
        request: with its Conditions.
    """
    slugs = {slug for one, _ in request.conditions for slug in one.concepts}
    return {
        slug: Charted(
            present=[
                request.charted[one.source.path]
                for one, _ in request.conditions
                if one.present and slug in one.concepts
            ],
            refuted=[
                request.charted[one.source.path]
                for one, _ in request.conditions
                if not one.present and slug in one.concepts
            ],
            leaves_open=LEFT_OPEN.get(slug, ""),
        )
        for slug in slugs
    }


def named(one: Ignored, request: Request) -> str:
    """One Condition that does not count, in the words in which it was charted, and by its reference or place.

    Args:
        one: as it was left out.
        request: with the words.
    """
    return f"{request.charted[one.path]}, {one.reference or one.path}"


def unjudged_words(one: Ignored, request: Request) -> str:
    """That this Condition could not be judged, and why, in plain sentences.

    Args:
        one: as it was left out.
        request: with the words.
    """
    return f"Could not be judged: {named(one, request)}. It may say anything, a contraindication included. {one.reason}"


def not_placed(request: Request) -> tuple[str, ...]:
    """Conditions that could not be judged here, to be read by a person: silence must not pass for absence.

    Args:
        request: with what was left out.
    """
    listed = [named(one, request) for one in request.unjudged]
    if not listed:
        return ()
    more = f"; and {len(listed) - MOST_NAMED} more" if len(listed) > MOST_NAMED else ""
    return (
        f"{len(listed)} Condition{'s' if len(listed) > 1 else ''} of the record could not be judged here and may say "
        f"anything, a contraindication included; to be read by a person: {'; '.join(listed[:MOST_NAMED])}{more}.",
    )


def not_looked_for(site: Site) -> tuple[str, ...]:
    """Conditions of the table that no code stands for here, so that no record can show them to this service.

    Args:
        site: the codes in force.
    """
    words = [concept.words for concept in RISK_CONCEPTS if not site.condition_codes.of(concept.slug)]
    return (f"Not looked for, since no code stands for it here: {'; '.join(words)}.",) if words else ()
