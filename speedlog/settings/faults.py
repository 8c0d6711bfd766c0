"""Settings of the search for faults."""

from __future__ import annotations

from dataclasses import dataclass

from speedlog.settings.row import setting


@dataclass(frozen=True)
class FaultSettings:
    """When samples can't be trusted (`speedlog.faults`)."""

    moving_mps: float = setting(3.0, "m/s", "while standing or creeping nothing can be missed")
    gap_intervals: float = setting(1.5, "own intervals", "design contract: covered is at most 1.5 of its own intervals")
    gap_jitter_s: float = setting(0.002, "s", "rounding of logged times must not make a gap")
    near_trap_m: float = setting(25.0, "m", "design contract: or the trap's own length, whichever is more")
    hdop_poor: float = setting(3.0, "1", "a runway under open sky gives 0.5 to 1.5; common practice, no source")
    hdop_rise: float = setting(2.5, "times the median", "a sudden loss of satellites on one side")
    hdop_rise_from: float = setting(2.0, "1", "below this a rise does no harm")
    satellites_poor: float = setting(4.5, "count", "four give a place without any check on it")
    satellites_drop: float = setting(0.5, "share of the median", "half of the sky is gone")
    satellites_drop_below: float = setting(8.0, "count", "eight left are plenty, whatever is lost")
    cn0_poor_dbhz: float = setting(28.0, "dB-Hz", "tracking gets noisy below; common practice, no source")
    cn0_drop_db: float = setting(8.0, "dB", "a sixth of the usual power: antenna turned away, shaded or jammed")
    position_steps: float = setting(1.5, "text steps", "a car that moved so far can't have the same place written")
    position_noise: float = setting(5.0, "sd", "and by more than noise can bring it back")
    repeat_rows: int = setting(3, "rows", "two equal readings are chance, three are looked at")
    repeat_chance: float = setting(1e-4, "probability", "of one such run by chance in a whole pass")
    repeat_even_odds: float = setting(0.5, "probability", "where text is this coarse, repeats prove nothing")
    repeat_from: float = setting(0.5, "share of the top", "slower, and a speed may well stand still")
    repeat_least: int = setting(8, "new speeds", "fewer make no habit of writing a speed again")
    repeat_steps: float = setting(3.0, "steps of the text", "as in a frozen speed: rounding alone repeats, then goes on by one or two")
    repeat_longest: float = setting(2.5, "times the usual", "a longer hold than is usual here: a stuck receiver, or a flat top")
    flat_noise: float = setting(6.0, "sd", "a jump at the end of a run beyond this was no noise")
    flat_steps: float = setting(2.0, "text steps", "the same, for coarse text")
    flat_accel_mps2: float = setting(10.0, "m/s²", "what a change of the pull may do within one interval")
    flat_speed_mps: float = setting(0.5, "m/s", "disagreement of a steady reading with positions that counts")
    flat_place_m: float = setting(0.03, "m", "no receiver's positions are better, whatever a short log shows")
    flat_place_sd: float = setting(4.0, "sd", "positions prove a wrong speed only beyond this")
    ceiling_rows: int = setting(3, "rows", "fewer can be the round top of any pass")
    ceiling_pinned: float = setting(0.9, "share of rows", "a real top speed scatters, a limit does not")
    ceiling_pull_mps2: float = setting(1.0, "m/s²", "a car that gains so much just before is not at its top speed")
    ceiling_slope_s: float = setting(0.25, "s", "the pull is taken from this much before and after the flat top")
    ceiling_slope_rows: int = setting(4, "rows", "and from as many rows as a slope needs")
    ceiling_noise_mps: float = setting(0.03, "m/s", "the least noise of a real Doppler speed; references topic 5")
    ceiling_chance: float = setting(0.02, "probability", "that a real top speed looks as flat by noise and text alone")
    ceiling_loss_mps: float = setting(0.4, "m/s", "less hidden above the flat top is a rounded peak")
    ceiling_loss_noise: float = setting(4.0, "sd", "the same, for noisy readings and coarse text steps")
    ceilings_mps: tuple[float, ...] = setting(
        (65.535, 255 / 3.6, 99.9 * 1852 / 3600, 100.0, 655.35 / 3.6), "m/s", "references topic 5: fields that run full"
    )
    ceiling_known_mps: float = setting(0.03, "m/s", "how near to a known limit counts as that limit")
    ceiling_round: float = setting(50.0, "of the unit", "250 km/h, 200 mph: one step of 0.01 in 5000 is so round by chance")
    ceiling_round_step: float = setting(0.1, "of the unit", "coarser text, brought to another unit, is round too often")
    outlier_rows: tuple[int, ...] = setting((1, 2, 3, 5), "rows", "off the path: longer runs are no single outliers")
    outlier_longest: int = setting(8, "rows", "a longer stretch shows in the estimate's misfit, not here")
    outlier_longest_s: float = setting(5.0, "s", "five epochs at 1 Hz: a longer run is a good part of the pass")
    outlier_side_rows: int = setting(4, "rows", "neighbours on each side that must speak against a value")
    outlier_hole_s: float = setting(5.0, "s", "the rows beyond a longer hole tell nothing of a reading")
    outlier_noise: float = setting(5.0, "sd", "1 in 1e6 rows by chance; an error of 8 sd is found with its own noise")
    outlier_noise_least_mps: float = setting(0.02, "m/s", "no receiver's Doppler is better epoch by epoch")
    outlier_speed_mps: float = setting(0.6, "m/s", "smaller spikes do no harm; one of 1 m/s is found with its noise")
    outlier_log_odds: float = setting(8.0, "ln", "a wrong run comes 1 in 500 rows; five times surer than that")
    outlier_jerk_m2_s5: tuple[float, ...] = setting(
        (1.0, 10.0, 100.0, 1000.0), "m²/s⁵", "steady pull to brakes at once: 15 m/s² in 0.2 s is a density of 1000"
    )
    outlier_size_mps: float = setting(10.0, "m/s", "one sd of a wrong speed's error: 1 to 40 m/s are seen")
    outlier_size_m: float = setting(10.0, "m", "one sd of a wrong or jumping place's error")
    outlier_bias_mps: float = setting(0.3, "m/s", "slow Doppler error and what is left of a lag, within a window")
    outlier_lag_s: float = setting(0.05, "s", "wander of places looks like 0.01 s or so; this at 10 m/s² is 0.5 m/s")
    outlier_lag_rows: int = setting(20, "rows", "fewer tell no lag")
    outlier_wander_rows: int = setting(4, "rows", "over so many, wander shows beside the white noise of places")
    outlier_sieve: float = setting(0.6, "share", "of the least error; a run's mean and chord have noise of their own")
    outlier_sieve_top: float = setting(0.7, "share", "runs that overlap a true one stand out less: these are looked at")
    outlier_gross: float = setting(4.0, "times the sieve", "such runs come first, by few looks each")
    outlier_accel_mps2: float = setting(10.0, "m/s²", "half of what pull and brakes differ by; times the interval")
    outlier_place_sd: float = setting(8.0, "sd", "a level of four rows is noisier than a row; 1 in 1e6 rows")
    outlier_place_m: float = setting(1.0, "m", "slow wander and steps of a metre are a receiver's normal life")
    outlier_place_mps: float = setting(0.5, "m/s", "times the distance in time: error of the speed between positions")
