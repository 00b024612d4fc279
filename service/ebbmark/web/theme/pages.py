"""How pages are made: Jinja2 with everything escaped, units in print, the content policy, and pages that refuse.

Source: Content Security Policy Level 3 (no inline script or style, nothing from elsewhere).
"""

from __future__ import annotations

import re
from base64 import b64encode
from collections.abc import Awaitable, Callable, Mapping, Sequence
from functools import cache
from hashlib import sha256
from typing import TYPE_CHECKING, Final

from fastapi import Request, Response
from markupsafe import Markup, escape

from ebbmark import __version__
from ebbmark.web.theme.files import SCRIPT, STYLE
from ebbmark.words.messages import say

if TYPE_CHECKING:
    from jinja2 import Environment


def page_headers(frame_ancestors: Sequence[str] = ()) -> dict[str, str]:
    """Headers of a page: style, script and requests of our own origin only, nothing inline.

    Args:
        frame_ancestors: origins that may show the page in a frame; empty: nobody.
    """
    framers = " ".join(frame_ancestors) or "'none'"
    policy = (
        "default-src 'none'; style-src 'self'; script-src 'self'; img-src 'self' data:; connect-src 'self'; "
        f"form-action 'self'; base-uri 'none'; frame-ancestors {framers}"
    )
    return {"content-security-policy": policy, "cache-control": "no-store", "referrer-policy": "no-referrer"}


def printed_headers(style: str) -> dict[str, str]:
    """Headers of a page that carries its style within, so that it can be kept as one file: no script, no requests.

    Args:
        style: the stylesheet, exactly as it stands between the tags.
    """
    digest = b64encode(sha256(style.encode()).digest()).decode()
    policy = (
        f"default-src 'none'; style-src 'sha256-{digest}'; img-src data:; base-uri 'none'; form-action 'none'; "
        "frame-ancestors 'none'"
    )
    return {"content-security-policy": policy}


_LOWERED: Final = re.compile(r"\b(?:cmH2(?=O)|(?:Sp|Fi|Pa|PaC)O2\b)")
_REFERENCE: Final = re.compile(r"(?:, |\b)[A-Z][A-Za-z]{2,40}/[A-Za-z0-9\-.]{1,64}/_history/[A-Za-z0-9\-]{1,64}")
_TIED: Final = re.compile(r"(?<=\d) (?=%|cmH2O|mL|kg|J/min|mmHg|/min)")


def units(text: object) -> Markup:
    """A text with its units set.

    Args:
        text: escaped here, unless it is markup already.
    """
    tied = _TIED.sub("\u00a0", str(escape(text)))
    return Markup(_LOWERED.sub(lambda found: f"{found[0][:-1]}<sub>2</sub>", tied))  # noqa: S704 - escaped above


def small_references(text: object) -> Markup:
    """A text with its units set, and references to versions of resources small: people read the words before them.

    Args:
        text: escaped here, unless it is markup already.
    """
    set_text = str(units(text))
    return Markup(_REFERENCE.sub(lambda found: f'<span class="source">{found[0]}</span>', set_text))  # noqa: S704


HTML: Final = "text/html; charset=utf-8"


@cache
def templates_of(package: str) -> Environment:
    """The templates of a package, and those of this one that they build on; made with the first page.

    Args:
        package: dotted name; its templates lie in its folder `templates`.
    """
    from jinja2 import ChoiceLoader, Environment, PackageLoader, StrictUndefined

    environment = Environment(
        loader=ChoiceLoader([PackageLoader(package), PackageLoader("ebbmark.web.theme")]),
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
        say=say,
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
        frame_ancestors: origins that may show it in a frame.
    """
    return Response(
        body, status_code=status, media_type=HTML, headers={**page_headers(frame_ancestors), **(headers or {})}
    )


PAGES: Final = ("/app/", "/demo/", "/launch")
"""Below these addresses people look, and whatever is refused there is refused as a page."""


def is_of_a_page(path: str) -> bool:
    """Whether a person looks at this address, and no program."""
    return path.startswith(PAGES)


class PageRefused(Exception):
    """A page cannot be shown; raised anywhere below a page's route.

    Attributes:
        sentence: what is the matter, in plain words and without any patient data.
        todo: what can be done about it, one plain sentence each.
        headers: further headers, for example to drop a cookie.
    """

    def __init__(
        self,
        status: int,
        title: str,
        sentence: str,
        *,
        todo: Sequence[str] = (),
        headers: Mapping[str, str] | None = None,
    ) -> None:
        super().__init__(title)
        self.status = status
        self.title = title
        self.sentence = sentence
        self.todo = tuple(todo)
        self.headers = dict(headers or {})


def refusal_page(
    title: str,
    sentence: str,
    status: int,
    *,
    todo: Sequence[str] = (),
    frame_ancestors: Sequence[str] = (),
    headers: Mapping[str, str] | None = None,
    root: str = "",
) -> Response:
    """The page.

    Args:
        sentence: what is the matter, in plain words and without any patient data.
        todo: what can be done about it, one plain sentence each.
        frame_ancestors: origins that may show it in a frame.
        root: path below which browsers see this service; empty for its host alone.
    """
    body = (
        templates_of("ebbmark.web.theme")
        .get_template("refused.html")
        .render(title=title, sentence=sentence, todo=todo, root=root)
    )
    return page_response(body, status=status, frame_ancestors=frame_ancestors, headers=headers)


def page_refusals(
    frame_ancestors: Sequence[str] = (), root: str = ""
) -> Callable[[Request, Exception], Awaitable[Response]]:
    """How the application turns a `PageRefused` into its page.

    Args:
        frame_ancestors: origins that may show it in a frame.
        root: path below which browsers see this service.
    """

    async def page_refused(_: Request, error: Exception) -> Response:
        assert isinstance(error, PageRefused)  # noqa: S101 - registered for this class only
        return refusal_page(
            error.title,
            error.sentence,
            error.status,
            todo=error.todo,
            frame_ancestors=frame_ancestors,
            headers=error.headers,
            root=root,
        )

    return page_refused
