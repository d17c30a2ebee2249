"""From where a request comes: the address of the connection, or what a proxy that we trust says of it.

A proxy is believed only if its own address stands in `web.trusted_proxies`; what strangers write into X-Forwarded-For
themselves stands further left there and is never looked at.
"""

from __future__ import annotations

import hmac
from collections.abc import Iterator
from ipaddress import ip_address, ip_network

from starlette.requests import Request

from ..settings import Settings

_FORWARDED = ("x-forwarded-for", "forwarded", "x-real-ip", "via")


def address(request: Request, settings: Settings) -> str:
    """The address of whoever sent the request; "" where it came by no network."""
    peer = request.client.host if request.client is not None else ""
    for hop in _hops(request):
        if not _is_trusted(peer, settings):
            break
        peer = hop
    return peer


def may_see_inside(request: Request, settings: Settings) -> bool:
    """Whether the request may be told how the service is: it came straight from this machine, or shows the token.

    A request that a proxy passed on is none from this machine, even where the proxy runs here.
    """
    token = settings.metrics_token()
    shown = request.headers.get("authorization", "")
    if token and hmac.compare_digest(shown.encode("utf-8"), f"Bearer {token}".encode()):
        return True
    if any(name in request.headers for name in _FORWARDED):
        return False
    return request.client is not None and _is_loopback(request.client.host)


def _hops(request: Request) -> Iterator[str]:
    """The addresses in X-Forwarded-For, the nearest first."""
    listed = ",".join(request.headers.getlist("x-forwarded-for"))
    yield from (hop for hop in (one.strip() for one in reversed(listed.split(","))) if hop)


def _is_loopback(host: str) -> bool:
    try:
        return ip_address(host.partition("%")[0]).is_loopback
    except ValueError:
        return False


def _is_trusted(host: str, settings: Settings) -> bool:
    try:
        read = ip_address(host.partition("%")[0])
    except ValueError:
        return False
    return any(read in ip_network(one) for one in settings.web.trusted_proxies)
