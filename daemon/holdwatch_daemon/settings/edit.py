"""Changes ``shop.toml`` by program: the owner's comments, order and spacing stay as they are.

Only the block that changes is read and written again (by tomlkit); all other text is kept byte
for byte. What comes out is read back and compared with what was meant before it replaces the
file, so that a file of an unusual shape is refused and never spoilt.
"""

from __future__ import annotations

import copy
import os
import re
import shutil
import tempfile
import tomllib
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import tomlkit
from tomlkit.exceptions import TOMLKitError
from tomlkit.items import AoT, Table

from holdwatch_daemon.errors import ConfigError
from holdwatch_daemon.settings.load import parse_config

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from holdwatch_daemon.settings.shop import ShopConfig

_HEADER: Final = re.compile(r"""\s*\[\[?\s*(?P<first>[A-Za-z0-9_-]+|"[^"]*"|'[^']*')\s*[\].]""")
_NEW: Final = "# Written by `holdwatch enrol`; yours to change. All keys: docs/shop.example.toml\n"
_KINDS: Final = ("probe", "bay")


@dataclass(slots=True)
class _Block:
    """A piece of the file: one ``[[probe]]`` or ``[[bay]]`` with its sub-tables, or other text.

    Attributes:
        kind: ``probe``, ``bay``, or None for text that is never touched.
        text: The piece itself, up to its last line of content.
        rest: Blank lines and comments after it, which belong to what follows.
    """

    kind: str | None
    text: str
    rest: str = ""


class ShopFile:
    """A shop's configuration file that is being changed.

    ::

        shop = ShopFile(Path("shop.toml"))
        shop.put_probe({"name": "gauge-3", "address": "02:00:00:00:00:09"})
        shop.bind("bay-1", "low_side", "gauge-3/pressure")
        backup = shop.save()

    Nothing is written before ``save``. Later calls may rest on earlier ones.

    Args:
        path: The file; where there is none, ``save`` makes one.

    Raises:
        ConfigError: The file cannot be read or is not TOML.
    """

    def __init__(self, path: Path) -> None:
        self.path = path.resolve()  # a link stays a link: what it leads to is replaced
        self._before = _read(self.path)
        self._text = _NEW if self._before is None else self._before
        try:
            self._wanted: dict[str, Any] = tomllib.loads(self._text)
        except tomllib.TOMLDecodeError as error:
            raise ConfigError([f"{path}: this is not TOML: {error}"]) from error

    @property
    def is_new(self) -> bool:
        """Whether there is no file yet."""
        return self._before is None

    @property
    def text(self) -> str:
        """The file as it would be written."""
        return self._text

    def probe(self, name: str) -> dict[str, Any] | None:
        """Return a copy of a probe's table, or None."""
        return copy.deepcopy(_named(self._wanted, "probe", name))

    def config(self) -> ShopConfig:
        """Return the checked configuration as it would be.

        Raises:
            ConfigError: It would not be one.
        """
        return parse_config(self._wanted, where=str(self.path), base=self.path.parent)

    def put_probe(self, figures: Mapping[str, Any]) -> bool:
        """Add a probe, or change the given keys of the one of that name.

        Args:
            figures: The keys of ``[[probe]]``; ``name`` must be one of them. A table
                (``calibration``) is merged with the one that stands there.

        Returns:
            Whether it is new.
        """
        plain = {
            key: list(value) if isinstance(value, tuple) else value
            for key, value in figures.items()
        }
        return self._put("probe", str(figures["name"]), plain)

    def bind(self, bay: str, role: str, channel: str) -> str | None:
        """Let a channel play a role in a bay, which is added where it is not there.

        A role has one channel in a bay and a channel one role: what either was before ends.

        Returns:
            The channel that played the role before, or None.
        """
        known = _named(self._wanted, "bay", bay)
        roles: dict[str, str] = {} if known is None else dict(known.get("roles", {}))
        for other, bound in roles.items():
            if bound == channel and other != role:
                self._unbind(bay, other)
        self._put("bay", bay, {"name": bay, "roles": {role: channel}})
        before = roles.get(role)
        return None if before == channel else before

    def save(self) -> Path | None:
        """Check everything, keep the old file as ``….bak``, and put the new one in its place.

        The new file is complete on the disk before it takes the old one's name: whenever the
        machine stops, one of the two is there.

        Returns:
            Where the old file is kept; None where there was none.

        Raises:
            ConfigError: The configuration would be wrong, the file was changed meanwhile, or it
                cannot be written. The old file stands as it was.
        """
        self.config()
        if _read(self.path) != self._before:
            raise ConfigError([f"{self.path}: it was changed meanwhile; run the command again"])
        backup: Path | None = None
        try:
            if self._before is not None:
                backup = self.path.with_name(self.path.name + ".bak")
                shutil.copy2(self.path, backup)
            _replace(self.path, self._text)
        except OSError as error:
            raise ConfigError([f"{self.path}: cannot be written: {error.strerror}"]) from error
        self._before = self._text
        return backup

    def _unbind(self, bay: str, role: str) -> None:
        self._edit("bay", bay, lambda table: _drop(table, role))
        known = _named(self._wanted, "bay", bay)
        if known is not None:
            del known["roles"][role]
        self._check()

    def _put(self, kind: str, name: str, figures: dict[str, Any]) -> bool:
        known = _named(self._wanted, kind, name)
        if known is None:
            self._append(kind, figures)
            self._wanted.setdefault(kind, []).append(copy.deepcopy(figures))
        else:
            self._edit(kind, name, lambda table: _merge(table, figures))
            _merge(known, copy.deepcopy(figures))
        self._check()
        return known is None

    def _append(self, kind: str, figures: Mapping[str, Any]) -> None:
        """Put a new block after the last of its kind, else at the end."""
        blocks = list(_blocks(self._text))
        document = tomlkit.document()
        array = tomlkit.aot()
        array.append(_table(figures))
        document.append(kind, array)
        made = tomlkit.dumps(document)
        places = [n for n, block in enumerate(blocks) if block.kind == kind]
        if places:
            last = blocks[places[-1]]
            last.text = f"{_ended(last.text)}\n{_ended(made)}"
            self._text = "".join(block.text + block.rest for block in blocks)
            return
        self._text = f"{_ended(self._text)}\n{made}"

    def _edit(self, kind: str, name: str, change: Any) -> None:
        blocks = list(_blocks(self._text))
        for block in blocks:
            if block.kind != kind:
                continue
            try:
                document = tomlkit.parse(block.text)
            except TOMLKitError:
                continue
            tables = document[kind]
            table = tables[0] if isinstance(tables, AoT) else tables
            if table.get("name") == name:
                change(table)
                block.text = _ended(tomlkit.dumps(document))
                break
        self._text = "".join(block.text + block.rest for block in blocks)

    def _check(self) -> None:
        """Refuse a text that does not say what was meant."""
        said: object = None
        with suppress(tomllib.TOMLDecodeError):
            said = tomllib.loads(self._text)
        if said != self._wanted:
            problem = (
                f"{self.path}: its shape is one that cannot be changed by program; write each "
                "probe as [[probe]] and each bay as [[bay]], or make this change by hand"
            )
            raise ConfigError([problem])


