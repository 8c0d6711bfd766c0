"""Settings of what is said about a pass, a logger, a trap."""

from __future__ import annotations

from dataclasses import dataclass

from speedlog.settings.row import setting


@dataclass(frozen=True)
class VerdictSettings:
    """Comparing with the trap figure (`speedlog.reconcile`)."""

    widest_half_width: float = setting(0.03, "share of the estimate", "design contract, rule 1")
    disagree_en: float = setting(1.5, "En", "design contract: honest intervals exceed 1 in 5 passes of 100")
    only_just_en: float = setting(1.0, "En", "ISO/IEC 17043: |En| <= 1 agrees")
    lone_source_share: float = setting(0.025, "share of the figure", "design contract, rule 2")
    least_coverage: float = setting(0.5, "share of the trap", "design contract, rule 3")
    logger_drift_mps: float = setting(0.07, "m/s", "slow Doppler error of one logger; as in fusion")
    logger_place_m: float = setting(1.1, "m", "slow place error of one logger; as in fusion")
    interpolation_divisor: float = setting(4.0, "1", "a corner between two epochs misses the chord by that share")


@dataclass(frozen=True)
class HiddenSettings:
    """What a logger's rate and lag hide in a pass (`speedlog.reconcile.hidden`)."""

    side_s: float = setting(0.5, "s", "the pull just before the peak and the loss just after it, coasting included")
    least_mps: float = setting(0.05, "m/s", "a lag that costs less than a tenth of a mph explains nothing")
    lag_wander_u_s: float = setting(0.005, "s", "0.1 m/s of slow error between a pull of 8 m/s² and braking at 10")
    worth_share: float = setting(0.005, "share", "1 mph in 200: a peak that can be missed by more is worth a word")


@dataclass(frozen=True)
class SuitsSettings:
    """Whether a logger suffices at a speed over a trap (`speedlog.reconcile.suits`)."""

    share: float = setting(0.005, "share of the target", "1 mph in 200: what drivers argue about; common practice, no source")
    least_epochs: float = setting(1.0, "epochs", "from one on, an epoch lies inside for certain; references topic 5")
    near_limit: float = setting(0.02, "share of the target", "a limit so little above leaves no room for a better pass")
    gaining_mps2: float = setting(8.0, "m/s²", "of a fast car in its run-up, where the log has no pass; common practice, no source")
    losing_mps2: float = setting(12.0, "m/s²", "lift and brakes, where the log has no pass; common practice, no source")
    trap_m: float = setting(30.0, "m", "where no length is given; common practice, no source")
    fast_share: float = setting(0.9, "share of the peak", "the fastest part of a pass: a trap stands where the car is fast")
    side_s: float = setting(0.5, "s", "the pull just before the peak and the loss just after it, as in a review")
    side_rows: int = setting(3, "rows", "the fewest that a slope is taken from")
    lag_floor_s: float = setting(0.01, "s", "wander of places looks like so much: no log rules out a shorter lag")
    lowest_target_mps: float = setting(5.0, "m/s", "slower, a car is carried through a trap")
    longest_trap_m: float = setting(2000.0, "m", "longer than any runway's timed stretch")
    shortest_trap_m: float = setting(1.0, "m", "beams nearer to each other than a car is long time nothing")


@dataclass(frozen=True)
class LocateSettings:
    """Finding where the trap stands (`speedlog.reconcile.locate`)."""

    grid_m: float = setting(0.1, "m", "a tenth of what a stand-alone receiver can tell")
    place_sd_m: float = setting(1.0, "m", "slow place error of the loggers, one a pass; references topic 5: 0.5 to 1.5 m")
    band_widening: float = setting(1.0, "factor", "of the estimate's band, as for the trap's interval (trap_widening)")
    slowest_mps: float = setting(5.0, "m/s", "slower, a car is carried or set down, not timed")
    least_passes: int = setting(2, "passes", "one figure fits two places, before and after the top speed, unchecked")
    checked_passes: int = setting(3, "passes", "of two figures that disagree nobody can name the wrong one")
    misfit_chance: float = setting(0.01, "probability", "so large a misfit of sound figures; one warning in a hundred is false")
    lone_margin: float = setting(6.0, "chi-square", "a pass is named only where blaming it is 20 times likelier than the next")
    valley_share: float = setting(0.001, "share of the top", "a normal hill falls to it at 3.7 sd; it holds all but 0.02 %")
    rival_share: float = setting(0.005, "probability", "that the trap lies elsewhere; more would spoil a 95 % interval")
    edge_share: float = setting(0.02, "share of the top", "a normal hill falls to it at 2.8 sd; cut off sooner, its mean is off")
    widest_sd_m: float = setting(10.0, "m", "a third of a common trap: the place error's first order no longer holds")
    flat_share: float = setting(0.5, "share", "of the sd of an even chance over the stretch: the passes tell little more")
    alike_cosine: float = setting(0.95, "1", "a common speed error then makes the place's variance 10 times larger")
    unseen_speed_mps: float = setting(0.1, "m/s", "a speed error that loggers of one kind may share, for the sentence")
    unseen_lag_s: float = setting(0.05, "s", "the least lag of a receiver that filters its speed, for the sentence")
    same_pass_s: float = setting(2.0, "s", "between a pass's stretch in two logs; the next pass is minutes away")
