"""The wall clock set in mid-hold, over midnight and summer time, and machines started anew."""

from __future__ import annotations

import pytest
from clock_steps import CASES, campaign


@pytest.mark.parametrize(
    ("recipe", "leak", "names"),
    [
        ("nitrogen", 0.0, ["undisturbed", "three days back", "a new boot, a day back"]),
        ("vacuum", 0.15, ["undisturbed", "across midnight, and set back over it"]),
    ],
)
def test_a_verdict_does_not_care_what_the_wall_clock_says(
    recipe: str, leak: float, names: list[str]
) -> None:
    cases = tuple(case for case in CASES if case.name in names)
    found = campaign(1, recipe, leak, cases)
    assert not found.wrong, found.notes
    assert found.seen["holds"] == len(names)
    assert found.seen["verdicts like the undisturbed, to the last bit"] == 2
    assert found.seen["steps told"] == len(names) - 1
