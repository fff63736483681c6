"""Who a connection comes from, as far as an address says."""

from __future__ import annotations

from ipaddress import IPv6Address, ip_address, ip_network

V6_NETWORK = 64
"""Bits of an IPv6 address that its owner does not choose: RFC 4291, 2.5.1."""


def source_of(address: str) -> str:
    """Return what all addresses of one machine have in common."""
    try:
        ip = ip_address(address.partition("%")[0])
    except ValueError:
        return address
    if not isinstance(ip, IPv6Address):
        return str(ip)
    if ip.ipv4_mapped is not None:
        return str(ip.ipv4_mapped)
    return str(ip_network((ip, V6_NETWORK), strict=False))
