"""Encrypting BTHome v2 packets, as a probe with a key does before it advertises.

Written from the format's page (bthome.io/encryption) and apart from the decoder that it tests.
"""

from __future__ import annotations

import struct

from cryptography.hazmat.primitives.ciphers.aead import AESCCM


def seal(objects: bytes, *, key: bytes, address: str, counter: int, info: int = 0x41) -> bytes:
    """Return the service data of one encrypted advertisement.

    Args:
        objects: The BTHome objects, without the device information byte.
        key: 16 bytes.
        address: The sender's Bluetooth address.
        counter: 0 to 2^32 - 1; a sender adds one for each packet.
        info: The device information byte.
    """
    sent_counter = struct.pack("<L", counter)
    nonce = bytes.fromhex(address.replace(":", "")) + b"\xd2\xfc" + bytes([info]) + sent_counter
    sealed = AESCCM(key, tag_length=4).encrypt(nonce, objects, None)
    return bytes([info]) + sealed[:-4] + sent_counter + sealed[-4:]
