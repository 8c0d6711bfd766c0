"""Tracks and the mended clock, on invented days."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from speedlog.course.clock import mend
from speedlog.course.passes import find_passes
from speedlog.course.track import make_track
from speedlog.faults import coverage, find_faults
from speedlog.samples import Clock, Recording, empty_samples
from speedlog.settings import PassSettings
from tests.course.days import COURSE, START, Day, kept, record, recording


def day() -> Day:
    return Day().stand(10).go(80, hold=2).stand(20)


def stepped(log: Recording, after_s: float, step_s: float, *, segments: bool) -> Recording:
    """The log with its clock `step_s` ahead from a moment on; one table, or cut there as an importer does."""
    cut = int(np.searchsorted(log.samples.index, START + pd.Timedelta(after_s, "s")))
    early, late = log.samples.iloc[:cut], log.samples.iloc[cut:].copy()
    late.index = late.index + pd.Timedelta(step_s, "s")
    return recording(early, late) if segments else recording(pd.concat([early, late]))


def test_track_lies_on_the_line():
    log = record(day(), rate_hz=25.0)
    (span,) = find_passes(log, COURSE)
    track = make_track(log, span, COURSE)
    assert track is not None
    assert (track.kind, track.sign, track.trap) == ("gnss", 1, (520.0, 550.0))
    assert track.interval_s == pytest.approx(0.04, abs=1e-9)
    # by hand: at full speed from 20 s on, 400 m along
    time = (span.start - START).total_seconds() + track.time_s
    assert np.interp(21.0, time, track.along_m) == pytest.approx(480.0, abs=0.3)
    assert track.time_s[0] >= 0.0 and np.all(np.diff(track.time_s) > 0)


def test_origin_is_the_callers():
    log = record(day())
    (span,) = find_passes(log, COURSE)
    one, other = make_track(log, span), make_track(log, span, origin=span.start - pd.Timedelta(5, "s"))
    assert one is not None and other is not None
    assert other.time_s - one.time_s == pytest.approx(np.full(len(one.time_s), 5.0))


def test_return_pass_falls():
    log = record(Day(1000.0).stand(5).go(-80, hold=2).stand(5))
    (span,) = find_passes(log, COURSE)
    track = make_track(log, span, COURSE)
    assert track is not None and track.sign == -1
    assert track.along_m[0] > track.along_m[-1]


def test_nothing_of_the_pass():
    log = record(day())
    (span,) = find_passes(log, COURSE)
    later = record(day(), begin=0.0, end=3.0)
    assert make_track(later, span, COURSE) is None


def test_unsound_positions_have_no_place():
    log = record(day())
    samples = log.samples.copy()
    samples.iloc[200:205, samples.columns.get_loc("fix")] = "none"
    samples.iloc[210:215, samples.columns.get_loc("fix")] = "dead_reckoned"
    (span,) = find_passes(log, COURSE)
    track = make_track(recording(samples), span, COURSE)
    assert track is not None and np.isnan(track.along_m).sum() == 10


def test_wheel_log():
    samples = empty_samples(pd.date_range(START, periods=100, freq="50ms", unit="ns"))
    samples["rpm"] = 20000.0
    (span,) = find_passes(record(day()), COURSE)
    wheel = Recording("esc.csv", "0" * 64, "delimited", Clock.ELAPSED, (samples,))
    track = make_track(wheel, PassSpanAt(span, START), COURSE)
    assert track is not None and track.kind == "wheel"
    assert np.isnan(track.along_m).all() and track.interval_s == pytest.approx(0.05)


def PassSpanAt(span, start):  # noqa: N802  (reads like the value it makes)
    from dataclasses import replace

    return replace(span, start=start, end=start + pd.Timedelta(5, "s"))


@pytest.mark.parametrize("rate_hz", [1.0, 10.0, 25.0])
@pytest.mark.parametrize("step_s", [-30.0, -1.0, 1.0, 30.0, 3600.0])
@pytest.mark.parametrize("after_s", [18.03, 24.03])
def test_a_step_while_moving_is_mended(rate_hz, step_s, after_s):
    log = record(day(), rate_hz=rate_hz)
    segments = step_s < 0 or step_s > 30
    broken = stepped(log, after_s, step_s, segments=segments)
    line = mend(broken, PassSettings())
    assert len(line.step_s) == 1
    assert line.step_s[0] == pytest.approx(step_s, abs=0.05 + 0.05 / rate_hz)
    # every interval is the receiver's again; noise of positions and speed allows some hundredths
    steps = np.diff(line.time_ns) / 1e9
    assert steps == pytest.approx(np.full(len(steps), 1 / rate_hz), abs=0.05 + 0.05 / rate_hz)
    # the longer part keeps its clock
    cut = line.step_rows[0]
    longer = slice(0, cut) if cut > len(line.time_ns) / 2 else slice(cut, None)
    assert (line.time_ns[longer] == line.samples.index.as_unit("ns").asi8[longer]).all()


def test_a_true_gap_is_no_step():
    log = record(day(), rate_hz=25.0)
    time = (log.samples.index - START).total_seconds().to_numpy()
    for begin, end in ((18.0, 18.5), (22.0, 24.0), (24.0, 24.06)):
        line = mend(kept(log, (time < begin) | (time > end)), PassSettings())
        assert len(line.step_s) == 0


def test_a_stale_position_after_a_gap_does_not_make_a_step():
    log = record(day(), rate_hz=25.0)
    time = (log.samples.index - START).total_seconds().to_numpy()
    samples = log.samples[(time < 20.0) | (time > 20.5)].copy()
    row = int(np.argmax(samples.index > START + pd.Timedelta(20.3, "s")))
    for name in ("lat_deg", "lon_deg"):
        samples.iloc[row, samples.columns.get_loc(name)] = samples[name].iloc[row - 1]
    assert len(mend(recording(samples), PassSettings()).step_s) == 0


def test_a_log_without_a_rate_or_a_speed_of_its_own_has_no_hidden_steps():
    log = stepped(record(day(), rate_hz=10.0), 22.03, 5.0, segments=False)
    assert len(mend(log, PassSettings()).step_s) == 1
    rng = np.random.default_rng(2)
    assert len(mend(kept(log, rng.random(len(log.samples)) < 0.5), PassSettings()).step_s) == 0
    blind = log.samples.copy()
    blind["speed_mps"] = np.nan
    assert len(mend(recording(blind), PassSettings()).step_s) == 0


def test_standing_a_backward_step_takes_one_interval_and_a_forward_one_is_believed():
    log = record(day(), rate_hz=10.0)
    back = mend(stepped(log, 4.0, -600.0, segments=True), PassSettings())
    assert back.step_s == pytest.approx([-600.0], abs=1e-6)
    ahead = mend(stepped(log, 4.0, 600.0, segments=True), PassSettings())
    assert len(ahead.step_s) == 0


def test_the_step_stands_in_the_track():
    log = stepped(record(day(), rate_hz=10.0), 22.03, -5.0, segments=True)
    (span,) = find_passes(log, COURSE)
    track = make_track(log, span, COURSE)
    assert track is not None and len(track.steps) == 1
    assert track.steps[0].step_s == pytest.approx(-5.0, abs=0.05)
    row = int(np.searchsorted(track.time_s, track.steps[0].at_s + 1e-6))
    assert (track.samples.index[row] - track.samples.index[row - 1]).total_seconds() == pytest.approx(
        -4.9, abs=1e-6
    )
    assert np.all(np.diff(track.time_s) > 0)


def test_declared_breaks_stand_in_the_track():
    log = record(day(), rate_hz=10.0)
    moment = log.samples.index[200]
    (span,) = find_passes(log, COURSE)
    track = make_track(recording(log.samples, breaks=[moment]), span, COURSE)
    assert track is not None
    expected = (moment - span.start).total_seconds()
    assert track.breaks_s == pytest.approx((expected,))


def held(log: Recording, every: int, *, blank: bool) -> Recording:
    """The log as a faster table writes a slower receiver: only every n-th epoch is its own."""
    samples = log.samples.copy()
    row = np.arange(len(samples))
    for name in ("lat_deg", "lon_deg", "speed_mps"):
        values = samples[name].to_numpy(dtype=float)[row - row % every]
        samples[name] = np.where(row % every, np.nan, values) if blank else values
    return recording(samples)


@pytest.mark.parametrize("blank", [True, False])
@pytest.mark.parametrize("every", [2, 5])
def test_a_table_faster_than_its_receiver(every, blank):
    log = record(day(), rate_hz=50.0)
    (span,) = find_passes(held(log, every, blank=blank), COURSE)
    track = make_track(held(log, every, blank=blank), span, COURSE)
    assert track is not None
    assert track.interval_s == pytest.approx(every / 50.0, abs=1e-3)
    assert track.held_rows > 0.4 * len(log.samples.loc[span.start : span.end])
    assert find_faults(track) == ()
    assert coverage(track, (), 520.0, 550.0) == pytest.approx(1.0)


def test_a_stuck_receiver_is_not_thinned():
    log = record(day(), rate_hz=25.0)
    samples = log.samples.copy()
    for name in ("lat_deg", "lon_deg", "speed_mps"):
        samples.iloc[500:540, samples.columns.get_loc(name)] = samples[name].iloc[499]
    (span,) = find_passes(recording(samples), COURSE)
    track = make_track(recording(samples), span, COURSE)
    assert track is not None and track.held_rows == 0
    assert [fault.kind for fault in find_faults(track)] == ["frozen"]
