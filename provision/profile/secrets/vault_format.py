# SPDX-License-Identifier: GPL-3.0-or-later
"""Open what `ansible-vault` has encrypted, without Ansible, which takes longer to import.

The format is that of Ansible's guide ("Vault payload format 1.1 - 1.2"): a line with the mark, the
version and the cipher, then the payload in hexadecimal digits, on lines of 80. The payload is the
salt, the message authentication code and the encrypted content, each in hexadecimal digits again.
The lengths and rounds are those of `VaultAES256` in ansible-core 2.19.
"""

from __future__ import annotations

import hashlib
import hmac
from binascii import unhexlify

#: How every vault begins, of any version.
MARK = b"$ANSIBLE_VAULT"

#: The only cipher that Ansible reads: AES in counter mode with HMAC-SHA256 over the content.
CIPHER = b"AES256"

#: Rounds of PBKDF2-HMAC-SHA256, and the bytes of cipher key, authentication key and first counter.
ROUNDS = 10_000
KEY_BYTES = 32
COUNTER_BYTES = 16

_BLOCK_BITS = 128


def is_vault(data: bytes) -> bool:
    """Tell if data claims to be a vault."""
    return data.isascii() and data.startswith(MARK)


def open_vault(data: bytes, password: bytes) -> bytes:
    """Return the content of a vault.

    Raise ValueError if the password is wrong, or if the vault is damaged or of another format.
    """
    # Here, so that only a command that opens secrets waits for it.
    from cryptography.hazmat.primitives import padding  # noqa: PLC0415
    from cryptography.hazmat.primitives.ciphers import (  # noqa: PLC0415
        Cipher,
        algorithms,
        modes,
    )

    salt, code, encrypted = _payload(data)
    keys = hashlib.pbkdf2_hmac("sha256", password, salt, ROUNDS, 2 * KEY_BYTES + COUNTER_BYTES)
    cipher_key, code_key = keys[:KEY_BYTES], keys[KEY_BYTES : 2 * KEY_BYTES]
    if not hmac.compare_digest(hmac.digest(code_key, encrypted, "sha256"), code):
        raise ValueError("the password is wrong, or the content was changed")
    cipher = Cipher(algorithms.AES(cipher_key), modes.CTR(keys[2 * KEY_BYTES :])).decryptor()
    unpadder = padding.PKCS7(_BLOCK_BITS).unpadder()
    padded = cipher.update(encrypted) + cipher.finalize()
    return unpadder.update(padded) + unpadder.finalize()


def _payload(data: bytes) -> tuple[bytes, bytes, bytes]:
    """Return salt, message authentication code and encrypted content."""
    head, *lines = data.splitlines() or [b""]
    parts = [part.strip() for part in head.split(b";")]
    if len(parts) < 3 or parts[0] != MARK or parts[2] != CIPHER:
        raise ValueError("the first line is not that of a vault")
    salt, code, encrypted = map(unhexlify, unhexlify(b"".join(lines)).split(b"\n", 2))
    return salt, code, encrypted
