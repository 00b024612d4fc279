"""Whom do we trust on the other end, and with which certificate do we show ourselves?

Source: RFC 8446 and RFC 5246 through Python's ssl module; client certificates as RFC 8705 uses them.
"""

from __future__ import annotations

import ssl
from pathlib import Path

__all__ = ["client_tls"]


def client_tls(*, certificate: Path | None, key: Path | None, authorities: Path | None) -> ssl.SSLContext | None:
    """Make the TLS context for calls to the record and its authorization server.

    Args:
        certificate: PEM file with our client certificate and its chain; None to show none.
        key: PEM file with its private key, without passphrase; None where it is in the same file.
        authorities: PEM file with the certificate authorities to trust instead of the usual ones.

    Returns:
        The context; None where nothing is configured and the usual trust applies.

    Raises:
        ValueError: a file cannot be read or does not fit; the message names the setting and not the content.
    """
    if certificate is None and key is None and authorities is None:
        return None
    if certificate is None and key is not None:
        raise ValueError("a private key of the client certificate is configured without the certificate")
    try:
        context = ssl.create_default_context(cafile=authorities)
    except OSError:
        raise ValueError("the file of certificate authorities for the record cannot be read") from None
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    if certificate is not None:
        try:
            # An empty passphrase keeps the library from asking on the terminal.
            context.load_cert_chain(certificate, key, password="")
        except (OSError, ValueError):
            raise ValueError("the client certificate for the record, or its key, cannot be read") from None
    return context
