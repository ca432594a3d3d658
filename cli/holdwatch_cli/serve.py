"""``holdwatch serve``: the configured probes and bays, watched until stopped."""

from __future__ import annotations

import asyncio
import contextlib
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from holdwatch_cli.adapters import adapters_for
from holdwatch_cli.check.bays import bay_findings, experimental_relays
from holdwatch_cli.errors import UserError
from holdwatch_cli.options import Config, Port
from holdwatch_cli.running import run_until_stopped, settle
from holdwatch_cli.terminal import say
from holdwatch_daemon.clock import SystemClock
from holdwatch_daemon.health import own_notifier
from holdwatch_daemon.service import Service
from holdwatch_daemon.settings import load_config
from holdwatch_daemon.tasks import end_tasks

if TYPE_CHECKING:
    from collections.abc import AsyncIterator

    from holdwatch_daemon.health import Notifier
    from holdwatch_daemon.settings import ShopConfig

DEFAULT_CONFIG = Path("shop.toml")


def run_serve(*, config: Path | None, port: int | None, data: Path | None) -> int:
    """Serve until Ctrl-C; return the exit status."""
    shop = with_options(load_config(_chosen(config)), port=port, data=data)
    return run_until_stopped(_serve(shop))


def _chosen(config: Path | None) -> Path:
    if config is not None:
        return config
    if DEFAULT_CONFIG.exists():
        return DEFAULT_CONFIG
    raise UserError(
        "no configuration: name one with --config; docs/shop.example.toml is one to start from"
    )


def with_options(shop: ShopConfig, *, port: int | None, data: Path | None) -> ShopConfig:
    """The configuration with what the command line overrides."""
    changes: dict[str, object] = {}
    if port is not None:
        changes["http"] = shop.http.model_copy(update={"port": port})
    if data is not None:
        changes["site"] = shop.site.model_copy(update={"data": data})
    return shop.model_copy(update=changes)


async def _serve(shop: ShopConfig) -> None:
    clock = SystemClock()
    notifier = own_notifier()
    async with (
        Service(shop, clock, adapters_for(shop, clock)) as service,
        screen(service, shop) as url,
    ):
        say(f"Bay screen: {url}")
        say(f"Store: {shop.database}")
        if nobody_may_come_in(shop):
            say("Nobody may come in yet: `holdwatch token new --scope operate` makes a token")
        for warning in experimental_relays(shop):
            say(f"Warning: {warning}")
        for finding in bay_findings(shop):
            if not finding.ok:
                say(f"Warning, {finding.what}: {finding.found}. {finding.mend}")
        async with _known_to_systemd(notifier, service, url):
            await asyncio.Event().wait()


def nobody_may_come_in(shop: ShopConfig) -> bool:
    """Whether a token is needed and there is none."""
    from holdwatch_api.security import Access  # noqa: PLC0415 - the screen has brought it

    access = Access.from_config(shop)
    named = shop.http.watch_token_file or shop.http.operate_token_file
    return not access.is_open and named is None and not access.book.tokens()


@contextlib.asynccontextmanager
async def _known_to_systemd(notifier: Notifier, service: Service, url: str) -> AsyncIterator[None]:
    """Tell systemd that the bays are up, that they live, and when the end begins."""
    notifier.ready(f"Watching {len(service.bays)} bays at {url}")
    within_s = notifier.watchdog_s or 0.0
    pulse = asyncio.create_task(notifier.keep_alive(lambda: service.is_serving(within_s)))
    try:
        yield
    finally:
        notifier.stopping()
        await end_tasks([pulse])


@contextlib.asynccontextmanager
async def screen(service: Service, shop: ShopConfig) -> AsyncIterator[str]:
    """Serve the API and the bay screen; yields the address to open.

    Its libraries are imported in a thread, beside the readings that the service takes already.
    """
    http = shop.http
    create_app, serving, serve_commands = await asyncio.to_thread(_screen_makers)
    settle()
    app = await asyncio.to_thread(create_app, service, host_names=http.host_names)
    settle()
    async with (
        serving(
            app,
            http.host,
            http.port,
            certificate=http.certificate,
            private_key=http.private_key,
        ) as open_screen,
        serve_commands(app, shop.database),
    ):
        yield open_screen.url


def _screen_makers() -> tuple[Any, Any, Any]:
    from holdwatch_api.app import create_app, serve  # noqa: PLC0415 - see above
    from holdwatch_api.local import serve_commands  # noqa: PLC0415 - see above

    return create_app, serve, serve_commands


def serve(
    config: Config = None,
    port: Port = None,
    data: Annotated[Path | None, typer.Option(help="Folder of the SQLite file.")] = None,
) -> None:
    """Watch the configured probes and bays until stopped.

    Example: holdwatch serve --config shop.toml
    """
    raise typer.Exit(run_serve(config=config, port=port, data=data))
