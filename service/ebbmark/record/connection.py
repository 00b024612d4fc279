"""Connections to the record: which addresses may be called, where a name may lead, and what kept one from being made.

An address may be called if it is listed by the operator or lies below one that is, is spelled plainly, and is encrypted
unless it is on this machine or the operator lists its host for plain HTTP (protection against SSRF). A listed name can
still be made to point into the network that this service runs in. So each name is resolved once per connection, every
address found is judged, and the connection is made to the very address judged: between the look and the call nothing
can change. Certificates are still checked against the name. What this cannot see: where a router or a proxy beyond the
first hop forwards the call to. What failed is told exactly: name, port, or which part of TLS.

Sources: percent-encoding RFC 3986 sections 2.1 to 2.3; the IANA IPv4 Special-Purpose Address Registry (RFC 6890, 8190)
and the IANA IPv6 Address Space, which assigns unicast addresses within 2000::/3 only (RFC 4291), with the IANA IPv6
Special-Purpose Address Registry for the blocks inside it. TLS by RFC 8446 and RFC 5246 through the ssl module, client
certificates as RFC 8705 uses them; the verify codes of OpenSSL (x509_vfy.h) and the alerts of RFC 8446 section 6. The
rules themselves are common practice against server-side request forgery, no published source.
"""

from __future__ import annotations

import asyncio
import re
import socket
import ssl
from collections.abc import Awaitable, Callable, Iterable, Sequence
from datetime import datetime
from enum import Enum
from functools import cache
from ipaddress import IPv4Address, IPv4Network, IPv6Address, IPv6Network, ip_address, ip_network
from pathlib import Path
from string import ascii_letters, digits, hexdigits

import httpcore
import httpx

from ebbmark.record.retry import CallFailure

Network = IPv4Network | IPv6Network
Address = IPv4Address | IPv6Address
Resolve = Callable[[str, int], Awaitable[Sequence[str]]]

_NAT64_PREFIX = IPv6Network("64:ff9b::/96")
_LOW_32_BITS = 0xFFFFFFFF

# A table of our own, since Python's differs between its versions. Small blocks within these that are reachable from
# everywhere (192.0.0.9/32, 2001:20::/28 ...) are refused, too: no record system lies there.
# fmt: off
_SPECIAL_V4 = tuple(map(IPv4Network, (
    "0.0.0.0/8", "10.0.0.0/8", "100.64.0.0/10", "127.0.0.0/8", "169.254.0.0/16", "172.16.0.0/12", "192.0.0.0/24",
    "192.0.2.0/24", "192.88.99.0/24", "192.168.0.0/16", "198.18.0.0/15", "198.51.100.0/24", "203.0.113.0/24",
    "224.0.0.0/4", "240.0.0.0/4",
)))
_UNICAST_V6 = IPv6Network("2000::/3")
_SPECIAL_V6 = tuple(map(IPv6Network, ("2001::/23", "2001:db8::/32", "3fff::/20")))
# fmt: on


class AddressRefusal(Enum):
    """Why an address is not called; the value completes the sentence "The address …"."""

    UNREADABLE = "is not an absolute http or https address in plain ASCII"
    USER_INFO = "carries a user name or password"
    DISGUISED = "has a dot segment, a semicolon, a backslash, a fragment or a character that is encoded for no reason"
    NOT_ENCRYPTED = "is neither https nor on this machine"
    NOT_LISTED = "is not under an allowed base address"


# Servers and gateways disagree on these spellings, so a prefix check on them proves nothing.
_DISGUISES = re.compile(r"[\\#;]|//|(?:^|/)\.{1,2}(?:/|$)")
_ENCODED = re.compile(r"%(.{0,2})")
_NEVER_ENCODED = frozenset(map(ord, ascii_letters + digits + "-._~" + "/\\%;?#")) | frozenset({*range(0x20), 0x7F})
_HIGHEST_PORT = 65535
_PLAIN = re.compile(r"https?://[\x21-\x7e]+", re.IGNORECASE)


def refusal_of(address: str, allowed: Iterable[str], plain_http_hosts: Iterable[str] = ()) -> AddressRefusal | None:
    """Say why an address may not be called, or None if it may.

    Args:
        address: absolute URL, with or without a query.
        allowed: base URLs; scheme, host and port must be the same, the path must be the base's or below it.
        plain_http_hosts: hosts with port, as record:8080, that may be called without encryption.

    Returns:
        The first reason found, or None.
    """
    url = _parsed(address)
    if isinstance(url, AddressRefusal):
        return url
    if url.scheme != "https" and not is_this_machine(url.host):
        place = f"{url.host}:{url.port or 80}"
        if not any(place == one.lower() for one in plain_http_hosts):
            return AddressRefusal.NOT_ENCRYPTED
    return None if any(_is_under(url, base) for base in allowed) else AddressRefusal.NOT_LISTED


def is_under(address: str, base: str) -> bool:
    """Whether an address is plainly spelled and is a base address or below it, letter by letter."""
    root = base.rstrip("/")
    url = _parsed(address)
    return not isinstance(url, AddressRefusal) and address[: len(root)] == root and _is_under(url, base)


def _parsed(address: str) -> httpx.URL | AddressRefusal:
    if not _PLAIN.fullmatch(address):
        return AddressRefusal.UNREADABLE
    authority_and_path = address.split("?", 1)[0].split("://", 1)[1]
    if "@" in authority_and_path.split("/", 1)[0]:
        return AddressRefusal.USER_INFO
    if _DISGUISES.search(authority_and_path) or "#" in address or not _is_encoded_for_a_reason(authority_and_path):
        return AddressRefusal.DISGUISED
    try:
        # The same parser that makes the call, so that no two readings of one address exist.
        url = httpx.URL(address)
        usable = bool(url.host) and (url.port or 0) <= _HIGHEST_PORT
    except (httpx.InvalidURL, ValueError):  # the latter of a host that begins with xn-- and is no IDNA name
        return AddressRefusal.UNREADABLE
    return url if usable else AddressRefusal.UNREADABLE


