"""Every threshold and option: its value, its unit, and why it is what it is.

A stage takes its own group as an argument, so that a test can stand on both sides of a threshold
without touching the rest.
"""

from __future__ import annotations

from dataclasses import dataclass, field, fields
from typing import Any


def setting(default: Any, unit: str, reason: str) -> Any:
    """A field of a settings group, with its unit and the reason for its value."""
    return field(default=default, metadata={"unit": unit, "reason": reason})


@dataclass(frozen=True)
class ReadSettings:
    """Reading files (`speedlog.importers`)."""

    biggest_file_mb: float = setting(512.0, "MB", "a day at 25 Hz is about 150 MB; more is not a log of a meeting")
    fastest_mps: float = setting(400.0, "m/s", "no car on wheels is faster; above it a reading is broken text")
    most_lone_rows: int = setting(3, "rows", "wrong times that come back within so few rows are slips of the log")
    most_lone_share: float = setting(0.1, "share", "of lone wrong times; a log with more is unordered throughout")
    most_clock_steps: int = setting(20, "count", "a log with more is unordered throughout, and is sorted instead")
    step_speed_mps: float = setting(5.0, "m/s", "below it a car that stood through a gap looks like a clock's step")
    step_place_m: float = setting(1.0, "m", "position noise on the way of one interval")
    most_repeated_share: float = setting(0.95, "share", "of samples lost to repeated times; such times stand still")
    vtg_least_epochs: int = setting(10, "count", "moving epochs that must tell to which position VTG speeds belong")
    vtg_misfit_ratio: float = setting(0.5, "ratio", "of summed squares; one epoch off makes them several times larger")
    late_date_s: float = setting(60.0, "s", "receivers that write the old date after midnight mend it within seconds")
    least_new_rows_share: float = setting(0.2, "share", "of repeated stamps with a new row: the rest may be standing")
    spread_from_rows: float = setting(2.0, "rows", "median at a stamp; below it the log repeats a time now and then")
    earliest_year: int = setting(2000, "year", "before it no such log could be made: the date is wrong")
    latest_year: int = setting(2070, "year", "after it the date is wrong (two-digit years are 1970 to 2069)")
    rollover_before_year: int = setting(
        2010, "year", "a date 1024 weeks early: logs made since 2019 then show the years from 1999 on"
    )
    header_search_lines: int = setting(300, "lines", "no preamble is longer; a log without a header is refused soon")
    sample_rows: int = setting(200, "rows", "first rows by which forms of cells are told; 8 s at 25 Hz")
    short_rows_share: float = setting(0.05, "share", "more short rows are the logger's habit, fewer are cut lines")
    unit_window_s: float = setting(1.0, "s", "over a second position noise is small beside the way of a fast car")
    unit_least_mps: float = setting(3.0, "m/s", "below it position noise weighs too much in a ratio of speeds")
    unit_least_windows: int = setting(5, "count", "fewer windows could agree with a unit by chance")
    unit_tolerance: float = setting(0.04, "share", "units of speed lie 9.7 % and more apart (ft/s and km/h); under half")
    pulse_low_us: float = setting(1000.0, "µs", "servo pulse of no throttle; common practice, no source")
    pulse_high_us: float = setting(2000.0, "µs", "servo pulse of full throttle; common practice, no source")
    table_jump_m: float = setting(1000.0, "m", "x and y of neighbouring rows further apart are no track in degrees")


