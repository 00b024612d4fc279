"""How does a cookie that was noted on a request reach the response, whichever response that becomes?

A renewed session must reach the browser with a page, a refusal or a stream alike, and the routes that answer need not
know of it.
"""

from __future__ import annotations

from starlette.types import ASGIApp, Message, Receive, Scope, Send

__all__ = ["SettingCookies"]


class SettingCookies:
    """A layer around the application that adds what `note_cookies` noted."""

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass the request on; add cookies to the response."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        state = scope.setdefault("state", {})

        async def send_with_cookies(message: Message) -> None:
            if message["type"] == "http.response.start":
                noted = [(b"set-cookie", cookie.encode()) for cookie in state.get("set_cookies", ())]
                message["headers"] = [*message["headers"], *noted]
            await send(message)

        await self.app(scope, receive, send_with_cookies)