def _read(path: Path) -> str | None:
    try:
        return path.read_bytes().decode("utf-8")
    except FileNotFoundError:
        return None
    except (OSError, UnicodeDecodeError) as error:
        raise ConfigError([f"{path}: cannot be read: {error}"]) from error


def _replace(path: Path, text: str) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    handle, name = tempfile.mkstemp(prefix=f".{path.name}.", dir=path.parent)
    try:
        with os.fdopen(handle, "wb") as file:  # made for its owner alone: it may hold keys
            file.write(text.encode())
            file.flush()
            os.fsync(file.fileno())
        if path.exists():
            shutil.copymode(path, name)
        Path(name).replace(path)
    except BaseException:
        Path(name).unlink(missing_ok=True)
        raise


def _named(shop: Mapping[str, Any], kind: str, name: str) -> dict[str, Any] | None:
    tables: list[dict[str, Any]] = shop.get(kind, [])
    return next((table for table in tables if table.get("name") == name), None)


def _merge(table: Any, figures: Mapping[str, Any]) -> None:
    """Put keys into a table; a table within is merged, everything else replaced."""
    for key, value in figures.items():
        if isinstance(value, dict) and isinstance(table.get(key), dict):
            _merge(table[key], value)
        elif isinstance(value, dict) and not isinstance(table, Table):
            table[key] = value
        else:
            table[key] = _item(value) if isinstance(table, Table) else value


def _drop(table: Any, role: str) -> None:
    del table["roles"][role]


def _table(figures: Mapping[str, Any]) -> Table:
    table = tomlkit.table()
    # A table within must come after every plain key.
    for key, value in sorted(figures.items(), key=lambda pair: isinstance(pair[1], dict)):
        table.append(key, _item(value))
    return table


def _item(value: Any) -> Any:
    if isinstance(value, dict):
        is_outer = value and all(isinstance(each, dict) for each in value.values())
        table = tomlkit.table(is_super_table=bool(is_outer))
        for key, each in value.items():
            table.append(key, _item(each))
        return table
    return value


def _ended(text: str) -> str:
    return text if not text or text.endswith("\n") else text + "\n"


def _blocks(text: str) -> Iterator[_Block]:
    """Cut a file into its blocks; joined again they are the file."""
    kind: str | None = None
    lines: list[str] = []
    for line, header in _lines(text):
        starts = header is not None and (line.lstrip().startswith("[[") or header != kind)
        if header is not None and header == kind and _is_within(line, kind):
            starts = False
        if starts:
            if lines:
                yield _made(kind, lines)
            kind, lines = (header if header in _KINDS else None), []
        lines.append(line)
    if lines:
        yield _made(kind, lines)


def _is_within(line: str, kind: str) -> bool:
    """Whether a header is of a table inside the block: ``[bay.roles]``, ``[[probe.point]]``."""
    return re.match(rf"\s*\[\[?\s*{kind}\s*\.", line) is not None


def _lines(text: str) -> Iterator[tuple[str, str | None]]:
    """Yield each line with the first key of its header, or None; strings are looked through."""
    quote = ""
    for line in text.splitlines(keepends=True):
        found = None if quote else _HEADER.match(line)
        yield line, None if found is None else found["first"].strip("\"'")
        for mark in re.findall(r'"""|\'\'\'', line):
            if not quote:
                quote = mark
            elif quote == mark:
                quote = ""


def _made(kind: str | None, lines: list[str]) -> _Block:
    """Leave blank lines and what follows them out of a block: they introduce the next one."""
    if kind is None:
        return _Block(None, "".join(lines))
    end = len(lines)
    while end and (not lines[end - 1].strip() or lines[end - 1].lstrip().startswith("#")):
        end -= 1
    while end < len(lines) and lines[end].strip():  # a comment right below stays with it
        end += 1
    return _Block(kind, "".join(lines[:end]), "".join(lines[end:]))
