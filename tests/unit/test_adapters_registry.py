"""A kind of probe is registered once: its settings, its errors and its adapter follow from that."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Literal

import pytest

from holdwatch_adapters.ports import Kind, Surroundings
from holdwatch_adapters.registry import KINDS
from holdwatch_adapters.settings import DeclaredValue, ProbeSettings
from holdwatch_cli.adapters import adapters_for
from holdwatch_daemon.clock import SystemClock
from holdwatch_daemon.errors import ConfigError
from holdwatch_daemon.settings.load import parse_config
from holdwatch_daemon.settings.shop import ShopConfig
from holdwatch_physics.reading import ProbeNotice, Quantity, Reading

if TYPE_CHECKING:
    from collections.abc import AsyncGenerator, Iterator, Sequence

    from holdwatch_adapters.ports import Adapter, Clock


class DialSettings(ProbeSettings):
    """A toy: a dial that always shows one figure."""

    kind: Literal["dial"] = "dial"
    shows: tuple[DeclaredValue, ...] = ()

    @property
    def declared(self) -> tuple[DeclaredValue, ...]:
        return self.shows

    def check_kind(self) -> None:
        if not self.shows:
            raise ValueError("a dial probe needs at least one [[probe.shows]]")


class DialAdapter:
    name = "dials"

    def __init__(self, probes: Sequence[DialSettings], clock: Clock) -> None:
        self.probes, self.clock = probes, clock

    async def stream(self) -> AsyncGenerator[Reading | ProbeNotice, None]:
        for probe in self.probes:
            for one in probe.shows:
                utc_ns, mono_ns = self.clock.utc_ns(), self.clock.mono_ns()
                channel = f"{probe.name}/{one.channel}"
                yield Reading(channel, one.quantity, utc_ns, mono_ns, one.to_si(0))


def open_dials(probes: Sequence[DialSettings], surroundings: Surroundings) -> list[Adapter]:
    return [DialAdapter(probes, surroundings.clock)]


@pytest.fixture(autouse=True)
def _registered(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    monkeypatch.setitem(KINDS, "dial", Kind(DialSettings, open_dials))
    ShopConfig.model_rebuild(force=True)
    yield
    monkeypatch.undo()
    ShopConfig.model_rebuild(force=True)


def shop(**changes: Any) -> dict[str, Any]:
    shows = [{"channel": "pressure", "unit": "kPag", "add": 250.0}]
    return {
        "probe": [
            {"name": "dial-1", "kind": "dial", "shows": shows} | changes,
            {"name": "clamp-1", "address": "02:00:00:00:00:07"},
        ],
        "bay": [{"name": "bay-1", "roles": {"low_side": "dial-1/pressure"}}],
    }


async def test_a_new_kind_is_configured_and_read_by_its_one_line() -> None:
    config = parse_config(shop())
    dial = config.probe_named("dial-1")
    assert isinstance(dial, DialSettings)
    (dials, _) = sorted(adapters_for(config, SystemClock()), key=lambda one: one.name, reverse=True)
    assert dials.name == "dials"
    (reading,) = [item async for item in dials.stream()]
    assert isinstance(reading, Reading)
    assert (reading.channel, reading.quantity) == ("dial-1/pressure", Quantity.PRESSURE_GAUGE)
    assert reading.value == 250_000.0


@pytest.mark.parametrize(
    ("changes", "problem"),
    [
        ({"shows": []}, "`probe[1]`: a dial probe needs at least one [[probe.shows]]"),
        ({"address": "02:00:00:00:00:09"}, '`probe[1]`: `address` goes with kind = "bluetooth"'),
        ({"kind": "bluetooth"}, '`probe[1]`: `shows` goes with kind = "dial"'),
        ({"kind": "dail"}, "'trace' or 'dial' (got 'dail')"),
        ({"kind": 5}, "'trace' or 'dial' (got 5)"),
        ({"colour": "red"}, "unknown key `probe[1].colour`; known here: calibration, drift"),
        (
            {"shows": [{"channel": "pressure", "unit": "kPag", "ad": 1}]},
            "unknown key `probe[1].shows[1].ad`; known here: add, channel, factor, unit",
        ),
        ({"shows": [{"unit": "kPag"}]}, "`probe[1].shows[1].channel` is missing"),
        ({"stale_s": 0.1}, "`probe[1]`: `stale_s` must not be shorter than `interval_s`"),
    ],
)
def test_what_is_wrong_with_it_is_said_in_the_words_of_every_kind(
    changes: dict[str, Any], problem: str
) -> None:
    with pytest.raises(ConfigError) as caught:
        parse_config(shop(**changes))
    assert problem in str(caught.value)


@pytest.mark.parametrize("probe", ["", 7, True, ["dial"]])
def test_what_is_no_table_is_refused_in_one_sentence(probe: Any) -> None:
    with pytest.raises(ConfigError, match=r"`probe\[1\]`: input should be a table"):
        parse_config({"probe": [probe]})


def test_an_empty_key_of_another_kind_says_nothing() -> None:
    (probe, _) = parse_config(shop(topic=[])).probe
    assert isinstance(probe, DialSettings)


def test_every_key_belongs_to_one_kind() -> None:
    own = [
        set(kind.settings.model_fields) - set(ProbeSettings.model_fields) for kind in KINDS.values()
    ]
    assert sum(map(len, own)) == len(set().union(*own)), "two kinds share a key: whose is it?"
