"""The stylesheet and the script: read once, named by what they contain, kept by browsers for as long as they like."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from hashlib import sha256
from importlib.resources import files
from typing import Final

from fastapi import APIRouter, Request, Response

_FOREVER = "public, max-age=31536000, immutable"
_ASK_AGAIN = "no-cache"


@dataclass(frozen=True, slots=True)
class StaticFile:
    """One file that pages link to.

    Attributes:
        name: below `/page/`.
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
    body = (files("ebbmark.web.theme") / "static" / name).read_bytes()
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
