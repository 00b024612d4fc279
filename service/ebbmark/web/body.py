"""The media types that a FHIR door takes and gives; how much of a body is read, and how long it is waited for.

Source: FHIR R4 http.html#mime-type: application/fhir+json, charset UTF-8, optional fhirVersion parameter.
"""

from __future__ import annotations

import asyncio
import zlib
from collections.abc import AsyncIterator

from starlette.requests import ClientDisconnect

from ebbmark.fhir.problems import Problem, ProblemKind, Rejected

_PACKED = ("gzip",)

FHIR_JSON = "application/fhir+json"

TAKEN = frozenset({"application/fhir+json", "application/json", "text/json"})
GIVEN = frozenset({"application/fhir+json", "application/json", "application/*", "*/*"})
FORMATS = frozenset({"json", "application/json", "application/fhir+json", "application/fhir json"})
VERSIONS = frozenset({"4.0", "4.0.1"})


_TOLD = frozenset(
    {
        *("application/fhir+ndjson", "application/fhir+xml", "application/octet-stream", "application/pdf"),
        *("application/x-ndjson", "application/x-www-form-urlencoded", "application/xml", "multipart/form-data"),
        *("text/csv", "text/html", "text/plain", "text/turtle", "text/xml", "html", "ttl", "xml"),
        *("br", "compress", "deflate", "gzip", "x-gzip", "zstd"),
        *("iso-8859-1", "iso-8859-15", "utf-16", "utf-32", "windows-1252"),
        *("1.0", "3.0", "3.0.1", "3.0.2", "4.3", "4.3.0", "5.0", "5.0.0"),
    }
)
"""What of a header a refusal repeats: any other word may be a name."""


def _shown(header: str, *values: str) -> str:
    known = [value for value in values if value in _TOLD]
    return f"{header} {', '.join(known)}" if known else f"another {header}"


def require_fhir_json(content_type: str | None, content_encoding: str | None = None, *, gzip: bool = False) -> None:
    """Refuse a body that does not claim to be FHIR R4 JSON in UTF-8, as it is.

    Args:
        gzip: whether a body packed with gzip is taken; whoever says so unpacks it within bounds (`unpacked`).

    Raises:
        Rejected: media type, character set, FHIR version or encoding is another one.
    """
    if content_encoding is not None and content_encoding.strip().lower() not in ("", "identity", *_PACKED[:gzip]):
        found = _shown("Content-Encoding", content_encoding.strip().lower())
        accepted = "a body that is not compressed, or with gzip" if gzip else "a body that is not compressed"
        raise Rejected((_refusal(ProblemKind.MEDIA_TYPE_NOT_TAKEN, found, accepted),))
    name, parameters = _parsed(content_type or "")
    accepted = "application/fhir+json or application/json, charset UTF-8, FHIR version 4.0"
    if name not in TAKEN:
        found = _shown("Content-Type", name) if name else "no Content-Type"
        raise Rejected((_refusal(ProblemKind.MEDIA_TYPE_NOT_TAKEN, found, accepted),))
    charset = parameters.get("charset", "utf-8")
    if charset not in ("utf-8", "utf8", "us-ascii"):
        raise Rejected((_refusal(ProblemKind.MEDIA_TYPE_NOT_TAKEN, _shown("charset", charset), accepted),))
    version = parameters.get("fhirversion", "4.0")
    if version not in VERSIONS:
        raise Rejected((_refusal(ProblemKind.MEDIA_TYPE_NOT_TAKEN, _shown("fhirVersion", version), accepted),))


def unpacked(body: bytes, content_encoding: str | None, max_bytes: int) -> bytes:
    """The body as it was before it was packed with gzip (RFC 1952); no more of it than may be read is ever unpacked.

    Raises:
        Rejected: it is longer, or no whole gzip stream.
    """
    if (content_encoding or "").strip().lower() not in _PACKED:
        return body
    stream = zlib.decompressobj(wbits=31)
    try:
        found = stream.decompress(body, max_bytes + 1)
    except zlib.error:
        found = b""
    if len(found) > max_bytes:
        raise Rejected((_too_large(max_bytes),))
    if not stream.eof or stream.unused_data:
        accepted = "one whole gzip stream"
        sentence = f"The body is not what its Content-Encoding says; accepted: {accepted}."
        raise Rejected((Problem(ProblemKind.FRAMING, "", "another body", accepted, sentence),))
    return found


def require_acceptable(accept: str | None, wanted_format: str | None) -> None:
    """Refuse a caller that will not take FHIR JSON.

    Raises:
        Rejected: JSON is not among what the caller takes.
    """
    accepted = "application/fhir+json or application/json"
    if wanted_format is not None:
        # A plus sign in a query arrives as a space.
        if wanted_format.lower() not in FORMATS:
            raise Rejected((_refusal(ProblemKind.NOT_ACCEPTABLE, _shown("_format", wanted_format.lower()), accepted),))
        return
    if not accept or accept == "*/*":
        return
    ranges = [_parsed(part) for part in accept.split(",")]
    if not any(
        name in GIVEN and parameters.get("q", "1") not in ("0", "0.0", "0.00", "0.000") for name, parameters in ranges
    ):
        raise Rejected(
            (_refusal(ProblemKind.NOT_ACCEPTABLE, _shown("Accept", *(name for name, _ in ranges)), accepted),)
        )


def _parsed(header: str) -> tuple[str, dict[str, str]]:
    """Media type and parameters, all in lower case."""
    name, *rest = header.split(";")
    pairs = (part.partition("=") for part in rest)
    return name.strip().lower(), {key.strip().lower(): value.strip().strip('"').lower() for key, _, value in pairs}


def _refusal(kind: ProblemKind, found: str, accepted: str) -> Problem:
    return Problem(kind, "", found, accepted, f"Found {found}; accepted: {accepted}.")


LONGEST_WAIT_S = 30.0
"""A body that has not arrived by then is given up: whoever sends a byte a minute must not hold a connection."""


async def read_body(stream: AsyncIterator[bytes], max_bytes: int, *, longest_wait_s: float = LONGEST_WAIT_S) -> bytes:
    """The body.

    Raises:
        Rejected: it is longer, does not arrive in time, or the caller has gone.
    """
    pieces: list[bytes] = []
    size = 0
    try:
        async with asyncio.timeout(longest_wait_s):
            async for piece in stream:
                size += len(piece)
                if size > max_bytes:
                    raise Rejected((_too_large(max_bytes),))
                pieces.append(piece)
    except TimeoutError:
        found, accepted = f"a body that is not complete after {longest_wait_s:g} s", "a body sent without pauses"
        sentence = f"The request has {found}; accepted: {accepted}."
        raise Rejected((Problem(ProblemKind.BODY_LATE, "", found, accepted, sentence),)) from None
    except ClientDisconnect:
        sentence = "The caller closed the connection before the body was complete."
        raise Rejected((Problem(ProblemKind.BODY_LATE, "", "half a body", "the whole", sentence),)) from None
    return pieces[0] if len(pieces) == 1 else b"".join(pieces)


def _too_large(max_bytes: int) -> Problem:
    found, accepted = f"a body of more than {max_bytes:,} bytes", f"at most {max_bytes:,} bytes"
    sentence = f"The request has {found}; {accepted} are read. Send only the Observations of the trial."
    return Problem(ProblemKind.TOO_LARGE, "", found, accepted, sentence)
