"""From where the page can be reached: this computer alone, or others as well.

Apart from the checks of the room's file, since the service asks this and does not load what those need.
"""

from __future__ import annotations

import ipaddress
from urllib.parse import urlsplit

from monitor.core.terms.settings import PagePlace


def is_local(host: str) -> bool:
    """Whether a host, without brackets, is this computer and no other can mean the same one by it."""
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host.lower() in ("localhost", "localhost.")


def reached_from_elsewhere(place: PagePlace) -> bool:
    """Whether other computers are meant to get to the page, or can: by its network, or through a proxy before it."""
    there = host_of(place.address)
    return not is_local(place.listen[0]) or (there is not None and not is_local(there))


def host_of(address: str) -> str | None:
    """The host that a web address names; None for none."""
    try:
        return urlsplit(address).hostname
    except ValueError:
        return None
