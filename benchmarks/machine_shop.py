"""The shop of the machine campaigns: two bays on serial lines, a room over MQTT, and the manual.

The world outside the machine goes on while the machine is off: gas leaks, the broker hears.
"""

from __future__ import annotations

import json
import re
import textwrap
import threading
import time
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Final

import tomli_w
from fault_audit import Ear
from fault_shop import CRITERIA, PREFIX, SITE, Filling, Place, places, room_pa, values
from machine_guest import OUTSIDE, GaugeLine
from machine_image import PROJECT

if TYPE_CHECKING:
    from machine_guest import Guest

DATABASE: Final = "/var/lib/holdwatch/holdwatch.db"
BAYS: Final = tuple(place for place in places(3) if place.name != "BM-02")
"""A bay that holds nitrogen and one that holds a vacuum."""
RECIPES: Final = {
    "nitrogen": CRITERIA["nitrogen"],
    "vacuum": CRITERIA["vacuum"]
    | {"criterion": {"leak_g_per_year": 1_000.0, "source": "shop rule"}},
}
LEAKS_PA_PER_S: Final = {"nitrogen": (0.0, 60.0), "vacuum": (0.0, 2.5)}
"""Time does not run faster here: undisturbed verdicts come after about 9 and 16 minutes."""
_MANUAL: Final = PROJECT / "docs" / "service.md"
_TOPICS: Final = "garage"
_PATIENCE_S: Final = 240.0
"""For an answer of the emulated machine."""


def steps(heading: str) -> list[str]:
    """Return the commands that the manual gives under a heading, block by block."""
    text = _MANUAL.read_text(encoding="utf-8")
    found = re.search(rf"^#+ {re.escape(heading)}$(.*?)(?=^#|\Z)", text, re.MULTILINE | re.DOTALL)
    if found is None:
        raise SystemExit(f"{_MANUAL.name} has no heading {heading!r}")
    blocks = re.findall(r"(?:^(?: {4,}.*)?\n)+", found[1], re.MULTILINE)
    texts = [textwrap.dedent(block).strip() for block in blocks]
    # Pieces of configuration begin with a bracket.
    return [text for text in texts if text and not text.startswith("[")]


def shop_toml(host: str, port: int, *, serial: bool) -> str:
    """Return the shop's configuration.

    Args:
        host: Where the broker is.
        port: The broker's.
        serial: Whether the bays' instruments are on serial lines; else their values come by MQTT.
    """
    room = {"topic": f"{_TOPICS}/room", "unit": "Paa", "channel": "pressure"}
    probes: list[dict[str, Any]] = [
        {"name": "room", "kind": "mqtt", "pressure_reference": "absolute", "topic": [room]}
    ]
    bays = []
    for number, place in enumerate(BAYS, 1):
        is_vacuum = place.recipe == "vacuum"
        probe: dict[str, Any] = {"name": place.name, "unit": "Pa" if is_vacuum else "kPag"}
        probe |= {"resolution": 0.1, "noise": 0.2, "range": [0, 2500 if is_vacuum else 3500]}
        probe["pressure_reference"] = "absolute" if is_vacuum else "vented"
        channels = (("p", "pressure", "Paa" if is_vacuum else "Pag"), ("t", "temperature", "K"))
        numbers = [{"channel": channel, "unit": unit} for _, channel, unit in channels]
        if serial:
            pattern = r"P=(?P<p>[-0-9.]+) T=(?P<t>[-0-9.]+)"
            line = {"port": f"/dev/ttyS{number}", "pattern": pattern, "request": "READ\r"}
            probe |= {"kind": "serial", "serial": line, "field": numbers}
        else:
            probe |= {"kind": "mqtt", "topic": numbers}
        for figure, (letter, _, _) in zip(numbers, channels, strict=True):
            topic = {"topic": f"{_TOPICS}/{place.name}", "path": letter}
            figure.update({"group": letter} if serial else topic)
        probes.append(probe)
        roles = {"pipe_temperature": f"{place.name}/temperature", "barometer": "room/pressure"}
        roles["vacuum" if is_vacuum else "low_side"] = f"{place.name}/pressure"
        under_test = {"name": place.name, "refrigerant": "R134a", "charge_g": 600}
        under_test |= {"volume_l": 2.5, "max_pressure_kpa_g": 1800}
        bays.append({"name": place.name, "roles": roles, "unit_under_test": under_test})
    table = {"site": {"name": SITE, "altitude_m": 250.0}, "mqtt": {"host": host, "port": port}}
    return tomli_w.dumps(table | {"probe": probes, "bay": bays, "recipes": RECIPES})


