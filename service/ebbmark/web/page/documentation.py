"""What the published OpenAPI document says of the pages."""

from __future__ import annotations

from typing import Any

from fastapi import Response

from ebbmark.fhir.writing.entered import ENTERED
from ebbmark.web.documentation import query_parameter

_HTML: dict[str, Any] = {"text/html": {"schema": {"type": "string"}}}
_PDF: dict[str, Any] = {"application/pdf": {"schema": {"type": "string", "format": "binary"}}}
_PAGE: dict[str, Any] = {"description": "A page.", "content": _HTML}

_TAB = "The tab that a launch opened; its session stands in a cookie of this path."

_REFUSED = {
    401: "The tab has no session, or it has ended: open the page again from the record.",
    403: "Not for this caller, or not sent from a page of ours.",
    404: "There is no such page, or no record may open pages here.",
    409: "The answer changed since it was shown.",
    415: "Not a form.",
    422: "The form lacks what is needed.",
    429: "Too many requests of this tab; Retry-After says when to ask again.",
    502: "The record did not give what was asked for, or did not take what was sent.",
    503: "The access could not be renewed just now.",
}
_RETRY_AFTER: dict[str, Any] = {
    "Retry-After": {"description": "With 429: after how many seconds to ask again.", "schema": {"type": "integer"}}
}
_CLIENT_ERRORS, _SERVER_ERRORS = 4, 5
_OF_A_FORM = frozenset({409, 415, 422})

_SAID: dict[tuple[str, str], tuple[str, str, str]] = {
    ("/", "GET"): ("Answer", "The answer to the latest trial", ""),
    ("/running", "GET"): (
        "Running",
        "A trial in progress",
        "With `fragment` in the query only the part that changes, with an ETag and the header Ebbmark-As-Of."
        " A request that names in Ebbmark-Drawn the figure it has gets no drawings of it again;"
        " one that sends back Ebbmark-Read of the reply before gets 304 where the record says that nothing came since.",
    ),
    ("/before", "GET"): ("Before", "What speaks for a trial and against it, and what to ask now", ""),
    ("/after", "GET"): ("After", "What changed at the new settings, other markers, and whether it still holds", ""),
    ("/days", "GET"): ("Days", "The trials of the last days", ""),
    ("/plan", "GET"): ("Plan", "The plan of a trial", "Without high-pressure recruitment."),
    ("/plan", "POST"): ("AcknowledgedPlan", "The plan, with what a clinician has acknowledged", ""),
    ("/report", "GET"): ("Report", "The answer as PDF: on one sheet, or everything behind it", ""),
    ("/record", "GET"): ("Review", "What would be recorded", "Nothing is written."),
    ("/record", "POST"): (
        "Record",
        "Record the results that were shown",
        "Refused if the answer has changed since; one transaction.",
    ),
    ("/steps", "GET"): ("Steps", "Enter a trial by hand", "One row a reading; nothing is kept here."),
    ("/steps", "POST"): (
        "Steps",
        "What the typed rows say so far, or record them",
        "With `fragment` in the query only what was computed.",
    ),
    ("/not-now", "POST"): (
        "NotNow",
        "Say why results are not recorded now",
        "A reason of the list; emitted as an event without the patient.",
    ),
}
_FIELDS: dict[str, dict[str, str]] = {
    "/plan": {"csrf": "as on the page", "acknowledged": "what was looked at; repeats"},
    "/record": {
        "csrf": "as on the page",
        "identity": "of the answer that was shown",
        "with-report": "true for the report",
        "peep": "chosen instead of the suggested one; empty where none was",
        "because": "code of the reason for that",
        "make-current": "true to make results current again that were marked superseded",
    },
    "/steps": {
        "csrf": "as on the page",
        "time": "hours:minutes of a row; repeats, as every quantity does",
        **{one.name: f"{one.label} [{one.unit}]" for one in ENTERED},
        "rhythm": "a new heart rhythm: system|code of one that the site signed to stop at, or `other`",
        "do": "look, review or record",
    },
    "/not-now": {"csrf": "as on the page", "reason": "code of the reason"},
}


def documented(path: str, method: str) -> dict[str, Any]:
    """Arguments of one route that say what it does.

    Args:
        method: GET or POST.
    """
    name, summary, description = _SAID[path, method]
    refused = {status: text for status, text in _REFUSED.items() if method == "POST" or status not in _OF_A_FORM}
    extra: dict[str, Any] = {
        "parameters": [
            {"name": "tab", "in": "path", "required": True, "description": _TAB, "schema": {"type": "string"}}
        ]
    }
    if (path, method) == ("/record", "GET"):
        extra["parameters"].append(query_parameter("with-report", accepted=("true",)))
    if path == "/report":
        extra["parameters"].append(query_parameter("part", accepted=("everything",)))
    if path == "/running" or (path, method) == ("/steps", "POST"):
        extra["parameters"].append(query_parameter("fragment", accepted=("",)))
    if method == "POST":
        properties = {field: {"type": "string", "description": text} for field, text in _FIELDS[path].items()}
        form = {"schema": {"type": "object", "required": ["csrf"], "properties": properties}}
        extra["requestBody"] = {"required": True, "content": {"application/x-www-form-urlencoded": form}}
    return {
        "summary": summary,
        "description": description or summary + ".",
        "operation_id": f"show{name}" if method == "GET" else f"send{name}",
        "response_class": Response,
        "responses": {
            200: {"description": "The sheet.", "content": _PDF} if path == "/report" else _PAGE,
            **({304: {"description": "Nothing has changed."}} if path == "/running" else {}),
            **{
                f"{kind}XX": {
                    "description": " ".join(
                        f"{status}: {text}" for status, text in refused.items() if status // 100 == kind
                    ),
                    "content": _HTML,
                    **({"headers": _RETRY_AFTER} if kind == _CLIENT_ERRORS else {}),
                }
                for kind in (_CLIENT_ERRORS, _SERVER_ERRORS)
            },
        },
        "openapi_extra": extra,
    }
