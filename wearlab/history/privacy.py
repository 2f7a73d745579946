"""Who did the work, kept from view: pseudonyms by a keyed hash at loading.

A pseudonym is the first 16 hexadecimal digits of HMAC-SHA-256 (RFC 2104, FIPS 198-1) of the text: the same text has the
same pseudonym in every file, and without the key neither can be told from the other. The key never enters the store.
"""

import hashlib
import hmac
import os
from pathlib import Path

from wearlab.evidence import DataError
from wearlab.history.config import Privacy
from wearlab.history.config_section import CONFIG_NAME

KEY_NAME = "WEARLAB_PRIVACY_KEY"  # of the environment
DIGITS = 16
_BLOCK = 64  # bytes of one block of SHA-256
_SHORTEST = 16  # bytes of a key


def read_key(folder: Path, privacy: Privacy) -> bytes | None:
    """Return the key of the pseudonyms, or None where fleet.toml asks for none.

    Refuses (DataError) a key that is missing, shorter than 16 bytes, or kept in the fleet folder.
    """
    if not privacy.pseudonyms:
        return None
    fix = f"set {KEY_NAME}, or give privacy.key_file in {CONFIG_NAME}: a file of at least 16 random bytes elsewhere"
    if privacy.key_file is None:
        key = os.environ.get(KEY_NAME, "").encode()
        if len(key) < _SHORTEST:
            text = f"privacy.pseudonyms needs a key of {_SHORTEST} bytes or more in {KEY_NAME}"
            raise DataError("no-key", text, fix, CONFIG_NAME)
        return key
    path = (folder / Path(privacy.key_file).expanduser()).resolve()
    if path.is_relative_to(folder.resolve()):
        raise DataError(
            "key-inside", "privacy.key_file lies in the fleet folder itself", "keep it elsewhere", CONFIG_NAME
        )
    try:
        key = path.read_bytes().strip()
    except OSError as error:
        raise DataError("no-key", f"privacy.key_file cannot be read: {error.strerror}", fix, CONFIG_NAME) from None
    if len(key) < _SHORTEST:
        raise DataError("no-key", f"the key in privacy.key_file is shorter than {_SHORTEST} bytes", fix, CONFIG_NAME)
    return key


def pad_key(key: bytes) -> tuple[bytes, bytes]:
    """Return the inner and the outer block that HMAC sets before a text (RFC 2104, section 2)."""
    block = (hashlib.sha256(key).digest() if len(key) > _BLOCK else key).ljust(_BLOCK, b"\0")
    return bytes(byte ^ 0x36 for byte in block), bytes(byte ^ 0x5C for byte in block)


def mark_key(key: bytes | None) -> str | None:
    """Return what tells one key from another without telling the key."""
    return None if key is None else hmac.new(key, b"wearlab: which key", hashlib.sha256).hexdigest()[:DIGITS]
