"""What people choose at the bay screen: a bay by its tab, units, a recipe that fits."""

from __future__ import annotations

import pytest
from fake_service import MICRON_PA, RISE_LIMIT, STARTED, FakeService, vacuum, value
from playwright.async_api import Browser, expect
from screen_rig import TABLET, browser, screen, service

from holdwatch_daemon.messages import Alarm
from holdwatch_procedures.wording import Say

pytestmark = [pytest.mark.timeout(120), pytest.mark.asyncio(loop_scope="module")]

__all__ = ["browser", "service"]  # the fixtures, used by their names


async def test_every_bays_state_stands_in_its_tab(browser: Browser, service: FakeService) -> None:
    service.set_hold("bay-2", vacuum(15.0, "fail"))
    async with screen(browser, service, TABLET) as page:
        tabs = page.locator("#pick a")
        await expect(tabs).to_have_text(["All bays", "Bay 1 Holding", "Bay 2 FAIL"])
        shapes = {await tabs.nth(at).locator("svg").inner_html() for at in (1, 2)}
        assert len(shapes) == 2
        for at in range(3):
            box = await tabs.nth(at).bounding_box()
            assert box is not None
            assert box["height"] >= 44  # gloves
            assert box["y"] + box["height"] <= 768
        alarm = Alarm(id="a-1", kind="probe_lost", text="No reading of vacuum.", since=STARTED)
        service.set_hold("bay-2", vacuum(9.0), alarm)
        await expect(tabs.nth(2)).to_have_text("Bay 2 ALARM")


async def test_figures_sentences_and_curves_follow_the_units_chosen_at_the_screen(
    browser: Browser, service: FakeService
) -> None:
    async with screen(browser, service) as page:
        low, high = page.locator("#bay-bay-2"), page.locator("#bay-bay-1")
        await expect(low.locator(".facts")).to_contain_text("500 micron within 15 min")
        await page.get_by_role("button", name="Units").click()
        await page.get_by_label("Vacuum", exact=True).select_option("mbara")
        await page.get_by_label("Pressure", exact=True).select_option("psig")
        await page.get_by_label("Temperature", exact=True).select_option("degF")
        await page.get_by_role("button", name="Done").click()
        # 1487.3 kPa / 6.894757 = 215.7 psi; 622 micron · 0.00133322 = 0.829 mbar (NIST SP 811).
        for again in (False, True):
            if again:
                await page.reload()
            main = high.locator(".number.main")
            await expect(main.locator(".value")).to_have_text("215.7")
            await expect(main.locator(".unit")).to_have_text("psi (gauge)")
            await expect(low.locator('[data-role="vacuum"] .value')).to_have_text("0.829")
            await expect(low.locator('[data-role="pipe_temperature"] .value')).to_have_text("69.5")
            await expect(low.locator("figcaption")).to_have_text(
                "Rise of the vacuum's pressure, mbar"
            )
            await expect(high.locator("figcaption")).to_contain_text("temperature, psi")
            await expect(low.locator(".facts")).to_contain_text("0.667 mbar within 15 min")
            await expect(low.locator(".y-tick").first).to_be_attached()
            ticks = await low.locator(".y-tick").all_text_contents()
            assert 0.5 <= float(ticks[-1]) <= 0.8
        await page.get_by_role("button", name="Units").click()
        await page.get_by_label("Vacuum", exact=True).select_option("")
        await expect(low.locator('[data-role="vacuum"] .value')).to_have_text("622")


