"""The proof of a secret that is never sent: a keyed hash of what both sides made up for this connection (RFC 2104)."""

from __future__ import annotations

import hashlib
import hmac
import secrets
from pathlib import Path

from crankfold.acquire.errors import SettingError

LEAST_SECRET = 16  # characters; whoever listens can try short ones at home
NONCE_BYTES = 16
LENDER, BORROWER = "lender", "borrower"
"""Whose proof it is: one can't be sent back as the other's."""


def nonce() -> str:
    """Return what is used once, in hexadecimal digits."""
    return secrets.token_hex(NONCE_BYTES)


def new_secret() -> str:
    """Return a secret to be copied by hand or by clipboard."""
    return secrets.token_urlsafe(NONCE_BYTES)


def proof(secret: str, whose: str, lender_nonce: str, borrower_nonce: str) -> str:
    """Return HMAC-SHA-256 of ``WHOSE:LENDER'S NONCE:BORROWER'S NONCE`` under the secret, in hexadecimal digits."""
    text = f"{whose}:{lender_nonce}:{borrower_nonce}"
    return hmac.new(secret.encode(), text.encode(), hashlib.sha256).hexdigest()


def proves(given: object, secret: str, whose: str, lender_nonce: str, borrower_nonce: str) -> bool:
    """Return whether a proof is right; it takes as long for a wrong one."""
    right = proof(secret, whose, lender_nonce, borrower_nonce)
    return isinstance(given, str) and hmac.compare_digest(given.encode(), right.encode())


def checked_secret(text: str) -> str:
    """Return a secret without white space round it.

    Raises
    ------
    SettingError
        It is too short.
    """
    tidy = text.strip()
    if len(tidy) < LEAST_SECRET:
        raise SettingError(f"a secret of {len(tidy)} characters can be guessed",
                           f"use one of {LEAST_SECRET} or more, such as crankfold lend makes")
    return tidy


def secret_in(path: Path) -> str:
    """Return the secret that a file holds.

    Raises
    ------
    SettingError
        It can't be read, or is too short.
    """
    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, ValueError) as error:
        raise SettingError(f"the secret in {path} can't be read ({getattr(error, 'strerror', None) or 'no text'})",
                           "check the file's name and permissions") from error
    return checked_secret(text)
