"""May this address be called? Only what the operator listed, spelled plainly, and encrypted unless it is this machine.

Source: our own rule (common practice against server-side request forgery, no published source).
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from enum import Enum

import httpx

from ebbmark.record.resolving import is_this_machine

__all__ = ["AddressRefusal", "refusal_of"]


class AddressRefusal(Enum):
    """Why an address is not called; the value completes the sentence "The address …"."""

    UNREADABLE = "is not an absolute http or https address in plain ASCII"
    USER_INFO = "carries a user name or password"
    DISGUISED = "has a dot segment, a backslash, a fragment or an encoded separator"
    NOT_ENCRYPTED = "is neither https nor on this machine"
    NOT_LISTED = "is not under an allowed base address"


# Servers and gateways disagree on these spellings, so a prefix check on them proves nothing.
_DISGUISES = re.compile(r"[\\#]|%2[ef]|%5c|%25|//|(?:^|/)\.{1,2}(?:/|$)", re.IGNORECASE)
_HIGHEST_PORT = 65535
_PLAIN = re.compile(r"https?://[\x21-\x7e]+", re.IGNORECASE)


def refusal_of(address: str, allowed: Iterable[str]) -> AddressRefusal | None:
    """Say why an address may not be called, or None if it may.

    Args:
        address: absolute URL, with or without a query.
        allowed: base URLs; scheme, host and port must be the same, the path must be the base's or below it.

    Returns:
        The first reason found, or None.
    """
    url = _parsed(address)
    if isinstance(url, AddressRefusal):
        return url
    if url.scheme != "https" and not is_this_machine(url.host):
        return AddressRefusal.NOT_ENCRYPTED
    return None if any(_is_under(url, base) for base in allowed) else AddressRefusal.NOT_LISTED


def _parsed(address: str) -> httpx.URL | AddressRefusal:
    if not _PLAIN.fullmatch(address):
        return AddressRefusal.UNREADABLE
    authority_and_path = address.split("?", 1)[0].split("://", 1)[1]
    if "@" in authority_and_path.split("/", 1)[0]:
        return AddressRefusal.USER_INFO
    if _DISGUISES.search(authority_and_path) or "#" in address:
        return AddressRefusal.DISGUISED
    try:
        # The same parser that makes the call, so that no two readings of one address exist.
        url = httpx.URL(address)
        usable = bool(url.host) and (url.port or 0) <= _HIGHEST_PORT
    except (httpx.InvalidURL, ValueError):  # the latter of a host that begins with xn-- and is no IDNA name
        return AddressRefusal.UNREADABLE
    return url if usable else AddressRefusal.UNREADABLE


def _is_under(url: httpx.URL, base: str) -> bool:
    listed = _parsed(base)
    if isinstance(listed, AddressRefusal) or listed.query:
        return False
    if (url.scheme, url.host, url.port) != (listed.scheme, listed.host, listed.port):
        return False
    root = listed.path.rstrip("/")
    return url.path.rstrip("/") == root or url.path.startswith(root + "/")
