"""The address at which a phone finds this machine: one interface of the local network, never all of them."""

from __future__ import annotations

import socket
from contextlib import closing
from ipaddress import IPv4Address, IPv6Address, ip_address

from tapbatch.model.errors import ShopError

_ELSEWHERE = ("192.0.2.1", 9)
"""An address for documentation (RFC 5737): choosing the way to it sends nothing."""

_HOW = "find this machine's address in the system's network settings and give it with --address"


def own_address() -> str:
    """Return this machine's own private address in the local network.

    Raises
    ------
    ShopError
        If there is none, or if the address is a public one.
    """
    try:
        with closing(socket.socket(socket.AF_INET, socket.SOCK_DGRAM)) as asking:
            asking.connect(_ELSEWHERE)
            found = str(asking.getsockname()[0])
    except OSError as error:
        raise ShopError("--phone", "this machine is not in a network that it knows of", _HOW) from error
    address = ip_address(found)
    if address.is_unspecified or address.is_loopback:
        raise ShopError("--phone", "this machine is not in a network that it knows of", _HOW)
    if not is_local(address):
        what = f"this machine's address {found} is not that of a workshop's own network"
        raise ShopError("--phone", what, "connect it to the workshop's network, or give --address")
    return found


def is_local(address: IPv4Address | IPv6Address) -> bool:
    """Tell whether an address is one of a local network, or of this machine.

    Examples
    --------
    >>> [is_local(ip_address(a)) for a in ("192.168.0.7", "10.1.2.3", "127.0.0.1", "fe80::1", "8.8.8.8")]
    [True, True, True, True, False]
    """
    return address.is_private or address.is_link_local or address.is_loopback


def check_address(address: str, *, phone: bool) -> None:
    """Refuse an address that would open the page to more than is meant.

    Raises
    ------
    ShopError
        For all interfaces at once, and without a key for any address but this machine's own.

    Examples
    --------
    >>> check_address("127.0.0.1", phone=False)
    >>> check_address("0.0.0.0", phone=True)
    Traceback (most recent call last):
    ...
    tapbatch.model.errors.ShopError: --address 0.0.0.0: would serve every network that this machine is in; ...
    """
    where = f"--address {address}"
    if address in ("", "localhost"):
        return
    try:
        ip = ip_address(address.partition("%")[0])
    except ValueError:
        raise ShopError(where, "is not an address in figures", "give one such as 192.168.0.7") from None
    if phone and ip.is_unspecified:
        what = "would serve every network that this machine is in"
        raise ShopError(where, what, "give the address of one, or leave --address out")
    if not phone and not ip.is_loopback:
        what = "lets others see the page, and that needs a key"
        raise ShopError(where, what, "add --phone, or leave --address out")
