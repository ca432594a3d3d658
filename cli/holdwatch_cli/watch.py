"""``holdwatch watch``: live values and hold progress in the terminal, from the stream."""

from __future__ import annotations

import asyncio
import json
import sys
from datetime import datetime
from pathlib import Path  # noqa: TC003 - read when the command is made
from typing import TYPE_CHECKING, Annotated, Any

import httpx
import typer

from holdwatch_cli.errors import UserError
from holdwatch_cli.running import run_until_stopped
from holdwatch_cli.terminal import say
from holdwatch_cli.watch_view import Seen, view

if TYPE_CHECKING:
    from collections.abc import AsyncIterator

SILENCE_S = 7.0
"""The stream beats every 2 s; a longer silence means that it is lost."""
_RETRY_S = 2.0


def run_watch(
    url: str, *, token_file: Path | None, bay: str | None, once: bool, as_json: bool
) -> int:
    """Watch until Ctrl-C, or look once; return the exit status.

    Raises:
        UserError: The service cannot be reached or asks for a token, or there is no such bay.
    """
    if not (once or as_json or sys.stdout.isatty()):
        raise UserError("the output is no terminal; add --json for a line a message, or --once")
    client = _client(url, token_file)
    if once:
        return asyncio.run(_once(client, bay, as_json=as_json))
    follow = _follow_json if as_json else _follow
    return run_until_stopped(follow(client, bay))


def _client(url: str, token_file: Path | None) -> httpx.AsyncClient:
    headers = {}
    if token_file is not None:
        try:
            headers["authorization"] = f"Bearer {token_file.read_text(encoding='utf-8').strip()}"
        except (OSError, UnicodeDecodeError) as error:
            raise UserError(f"the token file {token_file} cannot be read: {error}") from error
    try:
        return httpx.AsyncClient(base_url=url, headers=headers, timeout=SILENCE_S)
    except (httpx.InvalidURL, UnicodeEncodeError) as error:
        raise UserError(f"{url!r} or its token cannot be used: {error}") from error


async def _once(client: httpx.AsyncClient, bay: str | None, *, as_json: bool) -> int:
    seen = Seen()
    async with client:
        try:
            states = await _get(client, "/api/v1/bays" if bay is None else f"/api/v1/bays/{bay}")
            for state in states if isinstance(states, list) else [states]:
                name = state["bay"]
                seen.take("state", state)
                seen.take("live", await _get(client, f"/api/v1/bays/{name}/live"))
        except httpx.HTTPError as error:
            raise UserError(_unreached(client, error)) from error
    if as_json:
        bays = [{"state": seen.states[name], "live": seen.lives[name]} for name in seen.states]
        say(json.dumps({"bays": bays}, ensure_ascii=False))
    else:
        from rich.console import Console  # noqa: PLC0415 - only here, --help stays fast

        Console().print(view(seen))
    return 0


async def _get(client: httpx.AsyncClient, path: str) -> Any:
    answer = await client.get(path)
    _check(answer.status_code, await answer.aread())
    return answer.json()


def _check(status: int, body: bytes) -> None:
    if status < httpx.codes.BAD_REQUEST:
        return
    try:
        detail = json.loads(body)["detail"]
    except (ValueError, KeyError, TypeError):
        detail = f"the service answers {status}"
    hint = " Name the token's file with --token-file." if status == httpx.codes.UNAUTHORIZED else ""
    raise UserError(f"{detail}{hint}")


def _unreached(client: httpx.AsyncClient, error: Exception) -> str:
    why = str(error) or type(error).__name__
    return (
        f"no service at {client.base_url}: {why}. Start one with `holdwatch serve`, or name its "
        "address with --url."
    )


async def messages(client: httpx.AsyncClient, bay: str | None) -> AsyncIterator[tuple[str, Any]]:
    """Yield event name and content of the live stream until it breaks.

    Raises:
        httpx.HTTPError: It cannot be opened, broke, or was silent for too long.
        UserError: The service refuses it.
    """
    asked = {} if bay is None else {"bay": bay}
    async with client.stream("GET", "/api/v1/live", params=asked) as answer:
        if answer.is_error:
            _check(answer.status_code, await answer.aread())
        name = "message"
        async for line in answer.aiter_lines():
            if line.startswith("event: "):
                name = line.removeprefix("event: ")
            elif line.startswith("data: "):
                yield name, json.loads(line.removeprefix("data: "))


async def _follow_json(client: httpx.AsyncClient, bay: str | None) -> None:
    """Print each message as one JSON line; end with an error when the stream does."""
    async with client:
        try:
            async for name, content in messages(client, bay):
                if name != "beat":
                    say(json.dumps({"event": name, "data": content}, ensure_ascii=False))
        except httpx.HTTPError as error:
            raise UserError(_unreached(client, error)) from error
    raise UserError(f"the stream of {client.base_url} ended")


async def _follow(client: httpx.AsyncClient, bay: str | None) -> None:
    from rich.live import Live  # noqa: PLC0415 - only here, --help stays fast

    seen = Seen()
    reached = False
    async with client:
        with Live(view(seen), auto_refresh=False, screen=False) as terminal:
            while True:
                try:
                    async for name, content in messages(client, bay):
                        reached, seen.lost = True, None
                        seen.take(name, content)
                        terminal.update(view(seen), refresh=True)
                except httpx.HTTPError as error:
                    if not reached:
                        raise UserError(_unreached(client, error)) from error
                seen.lost = seen.lost or datetime.now().astimezone().strftime("%H:%M:%S")
                terminal.update(view(seen), refresh=True)
                await asyncio.sleep(_RETRY_S)


def watch(
    url: Annotated[str, typer.Option(help="Address of the service.")] = "http://127.0.0.1:8765/",
    bay: Annotated[str | None, typer.Option(help="Only this bay.")] = None,
    token_file: Annotated[
        Path | None, typer.Option(help="File of the token that may watch.")
    ] = None,
    once: Annotated[bool, typer.Option("--once", help="Look once and leave.")] = False,
    json: Annotated[
        bool, typer.Option("--json", help="Print JSON: one object with --once, else one a line.")
    ] = False,
) -> None:
    """Follow live values and holds of a service in the terminal.

    Example: holdwatch watch --url http://127.0.0.1:8765/
    """
    raise typer.Exit(run_watch(url, token_file=token_file, bay=bay, once=once, as_json=json))