async def test_a_verdict_is_read_in_the_units_chosen_at_the_screen(
    browser: Browser, service: FakeService
) -> None:
    """A figure and its bounds turned together, from SI values; no figure with a power of ten."""
    rise = Say("reason.risen", rise_pa=525 * MICRON_PA, low_pa=511 * MICRON_PA,
               high_pa=537 * MICRON_PA, after_s=900.0, criterion=RISE_LIMIT)  # fmt: skip
    large = Say("reason.risen", rise_pa=1130 * MICRON_PA, low_pa=1110 * MICRON_PA,
                high_pa=1150 * MICRON_PA, after_s=900.0, criterion=RISE_LIMIT)  # fmt: skip
    service.reasons = [rise, large]
    service.set_hold("bay-2", vacuum(15.0, "fail"))
    async with screen(browser, service) as page:
        reasons = page.locator("#bay-bay-2 .reasons li")
        await expect(reasons.nth(0)).to_contain_text("by 525 micron (between 511 and 537)")
        await expect(reasons.nth(1)).to_contain_text("by 1130 micron (between 1110 and 1150)")
        await page.get_by_role("button", name="Units").click()
        await page.get_by_label("Vacuum", exact=True).select_option("Pa")
        await page.get_by_role("button", name="Done").click()
        # 1 micron is 0.133322 Pa (NIST SP 811).
        await expect(reasons.nth(0)).to_contain_text("by 70.0 Pa (between 68.1 and 71.6)")
        await expect(reasons.nth(1)).to_contain_text("by 151 Pa (between 148 and 153)")
        await expect(reasons.nth(1)).to_contain_text("the criterion is 66.7 Pa within 15 min")


async def test_a_value_beyond_the_gauge_is_no_plain_figure(
    browser: Browser, service: FakeService
) -> None:
    top = 20_000 * MICRON_PA
    ended = value("vacuum", top, "> 20000", "micron", "saturated")
    async with screen(browser, service) as page:
        service.set_values("bay-2", [ended.model_copy(update={"beyond": top})])
        vacuum_box = page.locator('#bay-bay-2 [data-role="vacuum"]')
        await expect(vacuum_box.locator(".value")).to_have_text(">\u00a020\u202f000")
        await expect(vacuum_box.locator(".also")).to_have_text("SATURATED, above the gauge's range")


async def test_the_recipe_that_fits_is_offered_and_one_that_does_not_is_refused(
    browser: Browser, service: FakeService
) -> None:
    service.set_hold("bay-2", None)
    pressed = "Bay 2 is under pressure, 900 kPa (gauge) on low side: recover or relieve it."
    service.refused["bay-2", "standing-vacuum"] = pressed
    service.refused["bay-2", "pressure-decay"] = "No pressure gauge has a role in Bay 2."
    async with screen(browser, service) as page:
        await page.locator("#bay-bay-2 .start").click()
        dialog = page.locator("#start")
        await dialog.locator("#recipe").select_option("standing vacuum")
        await expect(dialog.locator("#recipe-unfit")).to_have_text(pressed)
        await dialog.get_by_label("I have checked these points.").check()
        await expect(dialog.get_by_role("button", name="Start")).to_be_disabled()
        await dialog.get_by_role("button", name="Cancel").click()
        del service.refused["bay-2", "standing-vacuum"]
        await page.locator("#bay-bay-2 .start").click()
        await expect(dialog.locator("#recipe")).to_have_value("standing vacuum")
        await expect(dialog.locator("#recipe-unfit")).to_be_hidden()


async def test_a_vacuum_pumped_down_again_may_be_judged_with_the_last(
    browser: Browser, service: FakeService
) -> None:
    service.set_hold("bay-2", vacuum(15.0, "inconclusive"))
    async with screen(browser, service) as page:
        await page.locator("#bay-bay-2 .start").click()
        dialog = page.locator("#start")
        await expect(dialog.locator("#recipe")).to_have_value("standing vacuum")  # the last one
        together = dialog.get_by_label("Pumped down again, nothing opened since")
        await expect(together).not_to_be_checked()
        await together.check()
        await dialog.get_by_label("I have checked these points.").check()
        await dialog.get_by_role("button", name="Start").click()
        await expect(page.locator("#bay-bay-2 .answer")).to_have_text("Done.")
        await page.locator("#bay-bay-1 .stop").click()
        await page.locator("#stop").get_by_role("button", name="Keep holding").click()
    ((_, said, _),) = service.commands
    assert said.model_dump()["continues"] == ["H-0008"]
