"""Whole NMEA logs: finding sentences, merging them into epochs, dates, damage."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from speedlog.errors import SpeedlogError
from speedlog.importers import nmea
from speedlog.importers.nmea import _sentences
from speedlog.samples import Clock, Recording, Reject
from speedlog.settings import ReadSettings
from tests.importers.nmea_text import clean_log, framed, gga, log_of, read, rmc

KNOT = 1852 / 3600
CLEAN = clean_log()


def times(recording: Recording) -> list[str]:
    return [stamp.isoformat() for stamp in recording.samples.index]


def test_sentences_of_one_time_make_one_epoch() -> None:
    found = read(CLEAN)
    assert len(found.samples) == 20 and found.clock is Clock.UTC and found.rate_hz == pytest.approx(10.0)
    assert found.rejected == 0 and found.warnings == ()
    row = found.samples.iloc[7]
    assert row["speed_mps"] == pytest.approx(7 * KNOT, abs=1e-12)  # by the making of the log
    assert row["lat_deg"] == pytest.approx(
        53 + 6 / 60, abs=1e-12
    )  # RMC and GGA have as many decimals: the first
    assert (row["alt_m"], row["hdop"], row["satellites"], row["fix"]) == (51.0, 0.8, 12.0, "3d")
    assert times(found)[0] == "2024-06-15T12:00:00+00:00"


def test_the_position_with_more_decimals_is_kept() -> None:
    short = rmc("120000").replace("5306.00000", "5306.0")
    found = read(log_of(short, gga("120000", minutes="06.00006")))
    assert found.samples["lat_deg"].iloc[0] == pytest.approx(53 + 6.00006 / 60, abs=1e-12)


def test_untimed_sentences_belong_to_the_epoch_at_hand() -> None:
    gsv = "GPGSV,2,1,06,01,40,083,46,02,17,308,41,12,07,344,39,14,22,228,45"
    more = "GLGSV,1,1,02,65,40,083,50,66,17,308,"
    found = read(
        log_of(
            gga("120000"),
            "GNVTG,75.0,T,,M,10.0,N,18.5,K,A",
            gsv,
            more,
            gga("120001"),
            "GNGSA,A,2,,,,,,,,,,,,,2,9,1",
        )
    )
    speed = found.samples["speed_mps"].to_numpy()
    assert speed[0] == pytest.approx(10 * KNOT) and math.isnan(
        speed[1]
    )  # an epoch without a speed stays without
    assert found.samples["cn0_dbhz"].iloc[0] == pytest.approx(
        (50 + 46 + 45 + 41) / 4
    )  # strongest four, by hand
    assert list(found.samples["fix"]) == ["3d", "2d"]
    assert list(found.samples["hdop"]) == [0.8, 0.8]  # GGA's own goes first


def test_rmc_speed_goes_before_vtg() -> None:
    found = read(log_of(rmc("120000", "20.0"), "GNVTG,75.0,T,,M,19.0,N,35.2,K,A"))
    assert found.samples["speed_mps"].iloc[0] == pytest.approx(20 * KNOT)


def test_late_sentence_joins_its_epoch() -> None:
    found = read(log_of(rmc("120000"), rmc("120001"), gga("120000"), gga("120001")))
    assert list(found.samples["hdop"]) == [0.8, 0.8] and len(found.samples) == 2


@pytest.mark.parametrize(
    ("bodies", "fix"),
    [
        ([rmc("120000", status="V", mode="N"), gga("120000")], "none"),
        ([rmc("120000"), gga("120000", quality="0")], "none"),
        ([rmc("120000", mode="E"), gga("120000", quality="6")], "dead_reckoned"),
        ([rmc("120000", mode="D"), gga("120000", quality="5")], "rtk_float"),
        ([rmc("120000", mode="R"), gga("120000", quality="4")], "rtk_fixed"),
        ([rmc("120000", mode="D"), gga("120000", quality="2")], "differential"),
        ([gga("120000"), "GAGGA,120000,5306.0,N,00112.0,W,0,12,0.8,51.0,M,47.0,M,,"], "3d"),
    ],
)
def test_fix_of_an_epoch(bodies: list[str], fix: str) -> None:
    assert list(read(log_of(*bodies)).samples["fix"]) == [fix]


def test_simulated_positions_are_read_with_a_warning() -> None:
    found = read(log_of(gga("120000", quality="8"), gga("120001", quality="8")))
    assert any("simulator" in text for text in found.warnings) and found.valid.all()


def test_epochs_without_a_fix_stay_in_the_table() -> None:
    found = read(log_of("GNRMC,120000.00,V,,,,,,,150624,,,N", rmc("120001")))
    assert list(found.valid) == [False, True] and math.isnan(found.samples["lat_deg"].iloc[0])


def test_wrong_checksums_are_rejected_and_counted_with_their_line() -> None:
    broken = CLEAN.replace(b"GNRMC,120000.30,A,5306", b"GNRMC,120000.30,A,5406")
    found = read(broken)
    assert found.rejected == 1 and [item.line for item in found.rejects] == [7]  # epoch 3: line 3 * 2 + 1
    assert "wrong checksum" in found.rejects[0].reason
    assert len(found.samples) == 20 and math.isnan(found.samples["speed_mps"].iloc[3])


def test_absent_checksums_are_accepted_with_one_warning() -> None:
    bare = b"".join(line.split(b"*")[0] + b"\r\n" for line in CLEAN.splitlines())
    found = read(bare)
    assert len(found.samples) == 20 and found.rejected == 0
    assert [text for text in found.warnings if "checksum" in text] == [
        "40 sentences have no checksum: taken as they are"
    ]
    pd.testing.assert_frame_equal(found.samples, read(CLEAN).samples)


def test_one_sentence_without_checksum_among_others_has_been_cut() -> None:
    cut = CLEAN.replace(CLEAN.splitlines()[6], CLEAN.splitlines()[6].split(b"*")[0][:-4])
    found = read(cut)
    assert found.rejected == 1 and found.rejects == (Reject(7, "GNRMC: cut short"),)


@pytest.mark.parametrize(
    "change",
    [
        lambda line: b"2024-06-15 14:45:30.000 " + line + b"\n",
        lambda line: b"[I][gnss.c:101] RX: " + line + b"\r\n",
        lambda line: b"\\s:GN1,c:1718459130*01\\" + line + b"\r\n",
        lambda line: line + b" ;rssi=-60\n",
        lambda line: line,
        lambda line: line + b"\r",
        lambda line: line + b"\n\n",
        lambda line: b"\xff\x00\xb5b\x01\x07$" + line + b"\xb5\x62\x24",
        lambda line: line + b"\n!AIVDM,1,1,,A,13u?etPv2;0n:dDPwUM1U1Cb069D,0*24\n",
        lambda line: line + b"\n$PGRME,15.0,M,22.5,M,15.0,M*1B\n",
    ],
)
def test_what_stands_around_a_sentence_changes_nothing(change) -> None:  # type: ignore[no-untyped-def]
    found = read(b"".join(change(line) for line in CLEAN.splitlines()))
    assert found.rejected == 0
    pd.testing.assert_frame_equal(found.samples, read(CLEAN).samples)


@pytest.mark.parametrize("encoding", ["utf-16", "utf-16-le", "utf-16-be"])
def test_utf16(encoding: str) -> None:
    data = CLEAN.decode("ascii").encode(encoding)
    assert nmea.sniff(data[:4096])
    pd.testing.assert_frame_equal(read(data).samples, read(CLEAN).samples)


def test_line_numbers_count_every_kind_of_line_end() -> None:
    bad = b"$GNRMC,1*00"
    found = read(b"\r\n\n\r" + bad + b"\r\n" + framed(rmc("120000")).encode() + b"\n" + bad + b"\n")
    assert [item.line for item in found.rejects] == [4, 6]


def test_date_from_rmc_or_zda_anywhere() -> None:
    zda = "GNZDA,120003.05,15,06,2024,00,00"
    found = read(log_of(gga("120000"), gga("120001"), gga("120002"), gga("120003"), zda))
    assert found.clock is Clock.UTC and len(found.samples) == 4
    assert times(found)[0] == "2024-06-15T12:00:00+00:00"


def test_no_date_anywhere_gives_times_of_day_with_a_warning() -> None:
    found = read(log_of(gga("235959"), gga("000000"), gga("000001")))
    assert found.clock is Clock.TIME_OF_DAY and any("date" in text for text in found.warnings)
    assert times(found) == [
        f"1970-01-0{day}T{rest}+00:00" for day, rest in ((1, "23:59:59"), (2, "00:00:00"), (2, "00:00:01"))
    ]


def test_midnight_with_a_date_before_it_only() -> None:
    found = read(log_of(rmc("235958.00"), gga("235959.00"), gga("000000.00"), gga("000001.00")))
    assert times(found)[-1] == "2024-06-16T00:00:01+00:00" and len(found.segments) == 1


def test_midnight_with_a_date_after_it_only() -> None:
    found = read(log_of(gga("235958.00"), gga("235959.00"), rmc("000000.00", date="160624")))
    assert times(found)[0] == "2024-06-15T23:59:58+00:00"


@pytest.mark.parametrize("undated", [False, True])
def test_an_old_date_for_a_moment_after_midnight_is_mended(undated: bool) -> None:
    old = ["235957", "235958", "000000", "000001", "000002", "000003"]
    rows = [rmc(f"{time}.00") for time in old]
    rows += [rmc(f"{time}.00", date="160624") for time in ("000004", "000005")]
    if undated:
        rows.insert(2, gga("235959.00"))
    found = read(log_of(*rows))
    assert times(found)[-6:] == [f"2024-06-16T00:00:0{second}+00:00" for second in range(6)]
    assert len(found.segments) == 1 and found.rejected == 0


def test_an_old_date_long_after_midnight_is_believed() -> None:
    """A minute is the limit: an hour later the same date means that the log goes back a day."""
    late = ReadSettings().late_date_s
    for second, day in ((late - 1, 16), (late + 1, 15)):
        time = f"00{int(second) // 60:02d}{int(second) % 60:02d}.00"
        assert (
            read(log_of(rmc("235959.00"), rmc(time), rmc(time.replace(".00", ".50")))).samples.index[-1].day
            == day
        )


def test_a_log_of_one_time_of_day_on_two_days_keeps_its_dates() -> None:
    found = read(
        log_of(rmc("120000"), rmc("120001"), rmc("120000", date="160624"), rmc("120001", date="160624"))
    )
    assert [stamp.day for stamp in found.samples.index] == [15, 15, 16, 16]


def vtg_log(leads: bool, accel_mps2: float) -> bytes:
    """GGA and VTG at 10 Hz from 20 m/s on; positions by s = v t + a t²/2 along a meridian."""
    bodies = []
    for at in range(40):
        t = at / 10
        place_m, speed = 20 * t + accel_mps2 * t * t / 2, 20 + accel_mps2 * t
        minutes = (
            place_m / 1854.80
        )  # one minute of latitude at 53.1 N: 111288.16 m / 60, references.md topic 4
        vtg = f"GNVTG,0.0,T,,M,{speed / KNOT:.3f},N,{speed * 3.6:.3f},K,A"
        pair = [gga(f"12000{at // 10}.{at % 10}0", minutes=f"{6 + minutes:09.6f}"), vtg]
        bodies += reversed(pair) if leads else pair
    return log_of(*bodies)


@pytest.mark.parametrize(("leads", "warned"), [(False, False), (True, True)])
def test_vtg_goes_to_the_position_that_the_motion_shows(leads: bool, warned: bool) -> None:
    found = read(vtg_log(leads, 8.0))
    speed = found.samples["speed_mps"].to_numpy()
    # by the making of the log: 20 m/s and 0.8 m/s more each epoch; the first VTG has no position before it
    assert speed[1:] == pytest.approx(20 + 0.8 * np.arange(1, 40), abs=1e-3)
    assert any("stand before their positions" in text for text in found.warnings) == warned


def test_vtg_needs_enough_moving_epochs_to_be_placed() -> None:
    least = ReadSettings().vtg_least_epochs
    for epochs, known in ((least + 1, False), (least + 2, True)):  # the first and the last have one neighbour
        lines = vtg_log(True, 8.0).splitlines(keepends=True)[: 2 * epochs]
        assert any("stand before" in text for text in read(b"".join(lines)).warnings) == known


def test_vtg_at_constant_speed_goes_to_the_position_before_with_a_warning() -> None:
    found = read(vtg_log(False, 0.0))
    assert found.samples["speed_mps"].to_numpy() == pytest.approx(20.0, abs=1e-3)
    assert any("taken for the position before them" in text for text in found.warnings)


def test_zda_gives_the_century() -> None:
    found = read(
        log_of("GNZDA,120000,15,06,2080,00,00", rmc("120000", date="150680"), rmc("120001", date="150680"))
    )
    assert found.samples.index[1].year == 2080 and any("date" in text for text in found.warnings)


def test_zda_ahead_of_its_epochs_moves_no_epoch() -> None:
    """As a real receiver does: each ZDA two seconds ahead of the positions around it."""
    bodies = [
        body for at in range(6) for body in (gga(f"12000{at}"), f"GNZDA,12000{at + 2},15,06,2024,00,00")
    ]
    assert len(read(log_of(*bodies)).samples) == 6


def test_cut_fractions_are_spread() -> None:
    bodies = [
        body
        for at in range(50)
        for body in (rmc(f"1200{at // 10:02d}", f"{at}.0"), gga(f"1200{at // 10:02d}"))
    ]
    found = read(log_of(*bodies))
    assert len(found.samples) == 50 and found.rate_hz == pytest.approx(10.0)
    assert times(found)[-1] == "2024-06-15T12:00:04.900000+00:00"  # by hand: ten a second from 12:00:00
    assert any("time stamps" in text for text in found.warnings)


def test_positions_without_a_time_are_left_out_with_a_warning() -> None:
    found = read(log_of(gga(""), rmc("120000")))
    assert len(found.samples) == 1 and any("without a time" in text for text in found.warnings)


@pytest.mark.parametrize(
    "data",
    [
        log_of("GPGSV,1,1,02,03,40,080,44,17,28,201,39"),
        log_of(gga("")),
        b"$GNRMC,120000,A,5306.0,N,00112.0,W,1,75,150624,,,A*00\r\n",
    ],
)
def test_logs_without_a_timed_position_are_refused(data: bytes) -> None:
    with pytest.raises(SpeedlogError, match="NMEA without a timed position"):
        read(data)


def test_no_rmc_speed_out_of_range_is_passed_on() -> None:
    found = read(
        log_of(rmc("120000", "1e308"), rmc("120001", "-5"), rmc("120002", "777.0"), rmc("120003", "778.0"))
    )
    # 400 m/s is 777.54 kn (1852/3600 m/s each)
    assert np.isfinite(found.samples["speed_mps"]).tolist() == [False, False, True, False]
    assert found.rejected == 3 and len(found.samples) == 4


@given(cut=st.integers(0, len(CLEAN)))
@settings(max_examples=60, deadline=None)
def test_a_cut_log_gives_the_first_samples(cut: int) -> None:
    whole = read(CLEAN).samples
    try:
        part = read(CLEAN[:cut]).samples
    except SpeedlogError:
        assert cut < CLEAN.index(b"\r\n") + 2
        return
    assert list(part.index) == list(whole.index[: len(part)])
    pd.testing.assert_frame_equal(part.iloc[:-1], whole.iloc[: len(part) - 1])


@given(
    st.lists(st.one_of(st.sampled_from(CLEAN.splitlines(keepends=True)), st.binary(max_size=30)), max_size=40)
)
@settings(max_examples=60, deadline=None)
def test_any_bytes_give_a_recording_or_one_clear_error(parts: list[bytes]) -> None:
    data = b"".join(parts)
    nmea.sniff(data)
    try:
        found = read(data)
    except SpeedlogError as problem:
        assert "\n" not in str(problem)
        return
    assert isinstance(found, Recording) and len(found.samples)


@given(st.integers(0, len(CLEAN) - 1), st.integers(0, 255))
@settings(max_examples=60, deadline=None)
def test_one_wrong_byte_costs_one_epoch_at_most(at: int, byte: int) -> None:
    whole = read(CLEAN).samples
    found = read(CLEAN[:at] + bytes([byte]) + CLEAN[at + 1 :]).samples
    same = found.reindex(whole.index).eq(whole).where(whole.notna(), True).all(axis=1)
    assert same.sum() >= len(whole) - 1


def test_line_ends_change_nothing() -> None:
    for end in ("\n", "\r", "\r\n", "\r\r\n", ""):
        pd.testing.assert_frame_equal(read(clean_log(end=end)).samples, read(CLEAN).samples)


def test_one_sentence_is_one_in_words() -> None:
    assert (
        _sentences(1, "has", "have") == "1 sentence has"
        and _sentences(2, "has", "have") == "2 sentences have"
    )
