"""Who meets the service while its disk is slow: people at the bays, screens, and systemd."""

from __future__ import annotations

import contextlib
import http.client
import json
import os
import socket
import threading
import time
from datetime import datetime
from typing import TYPE_CHECKING, Any, Final, cast
from urllib.parse import urlsplit

from fault_audit import Ear
from fault_shop import PREFIX, START_UTC_NS, Filling, Place, World

if TYPE_CHECKING:
    from pathlib import Path

    import paho.mqtt.client as mqtt

_TIMEOUT_S: Final = 180.0
_HEALTH_EVERY_S: Final = 0.2
_HISTORY_EVERY_S: Final = 1.0
_AGAIN_S: Final = 1.0
_THOUGHT_S: Final = 15.0
"""After so long the first hold of a bay is extended: while the disk stands, where it does, s."""


def ask(
    url: str, path: str, body: dict[str, Any] | None = None
) -> tuple[int, dict[str, Any] | list[Any]]:
    """Ask the service over a connection of its own; return the status and what it said."""
    connection = http.client.HTTPConnection(urlsplit(url).netloc, timeout=_TIMEOUT_S)
    with contextlib.closing(connection):
        if body is None:
            connection.request("GET", path)
        else:
            head = {"content-type": "application/json"}
            connection.request("POST", path, json.dumps(body), head)
        answer = connection.getresponse()
        return answer.status, json.loads(answer.read())


class TimedEar(Ear):
    """A customer who notes how late each verdict comes, in real seconds after it was decided."""

    def __init__(self, port: int, world: World, speed: float, *topics: str) -> None:
        self.late_s: list[float] = []
        self.ended: set[str] = set()
        self.newest = 0
        self._world = world
        self._speed = speed
        super().__init__(port, None, *topics)

    def _take(self, client: mqtt.Client, data: object, message: mqtt.MQTTMessage) -> None:
        super()._take(client, data, message)
        event = self.heard[-1].json
        self.newest = max(self.newest, event["sequence"])
        if message.topic != f"{PREFIX}/events" or event["type"] != "holdwatch.verdict":
            return
        if event["subject"] not in self.ended:  # what is told again was heard in time
            decided_s = datetime.fromisoformat(event["time"]).timestamp() - START_UTC_NS / 1e9
            self.late_s.append((self._world.now_ns / 1e9 - decided_s) / self._speed)
            self.ended.add(event["subject"])


class Watcher(threading.Thread):
    """Somebody who looks until told to end."""

    def __init__(self, url: str) -> None:
        super().__init__(daemon=True)
        self.url = url
        self.ended = threading.Event()

    def end(self) -> None:
        """Let it look no more, once it has its answer."""
        self.ended.set()
        self.join(_TIMEOUT_S)

    def seen(self) -> dict[str, Any]:
        """Return what it saw."""
        raise NotImplementedError


class Manager(Watcher):
    """Looks at health all the time, and at the memory of the process."""

    def __init__(self, url: str, pid: int) -> None:
        super().__init__(url)
        self._pid = pid
        self._slowest_s = 0.0
        self._reasons: set[str] = set()
        self._parts: dict[str, Any] = {}
        self._pending = 0
        self._first_mb = self._most_mb = 0.0

    def run(self) -> None:
        while not self.ended.wait(_HEALTH_EVERY_S):
            began = time.monotonic()
            health = cast("dict[str, Any]", ask(self.url, "/health")[1])
            self._slowest_s = max(self._slowest_s, time.monotonic() - began)
            self._parts = health["parts"]
            store = self._parts["store"]
            self._pending = max(self._pending, store["pending_rows"])
            if health["status"] == "degraded":
                why = str(store["slow"] or store["failing"] or "something else")
                self._reasons.add(why.partition(":")[0])
            now_mb = _resident_mb(self._pid)
            self._first_mb = self._first_mb or now_mb
            self._most_mb = max(self._most_mb, now_mb)

    def seen(self) -> dict[str, Any]:
        loop = self._parts["loop"]
        return {
            "slowest answer of health, s": self._slowest_s,
            "degraded for": sorted(self._reasons),
            "loop stalls of 0.5 s": loop["stalls"],
            "longest of them, s": loop["longest_s"],
            "in": loop["last"],
            "most readings waiting": self._pending,
            "memory, MB": (round(self._first_mb, 1), round(self._most_mb, 1)),
        }


