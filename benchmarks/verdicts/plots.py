"""Draws the figures of docs/verdicts.md from the campaigns' results and from the plan's forecast.

Run it from the repository: ``python -m benchmarks run plots``.
"""

from __future__ import annotations

import re
from pathlib import Path

import matplotlib as mpl

mpl.use("Agg")
import matplotlib.pyplot as plt

from holdwatch_physics.fluids import Fluids
from holdwatch_procedures.holds.plan import Conditions, visible_over_time
from holdwatch_procedures.holds.recipe import Recipe, load_recipe

HERE = Path(__file__).parent
DOCS = HERE.parents[1] / "docs" / "img"
BLUE, ORANGE, GREEN, GREY = "#0072B2", "#D55E00", "#009E73", "#666666"  # Okabe and Ito
ROW = re.compile(
    r"^(?P<world>\w+) L=1\.0 x(?P<leak>[\d.]+) +n=\d+: wrong (?P<wrong>[\d.]+) %.*?undecided "
    r"(?P<undecided>\d+) %, (?P<minutes>\d+) min \(oracle (?P<oracle>\d+).*?"
    r"fixed rule passes (?P<fixed>\d+) %",
    re.MULTILINE,
)


def recipe(bar: float) -> Recipe:
    return load_recipe(
        {
            "procedure": "pressure-decay",
            "refrigerant": "R134a",
            "volume_l": 2.5,
            "max_pressure_kpa_g": bar * 100,
            "criterion": {"leak_g_per_year": 40.0},
            "channels": {
                "low_side": {
                    "unit": "kPag",
                    "range": [0, 3500],
                    "resolution": 0.7,
                    "noise": 0.4,
                    "tempco_percent_of_span_per_k": 0.02,
                }
            },
        }
    )


def reach(fluids: Fluids) -> None:
    """What a nitrogen hold sees as it goes on."""
    figure, axes = plt.subplots(figsize=(7, 4))
    lines = (
        (10, Conditions(), BLUE, "-", "10 bar, clamp and barometer"),
        (15, Conditions(), GREEN, "-", "15 bar, clamp and barometer"),
        (10, Conditions(hidden_k=0.05, drift_k_per_h=0.25), BLUE, "--", "10 bar, a quiet night"),
        (10, Conditions(thermometer=False), ORANGE, "-", "10 bar, no thermometer"),
    )
    for bar, conditions, colour, style, label in lines:
        path = visible_over_time(recipe(bar), fluids, conditions, 840.0)
        hours, seen = [t / 60 for t, _ in path], [grams for _, grams in path]
        axes.plot(hours, seen, style, color=colour, label=label)
    axes.axhline(40, color=GREY, linewidth=1)
    axes.annotate("40 g a year", (0.27, 43), color=GREY)
    axes.set(xscale="log", yscale="log", xlabel="hold, hours")
    axes.set_xticks([0.25, 0.5, 1, 2, 4, 8, 14], ["¼", "½", "1", "2", "4", "8", "14"])
    axes.set_ylabel("smallest visible leak, g of R-134a a year")
    axes.grid(alpha=0.3)
    axes.legend(frameon=False)
    figure.tight_layout()
    figure.savefig(DOCS / "reach.png", dpi=110)


def verdicts() -> None:
    """What became of simulated holds, against today's rule, by their true leak."""
    found = ROW.finditer((HERE / "decay_results.md").read_text(encoding="utf-8"))
    rows = [row.groupdict() for row in found if row["world"] == "nominal"]
    leaks = [row["leak"].rstrip("0").rstrip(".") or "0" for row in rows]
    places = list(range(len(rows)))
    figure, (left, right) = plt.subplots(1, 2, figsize=(9, 3.6))
    decided = [100 - float(row["undecided"]) - float(row["wrong"]) for row in rows]
    left.bar(places, decided, color=GREEN, label="right")
    wrong = [float(row["wrong"]) for row in rows]
    left.bar(places, wrong, bottom=decided, color=ORANGE, label="wrong")
    undecided = [float(row["undecided"]) for row in rows]
    bottoms = [a + b for a, b in zip(decided, wrong, strict=True)]
    left.bar(places, undecided, bottom=bottoms, color="#CCCCCC", label="inconclusive")
    fixed = [float(row["fixed"]) for row in rows]
    left.plot(places, fixed, "D", color=BLUE, label="passed by “3 kPa in 15 min”")
    left.set_xticks(places, leaks)
    left.set(xlabel="true leak over the criterion", ylabel="% of holds of 130 min", ylim=(0, 118))
    left.legend(frameon=False, fontsize=8, ncols=2, loc="upper center")
    for key, colour, label in (("minutes", GREEN, "holdwatch"), ("oracle", GREY, "oracle")):
        right.plot(places, [float(row[key]) for row in rows], "o-", color=colour, label=label)
    right.set_xticks(places, leaks)
    right.set(xlabel="true leak over the criterion", ylabel="median minutes to a verdict")
    right.set_ylim(0, 140)
    right.grid(alpha=0.3)
    right.legend(frameon=False)
    figure.tight_layout()
    figure.savefig(DOCS / "verdicts.png", dpi=110)


def main() -> None:
    DOCS.mkdir(parents=True, exist_ok=True)
    verdicts()
    reach(Fluids.load())


if __name__ == "__main__":
    main()
