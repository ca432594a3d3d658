"""Sentences: rendered once from a key with SI values, for any units, from one catalogue."""

from __future__ import annotations

import ast
import json
import math
import re
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from holdwatch_physics.units import UnitError
from holdwatch_procedures.evacuation.orders import Relay
from holdwatch_procedures.holds.decay.engine import Doubt
from holdwatch_procedures.holds.estimates import Cause
from holdwatch_procedures.holds.recipe import CRITERION_KEYS, MICRON_PA
from holdwatch_procedures.wording import Say, Units, as_written, in_units, render, said
from holdwatch_procedures.wording.english import TEMPLATES
from holdwatch_procedures.wording.render import slots

HOUSE = next(up for up in Path(__file__).parents if (up / "pyproject.toml").is_file())
ROOMS = ("procedures", "daemon", "api", "cli")
PA = Units(vacuum="Pa")
PSI = Units(pressure="psig", vacuum="Torr", temperature="degF")
MADE_UP = {
    *(f"cause.{cause}" for cause in Cause),
    *(f"criterion.{key}" for key in CRITERION_KEYS),
    *(f"decay.doubt.{doubt}" for doubt in Doubt),
    *(f"relay.{relay}_{end}" for relay in Relay for end in ("says_on", "not_off")),
    *(f"evacuation.time_{number}" for number in range(2, 11)),
}
"""Keys that the code puts together from a word."""
MEASURED = {"micron", "Pa", "kPa", "degC", "K"}
OTHER = {"grams", "duration", "minutes", "percent", "number", "text", "role", "say", "list"}


def risen(rise: float, low: float, high: float) -> Say:
    """The rise of a vacuum with its bounds, given in micron."""
    return Say(
        "reason.risen",
        rise_pa=rise * MICRON_PA,
        low_pa=low * MICRON_PA,
        high_pa=high * MICRON_PA,
        after_s=900.0,
        criterion=Say("criterion.max_change_micron", limit_pa=500 * MICRON_PA, within_s=900.0),
    )


def test_a_figure_and_its_bounds_are_in_one_unit() -> None:
    say = risen(525, 511, 537)
    assert render(say) == (
        "The pressure had risen by 525 micron (between 511 and 537) 15 min after isolation; "
        "the criterion is 500 micron within 15 min."
    )
    assert render(say, PA) == (
        "The pressure had risen by 70.0 Pa (between 68.1 and 71.6) 15 min after isolation; "
        "the criterion is 66.7 Pa within 15 min."
    )


def test_no_figure_that_people_read_has_a_power_of_ten() -> None:
    say = risen(1130, 1110, 1150)
    assert "risen by 1130 micron (between 1110 and 1150)" in render(say, Units())
    assert "risen by 151 Pa (between 148 and 153)" in render(say, PA)
    large = risen(123_456, 120_000, 130_000)
    assert "by 123\u202f456 micron (between 120\u202f000 and 130\u202f000)" in render(
        large, Units()
    )


@given(
    st.floats(min_value=1e-3, max_value=1e9),
    st.sampled_from(["kPag", "barg", "psig", "inHgg", "mbarg"]),
    st.sampled_from(["micron", "Pa", "Torr", "mbara", "kPaa"]),
)
def test_a_figure_reads_back_as_itself_in_every_unit(pa: float, pressure: str, vacuum: str) -> None:
    units = Units(pressure=pressure, vacuum=vacuum)
    for key, name in (("hold.over_pressure", "most_pa"), ("pumpdown.target_reached", "target_pa")):
        text = render(Say(key, **{name: pa}), units)
        found = re.search(r"(\d[\d\u202f]*(?:\.\d+)?) (\w+)", text)
        assert found is not None, text
        assert not re.search(r"\de[+-]", text)
        unit = units.pressure if name == "most_pa" else units.vacuum
        assert unit.startswith(found[2])
        factor = {"kPa": 1e3, "bar": 1e5, "psi": 6894.757, "inHg": 3386.3886, "mbar": 100.0}
        factor |= {"micron": MICRON_PA, "Pa": 1.0, "Torr": 133.3224}
        read = float(found[1].replace("\u202f", "")) * factor[found[2]]
        assert math.isclose(read, pa, rel_tol=0.05, abs_tol=0.5 * factor[found[2]] * 1e-4), text


def test_a_pressure_under_test_gas_and_a_temperature_follow_as_well() -> None:
    over = Say("hold.over_pressure_alarm", role="high_side", pressure_pa=1.512e6, most_pa=1.2e6)
    assert render(over).startswith("Over-pressure on high side: 1512 kPa (gauge)")
    assert render(over, PSI).startswith("Over-pressure on high side: 219.3 psi (gauge)")
    assert "pressure is 174 psi." in render(over, PSI)
    clamp = Say("decay.clamp_fell", moved_k=-3.1)
    assert "moved by -3.1 K within" in render(clamp)
    assert "moved by -5.6 °F within" in render(clamp, PSI)
    water = Say("pumpdown.without_thermometer", cold_water_pa=600.0, warm_water_pa=3200.0,
                cold_k=273.15, warm_k=298.15)  # fmt: skip
    assert "between 600 and 3200 Pa at 0 to 25 °C" in render(water)
    assert "at 32 to 77 °F" in render(water, PSI)


