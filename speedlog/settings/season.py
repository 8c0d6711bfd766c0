"""Settings of what is said about a season."""

from __future__ import annotations

from dataclasses import dataclass

from speedlog.settings.row import setting


@dataclass(frozen=True)
class SeasonSettings:
    """Personal bests, two-way means, and loggers against the trap over a season (`speedlog.logbook`)."""

    window_s: float = setting(3600.0, "s", "both passes of a two-way mean within it, where no rule is set; common practice, no source")
    same_length_m: float = setting(0.001, "m", "traps that differ by more are not one trap; courses are written to the millimetre")
    least_sessions: int = setting(3, "sessions", "fewer clusters can't tell a day's error from the trap's; false claims are simulated from here on")
    least_passes: int = setting(8, "passes", "twice the terms and two to spare")
    claim_p: float = setting(0.05, "probability", "one clean season in 20 may be called odd, all terms together (Holm 1979)")
    scale_share: float = setting(0.6, "share of claim_p", "the first question; the other terms share the rest, as in a weighted Bonferroni test")
    stated_weight: int = setting(4, "degrees of freedom", "what the passes' own intervals weigh against the scatter of few sessions; simulated with shared errors")
    most_off: float = setting(0.025, "share of the figure", "further off than the season's median by this: a figure in doubt, as in rule 2 of the verdict")
    as_well: float = setting(3.84, "chi-squared", "the 95 % point with one degree of freedom: another cause that fits within it can't be ruled out")
    least_own: float = setting(0.02, "share of its square", "a term that the others imitate nearer than this can't be told from them")


@dataclass(frozen=True)
class CompareSettings:
    """Passes side by side (`speedlog.logbook.compare`)."""

    launch_mps: float = setting(3.0, "m/s", "faster, and a car is surely under way: noise of a speed at rest is a tenth of it")
    mark_m: float = setting(50.0, "m", "distance between the marks at which figures are written")
    grid_m: float = setting(2.0, "m", "distance between the points of the curves: under the 3 m between two epochs at 25 Hz")
    least_common_m: float = setting(20.0, "m", "less in common is no curve")
    place_u95_m: float = setting(2.2, "m", "of a place by GNSS, twice the slow error of one logger; where distances are not counted from the launch")
    most_passes: int = setting(6, "passes", "no more can be told apart, by colour and dash, on one chart")
