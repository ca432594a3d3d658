"""Loads ``shop.toml``: one clear sentence for every problem, and what belongs together."""

from __future__ import annotations

import tomllib
from collections import Counter
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar, get_args

from pydantic import ValidationError

from holdwatch_adapters.registry import KINDS
from holdwatch_adapters.settings import Table
from holdwatch_daemon.errors import ConfigError
from holdwatch_daemon.settings.recipes import check_recipe_table, shipped_recipes
from holdwatch_daemon.settings.shop import BayConfig, ShopConfig
from holdwatch_physics.reading import Channel, Role, role_of
from holdwatch_procedures.holds import RecipeError

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from pydantic_core import ErrorDetails


T = TypeVar("T", bound=Table)

_MEANING = {
    "probe.name": "the probe's name, letters, digits, - and _",
    "bay.name": "the bay's name, letters, digits, - and _",
    "mqtt.host": "the broker's name or address",
    "unit_under_test.name": "the vehicle or plant, for example BM-01",
}
_PLAIN = {
    "string_pattern_mismatch": {
        "name": "write letters, digits, - and _ only, at most 40, a letter or digit first",
        "address": "write six pairs of hexadecimal digits, for example 02:00:00:00:00:01",
        "mac": "write six pairs of hexadecimal digits, for example 02:00:00:00:00:01",
        "prefix": "write a topic without #, + and spaces, not ending in /",
        "key": "write the 32 hexadecimal digits of the probe's key",
        "channel": "write pressure, temperature, or a further one such as pressure.2",
        "topic": "write one topic, without # and +",
        "command": "write one topic, without # and +",
        "state": "write one topic, without # and +",
        "adapter": "write the adapter's name, for example hci0",
    }
}


def load_config(path: Path) -> ShopConfig:
    """Return the checked configuration of a file.

    Paths in it count from the file's own folder.

    Raises:
        ConfigError: The file cannot be read, or its content is wrong; one sentence a problem.
    """
    try:
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError:
        raise ConfigError([f"{path}: there is no such file; name one with --config"]) from None
    except (OSError, UnicodeDecodeError) as error:
        raise ConfigError([f"{path}: cannot be read: {error}"]) from error
    try:
        mapping = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise ConfigError([f"{path}: this is not TOML: {error}"]) from error
    return parse_config(mapping, where=str(path), base=path.parent)


def parse_config(
    mapping: Mapping[str, Any], *, where: str = "configuration", base: Path | None = None
) -> ShopConfig:
    """Return the checked configuration of a table.

    Args:
        mapping: The table as ``tomllib`` gives it.
        where: What messages name as the place, for example the file.
        base: The folder that relative paths count from; the current one where None.

    Raises:
        ConfigError: Something is wrong; ``problems`` holds one sentence for each.
    """
    base = Path() if base is None else base
    table = dict(mapping)
    problems: list[str] = []
    own = table.get("recipes", {})
    if isinstance(own, dict):
        tables = _recipe_tables(own, base, problems)
        shipped = shipped_recipes()
        # The shop's own come first, also in the list that a person chooses from.
        table["recipes"] = tables | {name: shipped[name] for name in shipped if name not in tables}
    try:
        config = ShopConfig.model_validate(table)
    except ValidationError as error:
        problems = [_in_words(detail) for detail in error.errors(include_url=False)] + problems
        raise ConfigError([f"{where}: {problem}" for problem in problems]) from error
    problems += _cross_checks(config)
    if problems:
        raise ConfigError([f"{where}: {problem}" for problem in problems])
    return _with_paths_from(config, base)