def test_masses_of_one_sentence_have_one_unit() -> None:
    leaks = Say("verdict.leaks", leak_g_per_year=19_000.0, low_g_per_year=8_200.0,
                high_g_per_year=29_000.0, refrigerant="R-134a",
                criterion=Say("criterion.leak_g_per_year", limit_g_per_year=500.0))  # fmt: skip
    assert "about 19 kg of R-134a a year (between 8.2 kg and 29 kg)" in render(leaks, Units())


def test_what_is_not_known_is_not_a_number() -> None:
    assert render(Say("leak.rate", leak_g_per_year=math.inf, refrigerant="R-134a"), Units()) == (
        "an unknown amount of R-134a a year"
    )


def test_a_sentence_goes_through_json_unchanged() -> None:
    say = Say("hold.restarted", why=Say("vacuum.jumped", jump_pa=41.0))
    named = Say("verdict.inconclusive", causes=(Say("cause.moisture"), Say("cause.gap")))
    for one in (say, named, as_written("Fitted by J. {odd}")):
        again = Say.from_dict(json.loads(json.dumps(one.to_dict(), allow_nan=False)))
        assert again == one
        assert render(again) == render(one)
    assert render(say) == (
        "The pressure jumped by about +41 Pa within 20 s: a valve, a hose or the gauge was "
        "touched. The judging starts anew from here."
    )


def test_a_message_is_written_anew_in_the_units_asked_for() -> None:
    say = risen(525, 511, 537)
    message = {
        "sentence": render(say),
        "said": said(sentence=say, reasons=(say, as_written("by hand"))),
        "reasons": [render(say), "by hand"],
        "hold": {"text": "old", "said": {"text": {"key": "no.such.key", "values": {}}}},
        "alarms": [{"text": render(say), "said": said(text=say)}],
        "value": 3,
    }
    made = in_units(message, PA)
    assert made["sentence"] == render(say, PA)
    assert made["reasons"] == [render(say, PA), "by hand"]
    assert made["alarms"][0]["text"] == render(say, PA)
    assert made["hold"]["text"] == "old", "what an other version said stays as it was written"
    assert (made["value"], made["said"]) == (3, message["said"])
    assert message["sentence"] == render(say), "the message itself is left alone"


@pytest.mark.parametrize("text", ["", "kPag", "kPag,micron", "degC,micron,degC", "kPag,micron,bar"])
def test_units_that_are_none_are_refused(text: str) -> None:
    with pytest.raises(UnitError):
        Units.parse(text)


def test_every_template_can_be_read() -> None:
    for key, template in TEMPLATES.items():
        for _, slot in slots(template):
            if slot is None:
                continue
            assert slot.kind in MEASURED | OTHER, (key, slot)
            if slot.kind in MEASURED:
                assert format(12.5, slot.spec), (key, slot)
            if slot.kind == "list":
                assert slot.spec in {"and", "comma", "space"}, (key, slot)


def spoken() -> list[tuple[str, str, frozenset[str] | None]]:
    """Where, key and names of the values of every sentence that the code makes."""
    found = []
    for room in ROOMS:
        for path in (HOUSE / room).rglob("*.py"):
            for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
                if not (isinstance(node, ast.Call) and isinstance(node.func, ast.Name)):
                    continue
                if node.func.id != "Say" or not node.args:
                    continue
                if isinstance(node.args[0], ast.JoinedStr):
                    continue  # see MADE_UP
                names = frozenset(word.arg for word in node.keywords if word.arg)
                told = None if any(word.arg is None for word in node.keywords) else names
                words = [at.value for at in ast.walk(node.args[0]) if isinstance(at, ast.Constant)]
                where = f"{path.name}:{node.lineno}"
                found += [(where, word, told) for word in words if isinstance(word, str)]
    return found


def test_every_sentence_has_a_template_with_exactly_its_values_and_none_is_left_over() -> None:
    assert TEMPLATES.keys() >= MADE_UP
    used = set(MADE_UP)
    for where, key, names in spoken():
        if key not in TEMPLATES:
            assert "." not in key, f"{where}: no template {key}"
            continue
        used.add(key)
        wanted = {slot.name for _, slot in slots(TEMPLATES[key]) if slot is not None}
        assert names is None or names == wanted, f"{where}: {key} wants {sorted(wanted)}"
    assert len(used) > len(MADE_UP) + 90, "the search finds the sentences"
    assert TEMPLATES.keys() - used - {"as_written"} == set()
