"""A page that refuses: what is the matter in one sentence, and what can be done about it."""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Mapping, Sequence
from typing import Final

from fastapi import Request, Response

from ebbmark.web.look.rendering import page_response, templates_of

__all__ = ["PageRefused", "is_of_a_page", "page_refusals", "refusal_page"]

_TEMPLATES = templates_of("ebbmark.web.look")


PAGES: Final = ("/app/", "/demo/", "/launch")
"""Below these addresses people look, and whatever is refused there is refused as a page."""


def is_of_a_page(path: str) -> bool:
    """Whether a person looks at this address, and no program.

    Args:
        path: of the request.
    """
    return path.startswith(PAGES)


class PageRefused(Exception):
    """A page cannot be shown; raised anywhere below a page's route.

    Attributes:
        status: HTTP status.
        title: a few words.
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
        title: a few words.
        sentence: what is the matter, in plain words and without any patient data.
        status: HTTP status.
        todo: what can be done about it, one plain sentence each.
        frame_ancestors: origins that may show it in a frame.
        headers: further headers.
        root: path below which browsers see this service; empty for its host alone.
    """
    body = _TEMPLATES.get_template("refused.html").render(title=title, sentence=sentence, todo=todo, root=root)
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
