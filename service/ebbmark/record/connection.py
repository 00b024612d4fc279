"""Connections to the record: their settings, which addresses may be called (address guard), and where a name may lead.

An address may be called if it is listed by the operator or lies below one that is, is spelled plainly, and is encrypted
unless it is on this machine or the operator lists its host for plain HTTP (protection against SSRF). A listed name can
still be made to point into the network that this service runs in. So each name is resolved once per connection, every
address found is judged, and the connection is made to the very address judged: between the look and the call nothing
can change. Certificates are still checked against the name. What this cannot see: where a router or a proxy beyond the
first hop forwards the call to.

Sources: percent-encoding RFC 3986 sections 2.1 to 2.3; the IANA IPv4 Special-Purpose Address Registry (RFC 6890, 8190)
and the IANA IPv6 Address Space, which assigns unicast addresses within 2000::/3 only (RFC 4291), with the IANA IPv6
Special-Purpose Address Registry for the blocks inside it. TLS by RFC 8446 and RFC 5246 through the ssl module, client
certificates as RFC 8705 uses them. The
rules themselves are common practice against server-side request forgery, no published source.
"""

from __future__ import annotations

import asyncio
import re
import socket
import ssl
from collections.abc import Awaitable, Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, field
from datetime import datetime
from enum import Enum
from functools import cache
from ipaddress import IPv4Address, IPv4Network, IPv6Address, IPv6Network, ip_address, ip_network
from pathlib import Path
from string import ascii_letters, digits, hexdigits

import httpcore
import httpx

from ebbmark.fhir.naming import ACCEPTS_EVERYTHING, AcceptedWrites

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
        if not any(place == plain_http_host.lower() for plain_http_host in plain_http_hosts):
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


class GuardedTransport(httpx.AsyncHTTPTransport):
    """httpx's transport over a pool whose connections are guarded."""

    def __init__(self, tls: ssl.SSLContext | None, network: GuardedNetwork) -> None:
        context = usual_trust() if tls is None else tls
        super().__init__(verify=context, trust_env=False)
        # httpx has no public way to give the pool a network. Should the name of the pool change, nothing may start.
        if not isinstance(vars(self).get("_pool"), httpcore.AsyncConnectionPool):
            raise RuntimeError("this version of httpx keeps its connections elsewhere; the guard cannot be set")
        self._pool = httpcore.AsyncConnectionPool(
            ssl_context=context,
            max_connections=100,
            max_keepalive_connections=20,
            keepalive_expiry=5.0,
            network_backend=network,
        )

    @property
    def pool_use(self) -> tuple[int, int]:
        """Open connections, and how many of them carry a request."""
        connections = self._pool.connections
        return len(connections), sum(not connection.is_idle() for connection in connections)


class ReplyHolder:
    """One request, as the holder of replies of the record: it gives all of them back when it ends."""

    def __init__(self) -> None:
        self.memories: set[ReplyMemory] = set()
        self.ended = False

    def release(self) -> None:
        """Give back all that was taken."""
        for memory in self.memories:
            memory.release(self)
        self.memories.clear()


_HOLDER: ContextVar[ReplyHolder | None] = ContextVar("reply holder", default=None)


@contextmanager
def holding_replies() -> Iterator[ReplyHolder]:
    """Count the replies of the record that are read within, by every task begun there, as those of one request."""
    holder = ReplyHolder()
    token = _HOLDER.set(holder)
    try:
        yield holder
    finally:
        _HOLDER.reset(token)
        holder.ended = True
        holder.release()


@contextmanager
def reply_holder() -> Iterator[ReplyHolder]:
    """Who reads: the request under way; outside of one, or after it ended, whoever reads this one reply."""
    holder = _HOLDER.get()
    if holder is None or holder.ended:
        holder = ReplyHolder()
        holder.ended = True
    try:
        yield holder
    finally:
        if holder.ended:
            holder.release()


