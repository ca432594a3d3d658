"""Tokens at rest, pairing codes, and the counting of what one asker takes."""

from __future__ import annotations

import json
import os
import sqlite3
import stat
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING

import pytest

import holdwatch_api.security.tokens
from holdwatch_api.security.limits import MOST_KEYS, Limiter, Places
from holdwatch_api.security.tokens import (
    FILE,
    MOST_OF_ONE,
    MOST_WAITING,
    PAIRING_S,
    Asked,
    CrowdedError,
    TokenBook,
    TokenError,
)
from holdwatch_cli.main import main

if TYPE_CHECKING:
    from pathlib import Path

    from holdwatch_api.security.tokens import Token


class Clock:
    """A clock that the test turns."""

    def __init__(self, now: float = 1_790_000_000.0) -> None:
        self.now = now

    def __call__(self) -> float:
        return self.now


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def book(tmp_path: Path, clock: Clock) -> TokenBook:
    return TokenBook(tmp_path / "data" / FILE, clock)


def holder(book: TokenBook, text: str) -> Token | None:
    """Look at the file and return the token of this text."""
    book.look()
    return book.bearer(text)


def test_the_file_holds_no_token_and_is_its_owners_alone(book: TokenBook) -> None:
    token, text = book.make("operate", "bench")
    asked, secret = book.ask("192.168.7.2")
    assert len(text) == 46  # 32 bytes in base64 (RFC 4648, section 5), and the mark before it
    for path in book.path.parent.iterdir():
        assert stat.S_IMODE(path.stat().st_mode) == 0o600
        content = path.read_bytes()
        assert text.encode() not in content
        assert secret.encode() not in content
    assert holder(book, text) == token
    assert holder(book, text[:-1]) is None
    assert asked.code not in secret


def test_rights_that_were_loosened_are_tightened(book: TokenBook) -> None:
    book.make("watch", "one")
    book.path.chmod(0o644)
    book.make("watch", "two")
    assert stat.S_IMODE(book.path.stat().st_mode) == 0o600


def test_a_token_expires_by_the_clock(book: TokenBook, clock: Clock) -> None:
    token, text = book.make("watch", "for a day", expires=int(clock.now) + 86_400)
    assert holder(book, text) is not None
    assert book.is_good(token.id)
    clock.now += 86_400
    assert holder(book, text) is None
    assert not book.is_good(token.id)
    assert book.tokens() == [token]  # still listed, so that it is seen and removed


def test_another_process_is_heard_without_a_restart(tmp_path: Path) -> None:
    book = TokenBook(tmp_path / FILE)
    assert not book.is_begun
    program = [sys.executable, "-m", "holdwatch_cli", "token", "new", "--scope", "operate"]
    program += ["--name", "bench", "--data", str(tmp_path)]
    done = subprocess.run(program, capture_output=True, text=True, check=True)
    text = done.stdout.split()[0]
    found = holder(book, text)
    assert found is not None
    assert (found.scope, found.name) == ("operate", "bench")


def command(capsys: pytest.CaptureFixture[str], folder: Path, *given: str) -> tuple[int, str]:
    with pytest.raises(SystemExit) as ended:
        main(["token", *given, "--data", str(folder)])
    said = capsys.readouterr()
    return int(ended.value.code or 0), said.out + said.err