def _recipe_tables(
    recipes: Mapping[str, Any], base: Path, problems: list[str]
) -> dict[str, dict[str, Any]]:
    """Read recipes that stand in files of their own."""
    tables: dict[str, dict[str, Any]] = {}
    for name, value in recipes.items():
        if isinstance(value, str) or (isinstance(value, dict) and set(value) == {"file"}):
            path = base / (value if isinstance(value, str) else str(value["file"]))
            try:
                tables[name] = tomllib.loads(path.read_text(encoding="utf-8"))
            except (OSError, UnicodeDecodeError) as error:
                problems.append(f"`recipes.{name}`: {path} cannot be read: {error}")
            except tomllib.TOMLDecodeError as error:
                problems.append(f"`recipes.{name}`: {path} is not TOML: {error}")
        elif isinstance(value, dict):
            tables[name] = value
        else:
            problems.append(f"`recipes.{name}`: give a recipe's table, or the path of its file")
    return tables


def _cross_checks(config: ShopConfig) -> Iterator[str]:
    yield from _doubles("probe", [probe.name for probe in config.probe])
    yield from _doubles("bay", [bay.name for bay in config.bay])
    for name, kind in KINDS.items():
        yield from kind.check([probe for probe in config.probe if probe.kind == name])
    yield from _connections_together(config)
    yield from _relay_problems(config)
    for bay in config.bay:
        for role, channel in bay.roles.items():
            yield from _role_problems(config, bay, role, channel)
    for name, table in config.recipes.items():
        try:
            check_recipe_table(table, where=f"`recipes.{name}`")
        except RecipeError as error:
            yield str(error)


def _connections_together(config: ShopConfig) -> Iterator[str]:
    """Probes that share a line must agree on it, and topics need a broker."""
    lines: dict[str, tuple[str, object]] = {}
    for probe in config.probe:
        if probe.needs_shop_broker and config.mqtt is None:
            yield f"`probe.{probe.name}`: its topics need [probe.broker] or [mqtt] with the broker"
        if probe.line is None:
            continue
        port, settings = probe.line
        first, agreed = lines.setdefault(port, (probe.name, settings))
        if agreed != settings:
            yield f"`probe.{probe.name}`: {port} is used otherwise by probe {first!r}"


def _relay_problems(config: ShopConfig) -> Iterator[str]:
    """Yield what is wrong between the bays' wires, one sentence each."""
    used: dict[str, str] = {}
    for bay in config.bay:
        if bay.wire is None:
            continue
        roles = {role_of(role) for role in bay.roles}
        for needed in (Role.VACUUM, Role.LOW_SIDE):
            if needed not in roles:
                yield (
                    f"`bay.{bay.name}.wire`: needs a gauge with the role `{needed}`; a valve is "
                    "opened to a pump only on what gauges show"
                )
        yield from _without_range(config, bay)
        for name, relay in (("valve", bay.wire.valve), ("pump", bay.wire.pump)):
            for key, topic in (("command", relay.command), ("state", relay.state)):
                place = f"`bay.{bay.name}.wire.{name}.{key}`"
                if topic in used:
                    yield f"{place}: {topic} is {used[topic]} already; each needs its own topic"
                used.setdefault(topic, place)


def _without_range(config: ShopConfig, bay: BayConfig) -> Iterator[str]:
    """Without its range a gauge at the end of it looks like one that shows a pressure."""
    for role, channel in bay.roles.items():
        meant = role_of(role)
        if meant is None or not meant.is_pressure or meant is Role.BAROMETER:
            continue
        device, quantity = Channel.parse(channel)
        probe = config.probe_named(device)
        if probe is not None and "range" not in probe.figures(quantity):
            yield (
                f"`bay.{bay.name}.roles.{role}`: the range of {channel} is not known, and a valve "
                "by wire is opened on what it shows; give probe "
                f"`{device}` its `range` and `unit` from the plate, for example "
                'range = [0, 3500] and unit = "kPag"'
            )


def _doubles(kind: str, names: list[str]) -> Iterator[str]:
    for name, count in Counter(names).items():
        if count > 1:
            yield f"`{kind}.name`: {name!r} stands {count} times; each {kind} needs its own name"


