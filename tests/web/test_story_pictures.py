"""Pictures of a story: kept by what their bytes are, shown in a report, missed when changed."""

from __future__ import annotations

from datetime import date
from functools import partial
from typing import TYPE_CHECKING

import pytest
from story_rig import png

from holdwatch_api.reports import pictures as report_pictures
from holdwatch_api.reports.files import verify_file, write_report
from holdwatch_daemon.jobs.access import StoryDesk, open_desk
from holdwatch_daemon.jobs.changes import change_job, open_job
from holdwatch_daemon.jobs.photos import MOST_BYTES, kind_of, photograph, store_photograph
from holdwatch_physics.fluids import Fluids
from holdwatch_procedures.vehicles.changes import AddFinding
from holdwatch_procedures.vehicles.job import Finding
from holdwatch_procedures.vehicles.validation import NotKnownError, VehicleError
from holdwatch_procedures.vehicles.vehicle import Vehicle

if TYPE_CHECKING:
    from pathlib import Path

    from holdwatch_daemon.jobs.access import Page

DAY = date(2026, 5, 11)


@pytest.fixture
def desk(tmp_path: Path) -> StoryDesk:
    """A visit with one find and two pictures of it."""
    desk = open_desk(tmp_path / "holdwatch.db", lambda: 1_790_000_000 * 10**9)

    def change(page: Page) -> None:
        page.put_unit(Vehicle(fleet_number="BM-02", refrigerant="R134a"))
        open_job(page, "BM-02", complaint="", number="2026-0001", on=DAY)
        kept = [
            store_photograph(page, desk.book.photo_folder, png(grey), "crimp.png").sha256
            for grey in (10, 200)
        ]
        row = {"place": "condenser", "means": "dye", "points": "for", "on": "2026-05-11"}
        finding = Finding.model_validate({**row, "photographs": kept})
        change_job(page, desk.tables, "BM-02", AddFinding(row=finding))

    desk.book.write(change)
    return desk


def hashes(desk: StoryDesk) -> tuple[str, ...]:
    return desk.book.visit("2026-0001")[1].findings[0].photographs


def page_of(desk: StoryDesk) -> str:
    _, (content,) = write_report(desk, "2026-0001", ("html",), made_on=DAY)
    return content.decode()


def changed(desk: StoryDesk, text: str) -> list[str]:
    return verify_file(desk, text.encode(), Fluids.load, where="report.html")[1]


def test_a_report_shows_its_pictures_and_needs_nothing_else(desk: StoryDesk) -> None:
    text = page_of(desk)
    assert text.count("data:image/png;base64,") == 2
    assert all(f'alt="{sha256}"' in text for sha256 in hashes(desk))
    assert "http" not in text.replace("http://www.w3.org/2000/svg", "")
    assert changed(desk, text) == []
    assert changed(desk, text + "\n<!-- kept elsewhere -->\n") != []


def test_a_picture_swapped_or_left_out_in_the_file_is_named(desk: StoryDesk) -> None:
    text = page_of(desk)
    first, second = hashes(desk)
    one, other = report_pictures._SHOWN.findall(text)
    told = changed(desk, text.replace(one[2], other[2], 1))
    assert len(told) == 1
    assert f"picture {first[:12]}…: the file shows another picture" in told[0]
    start = text.index("<figure>\n" + f'<img alt="{second}"')
    end = text.index("</figure>", start) + len("</figure>\n")
    left_out = text[:start] + text[end:]
    (named,) = changed(desk, left_out)
    assert "the page shows what its data does not say" in named  # it is not said to be elsewhere


def test_a_picture_too_large_for_a_file_is_named_by_its_hash(
    desk: StoryDesk, monkeypatch: pytest.MonkeyPatch
) -> None:
    whole = page_of(desk)
    monkeypatch.setattr(report_pictures, "MOST_TOGETHER", len(png(10)))
    text = page_of(desk)
    assert text.count("data:image/png;base64,") == 1
    assert f"condenser: {hashes(desk)[1]}" in text
    assert changed(desk, text) == []
    monkeypatch.undo()
    # A file that says so of a picture that would have its place hides it.
    assert any("the file does not show it" in line for line in changed(desk, text))
    assert changed(desk, whole) == []


def test_a_picture_changed_in_the_store_is_named(desk: StoryDesk) -> None:
    text = page_of(desk)
    first, second = hashes(desk)
    (desk.book.photo_folder / first).write_bytes(png(11))
    (desk.book.photo_folder / second).unlink()
    told = changed(desk, text)
    assert any(f"photograph {first[:12]}… of condenser" in line for line in told)
    assert any(f"photograph {second[:12]}… of condenser: it is missing" in line for line in told)
    with pytest.raises(NotKnownError, match="was changed"):
        photograph(desk.book, first)
    assert "data:image" not in page_of(desk)


def test_only_pictures_of_known_kinds_are_kept(desk: StoryDesk) -> None:
    assert kind_of(b"<svg onload=alert(1)>") is None
    assert kind_of(b"RIFF\x00\x00\x00\x00WEBPVP8 ") == "image/webp"
    folder = desk.book.photo_folder
    before = sorted(folder.iterdir())
    for content in (b"<html>", b"GIF89a....", b"", png(1)[:1] + b"x" * MOST_BYTES):
        kept = partial(store_photograph, folder=folder, content=content, name="a.png")
        with pytest.raises(VehicleError, match=r"no picture|at most"):
            desk.book.write(kept)
    assert sorted(folder.iterdir()) == before


def test_a_finding_cannot_name_a_picture_that_is_not_kept(desk: StoryDesk) -> None:
    row = {"place": "condenser", "means": "dye", "points": "for", "on": "2026-05-11"}
    named = AddFinding(row=Finding.model_validate({**row, "photographs": ["0" * 64]}))
    with pytest.raises(VehicleError, match="send it before"):
        desk.book.write(lambda page: change_job(page, desk.tables, "BM-02", named))
