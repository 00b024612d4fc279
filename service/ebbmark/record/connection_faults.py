"""TLS to the record, and what exactly kept a connection from being made: name, port, or which part of TLS.

Source: RFC 8446 and RFC 5246 through Python's ssl module, client certificates as RFC 8705 uses them; the verify codes
of OpenSSL (x509_vfy.h) and the alerts of RFC 8446 section 6.
"""

from __future__ import annotations

import ssl
from datetime import datetime
from functools import cache
from pathlib import Path

import httpx

from ebbmark.record.address_guard import SurprisingAddress, UnknownName
from ebbmark.record.retry import CallFailure

__all__ = ["client_tls", "expired_since", "is_about_us", "trouble_of", "usual_trust"]


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
        raise ValueError("EBBMARK_RECORD_CERTIFICATE_KEY is set without the client certificate that it belongs to")
    try:
        context = ssl.create_default_context(cafile=authorities)
    except OSError:
        raise ValueError("EBBMARK_RECORD_AUTHORITIES: the file of certificate authorities cannot be read") from None
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    if certificate is not None:
        try:
            # An empty passphrase keeps the library from asking on the terminal.
            context.load_cert_chain(certificate, key, password="")
        except (OSError, ValueError):
            raise ValueError("EBBMARK_RECORD_CERTIFICATE: the client certificate, or its key, cannot be read") from None
    return context


@cache
def usual_trust() -> ssl.SSLContext:
    """One context for all pools: reading the certificates of all authorities takes as long as a hundred answers."""
    return httpx.create_ssl_context(trust_env=False)


def expired_since(certificate: Path, *, at_s: float) -> datetime | None:
    """When our client certificate expired; None where it has not.

    Args:
        certificate: PEM file, found readable before; its first certificate counts.
        at_s: now [s since 1970-01-01T00:00:00Z].
    """
    from cryptography.x509 import load_pem_x509_certificate

    ends = load_pem_x509_certificate(certificate.read_bytes()).not_valid_after_utc
    return ends if ends.timestamp() <= at_s else None


# First match counts. What is not listed (a cut, a reset, a reply that is no HTTP) may have come after arrival.
_TROUBLES: tuple[tuple[type[httpx.TransportError], CallFailure], ...] = (
    (httpx.ConnectTimeout, CallFailure.CONNECT_TIMEOUT),
    (httpx.PoolTimeout, CallFailure.POOL_TIMEOUT),
    (httpx.WriteTimeout, CallFailure.WRITE_TIMEOUT),
    (httpx.ReadTimeout, CallFailure.READ_TIMEOUT),
    (httpx.ConnectError, CallFailure.NOT_CONNECTED),
    (httpx.LocalProtocolError, CallFailure.NOT_SENDABLE),
    (httpx.UnsupportedProtocol, CallFailure.NOT_SENDABLE),
)


def is_about_us(error: ssl.SSLError) -> bool:
    """Whether the server refused our certificate, or that there is none; it has then read no request.

    Args:
        error: of the TLS layer.
    """
    reason = error.reason or ""
    return "ALERT" in reason and ("CERTIFICATE" in reason or "UNKNOWN_CA" in reason)


# X509_V_ERR_* of OpenSSL, x509_vfy.h: certificate not yet valid, has expired; hostname mismatch, IP address mismatch.
_VERIFY_NOT_VALID_NOW = frozenset({9, 10})
_VERIFY_OTHER_HOST = frozenset({62, 64})
_NO_TLS = ("WRONG_VERSION_NUMBER", "PROTOCOL_VERSION", "UNSUPPORTED_PROTOCOL", "RECORD_LAYER_FAILURE", "HTTP_REQUEST")


def trouble_of(error: httpx.TransportError) -> CallFailure:
    """What a failure of the network was; its own message is left behind, since it may hold an address.

    Args:
        error: as the HTTP library raised it.
    """
    if isinstance(error, httpx.ConnectError):
        causes = _causes(error)
        for cause in causes:
            if isinstance(cause, SurprisingAddress):
                return CallFailure.SURPRISING_ADDRESS
            if isinstance(cause, UnknownName):
                return CallFailure.UNKNOWN_NAME
            if isinstance(cause, ssl.SSLError):
                return _tls_trouble_of(cause)
            if isinstance(cause, ConnectionRefusedError):
                return CallFailure.CLOSED_PORT
    return next((trouble for kind, trouble in _TROUBLES if isinstance(error, kind)), CallFailure.CUT)


def _causes(error: BaseException) -> list[BaseException]:
    found: list[BaseException] = []
    waiting = [error]
    while waiting:
        one = waiting.pop(0)
        found.append(one)
        # A host with several addresses fails with one exception for each of them.
        waiting += one.exceptions if isinstance(one, BaseExceptionGroup) else []
        cause = one.__cause__ or one.__context__
        waiting += [cause] if cause is not None and cause not in found else []
    return found


def _tls_trouble_of(error: ssl.SSLError) -> CallFailure:
    if isinstance(error, ssl.SSLCertVerificationError):
        if error.verify_code in _VERIFY_NOT_VALID_NOW:
            return CallFailure.NOT_VALID_NOW
        return CallFailure.WRONG_HOST_NAME if error.verify_code in _VERIFY_OTHER_HOST else CallFailure.UNKNOWN_AUTHORITY
    if is_about_us(error):
        return CallFailure.OUR_CERTIFICATE
    return CallFailure.NO_TLS if any(one in (error.reason or "") for one in _NO_TLS) else CallFailure.NOT_CONNECTED
