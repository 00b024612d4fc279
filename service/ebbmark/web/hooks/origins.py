"""Which web pages may call the CDS Hooks door from a browser? Those of listed origins, and no other door is opened.

Source: CDS Hooks 2.0, "Cross-Origin Resource Sharing"; the Fetch standard, CORS protocol.
"""

from __future__ import annotations

from collections.abc import Sequence

from starlette.middleware.cors import CORSMiddleware
from starlette.types import ASGIApp, Receive, Scope, Send

__all__ = ["HooksOrigins"]

_PREFIX = "/cds-services"


class HooksOrigins:
    """CORS for the paths of this door alone.

    Args:
        app: the application.
        origins: those allowed; no credentials of the browser are, since tokens are sent in a header.
    """

    def __init__(self, app: ASGIApp, origins: Sequence[str]) -> None:
        self.app = app
        self._open = CORSMiddleware(
            app,
            allow_origins=origins,
            allow_methods=("GET", "POST"),
            allow_headers=("Authorization", "Content-Type"),
            allow_credentials=False,
            max_age=600,
        )

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass the request on, through CORS where it is for this door."""
        path = scope.get("path", "") if scope["type"] == "http" else ""
        inside = path == _PREFIX or path.startswith(f"{_PREFIX}/")
        await (self._open if inside else self.app)(scope, receive, send)
