"""From a template to a response: everything escaped, a name that nobody gave is an error and never an empty place."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final

from fastapi import Response
from jinja2 import ChoiceLoader, Environment, PackageLoader, StrictUndefined

from ebbmark import __version__
from ebbmark.web.look.files import SCRIPT, STYLE
from ebbmark.web.look.policy import page_headers
from ebbmark.web.look.units import small_references, units

__all__ = ["HTML", "page_response", "templates_of"]

HTML: Final = "text/html; charset=utf-8"


def templates_of(package: str) -> Environment:
    """The templates of a package, and those of this one that they build on.

    Args:
        package: dotted name; its templates lie in its folder `templates`.
    """
    environment = Environment(
        loader=ChoiceLoader([PackageLoader(package), PackageLoader("ebbmark.web.look")]),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        auto_reload=False,
    )
    environment.globals.update(
        style_url=STYLE.url,
        style_text=None,
        script_url=SCRIPT.url,
        software_version=__version__,
        invented=False,
        root="",
    )
    environment.filters["units"] = units
    environment.filters["small_references"] = small_references
    return environment


def page_response(
    body: str,
    *,
    status: int = 200,
    frame_ancestors: Sequence[str] = (),
    headers: Mapping[str, str] | None = None,
) -> Response:
    """A page with its headers.

    Args:
        body: the page, complete.
        status: HTTP status.
        frame_ancestors: origins that may show it in a frame.
        headers: further ones.
    """
    return Response(
        body, status_code=status, media_type=HTML, headers={**page_headers(frame_ancestors), **(headers or {})}
    )
