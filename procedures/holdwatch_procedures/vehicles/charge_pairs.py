"""What a charge balance takes in: a charge with the recovery after it, and the allowances."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from holdwatch_procedures.vehicles.record import StoryError

if TYPE_CHECKING:
    from datetime import datetime

YEAR_DAYS: Final = 365.25
DAY_S: Final = 86400.0
MOST_G: Final = 1e6
"""No unit here takes more, g; a larger figure is a slip of the unit."""
DEFAULT_TOLERANCE_G: Final = 5.0
"""Limit of error of a weighing where none is stated, g (a shop scale; no source)."""
DEFAULT_UNRECOVERED_G: Final = (0.0, 30.0)
"""What stays in oil and hoses when a unit is recovered, g. Common practice, no source: a few
percent of a mobile charge."""
RAN_OUT_SHARE: Final = 0.05
"""Recovered share of the charge at and below which the unit is taken to have run empty: about
what its volume holds as gas at the room's pressure."""


@dataclass(frozen=True, slots=True)
class Pair:
    """A charge and the recovery after it; times with their zone, masses in g.

    ``top_ups_g`` were added in between: they went in as the charge did, each over the scale.
    """

    charged_g: float
    charged_at: datetime
    recovered_g: float
    recovered_at: datetime
    top_ups_g: tuple[float, ...] = ()

    @property
    def days(self) -> float:
        """Time between them, days."""
        return (self.recovered_at - self.charged_at).total_seconds() / DAY_S

    @property
    def years(self) -> float:
        """Time between them in years of 365.25 days."""
        return self.days / YEAR_DAYS

    @property
    def put_in_g(self) -> float:
        """Everything that was put in, g."""
        return self.charged_g + sum(self.top_ups_g)

    @property
    def weighings(self) -> int:
        """How many times the scale was read."""
        return 2 + len(self.top_ups_g)

    @property
    def ran_out(self) -> bool:
        """Whether so little came out that the unit was empty before: the loss is a least one."""
        return self.recovered_g <= RAN_OUT_SHARE * self.put_in_g


@dataclass(frozen=True, slots=True)
class Allowances:
    """What stands between the scale and the leak.

    Attributes:
        tolerance_g: Limit of error of each weighing, rectangular, g.
        unrecovered_g: Least and most that stays in oil and hoses at a recovery, g. One-sided: it
            can only make a unit look leakier than it is. The same oil and hoses stand in every
            visit, so it is taken as one unknown common to all of them.
        hose_loss_g: Lost at the hoses over one charge and recovery, g, known.
    """

    tolerance_g: float = DEFAULT_TOLERANCE_G
    unrecovered_g: tuple[float, float] = DEFAULT_UNRECOVERED_G
    hose_loss_g: float = 0.0

    def __post_init__(self) -> None:
        """Refuse figures that cannot be.

        Raises:
            StoryError: A negative figure, or the limits of ``unrecovered_g`` the wrong way round.
        """
        low, high = self.unrecovered_g
        figures = (self.tolerance_g, low, high, self.hose_loss_g)
        if not all(0.0 <= figure <= MOST_G for figure in figures):
            raise StoryError(
                "tolerance, unrecovered and hose loss must be 0 g or more, at most 1,000 kg"
            )
        if low > high:
            raise StoryError(f"unrecovered {low:g}:{high:g} g: write the lower figure first")

    @property
    def middle_g(self) -> float:
        """Middle of what may have stayed, g."""
        return 0.5 * sum(self.unrecovered_g)

    @property
    def reach_g(self) -> float:
        """Half the width of what may have stayed, g."""
        return 0.5 * (self.unrecovered_g[1] - self.unrecovered_g[0])
