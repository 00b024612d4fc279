"""The inputs of an answer: each one that counts, named and in canonical text, and each one that does not, and why.

Also the site's own codes under which inputs came, with what they were read as.
"""

from __future__ import annotations

from typing import NamedTuple

import msgspec

__all__ = ["Ignored", "MappedCode", "Source"]


class Source(msgspec.Struct, frozen=True, gc=False):
    """One input resource, named as exactly as it can be.

    Attributes:
        path: FHIRPath of the resource in the request, for example `Bundle.entry[3].resource`.
        reference: `Observation/12/_history/3` where the version is known, else `Observation/12`, else its
            fullUrl, else empty: then only `path` names it.
        value: what was read from it, as canonical text (for the digest): one item per value,
            `slug|value|unit|start|end`, joined by `;`.
    """

    path: str
    reference: str
    value: str


class Ignored(msgspec.Struct, frozen=True, gc=False):
    """One input that does not count, and why.

    Attributes:
        path: FHIRPath of the resource or element.
        reference: as in Source; may be empty.
        code: stable slug of the reason, for example `entered-in-error`.
        reason: one plain sentence.
    """

    path: str
    reference: str
    code: str
    reason: str


class MappedCode(NamedTuple):
    """One code of a site, and the code of our table that its ConceptMap equates with it.

    Attributes:
        system: the site's code system.
        code: the site's code.
        target_system: code system of our table.
        target_code: code of our table.
        used: whether an Observation that counts has this code.
    """

    system: str
    code: str
    target_system: str
    target_code: str
    used: bool
