"""The look of every page: Jinja2 with everything escaped, units in print, style and script, and pages that refuse.

The stylesheet and the script are read once, named by what they contain, and kept by browsers for as long as they like.
Source: Content Security Policy Level 3 (no inline script or style, nothing from elsewhere).
"""

from __future__ import annotations

import re
from base64 import b64encode
from collections.abc import Awaitable, Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from hashlib import sha256
from importlib.resources import files
from typing import TYPE_CHECKING, Final

from fastapi import APIRouter, Request, Response
from markupsafe import Markup, escape

from ebbmark import __version__
from ebbmark.words.messages import say

if TYPE_CHECKING:
    from jinja2 import Environment


_FOREVER = "public, max-age=31536000, immutable"
_ASK_AGAIN = "no-cache"


@dataclass(frozen=True, slots=True)
class StaticFile:
    """One file that pages link to.

    Attributes:
        digest: first digits of the SHA-256 of the body.
    """

    name: str
    media_type: str
    body: bytes
    digest: str

    @property
    def url(self) -> str:
        """The address that changes whenever the content does."""
        return f"/page/{self.name}?v={self.digest}"


def _read(name: str, media_type: str) -> StaticFile:
    body = (files("ebbmark.web") / "static" / name).read_bytes()
    return StaticFile(name, media_type, body, sha256(body).hexdigest()[:16])


STYLE: Final = _read("style.css", "text/css; charset=utf-8")
SCRIPT: Final = _read("page.js", "text/javascript; charset=utf-8")


def files_router() -> APIRouter:
    """The routes of both; open to everybody, since nothing in them is about anybody."""
    router = APIRouter(tags=["page"])
    for file, operation_id, summary in (
        (STYLE, "readStylesheet", "The stylesheet of the pages"),
        (SCRIPT, "readScript", "The script of the pages"),
    ):
        _serve(router, file, operation_id, summary)
    return router


def _serve(router: APIRouter, file: StaticFile, operation_id: str, summary: str) -> None:
    tag = f'"{file.digest}"'

    async def static_file(request: Request) -> Response:
        kept = _FOREVER if request.query_params.get("v") == file.digest else _ASK_AGAIN
        headers: Mapping[str, str] = {"cache-control": kept, "etag": tag}
        if request.headers.get("if-none-match") == tag:
            return Response(status_code=304, headers=headers)
        return Response(file.body, media_type=file.media_type, headers=headers)

    media = file.media_type.partition(";")[0]
    router.add_api_route(
        f"/page/{file.name}",
        static_file,
        methods=["GET"],
        summary=summary,
        operation_id=operation_id,
        response_class=Response,
        responses={
            200: {"description": "The file.", "content": {media: {"schema": {"type": "string"}}}},
            304: {"description": "The browser's copy is the present one."},
        },
    )


def page_headers(frame_ancestors: Sequence[str] = ()) -> dict[str, str]:
    """Headers of a page: style, script and requests of our own origin only, nothing inline."""
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
def templates() -> Environment:
    """The templates of all pages; made with the first page."""
    from jinja2 import Environment, PackageLoader, StrictUndefined

    environment = Environment(
        loader=PackageLoader("ebbmark.web"),
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
    """A page with its headers."""
    return Response(
        body, status_code=status, media_type=HTML, headers={**page_headers(frame_ancestors), **(headers or {})}
    )


PAGES: Final = ("/app/", "/demo/", "/launch")
"""Below these addresses people look, and whatever is refused there is refused as a page."""


def is_of_a_page(path: str) -> bool:
    """Whether a person looks at this address, and no program."""
    return path.startswith(PAGES)


class PageRefused(Exception):
    """A page cannot be shown; raised anywhere below a page's route. Its texts hold nothing of a patient."""

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


def refusal_page(refused: PageRefused, frame_ancestors: Sequence[str] = (), root: str = "") -> Response:
    """The page of a refusal."""
    body = (
        templates()
        .get_template("refused.html")
        .render(title=refused.title, sentence=refused.sentence, todo=refused.todo, root=root)
    )
    return page_response(body, status=refused.status, frame_ancestors=frame_ancestors, headers=refused.headers)


def page_refusals(
    frame_ancestors: Sequence[str] = (), root: str = ""
) -> Callable[[Request, Exception], Awaitable[Response]]:
    """How the application turns a `PageRefused` into its page."""

    async def page_refused(_: Request, error: Exception) -> Response:
        assert isinstance(error, PageRefused)  # noqa: S101 - registered for this class only
        return refusal_page(error, frame_ancestors, root)

    return page_refused
