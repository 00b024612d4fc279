"""What stands around every page: who the patient is, the list of pages, and the template that holds both."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, tzinfo

from fastapi import Response

from ebbmark.fhir.reading.patient import Demographics, demographics_of
from ebbmark.web.page.source import TrialSource
from ebbmark.web.theme import page_response, templates


@dataclass(frozen=True, slots=True)
class Pages:
    """How pages are made here.

    Attributes:
        frame_ancestors: origins that may show them in a frame.
        root: path below which browsers see this service; empty for its host alone.
    """

    zone: tzinfo
    frame_ancestors: Sequence[str] = ()
    root: str = ""

    def body(self, template: str, **values: object) -> str:
        """A page or a part of one."""
        return templates().get_template(template).render(root=self.root, **values)

    def page(self, template: str, frame: Frame, *, here: str = "-", status: int = 200, **values: object) -> Response:
        """A page about a patient.

        Args:
            here: which of the pages it is, for the list of pages.
        """
        body = self.body(template, frame=frame, here=here, invented=frame.invented, **values)
        return page_response(body, status=status, frame_ancestors=self.frame_ancestors)


@dataclass(frozen=True, slots=True)
class Frame:
    """What stands around a page.

    Attributes:
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