@dataclass(frozen=True)
class PassSettings:
    """Finding passes in a recording (`speedlog.course.passes`)."""

    standing_mps: float = setting(1.5, "m/s", "above a standing receiver's noise, below walking pace")
    standing_kept_s: float = setting(1.0, "s", "a little standing on both sides tells the estimate where zero is")
    slow_share: float = setting(0.15, "share of the peak", "below this the pass is over: rolling out, turning, return")
    slow_floor_mps: float = setting(3.0, "m/s", "brisk walking pace, whatever the peak was")
    slow_kept_s: float = setting(5.0, "s", "how much of a slow roll is still shown as part of the pass")
    turned_back_m: float = setting(20.0, "m", "so far back from its farthest point a car is on its way home")
    hole_s: float = setting(20.0, "s", "over a longer hole nobody knows what the car did: another drive begins")
    smooth_s: float = setting(1.0, "s", "window of the medians that keep single bad readings out of the search")
    crossing_floor_mps: float = setting(5.0, "m/s", "faster than a car carried or pushed through the trap")
    crossing_share: float = setting(0.55, "share of the fastest crossing", "slow days: a return drive is slower than this")
    crossing_surely_mps: float = setting(15.0, "m/s", "return drives are up to 10 m/s; common practice, no source")
    crossing_around_s: float = setting(1.5, "s", "speed over the trap is taken from this much before to after it")
    wild_m: float = setting(30.0, "m", "farther from its neighbours' median than half a second's way and this: wild")
    crossing_agree: float = setting(2.5, "ratio", "positions and speed that differ by more do not tell of one drive")
    same_crossing_s: float = setting(3.0, "s", "no car comes round for a second crossing in so short a time")
    farthest_across_m: float = setting(100.0, "m", "half a wide runway and a bad position; beyond lies another road")
    fastest_mps: float = setting(200.0, "m/s", "positions that ask for more than any such car's speed are bad")
    peak_floor_mps: float = setting(12.0, "m/s", "without a course: above return drives of up to 10 m/s")
    peak_share: float = setting(0.5, "share of the top speed", "without a course: a pass reaches half the day's top")
    valley_share: float = setting(0.3, "share of the top speed", "without a course: slower between two peaks: two passes")
    turned_deg: float = setting(45.0, "degrees", "without a course: so far off its heading, a drive is no straight line")
    turned_for_s: float = setting(1.0, "s", "a heading that is off for less is a bad position")
    sudden_mps2: float = setting(40.0, "m/s²", "no car gains or sheds more; a faster change is a bad reading")
    sudden_mps: float = setting(5.0, "m/s", "and this much on top, for noise and coarse times")
    held_runs: int = setting(8, "runs", "so many short holds in a pass are a faster table's habit, not a stuck receiver")
    held_share: float = setting(0.15, "share of rows", "the same: fewer held rows don't matter")
    held_longest: float = setting(2.5, "times the median", "a longer hold than is usual here is a stuck receiver")
    line_least_m: float = setting(10.0, "m", "two points nearer than this tell no heading at all")
    line_good_m: float = setting(200.0, "m", "a metre off turns the line by 0.3°, 3 m in 500 m: worth a word below")
    step_intervals: float = setting(1.5, "own intervals", "a longer interval may be a gap, or the clock stepped")
    step_most_intervals: float = setting(1.6, "own intervals", "a forward step hides one interval, jitter included")
    step_steady: float = setting(0.25, "share of the interval", "jitter of a receiver that keeps a rate")
    step_steady_share: float = setting(0.8, "share of intervals", "fewer steady ones, and a long one means nothing")
    step_place_m: float = setting(0.3, "m", "how well two positions a second apart tell a distance")
    step_sure: float = setting(4.0, "sd", "a clock is called wrong only beyond this")


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


