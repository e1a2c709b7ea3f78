"""Ed25519 keys for signing, by `cryptography`, which is only loaded where a key is used."""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import TYPE_CHECKING

from fullhide.errors import JobError
from fullhide.files import why
from fullhide.record import Signature

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import (
        Ed25519PrivateKey,
        Ed25519PublicKey,
    )

__all__ = ["key_print", "print_of", "private_key", "public_key", "valid"]

_KEY = "--key"


def valid(signature: Signature) -> bool:
    """Whether the signed text is the one that the signature's own key signed."""
    _need_cryptography()
    from cryptography.exceptions import InvalidSignature
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

    try:
        key = Ed25519PublicKey.from_public_bytes(bytes.fromhex(signature.public_key))
        key.verify(bytes.fromhex(signature.signature), signature.statement.encode())
    except (InvalidSignature, ValueError):
        return False
    return True


def print_of(signature: Signature | None) -> str:
    """`key_print` of a signature's key; empty where it has none that can be read."""
    try:
        return key_print(signature.public_key) if signature is not None else ""
    except ValueError:  # `valid` has told of it
        return ""


def key_print(public_key: str) -> str:
    """SHA-256 of a public key, hexadecimal, as it is shown; empty without a key."""
    return hashlib.sha256(bytes.fromhex(public_key)).hexdigest() if public_key else ""


def _need_cryptography() -> None:
    try:
        import cryptography  # noqa: F401
    except ModuleNotFoundError:
        raise JobError(
            _KEY, "needs the package cryptography", 'install it: pip install "fullhide[sign]"'
        ) from None


def _pem(path: Path) -> bytes:
    _need_cryptography()
    try:
        return path.read_bytes()
    except OSError as error:
        raise JobError(path, f"cannot be read ({why(error)})", "name a key file") from None


_MAKE = "make one with: openssl genpkey -algorithm ed25519 -out shop.pem"


def private_key(path: Path) -> Ed25519PrivateKey:
    """The private key in a PEM file; a JobError of one line if there is none."""
    data = _pem(path)
    from cryptography.exceptions import UnsupportedAlgorithm
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
    from cryptography.hazmat.primitives.serialization import load_pem_private_key

    try:
        key = load_pem_private_key(data, password=None)
    except TypeError:
        raise JobError(path, "is locked with a password", "give a key without one") from None
    except (ValueError, UnsupportedAlgorithm):
        raise JobError(path, "is no private key", _MAKE) from None
    if not isinstance(key, Ed25519PrivateKey):
        raise JobError(path, "is no Ed25519 key", _MAKE)
    return key


def public_key(path: Path) -> Ed25519PublicKey:
    """The public key in a PEM file, or that of the private key in it."""
    data = _pem(path)
    from cryptography.exceptions import UnsupportedAlgorithm
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey
    from cryptography.hazmat.primitives.serialization import load_pem_public_key

    try:
        key = load_pem_public_key(data)
    except (ValueError, UnsupportedAlgorithm):
        return private_key(path).public_key()
    if not isinstance(key, Ed25519PublicKey):
        raise JobError(path, "is no Ed25519 key", _MAKE)
    return key
