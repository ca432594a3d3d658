"""An evacuation by wire, started and stopped at the bay screen, in a real Chromium."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest
from playwright.async_api import Browser, expect
from screen_rig import TABLET, assert_clean, browser, screen, service

from holdwatch_daemon.messages import Evacuation

if TYPE_CHECKING:
    from fake_service import FakeService

pytestmark = [pytest.mark.timeout(120), pytest.mark.asyncio(loop_scope="module")]

__all__ = ["browser", "service"]  # the fixtures, used by their names


def let_wire_be(service: FakeService, **told: Any) -> None:
    """Let bay 2 have its valve and pump on wires."""
    service.set_hold("bay-2", None)
    at_rest: dict[str, Any] = {
        "step": "idle",
        "sentence": "Ready to evacuate.",
        "pump_down": 0,
        "most_pump_downs": 3,
        "valve": "closed",
        "pump": "off",
        "linked": True,
        "holds": [],
        "outcome": None,
    }
    evacuation = Evacuation.model_validate(at_rest | told)
    was = service.states["bay-2"]
    service.states["bay-2"] = was.model_copy(
        update={"evacuation": evacuation, "sentence": evacuation.sentence}
    )
    service.tell("bay-2")


async def test_an_evacuation_is_started_once_the_refrigerant_is_said_to_be_out(
    browser: Browser, service: FakeService
) -> None:
    let_wire_be(service, not_ready="The low side stands 310 kPa above the room.")
    async with screen(browser, service, TABLET, "#bay-2") as page:
        bay, dialog = page.locator("#bay-bay-2"), page.locator("#start")
        go = dialog.get_by_role("button", name="Start")
        await expect(bay.locator(".facts")).to_contain_text("Valveclosed")
        await bay.get_by_role("button", name="Evacuate…").click()
        await expect(dialog.locator("#recipe option")).to_have_text(["standing vacuum"])
        await dialog.get_by_label("I have checked these points.").check()
        await dialog.get_by_label("The refrigerant has been recovered").check()
        await expect(dialog).to_contain_text("stands 310 kPa above the room")
        await expect(go).to_be_disabled()
        await assert_clean(page, "the evacuation dialog")
        await dialog.get_by_role("button", name="Cancel").click()
        let_wire_be(service)
        await expect(bay.locator(".sentence")).to_have_text("Ready to evacuate.")
        await bay.get_by_role("button", name="Evacuate…").click()
        await dialog.get_by_label("I have checked these points.").check()
        await expect(go).to_be_disabled()
        await dialog.get_by_label("The refrigerant has been recovered").check()
        await go.click()
        await expect(bay.locator(".answer")).to_have_text("Done.")
    ((name, said, _),) = service.commands
    told = said.model_dump()
    assert (name, said.command, told["recipe"]) == ("bay-2", "start_evacuation", "standing vacuum")
    assert told["recovered"] is True


async def test_an_evacuation_is_followed_and_stopped(
    browser: Browser, service: FakeService
) -> None:
    let_wire_be(
        service,
        step="pumping",
        sentence="Pumping down, 12 min.",
        step_s=720.0,
        pump_down=2,
        at_target_s=180.0,
        held_s=300.0,
        valve="open",
        pump="on",
    )
    async with screen(browser, service, TABLET, "#bay-2") as page:
        bay = page.locator("#bay-bay-2")
        await expect(bay.locator(".sentence")).to_have_text("Pumping down, 12 min.")
        for fact in (
            "Valveopen",
            "Pumpon",
            "Pump-down2 of at most 3",
            "At the target3 min of 5 min",
        ):
            await expect(bay.locator(".facts")).to_contain_text(fact)
        await expect(bay.locator(".start")).to_be_hidden()
        await bay.get_by_role("button", name="Stop the evacuation…").click()
        dialog = page.locator("#stop-evacuation")
        await expect(dialog).to_contain_text("The valve is closed first")
        await page.keyboard.press("Escape")
        assert service.commands == []
        await bay.get_by_role("button", name="Stop the evacuation…").click()
        await dialog.get_by_role("button", name="Stop the evacuation").click()
        await expect(bay.locator(".answer")).to_have_text("Done.")
    assert [said.command for _, said, _ in service.commands] == ["stop_evacuation"]
