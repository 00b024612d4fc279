"""How every page looks: its headers, its files, and the page that refuses."""

from __future__ import annotations

import pytest
from fastapi import FastAPI
from jinja2 import UndefinedError
from pydantic import ValidationError
from starlette.types import ASGIApp

from ebbmark.settings import Settings
from ebbmark.web.boundary import Boundary
from ebbmark.web.theme import (
    SCRIPT,
    STYLE,
    PageRefused,
    StaticFile,
    page_headers,
    page_refusals,
    refusal_page,
    templates,
)
from web.asking import Reply, ask

FILES = [STYLE, SCRIPT]


def get(app: ASGIApp, url: str, headers: dict[str, str] | None = None) -> Reply:
    path, _, query = url.partition("?")
    return ask(app, method="GET", path=path, query=query, headers=headers or {})


@pytest.mark.parametrize("file", FILES, ids=lambda one: str(one.name))
def test_a_file_under_its_present_address_is_kept_for_ever(app: ASGIApp, file: StaticFile) -> None:
    reply = get(app, file.url)

    assert (reply.status, reply.headers["content-type"], reply.body) == (200, file.media_type, file.body)
    assert reply.headers["cache-control"] == "public, max-age=31536000, immutable"


@pytest.mark.parametrize("file", FILES, ids=lambda one: str(one.name))
def test_a_file_under_an_older_address_is_asked_for_again(app: ASGIApp, file: StaticFile) -> None:
    reply = get(app, f"/page/{file.name}?v=older")

    assert reply.headers["cache-control"] == "no-cache"
    assert get(app, f"/page/{file.name}", {"if-none-match": reply.headers["etag"]}).status == 304
    assert get(app, f"/page/{file.name}", {"if-none-match": '"another"'}).status == 200


def test_the_policy_allows_nothing_inline_and_nothing_from_elsewhere() -> None:
    policy = page_headers()["content-security-policy"]

    assert policy.startswith("default-src 'none';")
    assert "unsafe" not in policy
    assert "http" not in policy
    assert policy.endswith("frame-ancestors 'none'")


def test_only_named_origins_may_frame_a_page() -> None:
    policy = page_headers(("https://ehr.example", "https://*.ward.example"))["content-security-policy"]

    assert policy.endswith("frame-ancestors https://ehr.example https://*.ward.example")


@pytest.mark.parametrize("odd", ["ehr.example", "https://a b", "https://a; script-src *", "'unsafe-inline'", "*"])
def test_what_is_no_origin_cannot_be_set_as_one(odd: str) -> None:
    with pytest.raises(ValidationError, match="page_frame_ancestors"):
        Settings(page_frame_ancestors=(odd,))


def test_a_page_that_refuses_says_what_is_the_matter_and_what_can_be_done() -> None:
    page = refusal_page(PageRefused(403, "Too old", "The launch is an hour old.", todo=["Open it again."]))

    text = bytes(page.body).decode()
    assert page.status_code == 403
    assert "<h1>Too old</h1>" in text
    assert "The launch is an hour old." in text
    assert "<li>Open it again.</li>" in text
    assert f'href="{STYLE.url}"' in text


def test_what_stands_on_a_page_is_escaped() -> None:
    text = bytes(refusal_page(PageRefused(400, "<b>", "a & b", todo=['"<script>'])).body).decode()

    assert "<h1>&lt;b&gt;</h1>" in text
    assert "a &amp; b" in text
    assert "<script>" not in text


def test_a_refusal_raised_below_a_route_becomes_its_page() -> None:
    app = FastAPI()
    app.add_exception_handler(PageRefused, page_refusals(("https://ehr.example",)))

    @app.get("/here")
    async def here() -> None:
        raise PageRefused(403, "No", "Because.", headers={"set-cookie": "a=; Max-Age=0"})

    reply = get(app, "/here")

    assert reply.status == 403
    assert b"<h1>No</h1>" in reply.body
    assert reply.headers["set-cookie"] == "a=; Max-Age=0"
    assert reply.headers["content-security-policy"].endswith("frame-ancestors https://ehr.example")


def test_a_name_that_nobody_gave_is_an_error_and_no_empty_place() -> None:
    with pytest.raises(UndefinedError):
        templates().get_template("refused.html").render(title="only this")


@pytest.mark.parametrize("path", ["/app/tab/", "/demo/clear-closing/record", "/launch"])
def test_a_fault_of_ours_is_a_page_where_people_look_and_says_nothing_of_what_it_was(path: str) -> None:
    async def broken(*_: object) -> None:
        raise RuntimeError("Maple Example")

    reply = get(Boundary(broken), path)

    assert (reply.status, reply.headers["content-type"]) == (500, "text/html; charset=utf-8")
    assert b"<h1>The service failed</h1>" in reply.body
    assert b"Maple" not in reply.body
