"""Addresses of this computer in its own network, and the invitation for a phone: address, code, QR code."""

from __future__ import annotations

import io
import ipaddress
import socket
from collections.abc import Sequence

# an address that is kept free for documents (RFC 5737): nothing is sent to it, the system only says by which way
# it would
_NOWHERE = ("192.0.2.1", 9)


def addresses() -> list[str]:
    """This computer's addresses in private networks, the likeliest first."""
    found: list[str] = []
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(_NOWHERE)
            found.append(probe.getsockname()[0])
        except OSError:
            pass
    try:
        listed = socket.getaddrinfo(socket.gethostname(), None, socket.AF_INET)
        found += [str(item[4][0]) for item in listed]
    except OSError:
        pass
    return [text for text in dict.fromkeys(found) if _is_private(text)]


def invitation(places: Sequence[str], port: int, code: str) -> str:
    """What the terminal shows for the next phone."""
    if not places:
        return f"For a phone: no private network yet; once there is one, http://ADDRESS:{port}/ and the code {code}"
    first = f"http://{places[0]}:{port}/enter?code={code}"
    others = "".join(f", or http://{place}:{port}/" for place in places[1:4])
    return (
        f"\nFor a phone in the same network (the code is good once; what is sent can be read in that network):\n"
        f"  http://{places[0]}:{port}/{others}   code {code[:4]} {code[4:]}\n{qr(first)}"
    )


def qr(text: str) -> str:
    """A QR code (ISO/IEC 18004) of half-blocks for a terminal."""
    import segno

    out = io.StringIO()
    segno.make(text, error="l", micro=False).terminal(out=out, compact=True, border=2)
    return out.getvalue()


def _is_private(text: str) -> bool:
    address = ipaddress.ip_address(text)
    return address.is_private and not address.is_loopback and not address.is_unspecified
