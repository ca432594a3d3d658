"""Renders the sentences of an answer in the units that the asker reads: ``?units=``."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Annotated, Any

from fastapi import HTTPException, Query, Request, Response
from fastapi.routing import APIRoute

from holdwatch_physics.units import UnitError
from holdwatch_procedures.wording import Units, in_units

if TYPE_CHECKING:
    from collections.abc import Callable, Coroutine

DESCRIPTION = (
    "Units of the sentences: pressure, vacuum and temperature, for example `psig,Torr,degF`; what "
    "is left empty is as the shop reads it."
)
_STEMS = "(?:Pa|kPa|bar|mbar|psi|inHg|mmHg|Torr|micron)"
PATTERN = rf"^(?:{_STEMS}[ga])?,(?:{_STEMS}a|Pa|Torr|micron)?,(?:degC|degF|K)?$"
AskedUnits = Annotated[str | None, Query(description=DESCRIPTION, pattern=PATTERN)]


def units_parameter(units: AskedUnits = None) -> None:
    """Have the parameter described with every route of a router that renders its answers."""


def asked_units(asked: str | None, shop: Units) -> Units:
    """Return the units asked for, the shop's where nothing is said.

    Raises:
        HTTPException: A word is no unit of its kind; 422 with what is allowed.
    """
    try:
        return shop if asked is None else Units.parse(asked, shop)
    except UnitError as error:
        raise HTTPException(422, f"units: {error}") from error


def rendered_route(shop: Units) -> type[APIRoute]:
    """Return the kind of route whose JSON answers have their sentences in the units asked for.

    Args:
        shop: What the shop reads.
    """

    class RenderedRoute(APIRoute):
        """Writes the sentences of an answer anew, from the keys and values beside them."""

        def get_route_handler(self) -> Callable[[Request], Coroutine[Any, Any, Response]]:
            handle = super().get_route_handler()

            async def answer(request: Request) -> Response:
                units = asked_units(request.query_params.get("units"), shop)
                made = await handle(request)
                if made.media_type != "application/json":
                    return made
                content = in_units(json.loads(bytes(made.body)), units)
                made.body = json.dumps(content, ensure_ascii=False, allow_nan=False).encode()
                made.headers["content-length"] = str(len(made.body))
                return made

            return answer

    return RenderedRoute
