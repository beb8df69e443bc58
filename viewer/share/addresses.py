"""Where the phone page is offered: on this computer alone unless somebody asks for more."""

from __future__ import annotations

import ipaddress
import socket
import sys
from dataclasses import dataclass

from crankfold.analysis import InputError
from crankfold.viewer.words import say

LOOPBACK = "127.0.0.1"
EVERYWHERE = ("0.0.0.0", "::")
ELSEWHERE = ("192.0.2.1", 9)  # of a network kept for documentation (RFC 5737): nothing is sent there


@dataclass(frozen=True)
class Place:
    """Where to listen: a host of this computer, and a port, 0 for any that is free."""

    host: str = LOOPBACK
    port: int = 0

    @property
    def shown_host(self) -> str:
        """What a phone on the same network calls this computer."""
        return _own_address() if self.host in EVERYWHERE else self.host


@dataclass(frozen=True)
class Shared:
    """Where the phone page is served, and whether it may arm and rest the board."""

    place: Place
    control: bool


def place_of(text: str, option: str = "--share-at", port: int = 0) -> Place:
    """Return the place that ``HOST`` or ``HOST:PORT`` names; empty is this computer alone.

    Parameters
    ----------
    text
        As given.
    option
        By which it was given.
    port
        Where none is named.

    Raises
    ------
    InputError
        It is no such text.
    """
    tidy = text.strip()
    whole = ":" not in tidy or _is_ipv6(tidy)
    host, colon, digits = (tidy, "", "") if whole else tidy.rpartition(":")
    if colon and not (digits.isascii() and digits.isdigit() and int(digits) < 2**16):
        raise InputError(say("share.bad_place", option=option, text=text[:60]))
    return Place(host.strip("[]") or LOOPBACK, int(digits or port))


def _is_ipv6(text: str) -> bool:
    """Return whether a text is an IPv6 address alone, in brackets or without."""
    try:
        return ipaddress.ip_address(text.strip("[]")).version == 6
    except ValueError:
        return False


def listening_at(place: Place) -> socket.socket:
    """Return a socket that is bound to a place.

    Raises
    ------
    InputError
        It is taken, forbidden, or no place of this computer.
    """
    family = socket.AF_INET6 if ":" in place.host else socket.AF_INET
    made = socket.socket(family, socket.SOCK_STREAM)
    try:
        if sys.platform != "win32":  # there it would let two programs have one port
            made.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        made.bind((place.host, place.port))
    except OSError as error:
        made.close()
        raise InputError(say("share.cannot_listen", host=place.host, port=place.port)) from error
    return made


def _own_address() -> str:
    """Return this computer's address on its usual network, or the loopback where there is none."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(ELSEWHERE)  # chooses the network card; a datagram socket sends nothing yet
            return str(probe.getsockname()[0])
        except OSError:
            return LOOPBACK
