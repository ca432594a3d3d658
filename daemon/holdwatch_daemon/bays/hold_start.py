"""How a hold begins in a bay: its recipe completed, what it continues looked up, both written."""

from __future__ import annotations

import tomllib
import uuid
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from holdwatch_daemon.bays.runner import HoldRunner, write_begin
from holdwatch_daemon.jobs.holds import filled_for_bay, section_figures
from holdwatch_daemon.settings.recipes import complete_recipe
from holdwatch_daemon.store.hold_identity import HoldIdentity
from holdwatch_physics.fluids import FluidError
from holdwatch_procedures.holds import Hold, RecipeError, load_recipe
from holdwatch_procedures.vehicles import WHOLE

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping, Sequence

    from holdwatch_daemon.bays.bay import Bay
    from holdwatch_daemon.bays.preconditions import Procedure
    from holdwatch_daemon.clock import ServiceClock
    from holdwatch_daemon.settings.shop import ShopConfig
    from holdwatch_daemon.store.events import EventLog, Telling
    from holdwatch_daemon.store.queries import Queries
    from holdwatch_daemon.store.rows import Ids
    from holdwatch_physics.fluids import Fluids
    from holdwatch_physics.reading import Reading
    from holdwatch_procedures.holds import Recipe
    from holdwatch_procedures.vehicles import Vehicle


@dataclass(frozen=True, slots=True)
class Means:
    """What commands are carried out with."""

    config: ShopConfig
    clock: ServiceClock
    events: EventLog
    ids: Ids
    queries: Queries
    fluids: Fluids
    simulated: bool
    version: str
    unmet_precondition: Callable[[str, Procedure], str | None]


@dataclass(frozen=True, slots=True)
class Part:
    """A part of the unit that is held on its own, with its own volume.

    Attributes:
        section: Its place in the unit's component tree; None where only the figures differ.
        figures: What of the recipe it replaces: ``volume_l``, ``volume_uncertainty``.
    """

    section: str | None
    figures: Mapping[str, float] = field(default_factory=dict)


class RefusedError(Exception):
    """A command cannot be carried out; the message is the reply."""


