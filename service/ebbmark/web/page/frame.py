"""The head of every page about a patient: who this is, what else there is to see, and what this page was made with."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, tzinfo

from ebbmark.fhir.reading.demographics import Demographics, demographics_of
from ebbmark.web.page.source import TrialSource

__all__ = ["Frame", "frame_of"]


@dataclass(frozen=True, slots=True)
class Frame:
    """What stands around a page.

    Attributes:
        who: the patient.
        born: birth date as people write it.
        banner: whether the patient must be shown in full, since nothing around the page does.
        invented: what stands above a page of an invented patient; empty for a real one.
        leave: where to leave the session; empty where there is none.
    """

    who: Demographics
    born: str
    banner: bool
    invented: str
    leave: str


async def frame_of(source: TrialSource, zone: tzinfo) -> Frame:
    """The frame of this patient's pages.

    Args:
        source: where the patient is known from.
        zone: of the site, for what day it is.

    Raises:
        Rejected: the patient cannot be read.
    """
    who = demographics_of(await source.patient(), today=datetime.fromtimestamp(source.at_s, zone).date())
    return Frame(who, _born(who.birth_date), source.banner, source.invented, source.leave)


def _born(birth_date: str) -> str:
    """`11 May 1967`; a partial or odd date stays as the record gives it."""
    try:
        born = date.fromisoformat(birth_date)
    except ValueError:
        return birth_date
    return f"{born.day} {born:%B %Y}"
