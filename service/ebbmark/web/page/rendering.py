"""From a template of this room to a page about a patient."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import tzinfo
from typing import Final

from fastapi import Response

from ebbmark.web.look.rendering import page_response, templates_of
from ebbmark.web.page.frame import Frame

__all__ = ["Pages"]

_TEMPLATES: Final = templates_of("ebbmark.web.page")


@dataclass(frozen=True, slots=True)
class Pages:
    """How pages are made here.

    Attributes:
        zone: of the site.
        frame_ancestors: origins that may show them in a frame.
        root: path below which browsers see this service; empty for its host alone.
    """

    zone: tzinfo
    frame_ancestors: Sequence[str] = ()
    root: str = ""

    def body(self, template: str, **values: object) -> str:
        """A page or a part of one."""
        return _TEMPLATES.get_template(template).render(root=self.root, **values)

    def page(self, template: str, frame: Frame, *, here: str = "-", status: int = 200, **values: object) -> Response:
        """A page about a patient.

        Args:
            template: its name.
            frame: what stands around it.
            here: which of the pages it is, for the list of pages.
            status: HTTP status.
            values: what the template names.
        """
        body = self.body(template, frame=frame, here=here, invented=frame.invented, **values)
        return page_response(body, status=status, frame_ancestors=self.frame_ancestors)