class HoldStarter:
    """Begins holds; raises ``RefusedError`` with one sentence where one cannot begin.

    Args:
        means: What it works with.
    """

    def __init__(self, means: Means) -> None:
        self._means = means

    async def recipe(
        self,
        bay: Bay,
        wanted: str | dict[str, Any],
        continues: Sequence[str] = (),
        part: Part | None = None,
    ) -> Recipe:
        """Return the completed recipe of a hold in a bay.

        Args:
            bay: The bay.
            wanted: A configured recipe's name, or a whole recipe.
            continues: Ids of earlier holds to be judged together with it.
            part: The part of the unit that is held; None for the whole unit.
        """
        earlier = await self._earlier(bay, continues)
        stored = None if bay.unit is None else await self._means.queries.unit_named(bay.unit)
        config = self._means.config
        table: Mapping[str, Any]
        if isinstance(wanted, str):
            if wanted not in config.recipes:
                known = ", ".join(sorted(config.recipes)) or "none is configured"
                raise RefusedError(f"No recipe is named {wanted!r}; known: {known}.")
            name, table, where = wanted, config.recipes[wanted], f"recipe {wanted}"
        else:
            name, table, where = "given with the command", wanted, "recipe"
        if part is not None:
            table = _of_part(table, part, stored)
        table = filled_for_bay(table, bay.config, stored)
        if earlier:
            table = dict(table) | {"earlier_holds": earlier}
        try:
            return complete_recipe(table, config, bay.config, name=name, where=where)
        except RecipeError as error:
            raise RefusedError(str(error)) from error

    async def continued(self, bay: Bay, recipe: Recipe, continues: Sequence[str]) -> Recipe:
        """Return a recipe that takes in what earlier holds of the same unit have found."""
        table = tomllib.loads(recipe.to_toml()) | {
            "earlier_holds": await self._earlier(bay, continues)
        }
        try:
            return load_recipe(table, where=f"recipe {recipe.name}")
        except RecipeError as error:
            raise RefusedError(str(error)) from error

    async def begin(
        self,
        bay: Bay,
        recipe: Recipe,
        by: str,
        also: Callable[[Telling, str], None],
        *,
        told: Mapping[str, object] | None = None,
        isolated: tuple[int, Callable[[], Iterable[Reading]]] | None = None,
    ) -> HoldRunner:
        """Begin a hold and return its runner, once it is on the disk.

        Args:
            bay: Where.
            recipe: What it is judged by.
            by: Where the command came from.
            also: Joins the transaction; is given the hold's id.
            told: What the event of its beginning says beside the usual.
            isolated: The monotonic time (ns) at which the valve was closed, from which the hold
                counts, and what gives the readings since; None where it begins now.
        """
        means = self._means
        if bay.runner is not None:
            raise RefusedError(f"A hold is running in {bay.label}; stop it first.")
        try:
            hold = Hold(recipe, means.fluids, version=means.version)
        except (RecipeError, FluidError) as error:
            raise RefusedError(str(error)) from error
        # A reading stamped with this very instant may be recorded already, and is not this hold's:
        # a replay would else judge one that the live hold was never fed.
        now_ns, started_ns = means.clock.mono_ns() + 1, means.clock.utc_ns()
        zero_ns = now_ns if isolated is None else isolated[0]
        started_ns -= now_ns - zero_ns
        channels = {channel: role for role, channel in bay.roles.items()}
        hold_id = f"{bay.name}-{_compact(started_ns)}-{uuid.uuid4().hex[:6]}"
        identity = HoldIdentity(hold_id, bay.name, bay.unit, recipe, channels, started_ns)

        def work(telling: Telling) -> None:
            write_begin(
                telling,
                identity,
                means.ids,
                zero_mono_ns=zero_ns,
                simulated=means.simulated,
                version=means.version,
                by=by,
                told=told,
            )
            also(telling, hold_id)

        begun = means.events.transact(work)
        # From here on readings are fed; what they tell is written after the hold's beginning.
        runner = HoldRunner(
            identity,
            hold,
            means.events,
            means.clock.utc_ns,
            zero_mono_ns=zero_ns,
            version=means.version,
        )
        bay.begin_hold(runner)
        if isolated is not None:
            runner.say_isolated(zero_ns, lambda _: None)
            for reading in isolated[1]():
                runner.put(reading)
            runner.judge()
        try:
            await begun
        except Exception:
            bay.runner = None
            raise
        return runner

    async def _earlier(self, bay: Bay, continues: Sequence[str]) -> list[dict[str, Any]]:
        """What the holds that this one continues have found by themselves."""
        found: list[dict[str, Any]] = []
        for hold_id in continues:
            row = await self._means.queries.hold(hold_id)
            verdict = await self._means.queries.verdict(hold_id)
            if row is None or verdict is None:
                raise RefusedError(f"No finished hold {hold_id!r} is known to continue.")
            if row.unit != bay.unit or row.procedure != "standing-vacuum":
                raise RefusedError(
                    f"Hold {hold_id!r} is no standing vacuum of the unit in {bay.label}."
                )
            own = verdict.get("own_slope_pa_per_s")
            if own is None:
                raise RefusedError(f"Hold {hold_id!r} was too short to say anything.")
            figures = {f"{key}_pa_per_s": own[key] for key in ("low", "high")}
            found.append({"hold": hold_id, "slope_pa_per_s": own["value"], **figures})
        return found


def _of_part(table: Mapping[str, Any], part: Part, stored: Vehicle | None) -> dict[str, Any]:
    """Return a recipe for a part of the unit: the whole unit's volume is not its own."""
    held = dict(table)
    if not part.figures and part.section is not None and "volume_l" not in held:
        known = {} if stored is None else section_figures(stored, part.section)
        part = replace(part, figures=known)
    if "volume_l" in part.figures:
        held.pop("volume_uncertainty", None)
        return held | dict(part.figures)
    if part.section not in {None, WHOLE} and "volume_l" not in held:
        raise RefusedError(
            f"The volume of {part.section!r} is not the whole unit's: give it as `volume_l`, "
            "store it with the vehicle, or use a recipe that states it."
        )
    return held


def _compact(utc_ns: int) -> str:
    return datetime.fromtimestamp(utc_ns // 1_000_000_000, UTC).strftime("%Y%m%dT%H%M%SZ")