def test_the_commands_list_pair_and_revoke(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    book = TokenBook(tmp_path / FILE)
    token, text = book.make("operate", "bench")
    status, out = command(capsys, tmp_path, "list", "--json")
    (listed,) = json.loads(out)
    assert (status, listed["id"], listed["scope"]) == (0, token.id, "operate")
    assert "sha256" not in listed
    asked, secret = book.ask("192.168.7.2")
    status, out = command(capsys, tmp_path, "pair", asked.code, "--name", "Bay TV", "--days", "2")
    assert status == 0
    assert "The screen at 192.168.7.2" in out
    paired = book.collect(secret)
    assert isinstance(paired, tuple)
    assert paired[0].expires is not None
    assert command(capsys, tmp_path, "revoke", "bench")[0] == 0
    assert holder(book, text) is None
    assert holder(book, paired[1]) is not None
    status, out = command(capsys, tmp_path, "revoke", "bench")
    assert (status, out.startswith("holdwatch: There is no token 'bench'")) == (3, True)
    assert command(capsys, tmp_path, "new", "--name", "a\nb")[0] == 3


def test_many_write_at_once_and_nothing_is_lost(tmp_path: Path) -> None:
    path = tmp_path / FILE
    with ThreadPoolExecutor(8) as pool:
        made = list(pool.map(lambda n: TokenBook(path).make("watch", f"n{n}")[1], range(24)))
    book = TokenBook(path)
    assert len(book.tokens()) == 24
    assert all(holder(book, text) is not None for text in made)


def test_what_is_not_there_cannot_be_revoked(book: TokenBook) -> None:
    book.make("watch", "Bay TV")
    with pytest.raises(TokenError, match=r"no token 'x'; there are: [0-9a-f]{8} \(Bay TV\)"):
        book.revoke("x")


def test_tokens_are_not_without_number(book: TokenBook, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(holdwatch_api.security.tokens, "MOST_TOKENS", 3)
    for number in range(3):
        book.make("watch", f"n{number}")
    with pytest.raises(TokenError, match="take old ones back"):
        book.make("watch", "one more")


def test_a_file_that_cannot_be_read_lets_nobody_in(book: TokenBook) -> None:
    _, text = book.make("operate", "bench")
    book.path.write_bytes(b"no database " * 100)
    with pytest.raises(TokenError, match="cannot be used"):
        holder(book, text)


def test_a_folder_that_cannot_be_read_lets_nobody_in(book: TokenBook) -> None:
    _, text = book.make("operate", "bench")
    assert holder(book, text) is not None
    book.path.unlink()
    book.path.symlink_to(book.path)  # a ring: it cannot be looked at, and is not missing either
    with pytest.raises(TokenError, match="cannot be used"):
        book.look()
    assert book.bearer(text) is None


def test_while_a_slow_disk_takes_a_change_the_tokens_are_as_they_were(
    book: TokenBook, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(holdwatch_api.security.tokens, "_BUSY_S", 0.05)
    token, text = book.make("operate", "bench")
    book.look()
    other = sqlite3.connect(book.path, isolation_level=None)
    other.execute("BEGIN EXCLUSIVE")
    other.execute("DELETE FROM tokens")
    os.utime(book.path)
    assert holder(book, text) == token
    other.execute("COMMIT")
    other.close()
    assert holder(book, text) is None


def test_a_code_is_good_for_minutes_and_for_its_secret(book: TokenBook, clock: Clock) -> None:
    asked, secret = book.ask("192.168.7.2")
    assert isinstance(book.collect(secret), Asked)
    clock.now += PAIRING_S + 1
    with pytest.raises(TokenError, match="No screen shows the code"):
        book.approve(asked.code, "watch", "late")
    assert book.collect(secret) is None


def test_an_approved_code_that_nobody_collects_is_over_too(book: TokenBook, clock: Clock) -> None:
    asked, secret = book.ask("192.168.7.2")
    book.approve(asked.code, "operate", "gone")
    clock.now += PAIRING_S + 1
    assert book.collect(secret) is None
    assert book.tokens() == []


def test_a_pairings_expiry_is_its_tokens(book: TokenBook, clock: Clock) -> None:
    asked, secret = book.ask("192.168.7.2")
    book.approve(f" {asked.code[:4]} {asked.code[4:].lower()}", "watch", "TV", int(clock.now) + 99)
    found = book.collect(secret)
    assert isinstance(found, tuple)
    assert found[0].expires == clock.now + 99


def test_few_screens_wait_and_fewer_of_each_address(book: TokenBook) -> None:
    codes = [book.ask("192.168.7.2")[0].code for _ in range(MOST_OF_ONE + 1)]
    with pytest.raises(TokenError):
        book.approve(codes[0], "watch", "the oldest code of an address with too many")
    book.approve(codes[1], "watch", "the next")
    for number in range(MOST_WAITING - MOST_OF_ONE):
        book.ask(f"10.0.0.{number}")
    with pytest.raises(CrowdedError):
        book.ask("10.0.1.1")


def test_where_nobody_waits_nothing_is_begun(book: TokenBook) -> None:
    """An open service must not close because somebody tried a code."""
    with pytest.raises(TokenError):
        book.approve("BBBB-BBBB", "watch", "x")
    assert book.collect("secret") is None
    assert not book.is_begun


def test_a_limiter_lets_a_burst_through_and_then_its_rate() -> None:
    clock = Clock(5.0)
    limiter = Limiter(3, 10.0, clock)
    assert [limiter.take("a") for _ in range(4)] == [0.0, 0.0, 0.0, 10.0]
    assert limiter.take("b") == 0.0
    clock.now += 9.0
    assert limiter.wait_s("a") == pytest.approx(1.0)
    clock.now += 1.0
    assert [limiter.take("a") for _ in range(2)] == [0.0, 10.0]
    clock.now += 1000.0
    assert [limiter.take("a") for _ in range(4)] == [0.0, 0.0, 0.0, 10.0]


def test_a_limiter_stays_small_whoever_asks() -> None:
    clock = Clock()
    limiter = Limiter(3, 10.0, clock)
    for number in range(3 * MOST_KEYS):
        limiter.take(f"{number}")
    assert len(limiter) == MOST_KEYS
    clock.now += 11.0
    limiter.take("later")
    assert len(limiter) == 1  # an empty bucket is as good as none


def test_places_are_given_back() -> None:
    places = Places(2, 3)
    with places.held("a"), places.held("a"):
        assert not places.has_room("a")
        assert places.has_room("b")
        with places.held("b"):
            assert not places.has_room("c")
    assert places.has_room("a")
    assert len(places) == 0