class ReplyMemory:
    """Bound on the bytes of replies that all requests hold together; readers wait for others to end (backpressure).

    The request that has held something for longest never waits, so that it ends and gives back what it holds: no two
    requests can wait for one another. So at most `most_bytes`, and what one request may read, are held.
    """

    def __init__(self, most_bytes: int) -> None:
        self.most_bytes = most_bytes
        self.held_bytes = 0
        self._held: dict[ReplyHolder, int] = {}
        self._changed = asyncio.Event()

    async def room(self, holder: ReplyHolder, size_bytes: int = 1) -> None:
        """Wait while others hold too much: before a request is sent, so that it holds no connection meanwhile."""
        while self.held_bytes + size_bytes > self.most_bytes and next(iter(self._held), holder) is not holder:
            await self._changed.wait()

    async def take(self, holder: ReplyHolder, size_bytes: int, limit: asyncio.Timeout) -> None:
        """Count a piece of a reply; waits while others hold too much.

        Args:
            limit: of the attempt; it stands still while this waits.
        """
        holder.memories.add(self)
        self._held.setdefault(holder, 0)
        loop, ends_s = asyncio.get_running_loop(), limit.when()
        left_s = None if ends_s is None else ends_s - loop.time()
        limit.reschedule(None)
        await self.room(holder, size_bytes)
        limit.reschedule(None if left_s is None else loop.time() + left_s)
        self._held[holder] += size_bytes
        self.held_bytes += size_bytes

    def release(self, holder: ReplyHolder) -> None:
        """Take back what a request held; whoever waits looks again."""
        self.held_bytes -= self._held.pop(holder, 0)
        self._changed.set()
        self._changed = asyncio.Event()


@dataclass(frozen=True, slots=True)
class Patience:
    """How far our patience with another system goes.

    Attributes:
        connect_timeout_s: to open a connection, or to get a free one [s].
        read_timeout_s: to wait for the next piece of a reply, or to hand over the next piece of a request [s].
        attempt_timeout_s: one whole attempt, so that a reply that only drips ends too [s].
        max_response_bytes: longest reply that is read [bytes].
        memory: bound on what all requests hold of replies; None for no bound.
    """

    connect_timeout_s: float = 3.0
    read_timeout_s: float = 10.0
    attempt_timeout_s: float = 30.0
    max_response_bytes: int = 5_000_000
    memory: ReplyMemory | None = None

    @property
    def timeouts(self) -> dict[str, float | None]:
        """The timeouts as the HTTP library takes them."""
        return httpx.Timeout(
            connect=self.connect_timeout_s,
            pool=self.connect_timeout_s,
            read=self.read_timeout_s,
            write=self.read_timeout_s,
        ).as_dict()


# RFC 6750 section 2.1, b64token.
_TOKEN = re.compile(r"[A-Za-z0-9\-._~+/]+=*")


def is_bearer_token(text: str) -> bool:
    """Say whether a text can be sent as bearer token."""
    return _TOKEN.fullmatch(text) is not None


@dataclass(frozen=True, slots=True)
class RecordSettings:
    """Where the record is and how far our patience goes.

    Attributes:
        base_url: FHIR base URL of the record.
        allowed_base_urls: base URLs that may be called at all; `base_url` must be one of them, or below one.
        bearer_token: access token sent to the record where it is a fixed one; never shown.
        connect_timeout_s, read_timeout_s, attempt_timeout_s, max_response_bytes, memory: as those of `Patience`.
        max_total_wait_s: sum of the waits between attempts [s].
        private_networks: networks that are not global and that the record's name may still lead to, as 10.1.0.0/16.
        write_timeout_s: all looks and attempts of one write-back together [s].
        plain_http_hosts: hosts with port that may be spoken to without encryption, as record:8080.
        searches_at_once: most searches of one question that run side by side.
        internal_base_urls: base addresses by which the record names itself in links; `base_url` is called in their
            place.
        accepts: what it takes of what this service writes.
        refusal_log: protected file for what it says word for word when it refuses; None for nowhere.
    """

    base_url: str
    allowed_base_urls: tuple[str, ...]
    bearer_token: str | None = field(default=None, repr=False)
    connect_timeout_s: float = 3.0
    read_timeout_s: float = 10.0
    attempt_timeout_s: float = 30.0
    max_attempts: int = 4
    max_total_wait_s: float = 30.0
    max_response_bytes: int = 5_000_000
    private_networks: tuple[str, ...] = ()
    write_timeout_s: float = 25.0
    plain_http_hosts: tuple[str, ...] = ()
    searches_at_once: int = 3
    internal_base_urls: tuple[str, ...] = ()
    accepts: AcceptedWrites = ACCEPTS_EVERYTHING
    refusal_log: Path | None = None
    memory: ReplyMemory | None = field(default=None, compare=False)

    def __post_init__(self) -> None:
        """Refuse a token that cannot be a header, here and without showing it, rather than in a traceback."""
        if self.bearer_token is not None and not is_bearer_token(self.bearer_token):
            raise ValueError("the bearer token of the record holds characters that no token may hold")
        if self.max_attempts < 1:
            raise ValueError("max_attempts must be at least 1")

    @property
    def patience(self) -> Patience:
        """The bounds on one attempt."""
        times = (self.connect_timeout_s, self.read_timeout_s, self.attempt_timeout_s)
        return Patience(*times, self.max_response_bytes, self.memory)
