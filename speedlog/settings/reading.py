"""Settings of reading files and of finding the passes in them."""

from __future__ import annotations

from dataclasses import dataclass

from speedlog.settings.row import setting


@dataclass(frozen=True)
class ReadSettings:
    """Reading files (`speedlog.importers`)."""

    biggest_file_mb: float = setting(512.0, "MB", "a day at 25 Hz is about 150 MB; more is not a log of a meeting")
    most_unpacked_ratio: float = setting(100.0, "times", "text logs pack 3 to 30 times; a bomb over 1000 times")
    most_packed_files: int = setting(200, "files", "a day's passes with two loggers each are fewer; a bomb holds more")
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
    at_intervals: float = setting(1.5, "own intervals", "inspect --at: farther from a time an epoch is another one's")
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
    cores_from: int = setting(24, "passes", "two cores review fewer (0.1 s each) no sooner: a process takes 1 s to start")
    line_least_m: float = setting(10.0, "m", "two points nearer than this tell no heading at all")
    line_good_m: float = setting(200.0, "m", "a metre off turns the line by 0.3°, 3 m in 500 m: worth a word below")
    step_intervals: float = setting(1.5, "own intervals", "a longer interval may be a gap, or the clock stepped")
    step_most_intervals: float = setting(1.6, "own intervals", "a forward step hides one interval, jitter included")
    step_steady: float = setting(0.25, "share of the interval", "jitter of a receiver that keeps a rate")
    step_steady_share: float = setting(0.8, "share of intervals", "fewer steady ones, and a long one means nothing")
    step_place_m: float = setting(0.3, "m", "how well two positions a second apart tell a distance")
    step_most_mps2: float = setting(20.0, "m/s²", "no car brakes or pulls more: how far it can drive in the logged time")
    step_sure: float = setting(4.0, "sd", "a clock is called wrong only beyond this")