@dataclass(frozen=True)
class FusionSettings:
    """Aligning clocks and estimating the motion (`speedlog.fusion`)."""

    pull_fades_per_s: float = setting(0.2, "1/s", "force balance at 40 to 100 m/s: 0.1 at constant force, 0.25 at power")
    excess_time_s: float = setting(3.0, "s", "how long this car's departure from that lasts: run-ups take 8 to 20 s")
    pull_excess_mps3: tuple[float, ...] = setting(
        (0.35, 1.2, 4.0, 12.0), "m/s³", "levels of excess jerk near trap and peak; the data weigh them"
    )
    pull_white_m2_s5: tuple[float, ...] = setting(
        (0.02, 0.3, 5.0, 60.0), "m²/s⁵", "white jerk on each level: gusts, seams of the runway; bumps on the last"
    )
    pull_chance: tuple[float, ...] = setting((0.45, 0.3, 0.2, 0.05), "probability", "of each level before the readings")
    free_excess_mps3: float = setting(12.0, "m/s³", "elsewhere the motion may do anything: launch, wheelspin, brakes")
    free_white_m2_s5: float = setting(60.0, "m²/s⁵", "the same: 8 m/s² of change within a second")
    excess_levels_mps3: tuple[float, ...] = setting(
        (1.5, 3.0, 6.0, 12.0), "m/s³", "levels of excess jerk away from trap and peak, by what the free motion does there"
    )
    close_knot_s: float = setting(0.05, "s", "where it matters; a quintic between knots misses by millimetres a second")
    wide_knot_s: float = setting(0.2, "s", "elsewhere, where only sums over seconds matter")
    close_before_s: float = setting(2.5, "s", "from which the car's pull before the trap is learned")
    close_after_s: float = setting(1.5, "s", "in which lift and brakes show")
    lift_ramp_s: float = setting(0.055, "s", "a finger leaves a trigger within 30 to 80 ms; common practice, no source")
    brake_ramp_s: float = setting(0.3, "s", "brakes are put on within 0.15 to 0.5 s; common practice, no source")
    lift_grid_s: float = setting(0.04, "s", "twice as fine moves the estimate by under a tenth of its sd")
    brake_grid_s: float = setting(0.05, "s", "a brake comes on over several of these")
    lift_chance: float = setting(0.8, "probability", "that the pull ends within the stretch looked at")
    brakes_per_s: float = setting(1.2, "1/s", "brakes follow the lift within a second; common practice, no source")
    least_coasting_s: float = setting(0.1, "s", "hand and brakes take as long")
    pull_before_s: float = setting(0.15, "s", "so long before a lift the free motion does not feel it yet")
    hole_intervals: float = setting(2.5, "median intervals", "longer without a reading, the free motion guesses")
    drag_per_m: float = setting(7e-4, "1/m", "k of a coasting car: 0.007 to 0.013 m² of drag area on 6 to 10 kg")
    rolling_mps2: float = setting(0.2, "m/s²", "tyres on a runway, 2 % of the weight; references topic 9")
    downforce_per_m2: float = setting(6e-5, "s²/m²", "of load over weight: 0.003 to 0.015 m² of down area on 6 to 10 kg")
    drag_share: float = setting(0.4, "share", "of the drag: what other drag areas and masses make of it")
    pull_sd_mps2: float = setting(0.7, "m/s²", "how well the pull before a lift is known")
    brake_mps2: float = setting(-10.0, "m/s²", "what brakes do: 6 to 14 m/s²; common practice, no source")
    brake_sd_mps2: float = setting(3.0, "m/s²", "from a touch of the brake to locked wheels")
    any_change_sd_mps2: float = setting(6.0, "m/s²", "a bump, a gear, a throttle that comes back")
    any_change_share: float = setting(0.15, "probability", "that the changes are of that kind")
    most_paths: int = setting(300, "count", "the heaviest; the others move no figure")
    least_weight: float = setting(1e-5, "share", "of the heaviest path; lighter ones are left out")
    speed_drift_sd_mps: float = setting(0.07, "m/s", "slow Doppler error under a free sky, 0.03 to 0.1; references topic 5")
    speed_drift_time_s: float = setting(11.0, "s", "receivers' own filters; common practice, no source")
    speed_noise_mps: float = setting(0.08, "m/s", "where the log is too slow to tell its noise; references topic 5")
    speed_noise_floor_mps: float = setting(0.02, "m/s", "no receiver's Doppler is better epoch by epoch")
    speed_noise_weight: float = setting(8.0, "epochs", "how many epochs the default is worth against the measured")
    lag_least_s: float = setting(0.03, "s", "a shorter lag moves a reading by less than its noise")
    lag_seen_sds: float = setting(4.0, "sd", "a lag is looked at as delay and as filter where positions show it so clearly")
    lag_sds: float = setting(3.0, "sd", "a lag is put right only where it is beyond doubt")
    account_margin: float = setting(300.0, "ln", "the free motion misjudges accounts of the lags by up to this; beyond, they are out")
    least_account: float = setting(0.02, "probability", "less likely accounts then have no part in the answer")
    lag_sd_s: float = setting(0.2, "s", "receivers' filters: 0.05 to 0.5 s")
    lag_most_s: float = setting(1.5, "s", "more is no filter but a clock")
    poor_fix_looseness: float = setting(8.0, "times", "the noise of readings under a poor fix: HDOP of 6 against 0.8")
    place_noise_m: float = setting(0.06, "m", "epoch-to-epoch position noise where the log can't tell it")
    place_noise_floor_m: float = setting(0.015, "m", "no receiver without a base station is better epoch by epoch")
    place_sd_m: float = setting(1.1, "m", "where a stand-alone receiver sees itself; common practice, no source")
    place_drift_slowest_s: float = setting(150.0, "s", "time constant of a place error that hardly moves")
    place_drift_fastest_s: float = setting(30.0, "s", "of one that wanders a metre within half a minute")
    place_drift_m2_s: float = setting(0.02, "m²/s", "wander of a metre over a minute, where the log can't tell it")
    trap_widening: float = setting(1.0, "factor", "of the trap's interval: the model's own (benchmarks)")
    peak_widening: float = setting(1.1, "factor", "of the peak's interval: no lift is the even ramp of the model (benchmarks)")
    student_freedom: float = setting(4.0, "1", "tails of readings: one in 60 beyond 4 sd")
    sudden_mps2: float = setting(30.0, "m/s²", "no car gains or sheds more on wheels; a larger step is wild")
    wild_sds: float = setting(8.0, "sd", "no noise reaches so far")
    wild_speed_sd_mps: float = setting(20.0, "m/s", "a wild speed is anything")
    wild_step_m: float = setting(1.0, "m", "receivers' places step by less when the satellites change")
    wild_place_mps: float = setting(1.5, "m/s", "by which a place may wander off the speed")
    doubt_sds: float = setting(5.0, "sd", "off the likeliest usual drive: looked at as a wild reading")
    doubt_from_weight: float = setting(0.02, "share", "readings that count less are out already")
    doubt_interval_s: float = setting(0.075, "s", "loggers faster than this show a run of wrong speeds by its edges")
    doubt_runs: tuple[int, ...] = setting((1, 2, 3, 5), "readings", "lengths of runs that are tried with a shift of their own")
    doubt_most_runs: int = setting(2, "count", "runs in one stretch")
    doubt_least_mps: float = setting(0.5, "m/s", "smaller shifts do no harm")
    doubt_excess_mps3: float = setting(3.0, "m/s³", "middling: a lift costs something, a hump of 1 m/s costs more")
    doubt_white_m2_s5: float = setting(4.0, "m²/s⁵", "as much as half a second of such excess brings")
    usual_levels: int = setting(2, "count", "of roughness, the smoothest, that make a usual drive")
    wild_begins: float = setting(0.005, "1", "a wild reading every 8 s at 25 Hz that no fault test caught")
    wild_lasts: float = setting(0.85, "1", "wild readings come in runs of a few")
    trusted_sds: float = setting(2.0, "sd", "misfits up to here count in full")
    stray_least_mps: float = setting(3.0, "m/s", "a smaller misfit may be a slow logger: that is the verdict's to tell")
    stray_sds: float = setting(8.0, "sd", "no noise reaches so far")
    stray_longest_s: float = setting(3.0, "s", "a longer misfit is a bias, not a stray reading")
    start_along_sd_m: float = setting(30.0, "m", "wide: the first positions decide")
    start_speed_sd_mps: float = setting(20.0, "m/s", "wide: the first readings decide")
    start_accel_sd_mps2: float = setting(10.0, "m/s²", "a car at the limit of grip")
    start_excess_sd_mps3: float = setting(12.0, "m/s³", "wide: a launch may be under way")
    wheel_noise_share: float = setting(0.0025, "share", "ripple of logged rpm at speed; common practice, no source")
    wheel_noise_floor_mps: float = setting(0.15, "m/s", "resolution of slow rpm")
    wheel_scale_sd: float = setting(0.03, "ln", "what is left of diameter, growth and slip after the first fit")
    wheel_wander_sd: float = setting(0.004, "ln", "camber, rubber on the tread; a road wheel keeps its scale so well")
    wheel_wander_share: float = setting(0.2, "share", "of growth and slip, which two constants don't tell in full")
    wheel_trend_share_per_s: float = setting(0.15, "1/s", "of the wander: how fast slip drifts away with speed and load")
    wheel_trend_time_s: float = setting(2.0, "s", "how long such a drift lasts")
    wheel_usual_accel_mps2: float = setting(6.0, "m/s²", "grip used at which slip is taken for that: pull and drag")
    wheel_wander_time_s: float = setting(4.0, "s", "how long that lasts")
    wheel_clock_sd_s: float = setting(0.03, "s", "what the search for a wheel log's clock may be off")
    shortest_pass_s: float = setting(0.25, "s", "a few readings of one instant are no motion")
    robust_rounds: int = setting(3, "count", "re-weighting of single misfits settles in two or three rounds")
    robust_limit: float = setting(3.0, "sd", "a residual beyond this is weighed down in proportion")
    standing_mps: float = setting(1.5, "m/s", "below this a car stands, whatever the noise says")
    clock_shift_step_s: float = setting(900.0, "s", "time zones lie whole quarter hours apart")
    gps_utc_s: float = setting(18.0, "s", "GPS time ahead of UTC since 2017; may change with a leap second")
    clock_tolerance_s: float = setting(2.0, "s", "lag and reading of two loggers of one pass")
    wheel_grid_hz: float = setting(20.0, "Hz", "grid of the first, coarse search for a wheel log's offset")
    wheel_search_s: float = setting(0.6, "s", "fine search around the coarse offset")
    wheel_least_overlap: float = setting(0.3, "share", "of the shorter log; less may look alike by chance")
    wheel_least_variance: float = setting(0.3, "share", "of the GNSS speed's variance; a flat stretch fits anything")
    wheel_least_likeness: float = setting(0.8, "1", "correlation of one and the same pass is 0.99 and more")
    wheel_rival_s: float = setting(3.0, "s", "a second match farther away than this is another pass")
    wheel_rival_margin: float = setting(0.002, "1", "closer second matches make the choice a guess")
    wheel_fit_from: float = setting(0.3, "share of the peak", "slow wheels spin or are carried")
    wheel_growth_sd: float = setting(0.06, "share at full speed", "tyres grow by a few percent")
    wheel_slip_sd: float = setting(0.004, "per m/s²", "slip of a few percent at 8 m/s²")
    wheel_offset_widening: float = setting(3.0, "factor", "the misfits of one pass follow one another")
    wheel_worst_residual: float = setting(0.06, "share of the peak", "a wheel that misfits more is not this car's")
    spin_widths_s: tuple[float, ...] = setting((0.12, 0.2, 0.32, 0.5), "s", "how long a burst of wheelspin lasts")
    spin_side_s: float = setting(0.24, "s", "looked at on both sides of it")
    spin_kink_mps2: float = setting(18.0, "m/s²", "from full pull to coasting or brakes at one instant: no burst")
    spin_sds: float = setting(5.0, "sd", "of a burst's height")
    spin_most: int = setting(12, "count", "bursts in a pass; a wheel that spins more often tells nothing")
    wheel_gap_s: float = setting(0.2, "s", "shorter holes in a controller's log are jitter of its stamps")
    wheel_thin_hz: float = setting(25.0, "Hz", "a wheel's ripple, not its rate, limits it")
    electrical_low: float = setting(1.7, "ratio", "from here a wheel is no plausible wheel but counts poles")
    electrical_high: float = setting(9.0, "ratio", "motors have 1 to 8 pole pairs; common practice, no source")


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
    repeat_from: float = setting(0.5, "share of the top", "slower, and a speed may well stand still")
    repeat_least: int = setting(8, "new speeds", "fewer make no habit")
    repeat_steps: float = setting(3.0, "steps of the text", "as in a frozen speed: rounding alone repeats, then goes on by one or two")
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