def _role_problems(config: ShopConfig, bay: BayConfig, role: str, channel: str) -> Iterator[str]:
    place = f"`bay.{bay.name}.roles.{role}`"
    probe_name, quantity = Channel.parse(channel)
    if not quantity:
        yield (
            f"{place}: {channel!r} is not a channel; "
            "write probe/quantity, for example gauge/pressure"
        )
        return
    probe = config.probe_named(probe_name)
    if probe is None:
        known = ", ".join(sorted(each.name for each in config.probe)) or "none"
        yield f"{place}: no probe is named {probe_name!r}; configured probes: {known}"
        return
    meant = role_of(role)
    if meant is None or probe.channels == "any":
        return
    declared = sorted(one.channel for one in probe.declared)
    if probe.channels == "declared" and quantity not in declared:
        yield f"{place}: probe {probe_name!r} declares no {quantity!r}, but {', '.join(declared)}"
        return
    wanted = "pressure" if meant.is_pressure else "temperature"
    if Channel.parse(channel).kind != wanted:
        yield f"{place}: this role needs {probe_name}/{wanted}, not {channel!r}"
    elif meant in {"vacuum", "barometer"} and probe.pressure_reference != "absolute":
        yield (
            f"{place}: this role needs an absolute gauge; probe {probe_name!r} has "
            f"pressure_reference = {probe.pressure_reference!r}"
        )


def _in_words(detail: ErrorDetails) -> str:
    """One complaint of the models as a sentence that names the key and what is allowed."""
    loc = [part for part in detail["loc"] if part != "function-before"]
    model = _table_at(loc[:-1])
    if loc[0] == "probe" and len(loc) > 2:
        del loc[2]  # the kind, by which the models tell probes apart
    if detail["type"] == "union_tag_invalid":
        kinds = list(map(repr, KINDS))
        wanted = f"{', '.join(kinds[:-1])} or {kinds[-1]}"
        given = detail["input"]["kind"]
        shown = f" (got {given!r})" if isinstance(given, str | int | float) else ""
        return f"`probe[{int(loc[1]) + 1}].kind`: input should be {wanted}{shown}"
    key = "".join(f"[{part + 1}]" if isinstance(part, int) else f".{part}" for part in loc)[1:]
    names = [str(part) for part in loc if not isinstance(part, int)]
    kind = detail["type"]
    if kind == "extra_forbidden":
        return f"unknown key `{key}`; known here: {', '.join(sorted(model.model_fields))}"
    if kind == "missing":
        meaning = _MEANING.get(".".join(names[-2:]), "")
        return f"`{key}` is missing{': ' + meaning if meaning else ''}"
    message = detail["msg"].removeprefix("Value error, ")
    message = _PLAIN.get(kind, {}).get(names[-1] if names else "", message)
    given = detail["input"]
    shown = f" (got {given!r})" if isinstance(given, str | int | float) else ""
    return f"`{key}`: {message[:1].lower()}{message[1:]}{shown}"


def _table_at(loc: Sequence[str | int]) -> type[Table]:
    """Return the table in which the models found something wrong."""
    model: type[Table] = ShopConfig
    for before, part in zip(("", *loc), loc, strict=False):
        field = model.model_fields.get(str(part))
        if field is not None:
            model = next(_tables_in(field.annotation), model)
        elif isinstance(before, int) and part in KINDS:
            model = KINDS[str(part)].settings
    return model


def _tables_in(annotation: object) -> Iterator[type[Table]]:
    if isinstance(annotation, type) and issubclass(annotation, Table):
        yield annotation
    for inner in get_args(annotation):
        yield from _tables_in(inner)


def _with_paths_from(table: T, base: Path) -> T:
    """Return a table with the relative paths in it, however deep, counted from ``base``."""

    def placed(value: object) -> object:
        if isinstance(value, Path):
            return base / value
        if isinstance(value, Table):
            return _with_paths_from(value, base)
        if isinstance(value, tuple) and any(isinstance(each, Table) for each in value):
            return tuple(map(placed, value))
        return value

    return table.model_copy(update={key: placed(value) for key, value in table})
