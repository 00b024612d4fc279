"""What may a page of ours load, and who may frame it? The headers of every page.

Source: Content Security Policy Level 3 (W3C), sections 6.1 to 6.4.
"""

from __future__ import annotations

from base64 import b64encode
from collections.abc import Sequence
from hashlib import sha256

__all__ = ["page_headers", "printed_headers"]


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