@dataclass(frozen=True)
class ReportSettings:
    """Drawing and wording the page (`speedlog.report`)."""

    level_mps2: float = setting(
        0.3, "m/s²", "smaller than what a slope of 3 % or a gust does; below it the speed counts as level"
    )
    zoom_m: float = setting(40.0, "m", "shown on each side of the trap: a second or less at these speeds")
    most_points: int = setting(600, "points a curve", "a pass at 25 Hz has about as many; a curve has fewer pixels")
    label_gap: float = setting(0.2, "share of the chart", "labels of faults nearer to each other would overlap")


@dataclass(frozen=True)
class Settings:
    """All groups."""

    read: ReadSettings = field(default_factory=ReadSettings)
    passes: PassSettings = field(default_factory=PassSettings)
    faults: FaultSettings = field(default_factory=FaultSettings)
    fusion: FusionSettings = field(default_factory=FusionSettings)
    verdict: VerdictSettings = field(default_factory=VerdictSettings)
    hidden: HiddenSettings = field(default_factory=HiddenSettings)
    suits: SuitsSettings = field(default_factory=SuitsSettings)
    locate: LocateSettings = field(default_factory=LocateSettings)
    report: ReportSettings = field(default_factory=ReportSettings)


def every_setting() -> list[tuple[str, str, Any, str, str]]:
    """(group, name, value, unit, reason) of every setting, for the guide and its test."""
    rows = []
    for group in fields(Settings):
        for item in fields(getattr(Settings(), group.name)):
            rows.append((group.name, item.name, item.default, item.metadata["unit"], item.metadata["reason"]))
    return rows
