"""Encrypted BTHome v2: opening payloads with the probe's key, and refusing what was heard.

Format: the BTHome v2 page, bthome.io/encryption: AES-128-CCM with a tag of 4 bytes; nonce =
address (6, as written) ‖ UUID (2, as sent) ‖ device information (1) ‖ counter (4, as sent).
"""

from __future__ import annotations

import hashlib
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from cryptography.exceptions import InvalidTag
from cryptography.hazmat.primitives.ciphers.aead import AESCCM

from holdwatch_adapters.payload import PayloadError, RefusedError

if TYPE_CHECKING:
    from holdwatch_adapters.ports import CounterStore

KEY_BYTES: Final = 16
_ENCRYPTED: Final = 0x01
_MAC_INCLUDED: Final = 0x02
_MAC_BYTES: Final = 6
_ADDRESS: Final = re.compile(r"[0-9A-Fa-f]{2}(:[0-9A-Fa-f]{2}){5}")
_UUID_AS_SENT: Final = bytes.fromhex("d2fc")
_TAIL: Final = 8  # counter and tag
_COUNTERS: Final = 1 << 32
_NEAR_THE_WRAP: Final = 100
"""A counter may begin again at 0 only from its last hundred values on: once in 136 years at one
packet a second. A sender that loses its counter needs a new key."""


def is_sealed(service_data: bytes) -> bool:
    """Return whether a payload says that it is encrypted."""
    return bool(service_data) and bool(service_data[0] & _ENCRYPTED)


@dataclass(frozen=True, slots=True)
class Opened:
    """An encrypted payload, opened: ``plain`` is what ``bthome.parse`` reads."""

    plain: bytes
    counter: int


class Seal:
    """One probe's key and address.

    Args:
        key: 16 bytes.
        address: The probe's true Bluetooth address; an identifier in its place opens nothing.

    Raises:
        ValueError: The key or the address has the wrong form.
    """

    def __init__(self, key: bytes, address: str) -> None:
        if len(key) != KEY_BYTES:
            raise ValueError(f"a BTHome key has {KEY_BYTES} bytes, not {len(key)}")
        if not _ADDRESS.fullmatch(address):
            raise ValueError(
                f"{address} is no Bluetooth address of six bytes: where the system hides the "
                "address, give the true one as `mac`"
            )
        self._address = bytes.fromhex(address.replace(":", ""))
        self._cipher = AESCCM(key, tag_length=4)
        self.sender = f"{address.upper()} {hashlib.sha256(key).hexdigest()[:16]}"
        """Names this address with this key in a ``CounterStore``; a new key begins anew."""

    def open(self, service_data: bytes) -> Opened:
        """Return what an encrypted payload holds; its counter is not judged here.

        Raises:
            PayloadError: The payload is too short.
            RefusedError: It was not made with this key for this address.
        """
        info = service_data[0]
        start = 1 + (_MAC_BYTES if info & _MAC_INCLUDED else 0)
        if len(service_data) < start + 1 + _TAIL:
            raise PayloadError(
                f"the encrypted BTHome payload is too short ({len(service_data)} bytes)"
            )
        if info & _MAC_INCLUDED and service_data[1:start][::-1] != self._address:
            raise RefusedError("the encrypted BTHome payload names another address")
        ciphertext, counter, tag = (
            service_data[start:-_TAIL],
            service_data[-_TAIL:-4],
            service_data[-4:],
        )
        nonce = self._address + _UUID_AS_SENT + service_data[:1] + counter
        try:
            objects = self._cipher.decrypt(nonce, ciphertext + tag, None)
        except InvalidTag:
            raise RefusedError(
                "the BTHome payload was not made with this probe's key: another device uses its "
                "address, or the key is wrong"
            ) from None
        plain = bytes([info & ~(_ENCRYPTED | _MAC_INCLUDED)]) + objects
        return Opened(plain, int.from_bytes(counter, "little"))


class CounterGuard:
    """Lets each counter of one sender pass once, in rising order.

    Args:
        store: Keeps the last counter over restarts.
        sender: ``Seal.sender``.
    """

    def __init__(self, store: CounterStore, sender: str) -> None:
        self._store = store
        self._sender = sender
        self._last = store.last(sender)

    def accept(self, counter: int) -> None:
        """Let an authentic counter pass, and remember it.

        Raises:
            RefusedError: It is not newer than the last: a replay, or a packet out of order.
        """
        last = self._last
        if last is None:
            last = self._store.last(self._sender)  # which could perhaps not be read before
        if last is not None and counter <= last:
            wraps = last >= _COUNTERS - _NEAR_THE_WRAP and counter < _NEAR_THE_WRAP
            if not wraps:
                raise RefusedError(
                    f"the encrypted BTHome payload is an old one (counter {counter} after {last}):"
                    " a replay, or out of order; a probe whose counter began anew needs a new key"
                )
        self._last = counter
        self._store.remember(self._sender, counter)
