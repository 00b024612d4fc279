"""How does a site make a published staircase usable whose numbers could not all be read?

Source: `ebbmark.fhir.bedside.site_completions`, which reads what the site then writes.
"""

from __future__ import annotations

from collections.abc import Sequence

from ebbmark.fhir.problems import Problem, ProblemKind
from ebbmark.physiology.before.published_staircases import staircase_for
from ebbmark.physiology.before.staircase import StaircaseRules, unverified_names

__all__ = ["how_to_complete", "no_steps"]


def how_to_complete(staircase: StaircaseRules, missing_names: Sequence[str]) -> str:
    """Say which cells are missing, and where a site writes them.

    Args:
        staircase: the protocol that was asked for.
        missing_names: names of its cells.
    """
    if staircase_for(staircase.slug) is None:
        lacking = ", ".join(missing_names)
        return f"It is a staircase of the site: its entry in the file of EBBMARK_PROTOCOLS lacks {lacking}."
    return (
        "Whoever has read the publication can complete it: in the file of EBBMARK_PROTOCOLS, an entry of completions "
        f'with "completes": "{staircase.slug}", a version, signed_by, signed_on, and {", ".join(missing_names)}, each '
        "as value and source (page or table)."
    )


def no_steps(staircase: StaircaseRules) -> Problem:
    """A staircase from which no next step can be named, and what would make it usable.

    Args:
        staircase: without a verified size of its steps down, or without a verified lowest PEEP.
    """
    completion = how_to_complete(staircase, unverified_names(staircase, with_recruitment=False))
    sentence = (
        f"{staircase.title} has no verified size of its steps down, or no verified lowest PEEP, so no next step can be "
        f"named from it. Ask with another staircase. {completion}"
    )
    return Problem(ProblemKind.BAD_PARAMETER, "", staircase.slug, "a staircase with verified steps", sentence)
