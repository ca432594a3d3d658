"""The commands of docs/service.md that back up and restore, run as they stand there."""

from __future__ import annotations

import re
import shlex
import subprocess
from pathlib import Path

import pytest
from store_shop import fill

from holdwatch_cli.main import main
from holdwatch_daemon.store.backup import verify
from holdwatch_daemon.store.opening import open_database

MANUAL = (Path(__file__).parents[2] / "docs" / "service.md").read_text(encoding="utf-8")
HOLDWATCH = "/opt/holdwatch/bin/holdwatch"


def commands(section: str) -> list[list[str]]:
    """Return the commands of a section, each without its sudo."""
    text = re.search(rf"^### {section}\n(.*?)(?=^##)", MANUAL, re.DOTALL | re.MULTILINE)
    assert text, section
    lines = "\n".join(line for line in text[1].splitlines() if line.startswith("    "))
    found = [shlex.split(line) for line in lines.replace("\\\n", " ").splitlines()]
    return [words[3:] if words[:3] == ["sudo", "-u", "holdwatch"] else words[1:] for words in found]


def run(words: list[str], root: Path) -> str:
    """Run a command below another root; return its program's name."""
    below = [f"{root}{word}" if word.startswith(("/var/", "/etc/")) else word for word in words]
    program, *arguments = below
    if program == HOLDWATCH:
        with pytest.raises(SystemExit) as ended:
            main(arguments)
        assert ended.value.code == 0, words
    elif program == "install":
        # The user is not there, and only root may give files away.
        assert arguments[:6] == ["-d", "-o", "holdwatch", "-g", "holdwatch", "-m"]
        subprocess.run(["install", "-d", *arguments[5:]], check=True)
    elif program == "find":
        subprocess.run(below, check=True)
    else:
        assert program in {"systemctl", "/opt/holdwatch/bin/pip"}, "known, and not run"
    return Path(program).name


def test_the_manual_s_backups_can_be_made_and_put_back(tmp_path: Path) -> None:
    data, etc = tmp_path / "var/lib/holdwatch", tmp_path / "etc/holdwatch"
    etc.mkdir(parents=True)
    # No word about the data: the unit, and every command, names its folder.
    (etc / "shop.toml").write_text('[site]\nname = "county-library"\n')
    opened = open_database(data / "holdwatch.db", "2026-09-21T14:00:00.000Z")
    fill(opened.connection, seconds=10)
    opened.connection.close()
    opened.lock.release()
    (data / "access.db").write_bytes(b"of a token")

    for section, programs in [
        ("Backup", ["install", "holdwatch"]),
        ("Upgrade", ["holdwatch", "pip", "systemctl"]),
        ("Restore", ["systemctl", "install", "find", "holdwatch", "systemctl"]),
    ]:
        assert [run(words, tmp_path) for words in commands(section)] == programs
    backups = tmp_path / "var/backups/holdwatch"
    assert backups.stat().st_mode & 0o777 == 0o750
    assert {path.name for path in backups.iterdir()} == {
        "2026-05-04",
        "before-upgrade",
        "set-aside",
    }
    assert verify(backups / "2026-05-04").files.keys() >= {"data/holdwatch.db", "shop.toml"}
    assert (backups / "set-aside" / "holdwatch.db").exists()
    assert (data / "holdwatch.db").exists()
    assert (data / "access.db").read_bytes() == b"of a token"
