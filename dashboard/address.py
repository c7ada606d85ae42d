"""Where a phone in the same network finds the page: by number, by name, by QR code.

The name under .local is the one that this computer's mDNS responder (avahi) gives to its address, asked over
the responder's own socket; where none runs there is no such name to tell.
"""

from __future__ import annotations

import socket
from array import array
from contextlib import closing
from dataclasses import dataclass
from fcntl import ioctl
from io import StringIO
from ipaddress import ip_address
from pathlib import Path
from struct import pack, unpack

from dashboard.light import codes

ANY_HOST = ("0.0.0.0", "::", "")

RESPONDER = Path("/run/avahi-daemon/socket")
"""avahi's socket for plain questions, the one that the system's own name lookup uses."""

RESPONDER_S = 1.0
"""It knows its own name at once; a longer silence means that it has none (our choice)."""

SIOCGIFCONF = 0x8912
"""linux/sockios.h."""

ENTRY_BYTES = 40
"""struct ifreq on 64 bits: 16 of a name, then a sockaddr_in with the address in its bytes 4 to 7."""

MOST_ADDRESSES = 32
"""So many are looked at (our choice)."""


@dataclass(frozen=True, slots=True)
class Address:
    """The page's address in numbers, which every phone finds, and by name where there is one.

    alone is whether it is served to this computer only, so that no phone can reach it.
    """

    url: str
    by_name: str | None
    alone: bool


def address_of(host: str, port: int, responder: Path = RESPONDER) -> Address:
    """Where the page is found that listens on a host and port: the host as given, or this computer's own
    address where it listens on all."""
    shown = network_address() if host in ANY_HOST else host
    alone = _is_loopback(shown)
    name = None if alone else local_name(shown, responder)
    return Address(url_of(shown, port), None if name is None else url_of(name, port), alone)


def url_of(host: str, port: int) -> str:
    """The address of a page; IPv6 in brackets (RFC 3986)."""
    return f"http://[{host}]:{port}/" if ":" in host else f"http://{host}:{port}/"


def network_address() -> str:
    """This computer's address in the local network, the loopback where it is in none. Nothing is sent.

    It is the one by which packets would leave for the world; without such a way, as where this computer makes
    the network itself, its first address that others can reach.
    """
    with closing(socket.socket(socket.AF_INET, socket.SOCK_DGRAM)) as probe:
        try:
            probe.connect(("192.0.2.1", 9))  # TEST-NET-1 of RFC 5737: asks the routing table only
        except OSError:
            return next((each for each in own_addresses(probe) if not _is_loopback(each)), "127.0.0.1")
        return str(probe.getsockname()[0])


def own_addresses(asking: socket.socket) -> list[str]:
    """All IPv4 addresses of this computer, by netdevice(7); netlink, which the standard library would ask, is
    shut to the service."""
    room = array("B", bytes(MOST_ADDRESSES * ENTRY_BYTES))
    start, length = room.buffer_info()
    taken, _ = unpack("iP", ioctl(asking, SIOCGIFCONF, pack("iP", length, start)))
    return [socket.inet_ntoa(room[at + 20 : at + 24]) for at in range(0, taken, ENTRY_BYTES)]


def local_name(address: str, responder: Path = RESPONDER) -> str | None:
    """The name under .local (RFC 6762) that the responder gives to an address, None where it gives none."""
    with closing(socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)) as asking:
        asking.settimeout(RESPONDER_S)
        try:
            asking.connect(str(responder))
            asking.sendall(f"RESOLVE-ADDRESS {address}\n".encode())
            answer = asking.recv(1024).decode("ascii", "replace").split()
        except OSError:
            return None
    found = answer[-1].lower() if answer[:1] == ["+"] else ""
    return found if found.endswith(".local") else None


def qr_text(url: str) -> str:
    """An address as a QR code (ISO/IEC 18004) of letters, for a terminal."""
    out = StringIO()
    codes().make(url, micro=False).terminal(out, compact=True)
    return out.getvalue()


def qr_picture(url: str) -> str:
    """An address as a QR code, as SVG text; the style sheet colours it, its quiet zone is part of it."""
    code = codes().make(url, micro=False)
    text: str = code.svg_inline(omitsize=True, svgclass="qr", lineclass="qr-ink")
    return text


def _is_loopback(host: str) -> bool:
    try:
        return ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"