@dataclass(slots=True)
class World:
    """What goes on outside the machine.

    Args:
        port: The broker's.
        session: Of the listener that is told of every event.
    """

    port: int
    session: str
    ear: Ear = field(init=False)
    _began: float = field(default_factory=time.monotonic)
    _fillings: dict[str, Filling] = field(default_factory=dict)
    _lines: list[GaugeLine] = field(default_factory=list)
    _open: bool = True
    _asked: int = 0

    def __post_init__(self) -> None:
        topics = ("events", "status", "bay/+/events", "bay/+/reply", "bay/+/verdict")
        self.ear = Ear(self.port, self.session, *(f"{PREFIX}/{each}" for each in topics))
        threading.Thread(target=self._tell, daemon=True).start()

    @property
    def now_ns(self) -> int:
        """Time since the world began."""
        return round((time.monotonic() - self._began) * 1e9)

    def fill(self, number: int, leak_pa_per_s: dict[str, float]) -> None:
        """Fill and evacuate the bays for their next holds."""
        for place in BAYS:
            self._fillings[place.name] = (self.now_ns, number, leak_pa_per_s[place.recipe])

    def plug_in(self, guest: Guest) -> None:
        """Connect the instruments to a machine's serial lines."""
        for number, place in enumerate(BAYS, 1):

            def says(place: Place = place) -> str:
                return "P={:.1f} T={:.2f}".format(*self._shown(place))

            self._lines.append(GaugeLine(guest.line(number), says))

    def unplug(self) -> None:
        """Take the instruments off."""
        for line in self._lines:
            line.close()
        self._lines.clear()

    def close(self) -> None:
        """End the world."""
        self._open = False
        self.unplug()
        self.ear.close()

    def _shown(self, place: Place) -> tuple[float, float]:
        filling = self._fillings.get(place.name, (0, 0, 0.0))
        (_, _, pressure), (_, _, kelvin) = values(1, place, filling, self.now_ns)
        return pressure, kelvin

    def _tell(self) -> None:
        while self._open:
            self.ear.send(f"{_TOPICS}/room", f"{room_pa(1, self.now_ns)}")
            for place in BAYS:
                pressure, kelvin = self._shown(place)
                self.ear.send(f"{_TOPICS}/{place.name}", json.dumps({"p": pressure, "t": kelvin}))
            time.sleep(1.0)

    # -- the people ---------------------------------------------------------------------------

    def events(self) -> list[dict[str, Any]]:
        """Return every event told so far, once, in the order of telling."""
        told = (m.json for m in list(self.ear.heard) if m.topic == f"{PREFIX}/events")
        return list({event["id"]: event for event in told}.values())

    def wait_for(self, kind: str, count: int, *, within_s: float = _PATIENCE_S) -> None:
        """Wait until so many events of a kind were told."""
        until = time.monotonic() + within_s
        while sum(event["type"] == f"holdwatch.{kind}" for event in self.events()) < count:
            if time.monotonic() > until:
                raise RuntimeError(f"{kind} was not told within {within_s:.0f} s")
            time.sleep(0.1)

    def ask(self, bay: str, **command: Any) -> dict[str, Any]:
        """Send a command until it is answered; return the answer."""
        self._asked += 1
        body = json.dumps({"id": f"{self.session}-{self._asked}"} | command)
        until = time.monotonic() + _PATIENCE_S
        while time.monotonic() < until:
            self.ear.send(f"{PREFIX}/bay/{bay}/command", body)
            again = time.monotonic() + 5.0
            while time.monotonic() < again:
                for message in reversed(self.ear.heard):
                    ours = message.topic == f"{PREFIX}/bay/{bay}/reply"
                    if ours and message.json["id"] == f"{self.session}-{self._asked}":
                        answer: dict[str, Any] = message.json
                        return answer
                time.sleep(0.05)
        raise RuntimeError(f"no answer to {body}")

    def tell_only(self, bay: str, **command: Any) -> None:
        """Send a command and wait for no answer."""
        self._asked += 1
        body = json.dumps({"id": f"{self.session}-{self._asked}"} | command)
        self.ear.send(f"{PREFIX}/bay/{bay}/command", body)

    def end_holds(self, within_s: float) -> int:
        """Wait for the verdicts of running holds, then end what still runs; return how many."""
        until = time.monotonic() + within_s
        while (running := self.running()) and time.monotonic() < until:
            time.sleep(0.5)
        for bay in running:
            self.ask(bay, command="stop_hold")
        return len(running)

    def running(self) -> list[str]:
        """Return the bays at which a hold runs, as far as was told."""
        running: dict[str, str] = {}
        for event in self.events():
            if event["type"] == "holdwatch.hold.started":
                running[event["bay"]] = event["subject"]
            elif event["type"] in {"holdwatch.verdict", "holdwatch.hold.stopped"}:
                running.pop(event["bay"], None)
        return list(running)

    def begin_holds(self) -> list[str]:
        """Start a hold at every bay, as soon as its readings allow; return their names."""
        begun = []
        for place in BAYS:
            until = time.monotonic() + _PATIENCE_S
            while True:
                answer = self.ask(place.name, command="start_hold", recipe=place.recipe)
                if answer["ok"]:
                    break
                if time.monotonic() > until:
                    raise RuntimeError(f"no hold at {place.name}: {answer}")
                time.sleep(2.0)
            begun.append(str(answer["hold_id"]))
            self.ask(place.name, command="say_isolated")
        return begun


def install(guest: Guest, port: int) -> None:
    """Install holdwatch on the machine, word for word as the manual says."""
    toml = shop_toml(OUTSIDE, port, serial=True)
    guest.must(f"cat > shop.toml <<'END'\n{toml}END\n")
    for block in steps("Under systemd"):
        done = guest.run(f"set -ex\n{block}", within_s=3600.0)
        print(textwrap.indent(done.output, "    "), flush=True)
        # No network sets a clock in there, and the check says so.
        missing = re.findall(r"^MEND +(.*?):", done.output, re.MULTILINE)
        if done.status and missing != ["clock"]:
            raise SystemExit(f"the manual's commands ended with {done.status}: {missing}")
