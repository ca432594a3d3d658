"""Vehicles and jobs in the store: how they change, and reports of them."""

from __future__ import annotations

from holdwatch_daemon.jobs.access import (
    Page,
    Story,
    StoryBook,
    StoryDesk,
    once,
    open_desk,
    read_shop_tables,
)
from holdwatch_daemon.jobs.changes import (
    TraceToBind,
    add_vehicle,
    change_job,
    change_vehicle,
    dye_warning,
    keep_volume,
    open_job,
)
from holdwatch_daemon.jobs.files import UNITS, Form, export_text, known_tables, stories_of, take
from holdwatch_daemon.jobs.holds import (
    IMPORTED,
    JudgedTrace,
    filled_for_bay,
    judge_for,
    unit_figures,
)
from holdwatch_daemon.jobs.photos import MOST_BYTES, kind_of, photograph, store_photograph
from holdwatch_daemon.jobs.views import (
    JobView,
    VehicleView,
    WaitingHold,
    answer_sentence,
    job_view,
    read_waiting,
    vehicle_view,
)

__all__ = [
    "IMPORTED",
    "MOST_BYTES",
    "UNITS",
    "Form",
    "JobView",
    "JudgedTrace",
    "Page",
    "Story",
    "StoryBook",
    "StoryDesk",
    "TraceToBind",
    "VehicleView",
    "WaitingHold",
    "add_vehicle",
    "answer_sentence",
    "change_job",
    "change_vehicle",
    "dye_warning",
    "export_text",
    "filled_for_bay",
    "job_view",
    "judge_for",
    "keep_volume",
    "kind_of",
    "known_tables",
    "once",
    "open_desk",
    "open_job",
    "photograph",
    "read_shop_tables",
    "read_waiting",
    "store_photograph",
    "stories_of",
    "take",
    "unit_figures",
    "vehicle_view",
]