def _is_encoded_for_a_reason(text: str) -> bool:
    """Whether each percent-encoding is whole, and of a character that has to be encoded and separates nothing."""
    return all(
        len(pair) == 2 and set(pair) <= set(hexdigits) and int(pair, 16) not in _NEVER_ENCODED
        for pair in _ENCODED.findall(text)
    )


def same_server(url: str, known: str) -> bool:
    """Whether two addresses are on the same host and port; false where one cannot be read."""
    mine, theirs = _parsed(url), _parsed(known)
    if isinstance(mine, AddressRefusal) or isinstance(theirs, AddressRefusal):
        return False
    return (mine.scheme, mine.host, mine.port) == (theirs.scheme, theirs.host, theirs.port)


def _is_under(url: httpx.URL, base: str) -> bool:
    listed = _parsed(base)
    if isinstance(listed, AddressRefusal) or listed.query:
        return False
    if (url.scheme, url.host, url.port) != (listed.scheme, listed.host, listed.port):
        return False
    root = listed.path.rstrip("/")
    return url.path.rstrip("/") == root or url.path.startswith(root + "/")


class SurprisingAddress(httpcore.ConnectError):
    """A name led to an address inside a network that nobody listed. Carries no address and no name."""


class UnknownName(httpcore.ConnectError):
    """No address is known for a host name. Carries no name."""


def is_this_machine(host: str) -> bool:
    """Say whether a host, as spelled in an address, is this machine itself."""
    if host == "localhost":
        return True
    try:
        return ip_address(host.strip("[]")).is_loopback
    except ValueError:
        return False


def is_surprising(address: str, networks: Iterable[Network]) -> bool:
    """Say whether a name may not lead to this address.

    Args:
        address: IP address in digits, found by resolving a name.
        networks: networks that are not global but listed by the operator.

    Returns:
        True for every address that is not global (private, loopback, link-local, reserved, multicast) unless it lies
        in one of the networks; addresses that carry an IPv4 address inside them are judged by that one.
    """
    try:
        found = _innermost(ip_address(address))
    except ValueError:
        return True
    if any(found in network for network in networks if network.version == found.version):
        return False
    if isinstance(found, IPv4Address):
        return any(found in special for special in _SPECIAL_V4)
    return found not in _UNICAST_V6 or any(found in special for special in _SPECIAL_V6)


def _innermost(address: Address) -> Address:
    if isinstance(address, IPv4Address):
        return address
    if address in _NAT64_PREFIX:
        return IPv4Address(int(address) & _LOW_32_BITS)
    return address.ipv4_mapped or address.sixtofour or address


async def resolved(host: str, port: int) -> Sequence[str]:
    """Ask the system's resolver for the addresses of a name, in its order of preference."""
    found = await asyncio.get_running_loop().getaddrinfo(host, port, type=socket.SOCK_STREAM)
    return tuple(dict.fromkeys(str(place[0]) for *_, place in found))


class GuardedNetwork(httpcore.AsyncNetworkBackend):
    """Opens connections for the HTTP client, to judged addresses only.

    A host that is spelled as an address, or as localhost, is what the operator listed and so no surprise.
    """

    def __init__(self, networks: Iterable[str] = (), resolve: Resolve = resolved) -> None:
        self._networks = tuple(ip_network(network) for network in networks)
        self._resolve = resolve
        self._network = httpcore.AnyIOBackend()

    async def connect_tcp(
        self,
        host: str,
        port: int,
        timeout: float | None = None,
        local_address: str | None = None,
        socket_options: Iterable[httpcore.SOCKET_OPTION] | None = None,
    ) -> httpcore.AsyncNetworkStream:
        """Connect to the first address of the host that answers.

        Raises:
            SurprisingAddress: one of the addresses is not global and not in a listed network.
            UnknownName: the name is not known.
            httpcore.ConnectError: no address answers.
            httpcore.ConnectTimeout: it took too long.
        """
        failure: httpcore.NetworkError | httpcore.TimeoutException = UnknownName()
        for address in await self._addresses(host, port, timeout):
            try:
                return await self._network.connect_tcp(address, port, timeout, local_address, socket_options)
            except (httpcore.ConnectError, httpcore.ConnectTimeout) as error:
                failure = error
        raise failure

    async def _addresses(self, host: str, port: int, timeout_s: float | None) -> Sequence[str]:
        if _is_address(host) or is_this_machine(host):
            return (host,)
        try:
            async with asyncio.timeout(timeout_s):
                found = await self._resolve(host, port)
        except TimeoutError:
            raise httpcore.ConnectTimeout from None
        except (OSError, UnicodeError):
            raise UnknownName from None
        # One surprising address among many is enough: the answer of this name server is not to be trusted.
        if any(is_surprising(address, self._networks) for address in found):
            raise SurprisingAddress
        return found

    async def sleep(self, seconds: float) -> None:
        """Wait."""
        await asyncio.sleep(seconds)


def _is_address(host: str) -> bool:
    try:
        ip_address(host.strip("[]"))
    except ValueError:
        return False
    return True


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
    """Whether the server refused our certificate, or that there is none; it has then read no request."""
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


def is_utf8(body: bytearray) -> bool:
    """Whether a reply is UTF-8, as JSON must be (RFC 8259, section 8.1)."""
    try:
        return body.isascii() or bool(body.decode("utf-8"))
    except UnicodeDecodeError:
        return False
