"""To which network address does a name lead, and may it lead there?

A name on the list of allowed systems can be made to point into the network that this service runs in. So each name is
resolved once per connection, every address found is judged, and the connection is made to the very address judged:
between the look and the call nothing can change. Certificates are still checked against the name. What this cannot
see: where a router or a proxy beyond the first hop forwards the call to.

Source: which addresses are not global, the IANA special-purpose registries (RFC 6890) as Python's ipaddress holds
them; the rule itself is common practice against server-side request forgery, no published source.
"""

from __future__ import annotations

import asyncio
import socket
from collections.abc import Awaitable, Callable, Iterable, Sequence
from ipaddress import IPv4Address, IPv4Network, IPv6Address, IPv6Network, ip_address, ip_network

import httpcore

__all__ = ["GuardedNetwork", "Network", "Resolve", "SurprisingAddress", "is_surprising", "is_this_machine", "resolved"]

Network = IPv4Network | IPv6Network
Address = IPv4Address | IPv6Address
Resolve = Callable[[str, int], Awaitable[Sequence[str]]]

_NAT64_PREFIX = IPv6Network("64:ff9b::/96")
_LOW_32_BITS = 0xFFFFFFFF


class SurprisingAddress(httpcore.ConnectError):
    """A name led to an address inside a network that nobody listed. Carries no address and no name."""


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
    return not found.is_global or found.is_multicast or found.is_reserved


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
            httpcore.ConnectError: the name is not known, or no address answers.
            httpcore.ConnectTimeout: it took too long.
        """
        failure: httpcore.NetworkError | httpcore.TimeoutException = httpcore.ConnectError()
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
            raise httpcore.ConnectError from None
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
