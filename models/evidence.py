"""What a pull taught, in the form that the surrogate is fitted to."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Self

import numpy as np

from models.curve import Curve, Measures, Target, deviation_kpa
from models.settings import Settings

#: Half swing by which a pull without gain may be uneven beside what gate, turbo and gauge usually do to it. [kPa]
UNEVEN_KPA: Final = 3.0


@dataclass(frozen=True)
class Observation:
    """One pull that was run.

    Attributes:
        number: Place in the job, from 1. Gaps are allowed (a pull that was thrown out).
        settings: What was dialled in. Engagement in kPa gauge.
        curve: Boost on the job's grid, NaN where the pull did not reach.
        peak_kpa: Highest boost of the raw trace. [kPa gauge]
        sustained_peak_kpa: Highest boost without single-sample noise. [kPa gauge]
        noise_kpa: Fast noise of the gauge. [kPa]
        oscillation_kpa: Half swing of the ringing after spool, 0 where none stands out of the noise. [kPa]
        complete: False for a pull that was aborted: its curve counts as far as it goes.
        trusted: False where the log cannot be relied on: kept on record, not fitted.
        remark: Why it is not trusted, or what was noticed.
        barometer_kpa: Ambient pressure of the pull; NaN where unknown. [kPa absolute]
        intake_c: Intake air temperature; NaN where unknown. [°C]
        unseen_kpa: Height of a spike or of half a swing that the log's rate could have hidden; 0 where it shows all.
            [kPa]
        proposed: What had been proposed for it; None where nothing was, or where it is not known.
        roughness_kpa: Of the trace about its curve over the judged range: noise and ringing; NaN where unknown. [kPa]
        ripple_kpa: By how much ringing that the curve smooths away puts up the deviation, as the root of squares. [kPa]
        beyond_kpa: By how much boost past the grid's end stands above the curve's last point; NaN where the pull does
            not go there. [kPa]
        held_rpm: Whether this is one duty of a run at held rpm: boost at that rpm and nothing else of a pull.
        last_rpm: Highest engine speed of the pull; NaN where unknown. [rpm]
        shows_ringing: False where the log is too slow or too short for ringing to be seen.
    """

    number: int
    settings: Settings
    curve: Curve
    peak_kpa: float
    sustained_peak_kpa: float
    noise_kpa: float = 0.0
    oscillation_kpa: float = 0.0
    complete: bool = True
    trusted: bool = True
    remark: str = ""
    barometer_kpa: float = float("nan")
    intake_c: float = float("nan")
    unseen_kpa: float = 0.0
    proposed: Settings | None = None
    roughness_kpa: float = float("nan")
    ripple_kpa: float = 0.0
    beyond_kpa: float = float("nan")
    held_rpm: bool = False
    shows_ringing: bool = True
    last_rpm: float = float("nan")

    @classmethod
    def of(
        cls,
        number: int,
        settings: Settings,
        measures: Measures,
        *,
        complete: bool = True,
        trusted: bool = True,
        remark: str = "",
    ) -> Self:
        """A pull from what was measured on its trace. Ringing counts where it stands out of the noise."""
        return cls(
            number=number,
            settings=settings,
            curve=measures.curve,
            peak_kpa=measures.peak_kpa,
            sustained_peak_kpa=measures.sustained_peak_kpa,
            noise_kpa=measures.noise_kpa,
            oscillation_kpa=measures.oscillation.standing_kpa,
            shows_ringing=measures.oscillation.resolvable,
            roughness_kpa=measures.roughness_kpa,
            ripple_kpa=measures.ripple_kpa,
            beyond_kpa=measures.beyond_kpa,
            last_rpm=measures.last_rpm,
            complete=complete,
            trusted=trusted,
            remark=remark,
        )

    @property
    def swing_kpa(self) -> float:
        """Half swing of the ringing: that which stands out of the noise, or that of a sinusoid with the ripple's root
        mean square, whichever is larger. [kPa]"""
        return float(max(self.oscillation_kpa, np.sqrt(2.0) * self.ripple_kpa))

    @property
    def tells_of_ringing(self) -> bool:
        """Whether the pull says how far feedback rings: where ringing was seen, or where none was on a whole sweep that
        could have shown it."""
        return not self.held_rpm and (self.swing_kpa > 0.0 or (self.complete and self.shows_ringing))

    @property
    def rung_kpa(self) -> float:
        """Half swing that counts as ringing. Without gain nothing rings: what swings by more than ``UNEVEN_KPA`` then
        is a spike, and belongs to the curve. [kPa]"""
        return self.swing_kpa if self.settings.gain > 0.0 else min(self.swing_kpa, UNEVEN_KPA)

    def deviation_kpa(self, target: Target) -> float:
        """Root mean square of boost minus target over the judged range, ringing included; NaN if not covered. [kPa]"""
        return float(np.hypot(deviation_kpa(self.curve, target), self.ripple_kpa))

    @property
    def highest_kpa(self) -> float:
        """Highest boost known of this pull, from trace or curve. [kPa gauge]"""
        reached = self.curve.boost_kpa[self.curve.reached]
        return float(max(self.peak_kpa, reached.max() if reached.size else -np.inf))

    @property
    def tops_past_grid(self) -> bool:
        """Whether its curve is highest past the grid's end."""
        reached = self.curve.boost_kpa[self.curve.reached]
        return bool(reached.size and reached[-1] + self.beyond_kpa > reached.max())


def quiet_kpa(pulls: Sequence[Observation], settings: Settings, least_gain: float = 0.0) -> float:
    """Roughness from which on a pull with these settings rings: that of the whole pulls at the least gain, by their
    median. Of an aborted pull a few samples may be all that lies in the judged range.

    Args:
        pulls: Pulls so far.
        settings: What the pull was run with.
        least_gain: Lower end of gain's range: feedback that cannot be had with less of it counts as none.
    Returns:
        Infinite at the least gain, and where no such pull has been run. [kPa]
    """
    calm = [pull.roughness_kpa for pull in pulls if pull.settings.gain <= least_gain and pull.trusted and pull.complete]
    calm = [rough for rough in calm if np.isfinite(rough)]
    return float(np.median(calm)) if calm and settings.gain > least_gain else float("inf")