class Screen(Watcher):
    """A bay screen: how long it sees nothing new."""

    def __init__(self, url: str) -> None:
        super().__init__(url)
        self._longest_s = 0.0
        self._frames = 0

    def run(self) -> None:
        connection = http.client.HTTPConnection(urlsplit(self.url).netloc, timeout=_TIMEOUT_S)
        with contextlib.closing(connection):
            connection.request("GET", "/api/v1/live")
            answer = connection.getresponse()
            before = time.monotonic()
            while not self.ended.is_set() and (line := answer.readline()):
                if line.startswith(b"event: live"):
                    now = time.monotonic()
                    self._longest_s, before = max(self._longest_s, now - before), now
                    self._frames += 1

    def seen(self) -> dict[str, Any]:
        return {"longest that a screen stood, s": self._longest_s, "frames": self._frames}


class Asker(Watcher):
    """Looks things up in the history all the time."""

    def __init__(self, url: str) -> None:
        super().__init__(url)
        self._took_s: list[float] = []

    def run(self) -> None:
        while not self.ended.wait(_HISTORY_EVERY_S):
            holds = self._ask("/api/v1/holds")
            if holds and isinstance(holds, list):
                self._ask(f"/api/v1/holds/{holds[-1]['id']}/trace")

    def _ask(self, path: str) -> dict[str, Any] | list[Any]:
        began = time.monotonic()
        found = ask(self.url, path)[1]
        self._took_s.append(time.monotonic() - began)
        return found

    def seen(self) -> dict[str, Any]:
        return {"history asked": len(self._took_s), "slowest of it, s": max(self._took_s)}


class People(threading.Thread):
    """Who works in one bay: begins its holds, says that it is shut, and extends one."""

    def __init__(
        self,
        url: str,
        world: World,
        number: int,
        place: Place,
        leaks: list[float],
        ear: TimedEar,
        fillings: list[tuple[str, Filling]],
    ) -> None:
        super().__init__(daemon=True)
        self.place = place
        self.answered_s: list[float] = []
        self.put_off = 0
        self._url = url
        self._world = world
        self._number = number
        self._leaks = leaks
        self._ear = ear
        self._fillings = fillings

    def run(self) -> None:
        for count, leak in enumerate(self._leaks):
            self._world.begin(self._number, count + 1, leak)
            self._fillings.append((self.place.name, self._world.bay(self._number)))
            head = f"{self.place.name}-{count}"
            begun = self._command(f"{head}-start", command="start_hold", recipe=self.place.recipe)
            while not begun["ok"]:  # its probes have not all been heard yet
                time.sleep(_AGAIN_S)
                begun = self._command(
                    f"{head}-{time.monotonic()}", command="start_hold", recipe=self.place.recipe
                )
            self._command(f"{head}-isolated", command="say_isolated")
            if count == 0:
                time.sleep(_THOUGHT_S)
                self._command(f"{head}-longer", command="extend_hold", minutes=5.0)
            while begun["hold_id"] not in self._ear.ended:
                time.sleep(0.05)

    def _command(self, command_id: str, **said: Any) -> dict[str, Any]:
        """Send a command until it is answered, under the same id."""
        began = time.monotonic()
        path = f"/api/v1/bays/{self.place.name}/command"
        while True:
            status, reply = ask(self._url, path, {"id": command_id, **said})
            if status in {200, 409}:
                break
            self.put_off += 1
            time.sleep(_AGAIN_S)
        self.answered_s.append(time.monotonic() - began)
        return cast("dict[str, Any]", reply)


class SignsOfLife:
    """Listens where systemd would; notes the longest time without a sign of life."""

    def __init__(self, path: Path, watchdog_s: float) -> None:
        self.longest_s = 0.0
        self._path = path
        self._watchdog_s = watchdog_s
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._socket.bind(str(path))
        self._socket.settimeout(0.1)
        self._closed = threading.Event()
        self._thread = threading.Thread(target=self._listen, daemon=True)
        self._thread.start()

    def environment(self) -> dict[str, str]:
        """Return what systemd would set."""
        return {
            "NOTIFY_SOCKET": str(self._path),
            "WATCHDOG_USEC": str(round(self._watchdog_s * 1e6)),
        }

    def _listen(self) -> None:
        last: float | None = None
        while not self._closed.is_set():
            heard = b""
            with contextlib.suppress(TimeoutError):
                heard = self._socket.recv(4096)
            now = time.monotonic()
            if last is not None:
                self.longest_s = max(self.longest_s, now - last)
            if b"WATCHDOG=1" in heard:
                last = now

    def close(self) -> None:
        """Listen no more."""
        if not self._closed.is_set():
            self._closed.set()
            self._thread.join()
            self._socket.close()


def _resident_mb(pid: int) -> float:
    with open(f"/proc/{pid}/statm", encoding="ascii") as file:  # noqa: PTH123 - no file of a disk
        return int(file.read().split()[1]) * os.sysconf("SC_PAGE_SIZE") / 1e6
