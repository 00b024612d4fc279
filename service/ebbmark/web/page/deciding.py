"""The human acts: what is sent by a form is read here, and held against what was shown."""

from __future__ import annotations

from dataclasses import dataclass
from hmac import compare_digest
from typing import Final
from urllib.parse import parse_qsl

from fastapi import Request

from ebbmark.web.body import read_body
from ebbmark.web.look.refusal import PageRefused
from ebbmark.web.page.source import TrialSource

__all__ = ["Form", "form_of"]

LONGEST_FORM: Final = 10_000
"""More bytes than any form of ours has."""


@dataclass(frozen=True, slots=True)
class Form:
    """What a form was sent with: name and value of each field, in order."""

    fields: tuple[tuple[str, str], ...]

    def one(self, name: str) -> str:
        """The last value of this name; empty where it was not sent."""
        return next((value for field, value in reversed(self.fields) if field == name), "")

    def all(self, name: str) -> tuple[str, ...]:
        """Every value of this name."""
        return tuple(value for field, value in self.fields if field == name)


async def form_of(request: Request, source: TrialSource) -> Form:
    """What a form of this very page was sent with.

    Args:
        request: the POST.
        source: whose page it is.

    Raises:
        PageRefused: it is no form, or it was not sent by a page of this session.
        Rejected: it is too long, or does not arrive.
    """
    kind = (request.headers.get("content-type") or "").partition(";")[0].strip().lower()
    if kind != "application/x-www-form-urlencoded":
        sentence = "Only the forms of these pages can be sent here."
        raise PageRefused(415, "Not a form of this page", sentence)
    body = await read_body(request.stream(), LONGEST_FORM)
    form = Form(tuple(parse_qsl(body.decode("ascii", "replace"), keep_blank_values=True)))
    # A request of another origin is refused even if it knew the mark.
    elsewhere = request.headers.get("sec-fetch-site", "same-origin") not in ("same-origin", "none")
    marked = bool(source.csrf) and compare_digest(form.one("csrf").encode(), source.csrf.encode())
    if elsewhere or not marked:
        raise PageRefused(
            403,
            "Not sent from this page",
            "The form was not sent from a page of this session, so nothing was done.",
            todo=("Open the page again and send the form from there.",),
        )
    return form
