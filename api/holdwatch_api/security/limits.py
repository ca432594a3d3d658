"""How often and how much one stranger may ask: counting that stays small whoever asks."""

from __future__ import annotations

import contextlib
import ipaddress
import math
import time
from collections import Counter, OrderedDict
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

MOST_KEYS = 4096
"""Keys that a limiter remembers; one key takes about 200 bytes."""


class Limiter:
    """So many at once, then one more every so often, for each key.

    A leaky bucket kept as one number a key: the time at which the bucket will be empty
    (the generic cell rate algorithm; ITU-T I.371, from memory). A key whose bucket is empty is
    forgotten, and above ``MOST_KEYS`` the one that was used longest ago: memory is bounded, and
    who can spread over thousands of networks gets no more from it than those networks' shares.

    Args:
        burst: How many pass at once.
        every_s: How long one place takes to become free again, s.
        clock: Monotonic time, s.
    """

    def __init__(
        self, burst: int, every_s: float, clock: Callable[[], float] = time.monotonic
    ) -> None:
        self._burst_s = burst * every_s
        self._every_s = every_s
        self._clock = clock
        self._empty_at: OrderedDict[str, float] = OrderedDict()

    def wait_s(self, key: str) -> float:
        """Return how long the key must wait until one more passes, s; takes nothing."""
        level_s = self._empty_at.get(key, 0.0) - self._clock()
        return max(level_s + self._every_s - self._burst_s, 0.0)

    def take(self, key: str) -> float:
        """Take a place for the key and return 0, or return how long it must wait, s."""
        wait_s = self.wait_s(key)
        if wait_s == 0.0:
            now = self._clock()
            self._empty_at[key] = max(self._empty_at.get(key, now), now) + self._every_s
            self._empty_at.move_to_end(key)
            self._forget(now)
        return wait_s

    def _forget(self, now: float) -> None:
        while self._empty_at:
            key, empty_at = next(iter(self._empty_at.items()))
            if empty_at > now and len(self._empty_at) <= MOST_KEYS:
                return
            del self._empty_at[key]

    def __len__(self) -> int:
        return len(self._empty_at)


class Places:
    """So many at the same time for each key, and so many in all.

    Args:
        most: Of one key.
        most_in_all: Of all keys together.
    """

    def __init__(self, most: int, most_in_all: int) -> None:
        self._most = most
        self._most_in_all = most_in_all
        self._taken: Counter[str] = Counter()

    def has_room(self, key: str) -> bool:
        """Whether one more may come in."""
        return self._taken[key] < self._most and self._taken.total() < self._most_in_all

    @contextlib.contextmanager
    def held(self, key: str) -> Iterator[None]:
        """Hold a place of the key for the length of the block."""
        self._taken[key] += 1
        try:
            yield
        finally:
            self._taken[key] -= 1
            self._taken = +self._taken  # keys without a place are forgotten

    def __len__(self) -> int:
        return len(self._taken)


def address_key(address: str) -> str:
    """Return what counts as one asker: an IPv4 address, or the /64 network of an IPv6 address.

    One machine has all the 2^64 addresses of its IPv6 network to choose from (RFC 4291, 2.5.4).

    >>> address_key("192.168.7.2"), address_key("2001:db8::1"), address_key("::ffff:192.168.7.2")
    ('192.168.7.2', '2001:db8::/64', '192.168.7.2')
    """
    try:
        found = ipaddress.ip_address(address)
    except ValueError:
        return "unknown"
    if isinstance(found, ipaddress.IPv4Address):
        return str(found)
    if found.ipv4_mapped is not None:
        return str(found.ipv4_mapped)
    return str(ipaddress.ip_network((found, 64), strict=False))


def retry_after(wait_s: float) -> str:
    """Return the value of ``Retry-After``: whole seconds, at least one.

    >>> retry_after(0.2), retry_after(12.1)
    ('1', '13')
    """
    return str(max(math.ceil(wait_s), 1))
