"""A disk that forgets at a power cut what it has not confirmed, sector by sector and by chance.

It speaks NBD (the network block device protocol, newstyle) over a Unix socket. What is written
stays in its cache, as in a real disk's, until a flush or a write that must reach the medium
(FUA). At a cut every sector in the cache has either reached the medium or not.
"""

from __future__ import annotations

import os
import socket
import struct
import threading
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path
    from random import Random

    _Read = Callable[[int], bytes]

SECTOR: Final = 512
_OPTION_MAGIC: Final = 0x49484156454F5054
_REPLY_MAGIC: Final = 0x3E889045565A9
_REQUEST_MAGIC: Final = 0x25609513
_ANSWER_MAGIC: Final = 0x67446698
_ABORT, _GO = 2, 7
_ACK, _IS_INFO, _UNSUPPORTED = 1, 3, 2**31 + 1
_READ, _WRITE, _LEAVE, _FLUSH = range(4)
_FUA: Final = 1
_ABILITIES: Final = 1 | 4 | 8
"""Its flags mean something, it flushes, it knows FUA."""


@dataclass(slots=True)
class Disk:
    """One image, served to one machine.

    Args:
        image: The medium; it is changed.
        address: Of the Unix socket.
    """

    image: Path
    address: Path
    flushes: int = 0
    _cache: dict[int, bytes] = field(default_factory=dict)
    _lock: threading.Lock = field(default_factory=threading.Lock)
    _has_power: bool = True
    _file: int = field(init=False)
    _size: int = field(init=False)
    _listener: socket.socket = field(init=False)

    def __post_init__(self) -> None:
        self._file = os.open(self.image, os.O_RDWR)
        self._size = os.fstat(self._file).st_size
        self.address.unlink(missing_ok=True)
        self._listener = socket.socket(socket.AF_UNIX)
        self._listener.bind(str(self.address))
        self._listener.listen()
        threading.Thread(target=self._serve, daemon=True).start()

    def cut(self, chance: Random, share: float) -> tuple[int, int]:
        """Take the power away; return how many sectors were unconfirmed and how many are lost.

        Args:
            chance: Decides for each sector.
            share: How many of the unconfirmed ones have reached the medium, 0 to 1.
        """
        with self._lock:
            self._has_power = False
            saved = {each for each in self._cache if chance.random() < share}
            held = len(self._cache)
            for sector in saved:
                os.pwrite(self._file, self._cache[sector], sector * SECTOR)
            self._end()
        return held, held - len(saved)

    @property
    def unconfirmed(self) -> int:
        """How many sectors would be at stake just now."""
        return len(self._cache)

    def close(self) -> None:
        """Write everything down and end."""
        with self._lock:
            self._has_power = False
            self._write_down()
            self._end()

    def _end(self) -> None:
        self._cache.clear()
        self._listener.close()
        os.close(self._file)

    def _write_down(self) -> None:
        for sector, body in self._cache.items():
            os.pwrite(self._file, body, sector * SECTOR)
        self._cache.clear()

    # -- the protocol -------------------------------------------------------------------------

    def _serve(self) -> None:
        try:
            client, _ = self._listener.accept()
            with client, client.makefile("rb") as stream:
                if self._agree(client, stream.read):
                    self._work(client, stream.read)
        except (OSError, struct.error):
            return  # the machine is gone

    def _agree(self, client: socket.socket, read: _Read) -> bool:
        client.sendall(b"NBDMAGIC" + struct.pack(">QH", _OPTION_MAGIC, 3))
        read(4)
        while True:
            _, option, length = struct.unpack(">QII", read(16))
            read(length)

            def reply(kind: int, body: bytes = b"", option: int = option) -> None:
                head = struct.pack(">QIII", _REPLY_MAGIC, option, kind, len(body))
                client.sendall(head + body)

            if option == _ABORT:
                return False
            if option == _GO:
                reply(_IS_INFO, struct.pack(">HQH", 0, self._size, _ABILITIES))
                reply(_ACK)
                return True
            reply(_UNSUPPORTED)

    def _work(self, client: socket.socket, read: _Read) -> None:
        while True:
            magic, flags, kind, handle, offset, length = struct.unpack(">IHHQQI", read(28))
            if magic != _REQUEST_MAGIC or kind == _LEAVE:
                return
            body = read(length) if kind == _WRITE else b""
            with self._lock:
                if not self._has_power:
                    return
                answer = self._do(kind, flags, offset, body or length)
            client.sendall(struct.pack(">IIQ", _ANSWER_MAGIC, 0, handle) + answer)

    def _do(self, kind: int, flags: int, offset: int, what: bytes | int) -> bytes:
        if isinstance(what, bytes):
            for place in range(0, len(what), SECTOR):
                self._cache[(offset + place) // SECTOR] = what[place : place + SECTOR]
            if flags & _FUA:
                self._reach_medium(offset, len(what))
        elif kind == _FLUSH:
            self.flushes += 1
            self._write_down()
        elif kind == _READ:
            return self._get(offset, what)
        return b""

    def _reach_medium(self, offset: int, length: int) -> None:
        for sector in range(offset // SECTOR, (offset + length) // SECTOR):
            os.pwrite(self._file, self._cache.pop(sector), sector * SECTOR)

    def _get(self, offset: int, length: int) -> bytes:
        body = bytearray(os.pread(self._file, length, offset))
        if self._cache:
            for place in range(0, length, SECTOR):
                cached = self._cache.get((offset + place) // SECTOR)
                if cached is not None:
                    body[place : place + SECTOR] = cached
        return bytes(body)
