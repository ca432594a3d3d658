"""docs/wire.md: its configuration loads, its commands are valid, its tables are whole."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from pydantic import TypeAdapter

from holdwatch_daemon.errors import ConfigError
from holdwatch_daemon.messages import Command, Evacuation
from holdwatch_daemon.settings.load import load_config
from holdwatch_procedures.evacuation.orders import Step

if TYPE_CHECKING:
    from holdwatch_daemon.settings.shop import RelayConfig

PAGE = (Path(__file__).parents[2] / "docs" / "wire.md").read_text(encoding="utf-8")
(BLOCK,) = re.findall(r"^```toml\n(.*?)^```$", PAGE, re.MULTILINE | re.DOTALL)


def load(block: str, folder: Path) -> RelayConfig:
    path = folder / "shop.toml"
    path.write_text(block, encoding="utf-8")
    (bay,) = load_config(path).bay
    assert bay.wire is not None
    return bay.wire.pump


def test_the_example_loads_and_its_words_are_understood(tmp_path: Path) -> None:
    pump = load(BLOCK, tmp_path)
    assert (pump.word(on=True), pump.word(on=False)) == ("ON", "OFF")
    assert [pump.meant(said) for said in ("running", "stopped\n", "ON")] == [True, False, None]
    assert load(BLOCK.replace("# target_micron", "target_micron"), tmp_path) == pump


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('off = "OFF"', 'off = "ON"', "must be two words"),
        ('low_side = "gauge-1/pressure"', "", "needs a gauge with the role `low_side`"),
        ('vacuum = "vacuum-1/pressure"', "", "needs a gauge with the role `vacuum`"),
        ("range = [0, 20000]\n", "", "`bay.bay-1.roles.vacuum`: the range of vacuum-1/pressure is"),
        ("range = [0, 3500]\n", "", "give probe `gauge-1` its `range` and `unit` from the plate"),
        ('state = "garage/bay-1/pump"', 'state = "garage/bay-1/valve"', "each needs its own topic"),
        ('state = "garage/bay-1/pump"', 'state = "garage/bay-1/#"', "without # and +"),
        ('state = "garage/bay-1/pump"', "", "`bay[1].wire.pump.state` is missing"),
        ("open_below_kpa_g = 10 ", "open_below_kpa_g = 50 ", "less than or equal to 20"),
        ("pump_downs = 3", "pump_down = 3", "unknown key `bay[1].wire.pump_down`; known here"),
    ],
)
def test_a_mistake_is_one_clear_sentence(old: str, new: str, words: str, tmp_path: Path) -> None:
    assert old in BLOCK
    with pytest.raises(ConfigError, match=re.escape(words)):
        load(BLOCK.replace(old, new), tmp_path)


def test_the_commands_are_valid() -> None:
    (block,) = re.findall(r"^```json\n(.*?)^```$", PAGE, re.MULTILINE | re.DOTALL)
    for each in json.loads(block):
        TypeAdapter(Command).validate_python(each)


def test_every_step_and_every_field_stands_on_the_page() -> None:
    told = set(re.findall(r"^\| ([a-z ]+) \|", PAGE, re.MULTILINE)) - {"step"}
    hidden = {Step.IDLE, Step.STARTING_HOLD, Step.SHUTTING, Step.SHUTTING_PUMP}
    assert told == {str(step) for step in Step if step not in hidden}
    for name in Evacuation.model_fields:
        assert f"`{name}`" in PAGE
