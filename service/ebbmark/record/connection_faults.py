"""What exactly kept a connection from being made: name, port, or which part of TLS.

Source: the verify codes of OpenSSL (x509_vfy.h) and the alerts of RFC 8446 section 6, through Python's ssl module.
"""

from __future__ import annotations

import ssl

import httpx

from ebbmark.record.address_guard import SurprisingAddress, UnknownName
from ebbmark.record.retry import Trouble

__all__ = ["is_about_us", "trouble_of"]

# First match counts. What is not listed (a cut, a reset, a reply that is no HTTP) may have come after arrival.
_TROUBLES: tuple[tuple[type[httpx.TransportError], Trouble], ...] = (
    (httpx.ConnectTimeout, Trouble.CONNECT_TIMEOUT),
    (httpx.PoolTimeout, Trouble.POOL_TIMEOUT),
    (httpx.WriteTimeout, Trouble.WRITE_TIMEOUT),
    (httpx.ReadTimeout, Trouble.READ_TIMEOUT),
    (httpx.ConnectError, Trouble.NOT_CONNECTED),
    (httpx.LocalProtocolError, Trouble.NOT_SENDABLE),
    (httpx.UnsupportedProtocol, Trouble.NOT_SENDABLE),
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


def trouble_of(error: httpx.TransportError) -> Trouble:
    """What a failure of the network was; its own message is left behind, since it may hold an address.

    Args:
        error: as the HTTP library raised it.
    """
    if isinstance(error, httpx.ConnectError):
        causes = _causes(error)
        for cause in causes:
            if isinstance(cause, SurprisingAddress):
                return Trouble.SURPRISING_ADDRESS
            if isinstance(cause, UnknownName):
                return Trouble.UNKNOWN_NAME
            if isinstance(cause, ssl.SSLError):
                return _tls_trouble_of(cause)
            if isinstance(cause, ConnectionRefusedError):
                return Trouble.CLOSED_PORT
    return next((trouble for kind, trouble in _TROUBLES if isinstance(error, kind)), Trouble.CUT)


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


def _tls_trouble_of(error: ssl.SSLError) -> Trouble:
    if isinstance(error, ssl.SSLCertVerificationError):
        if error.verify_code in _VERIFY_NOT_VALID_NOW:
            return Trouble.NOT_VALID_NOW
        return Trouble.WRONG_HOST_NAME if error.verify_code in _VERIFY_OTHER_HOST else Trouble.UNKNOWN_AUTHORITY
    if is_about_us(error):
        return Trouble.OUR_CERTIFICATE
    return Trouble.NO_TLS if any(one in (error.reason or "") for one in _NO_TLS) else Trouble.NOT_CONNECTED
